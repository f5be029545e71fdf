"""Headings: which rows they are, and what each column means.

Understood without settings only where one reading is possible; anything else gets the
role 'unclear' with the reason, and is never guessed.
"""

from __future__ import annotations

import fnmatch
import math
import re
import unicodedata
from dataclasses import dataclass, replace

from reconcile.errors import ReconcileError
from reconcile.intake.sources import Row, Sheet
from reconcile.intake.vocabulary import (
    ERROR_WORDS,
    FACT_WORDS,
    IGNORED_WORDS,
    INTENSITY_WORDS,
    LIMIT_LABELS,
    LIMIT_WORDS,
    LONG_WORDS,
    METHOD_LABELS,
    METHOD_WORDS,
    NOT_RESULTS,
    RELATIVE_WORDS,
    SD_WORDS,
    UNIT_LABELS,
    UPPER_LABELS,
    VALUE_WORDS,
    facts_of,
    word_set,
)
from reconcile.quantities import (
    Species,
    Unit,
    element_by_name,
    parse_species,
    parse_unit,
    species_by_capitals,
    unit_question,
)
from reconcile.settings import ColumnRule, TableSettings

#: Symbols that are also words, directions or row labels: taken as elements only with a unit
#: or a method beside them, or among other elements.
_EASILY_MISREAD = word_set(
    """
    In As At He Be I N S C H O F K P B U V W Y No Os Am Po Ra Pa
    """
)
_COORDINATES = frozenset({"x", "y", "z", "e", "n", "east", "north", "easting", "northing"})


@dataclass(frozen=True, slots=True)
class Heading:
    """One column's heading as it stands, from all heading rows."""

    index: int
    text: str  # all parts joined by a blank
    names: tuple[str, ...]  # ways in which settings may call it
    unit_row: str = ""
    method_row: str = ""
    lower_row: str = ""
    upper_row: str = ""
    group: str = ""  # heading above it that spans several columns


@dataclass(frozen=True, slots=True)
class Block:
    """The heading rows of a sheet."""

    headings: tuple[Heading, ...]
    first_line: int
    last_line: int  # data begins after it
    anchor: tuple[str, ...]  # the main heading row, to know it again among the data


@dataclass(frozen=True, slots=True)
class Column:
    """A column as understood, with what is needed to read it."""

    index: int
    heading: str
    role: str  # value | error | limit | fact | ignored | unclear
    fact: str = ""
    species: Species | None = None
    unit: Unit | None = None
    sigma: float = math.nan
    method: str = ""
    lower: str = ""  # limits that stand in heading rows
    upper: str = ""
    factor: float = 1.0  # for facts: e.g. 1000 for a mass in kg
    why: str = ""
    question: str = ""  # what to settle where unclear


def plain(text: str) -> str:
    """A heading on one line, without outer and double blanks."""
    return re.sub(r"\s+", " ", text).strip()


def words(text: str) -> str:
    """A heading as lower-case words, for look-up among usual words."""
    text = unicodedata.normalize("NFKC", text).lower()
    text = re.sub(r"[_\-.,;:/\\()\[\]]+", " ", text)
    return re.sub(r"\s+", " ", text).strip()


# ---- which rows are headings --------------------------------------------------------------


