"""What each column means.

Understood without settings only where one reading is possible; anything else gets the
role 'unclear' with the reason, and is never guessed.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from difflib import get_close_matches

from reconcile.base.errors import ReconcileError
from reconcile.base.quantities import Species, Unit, parse_species, parse_unit, unit_question
from reconcile.base.settings.tables import ColumnRule, TableSettings
from reconcile.intake import lookalikes, taking
from reconcile.intake.blocks import Block, Heading
from reconcile.intake.tables import ABSENT, ColumnMeaning
from reconcile.intake.vocabulary import (
    LONG_WORDS,
    METHOD_LABELS,
    UNIT_LABELS,
    VALUE_WORDS,
    fact_of,
    facts_of,
    why_no_result,
    word_set,
)
from reconcile.intake.wording import Reading, plain, read_heading, words

#: Symbols that are also words, directions or row labels: taken as elements only with a unit
#: or a method beside them, or among other elements.
_EASILY_MISREAD = word_set(
    """
    In As At He Be I N S C H O F K P B U V W Y No Os Am Po Ra Pa
    """
)
_CAPITAL_COMPOUND = re.compile(r"(?:CO|HF)(?:[\s_,;(\[-]|$)")
#: Why a column of results is not read where the settings' ``take`` names others.
OTHER_SIDE = "not among the results in 'take'"
_COORDINATES = frozenset({"x", "y", "z", "e", "n", "east", "north", "easting", "northing"})


@dataclass(frozen=True, slots=True)
class Column:
    """A column as understood, with what is needed to read it."""

    index: int
    heading: str
    role: str  # value | error | limit | fact | ignored | unclear | asked
    fact: str = ""
    species: Species | None = None
    unit: Unit | None = None
    sigma: float = math.nan
    method: str = ""
    isotope: int = 0  # mass number that the heading names; 0: none
    lower: str = ""  # limits that stand in heading rows
    upper: str = ""
    factor: float = 1.0  # for facts: e.g. 1000 for a mass in kg
    why: str = ""
    question: str = ""  # what to settle where unclear or asked


def understand(block: Block, table: TableSettings, place: str) -> tuple[Column, ...]:
    """The meaning of every column; settings first, then the heading, then the table around."""
    rules = _match_rules(block, table, place)
    columns: list[Column] = []
    readings: dict[int, Reading] = {}
    for heading in block.headings:
        rule = rules.get(heading.index)
        if rule is not None:
            columns.append(_by_rule(heading, rule, table, place))
            continue
        side = taking.of_side(heading, table.take)
        if side is None:
            columns.append(Column(heading.index, heading.text, "ignored", why=OTHER_SIDE))
            continue
        column, reading = _by_heading(side, table)
        if side is not heading and reading is not None:
            whole = taking.as_a_whole(reading, read_heading(heading.text))
            column = replace(
                column, heading=heading.text, role=whole.role, unit=whole.unit, sigma=whole.sigma
            )
            reading = replace(whole, bare=False)
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


def absent_columns(block: Block, table: TableSettings) -> tuple[ColumnMeaning, ...]:
    """Names in the settings' ``columns`` that no heading of this table meets, each with the
    heading that comes nearest."""
    by_small = {name.lower(): name for h in block.headings for name in h.names}
    found = []
    for name in table.columns:
        if matching(block, name):
            continue
        near = get_close_matches(plain(name).lower(), list(by_small), 1)
        why = "no heading of this table" + (f"; nearest: '{by_small[near[0]]}'" if near else "")
        found.append(ColumnMeaning(-1, name, ABSENT, "", why=why))
    return tuple(found)


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
        reading = read_heading(heading.text)
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
            method=rule.method or reading.method or base.method, isotope=reading.isotope,
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
    "position_mm": {
        "mm": 1.0,
        "cm": 10.0,
        "m": 1000.0,
        "in": 25.4,
        "inch": 25.4,
        "inches": 25.4,
        "um": 1e-3,
        "µm": 1e-3,
    },
}


def _mass_factor(text: str, fact: str) -> float:
    tokens = [t.lower() for t in re.split(r"[\s_()\[\],;:/]+", text) if t]
    table = _MASS_UNITS if fact.endswith("_g") else _OTHER_FACTORS.get(fact, {})
    for token in reversed(tokens):
        if token in table:
            return table[token]
    return 1.0


def _by_heading(heading: Heading, table: TableSettings) -> tuple[Column, Reading | None]:
    base = Column(
        heading.index, heading.text, "ignored", lower=heading.lower_row, upper=heading.upper_row,
        method=_row_method(heading.method_row),
    )  # fmt: skip
    if not heading.text:
        return replace(base, why="no heading"), None
    names = [words(n) for n in heading.names]
    for name in names:
        if not fact_of(table.kind, name) and (why := why_no_result(name)):
            return replace(base, why=why), None
    if table.kind == "lab" and {"date", "time", "date time"} & set(names):
        return (
            replace(
                base,
                role="unclear",
                question="may be the date of receipt, of analysis or of the report",
            ),
            None,
        )
    in_group = bool(heading.group) and read_heading(heading.group).species is not None
    long_like = LONG_WORDS if not in_group else {}
    for name in names:
        known = fact_of(table.kind, name) or long_like.get(name) or _long_error(name, long_like)
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
        species = read_heading(heading.group).species
        return replace(base, role="fact", fact="unit", species=species, why="heading"), None
    if in_group and heading.names[-1] == "C":
        text = f"{heading.group} conc"  # below an element, 'C' is the concentration
    reading = read_heading(text)
    if reading.species is None:
        why = "not a result and not a known fact"
        if reading.question:
            why = reading.question
        if _CAPITAL_COMPOUND.match(text) and table.kind in {"field", "lab"}:
            asked = "may be cobalt or hafnium in capitals, or the compound; name it in 'columns'"
            return replace(base, role="unclear", question=asked), None
        if asked := next((q for name in names if (q := _question(table, name))), ""):
            return replace(base, role="asked", question=asked), None
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
            isotope=reading.isotope,
            why=reading.why,
            question=reading.question,
        ),
        reading,
    )


def _question(table: TableSettings, name: str) -> str:
    return lookalikes.question(name) if table.kind in {"field", "lab"} else ""


def _long_error(name: str, usual: dict[str, str]) -> str:
    """'error 2s' of the long layout."""
    bare = re.sub(r" [1-3] ?(s|sd|sigma|σ)$| k ?= ?[0-9.]+$", "", name)
    return "error" if bare != name and usual.get(bare) == "error" else ""


def _with_context(
    columns: list[Column],
    readings: dict[int, Reading],
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