def find_block(sheet: Sheet, table: TableSettings, place: str) -> Block:
    """The heading rows. Raises ReconcileError where no row can be one."""
    head = sheet.head
    if table.first_row is not None:
        starts = [i for i, row in enumerate(head) if row.line >= table.first_row]
        if not starts or head[starts[0]].line != table.first_row:
            raise ReconcileError(
                f"{place}: row {table.first_row} is empty or does not exist, but 'first_row' says "
                "that the headings stand there.",
                "Mend 'first_row' in the settings.",
            )
        first = starts[0]
        if table.heading_rows is not None:
            rows = list(range(first, min(first + table.heading_rows, len(head))))
            scores = [_recognised(head[i], table) for i in rows]
            anchor = rows[max(range(len(rows)), key=lambda k: (scores[k], -k))]
            return _block(sheet, rows, anchor, table)
        anchor = first
        candidates = [first]
        for k in range(first + 1, min(first + 4, len(head))):
            if _row_kind(head[k], head[anchor], table) in {"data", "blank"}:
                break
            candidates.append(k)
        anchor = max(candidates, key=lambda i: (_recognised(head[i], table), -i))
        return _block(sheet, _extend(head, anchor, table, up_to=first), anchor, table)
    scored = [(_recognised(row, table), i) for i, row in enumerate(head)]
    best = max((s for s, _ in scored), default=0)
    if best == 0:
        raise ReconcileError(
            f"{place}: no row of headings was found among the first {len(head)} rows.",
            "Say where it stands with 'first_row', or name the columns in 'columns'.",
        )
    anchor = next(i for s, i in scored if s == best)
    rows = _extend(head, anchor, table)
    if table.heading_rows is not None:
        rows = list(range(rows[0], min(rows[0] + table.heading_rows, len(head))))
    return _block(sheet, rows, anchor, table)


def _recognised(row: Row, table: TableSettings) -> int:
    """How many different cells of the row can be headings."""
    seen: set[str] = set()
    keys = {plain(k) for k in table.columns}
    usual = FACT_WORDS[table.kind] | LONG_WORDS
    placeholders = set(re.findall(r"\{([^{}]+)\}", table.sample_id_template))
    score = numbers = 0
    for cell in row.cells:
        text = plain(cell)
        if not text:
            continue
        if re.fullmatch(r"[<>]?\s*[+-]?[0-9][0-9.,]*(e[+-]?[0-9]+)?\s*%?", text, re.I):
            numbers += 1
            continue
        if text in seen:
            continue
        seen.add(text)
        if (
            text in keys
            or text in placeholders
            or words(text) in usual
            or _result_heading(text).species
        ) or any("*" in k and fnmatch.fnmatchcase(text, k) for k in keys):
            score += 1
    return 0 if numbers > max(score, 1) else score


_OTHER_UNITS = frozenset({"kg", "g", "mg", "ml", "l", "s", "sec", "min", "m", "cm", "mm"})
_NUMBERLIKE = re.compile(
    r"[<>≤≥~]?\s*[+-]?(?:[0-9][0-9.,' ]*|[.,][0-9]+)(?:e[+-]?[0-9]+)?\s*%?", re.I
)


def _row_kind(row: Row, anchor: Row, table: TableSettings) -> str:
    """What a row near the headings is: unit, method, lower, upper, sub, blank or data."""
    cells = [plain(c) for c in row.cells]
    filled = [c for c in cells if c]
    if not filled:
        return "blank"
    label = words(filled[0])
    rest = filled[1:]
    numeric = [c for c in filled if _NUMBERLIKE.fullmatch(c)]
    if label in UNIT_LABELS and any(parse_unit(c) or unit_question(c) for c in rest):
        return "unit"
    if label in METHOD_LABELS and rest and not all(_NUMBERLIKE.fullmatch(c) for c in rest):
        return "method"
    if label in UPPER_LABELS and rest and len(numeric) >= 0.5 * len(rest):
        return "upper"
    if label in LIMIT_LABELS and rest and len(numeric) >= 0.5 * len(rest):
        return "lower"
    units = [c for c in filled if parse_unit(c) or unit_question(c)]
    others = [c for c in filled if c.lower().strip("()[]") in _OTHER_UNITS]
    labels = 1 if len(filled) > 2 and filled[0] not in units else 0
    if units and not numeric and len(units) + len(others) >= 0.6 * (len(filled) - labels):
        return "unit"
    if not numeric and len(filled) >= 2:
        # names below group headings: they fill the columns that the row above leaves open
        above = [plain(c) for c in anchor.cells] + [""] * len(cells)
        below_open = [c for i, c in enumerate(cells) if c and not above[i]]
        known = sum(
            1
            for c in set(filled)
            if words(c) in FACT_WORDS[table.kind] | LONG_WORDS
            or words(c) in VALUE_WORDS | ERROR_WORDS | INTENSITY_WORDS | UNIT_LABELS
        )
        if below_open and known >= 2 and known >= 0.4 * len(set(filled)):
            return "sub"
    return "data"


def _extend(head: tuple[Row, ...], anchor: int, table: TableSettings, up_to: int = 0) -> list[int]:
    """Rows directly above and below the anchor that belong to the headings."""
    rows = [anchor]
    aligned = {i for i, c in enumerate(head[anchor].cells) if c}
    for k in range(anchor - 1, max(up_to, anchor - 6) - 1, -1):
        if head[k].line != head[k + 1].line - 1:
            break  # a blank line parts preamble and headings
        filled = [(i, plain(c)) for i, c in enumerate(head[k].cells) if c]
        if any(_NUMBERLIKE.fullmatch(c) for _, c in filled):
            kind = _row_kind(head[k], head[anchor], table)
            if kind not in {"lower", "upper"}:
                break
        inside = [i for i, _ in filled if i in aligned]
        if len(filled) < 2 or len(inside) < 0.6 * len(filled):
            break
        rows.insert(0, k)
    for k in range(anchor + 1, min(anchor + 7, len(head))):
        kind = _row_kind(head[k], head[anchor], table)
        if kind in {"data", "blank"}:
            break
        rows.append(k)
    return rows


def _block(sheet: Sheet, rows: list[int], anchor: int, table: TableSettings) -> Block:
    head = sheet.head
    width = max(len(head[i].cells) for i in rows)
    while width and not any(width <= len(head[i].cells) and head[i].cells[width - 1] for i in rows):
        width -= 1
    parts: list[list[str]] = [[] for _ in range(width)]
    special = [{"unit": "", "method": "", "lower": "", "upper": ""} for _ in range(width)]
    groups = [""] * width
    sub_rows = [i for i in rows if i != anchor and _kind_of(head, i, anchor, table) == "sub"]
    main = sub_rows[-1] if sub_rows else anchor
    for i in rows:
        cells = [plain(c) for c in head[i].cells] + [""] * (width - len(head[i].cells))
        kind = "main" if i == main else _kind_of(head, i, anchor, table)
        if kind in {"unit", "method", "lower", "upper"}:
            for c in range(width):
                special[c][kind] = cells[c]
            continue
        if i < main:
            spread = _spread(cells, sheet.merged, head[i].line)
            for c in range(width):
                if spread[c]:
                    parts[c].append(spread[c])
                    groups[c] = spread[c]
            continue
        for c in range(width):
            if cells[c]:
                parts[c].append(cells[c])
    last_cells = [plain(c) for c in head[main].cells] + [""] * (width - len(head[main].cells))
    headings = tuple(
        Heading(
            c,
            plain(" ".join(parts[c])),
            tuple(dict.fromkeys(n for n in (plain(" ".join(parts[c])), last_cells[c]) if n)),
            special[c]["unit"],
            special[c]["method"],
            special[c]["lower"],
            special[c]["upper"],
            groups[c],
        )
        for c in range(width)
    )
    return Block(headings, head[rows[0]].line, head[rows[-1]].line, head[main].cells)


def _kind_of(head: tuple[Row, ...], i: int, anchor: int, table: TableSettings) -> str:
    if i == anchor:
        return "main"
    kind = _row_kind(head[i], head[anchor], table)
    if i < anchor:
        if kind in {"unit", "method", "lower", "upper"}:
            return kind
        cells = [plain(c) for c in head[i].cells if c]
        codes = [c for c in cells if _METHOD_CODE.fullmatch(c) and not parse_species(c)]
        return "method" if len(codes) >= 0.6 * len(cells) else "group"
    return "sub" if kind in {"data", "blank"} else kind


def _spread(
    cells: list[str], merged: dict[int, tuple[tuple[int, int], ...]] | None, line: int
) -> list[str]:
    """Group headings over all columns that they span."""
    if merged is not None:
        result = list(cells)
        for first, last in merged.get(line, ()):
            for c in range(first, min(last + 1, len(cells))):
                result[c] = cells[first] if first < len(cells) else ""
        if merged.get(line):
            return result
    result, current = [], ""
    for cell in cells:
        current = cell or current
        result.append(current)
    return result


# ---- what one heading says ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Reading:
    """What the words of one heading say, before the table around it is looked at."""

    species: Species | None = None
    role: str = ""  # value | error | limit | ignored | unclear
    unit: Unit | None = None
    sigma: float = math.nan
    method: str = ""
    question: str = ""
    why: str = ""
    bare: bool = False  # nothing but the symbol stands there
    capitals: bool = False  # the symbol was written in one case


_BRACKETS = re.compile(r"[(\[{]([^()\[\]{}]*)[)\]}]")
_TOTAL_MARK = re.compile(r"\b(Fe|FeO|Fe2O3)[\s_]*\((?:t|T|tot|Tot|total|Total)\.?\)")
_SIGMA = re.compile(r"([1-3](?:\.[0-9]+)?)\s*(?:s|sd|sig|sigma|σ)", re.I)
_K = re.compile(r"k\s*=\s*([0-9](?:\.[0-9]+)?)", re.I)
_METHOD_CODE = re.compile(
    r"[A-Z0-9]{1,6}(?:[-_/][A-Z0-9]{1,8}){1,3}[a-z]?|[A-Z]{2,5}[0-9]{1,4}[A-Za-z]?"
    r"|[A-Z][a-z]?[-_/][A-Z]{1,5}[0-9]{0,4}[A-Za-z]?"
)
_ISOTOPE = re.compile(r"([0-9]{1,3})([A-Z][a-z]?)|([A-Z][a-z]?)([0-9]{2,3})")


def _result_heading(text: str) -> _Reading:
    """Read a heading as a column of results: species, unit, method, kind of figure."""
    if len(text) > 200:
        return _Reading(role="", why="the heading is too long")
    source = unicodedata.normalize("NFKC", text).replace("μ", "µ")
    source = _TOTAL_MARK.sub(r"\1T", source)
    unit: Unit | None = None
    question = ""
    sigma = math.nan
    extra: list[str] = []
    for inner in _BRACKETS.findall(source):
        found = parse_unit(inner)
        if found is not None:
            unit = found
        elif unit_question(inner):
            question = f"unit '{inner}': {unit_question(inner)}"
        elif _SIGMA.fullmatch(inner.strip()):
            sigma = float(_SIGMA.fullmatch(inner.strip())[1])  # type: ignore[index]
        elif _K.fullmatch(inner.strip()):
            sigma = float(_K.fullmatch(inner.strip())[1])  # type: ignore[index]
        else:
            extra.append(inner)
    body = _BRACKETS.sub(" ", source)
    body = re.sub(r"(?<=[A-Za-z0-9])%", " %", body)
    for sign in ("+/-", "±"):
        body = body.replace(sign, " error ")
    tokens = [t for t in re.split(r"[\s_,;:|]+", " ".join([body, *extra])) if t]
    tokens, unit, question = _take_unit(tokens, unit, question)
    tokens = _split_joined(tokens)
    tokens, unit, question = _take_unit(tokens, unit, question)
    return _classify(tokens, unit, question, sigma, bool(_BRACKETS.search(source)))


def _take_unit(
    tokens: list[str], unit: Unit | None, question: str
) -> tuple[list[str], Unit | None, str]:
    """Take the words that name a unit out of the others (the longest run first)."""
    for length in (4, 3, 2, 1):
        for start in range(len(tokens) - length, -1, -1):
            run = tokens[start : start + length]
            text = "".join(run) if length == 1 else " ".join(run)
            if length == 1 and parse_species(text):
                continue
            found = parse_unit(text)
            if found is not None and (unit is None or found == unit):
                return tokens[:start] + tokens[start + length :], found, question
            if found is None and unit_question(text):
                return (
                    tokens[:start] + tokens[start + length :],
                    unit,
                    f"unit '{text}': {unit_question(text)}",
                )
    return tokens, unit, question


def _split_joined(tokens: list[str]) -> list[str]:
    """'Fe.WDXRF', 'Cu-ppm', 'Cu/63' -> their parts, where one part is a species."""
    alone = {t for t in tokens if parse_species(t)}
    result: list[str] = []
    for token in tokens:
        if parse_species(token) or parse_unit(token) or _is_number(token):
            result.append(token)
            continue
        parts = [p for p in re.split(r"[.\-/]+", token) if p]
        species = [p for p in parts if parse_species(p)]
        if len(parts) > 1 and len(species) == 1 and not alone:
            result.extend(parts)
        else:
            result.append(token)
    return result


def _is_number(token: str) -> bool:
    return re.fullmatch(r"[0-9]+(\.[0-9]+)?", token) is not None


def _classify(
    tokens: list[str], unit: Unit | None, question: str, sigma: float, bracketed: bool
) -> _Reading:
    species: list[Species] = []
    capitals = False
    method: list[str] = []
    roles: set[str] = set()
    unknown: list[str] = []
    relative = False
    only = len(tokens) == 1
    for position, token in enumerate(tokens):
        low = token.lower().strip(".")
        found = parse_species(token)
        if found is not None and not (species and low in VALUE_WORDS):
            species.append(found)
            continue
        isotope = _ISOTOPE.fullmatch(token)
        if isotope:
            symbol, number = isotope[2] or isotope[3], int(isotope[1] or isotope[4])
            named = parse_species(symbol)
            if named is not None and _mass_number(symbol, number):
                species.append(named)
                method.append(f"isotope {number}")
                continue
        if _is_number(token):
            number_value = float(token)
            if position + 1 < len(tokens) and re.fullmatch(
                r"(s|sd|sigma|σ)", tokens[position + 1], re.I
            ):
                sigma = number_value
            elif 150 <= number_value <= 1000 and (
                "." in token or "nm" in [t.lower() for t in tokens]
            ):
                method.append(f"{token} nm")
            elif (
                species
                and number_value.is_integer()
                and _mass_number(species[0].element, int(number_value))
            ):
                method.append(f"isotope {token}")
            else:
                unknown.append(token)
            continue
        sigmas = _SIGMA.fullmatch(token)
        if sigmas:
            sigma = float(sigmas[1])
            roles.add("error")
        elif low in RELATIVE_WORDS:
            relative = True
        elif low in INTENSITY_WORDS:
            roles.add("intensity")
        elif low in IGNORED_WORDS:
            roles.add("ignored")
        elif low in LIMIT_WORDS:
            roles.add("limit")
        elif low in ERROR_WORDS:
            roles.add("error")
            if low in SD_WORDS and math.isnan(sigma):
                sigma = 1.0
        elif low in {"nm", "µm", "k"}:
            continue
        elif low in VALUE_WORDS:
            roles.add("value")
        elif low in METHOD_WORDS or _METHOD_CODE.fullmatch(token):
            method.append(token)
        elif not species and element_by_name(token) and (unit or question or not only):
            species.append(parse_species(element_by_name(token)))  # type: ignore[arg-type]
        elif not species and token.isupper() != token.islower() and species_by_capitals(token):
            species.append(species_by_capitals(token))  # type: ignore[arg-type]
            capitals = True
        else:
            unknown.append(token)
    return _reading(
        species, capitals, method, roles, unknown, relative, unit, question, sigma, only
    )


def _reading(
    species: list[Species],
    capitals: bool,
    method: list[str],
    roles: set[str],
    unknown: list[str],
    relative: bool,
    unit: Unit | None,
    question: str,
    sigma: float,
    only: bool,
) -> _Reading:
    named = list(dict.fromkeys(species))
    if not named:
        return _Reading(unit=unit, question=question)
    chosen = named[0]
    common = _Reading(
        chosen, "value", unit, sigma, " ".join(method), question, "heading", only, capitals
    )
    if "ignored" in roles:
        return replace(common, role="ignored", why="not a mass fraction of the element")
    if "intensity" in roles:
        return replace(common, role="ignored", why="an intensity, not a mass fraction")
    if relative:
        return replace(common, role="ignored", why="a relative spread; not read")
    if len(named) > 1:
        names = " and ".join(s.formula for s in named)
        return replace(common, role="unclear", question=f"names {names}")
    if unknown:
        shown = ", ".join(f"'{u}'" for u in unknown[:4])
        return replace(common, role="unclear", question=f"has words that are not known: {shown}")
    if "limit" in roles:
        return replace(common, role="limit")
    if "error" in roles:
        return replace(common, role="error")
    return replace(common, sigma=math.nan)


def _mass_number(symbol: str, number: int) -> bool:
    import periodictable

    return number in getattr(periodictable, symbol).isotopes


# ---- what every column means ----------------------------------------------------------------


def understand(block: Block, table: TableSettings, place: str) -> tuple[Column, ...]:
    """The meaning of every column; settings first, then the heading, then the table around."""
    rules = _match_rules(block, table, place)
    columns: list[Column] = []
    readings: dict[int, _Reading] = {}
    allowed = FACT_WORDS[table.kind]
    for heading in block.headings:
        rule = rules.get(heading.index)
        if rule is not None:
            columns.append(_by_rule(heading, rule, table, place))
            continue
        column, reading = _by_heading(heading, table, allowed)
        if reading is not None:
            readings[heading.index] = reading
        columns.append(column)
    columns = _with_context(columns, readings, block, table)
    columns = [c if c.heading else replace(c, heading=f"column {c.index + 1}") for c in columns]
    return tuple(_with_units(columns, block, table, place))


def _match_rules(block: Block, table: TableSettings, place: str) -> dict[int, ColumnRule]:
    matched: dict[int, ColumnRule] = {}
    for key, value in table.columns.items():
        rule = ColumnRule(means=value) if isinstance(value, str) else value
        for index in matching(block, key):
            if index not in matched or "*" not in key:
                matched[index] = rule
    return matched


def matching(block: Block, key: str) -> list[int]:
    """Positions of the columns that a name in the settings means."""
    wanted = plain(key)
    by_place = re.fullmatch(r"column ([1-9][0-9]*)", wanted, re.I)
    exact = [h.index for h in block.headings if wanted in h.names]
    if exact:
        return exact
    if by_place and int(by_place[1]) <= len(block.headings):
        return [int(by_place[1]) - 1]
    if "*" in wanted:
        # only '*' is a wild card: brackets and question marks stand in headings
        pattern = re.compile(".*".join(re.escape(p) for p in wanted.split("*")), re.S)
        return [h.index for h in block.headings if any(pattern.fullmatch(name) for name in h.names)]
    low = wanted.lower()
    return [h.index for h in block.headings if low in (n.lower() for n in h.names)]


def _by_rule(heading: Heading, rule: ColumnRule, table: TableSettings, place: str) -> Column:
    where = f"{place}, column '{heading.text}'"
    base = Column(
        heading.index, heading.text, "ignored", lower=heading.lower_row, upper=heading.upper_row,
        method=rule.method or _row_method(heading.method_row), why="settings",
    )  # fmt: skip
    means = rule.means.strip()
    unit = _unit_of(rule.unit, where) if rule.unit else None
    if means in {"ignore", "ignored"}:
        return replace(base, method="")
    if means in {"value", "error", "limit"}:
        reading = _result_heading(heading.text)
        species = parse_species(rule.element) if rule.element else reading.species
        if rule.element and species is None:
            raise ReconcileError(
                f"{where}: '{rule.element}' in the settings is no element or oxide.",
                "Write a symbol such as 'Cu' or 'Fe2O3'.",
            )
        if species is None:
            return replace(base, role="fact", fact=means)  # long layout
        sigma = rule.sigma if rule.sigma is not None else reading.sigma
        return replace(
            base, role=means, species=species, unit=unit or reading.unit, sigma=sigma,
            method=rule.method or reading.method or base.method,
        )  # fmt: skip
    if means not in facts_of(table.kind):
        raise ReconcileError(
            f"{where}: '{means}' in the settings is no known meaning for a {table.kind} table.",
            "Use value, error, limit, ignore or one of: " + ", ".join(facts_of(table.kind)) + ".",
        )
    factor = _mass_factor(rule.unit or heading.text, means)
    return replace(base, role="fact", fact=means, factor=factor)


def _unit_of(text: str, where: str) -> Unit:
    unit = parse_unit(text)
    if unit is None:
        question = unit_question(text) or "write for example %, mg/kg, ug/kg, g/t or mg/L"
        raise ReconcileError(f"{where}: unit '{text}' is not known: {question}.", "Mend 'unit'.")
    return unit


def _row_method(text: str) -> str:
    return "" if words(text) in METHOD_LABELS else plain(text)


_MASS_UNITS = {"g": 1.0, "gram": 1.0, "grams": 1.0, "kg": 1000.0, "mg": 0.001}
_OTHER_FACTORS = {
    "digest_volume_ml": {"ml": 1.0, "l": 1000.0},
    "count_time_s": {
        "s": 1.0,
        "sec": 1.0,
        "seconds": 1.0,
        "min": 60.0,
        "minutes": 60.0,
        "ms": 1e-3,
    },
}


def _mass_factor(text: str, fact: str) -> float:
    tokens = [t.lower() for t in re.split(r"[\s_()\[\],;:/]+", text) if t]
    table = _MASS_UNITS if fact.endswith("_g") else _OTHER_FACTORS.get(fact, {})
    for token in reversed(tokens):
        if token in table:
            return table[token]
    return 1.0


def _by_heading(
    heading: Heading, table: TableSettings, allowed: dict[str, str]
) -> tuple[Column, _Reading | None]:
    base = Column(
        heading.index, heading.text, "ignored", lower=heading.lower_row, upper=heading.upper_row,
        method=_row_method(heading.method_row),
    )  # fmt: skip
    if not heading.text:
        return replace(base, why="no heading"), None
    names = [words(n) for n in heading.names]
    for name in names:
        if name in NOT_RESULTS:
            return replace(base, why=NOT_RESULTS[name]), None
    if table.kind == "lab" and {"date", "time", "date time"} & set(names):
        return (
            replace(
                base,
                role="unclear",
                question="may be the date of receipt, of analysis or of the report",
            ),
            None,
        )
    in_group = bool(heading.group) and _result_heading(heading.group).species is not None
    long_like = LONG_WORDS if not in_group else {}
    for name in names:
        known = allowed.get(name) or long_like.get(name) or _long_error(name, long_like)
        if known and not (in_group and name in VALUE_WORDS | UNIT_LABELS):
            return (
                replace(
                    base, role="fact", fact=known, method="", why="heading",
                    factor=_mass_factor(heading.text, known),
                ),
                None,
            )  # fmt: skip
    text = heading.text
    if in_group and words(heading.names[-1]) in UNIT_LABELS:
        species = _result_heading(heading.group).species
        return replace(base, role="fact", fact="unit", species=species, why="heading"), None
    if in_group and heading.names[-1] == "C":
        text = f"{heading.group} conc"  # below an element, 'C' is the concentration
    reading = _result_heading(text)
    if reading.species is None:
        why = "not a result and not a known fact"
        if reading.question:
            why = reading.question
        return replace(base, why=why), None
    role = reading.role
    return (
        replace(
            base,
            role=role,
            species=reading.species,
            unit=reading.unit,
            sigma=reading.sigma,
            method=" ".join(dict.fromkeys(m for m in (base.method, reading.method) if m)),
            why=reading.why,
            question=reading.question,
        ),
        reading,
    )


def _long_error(name: str, usual: dict[str, str]) -> str:
    """'error 2s' of the long layout."""
    bare = re.sub(r" [1-3] ?(s|sd|sigma|σ)$| k ?= ?[0-9.]+$", "", name)
    return "error" if bare != name and usual.get(bare) == "error" else ""


def _with_context(
    columns: list[Column],
    readings: dict[int, _Reading],
    block: Block,
    table: TableSettings,
) -> list[Column]:
    """Settle symbols that are also words by the columns around them."""
    sure = {
        c.species.element
        for c in columns
        if c.role == "value"
        and c.species is not None
        and not (c.index in readings and readings[c.index].capitals)
        and c.species.formula not in _EASILY_MISREAD
    }
    capitals = sum(1 for r in readings.values() if r.capitals)
    coordinates = {words(h.text) for h in block.headings} & _COORDINATES
    elements_about = len(sure) >= 3 or (capitals >= 3 and not sure)
    result = []
    for column in columns:
        reading = readings.get(column.index)
        if column.role not in {"value", "error", "limit"} or reading is None:
            result.append(column)
            continue
        heading = block.headings[column.index]
        supported = bool(
            reading.unit or column.method or parse_unit(heading.unit_row) or reading.question
        )
        symbol = reading.species.formula if reading.species else ""
        lone_letter = reading.bare and words(heading.text) in _COORDINATES
        if reading.capitals and not supported and capitals < 3:
            column = replace(
                column, role="unclear", question="may be a symbol in capitals, or something else"
            )
        elif symbol in _EASILY_MISREAD and not supported:
            beside = lone_letter and len(coordinates) > 1
            if beside or not (elements_about or table.only):
                column = replace(
                    column,
                    role="unclear",
                    question=f"'{symbol}' may be the element or something else",
                )
            else:
                column = replace(column, why="heading, among other elements")
        elif reading.capitals:
            column = replace(column, why="heading in one case")
        result.append(column)
    return result


def _with_units(
    columns: list[Column], block: Block, table: TableSettings, place: str
) -> list[Column]:
    general = _unit_of(table.unit, f"{place}, setting 'unit'") if table.unit else None
    by_row = {c.species.formula if c.species else "" for c in columns if c.fact == "unit"}
    value_units: dict[tuple[str, str], Unit] = {}
    result = []
    for column in columns:
        if column.role in {"value", "error", "limit"} and column.species is not None:
            if table.only and not _wanted(column, table):
                result.append(
                    replace(column, role="ignored", why="not among the elements in 'only'")
                )
                continue
            species, heading = column.species, block.headings[column.index]
            row_unit = parse_unit(heading.unit_row) if heading.unit_row else None
            asked = unit_question(heading.unit_row) if heading.unit_row else ""
            unit = column.unit or row_unit
            if unit is None and heading.unit_row and (asked or not _blank_unit(heading.unit_row)):
                column = replace(
                    column,
                    role="unclear",
                    question=f"unit '{heading.unit_row}': {asked or 'not known'}",
                )
            elif unit is None and column.question:
                column = replace(column, role="unclear")
            elif unit is None and column.role == "value":
                own_rows = species.formula in by_row or "" in by_row
                if not own_rows:
                    unit = general
                if unit is None and not own_rows:
                    column = replace(column, role="unclear", question="no unit is stated")
            if unit is not None:
                column = replace(column, unit=unit)
                if column.role == "value":
                    value_units[(species.formula, column.method)] = unit
                    value_units.setdefault((species.formula, ""), unit)
        result.append(column)
    # an error or limit without a unit of its own has that of its values
    finished = []
    for column in result:
        if column.role in {"error", "limit"} and column.species is not None and column.unit is None:
            formula = column.species.formula
            unit = value_units.get((formula, column.method)) or value_units.get((formula, ""))
            column = replace(column, unit=unit)
        finished.append(column)
    return finished


def _blank_unit(text: str) -> bool:
    return words(text) in UNIT_LABELS or not text.strip("-–— ")


def _wanted(column: Column, table: TableSettings) -> bool:
    return column.species is not None and (
        column.species.element in table.only or column.species.formula in table.only
    )
