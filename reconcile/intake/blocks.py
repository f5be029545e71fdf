"""Which rows of a sheet are its headings, and what stands above each column."""

from __future__ import annotations

import fnmatch
import re
from dataclasses import dataclass

from reconcile.base.errors import ReconcileError
from reconcile.base.quantities import parse_species, parse_unit, unit_question
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.sheets import Row, Sheet
from reconcile.intake.vocabulary import (
    ERROR_WORDS,
    INTENSITY_WORDS,
    LIMIT_LABELS,
    LONG_WORDS,
    METHOD_LABELS,
    METHOD_WORDS,
    UNIT_LABELS,
    UPPER_LABELS,
    VALUE_WORDS,
    fact_of,
)
from reconcile.intake.wording import METHOD_CODE, plain, read_heading, words


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
    scored = [(s, i) for s, i in scored if s and not _is_remark(head[i])] or scored
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


def _is_remark(row: Row) -> bool:
    return bool(_REMARK.match(next((text for c in row.cells if (text := plain(c))), "")))


def _usual(heading: str, kind: str) -> bool:
    return bool(fact_of(kind, heading)) or heading in LONG_WORDS


def _recognised(row: Row, table: TableSettings) -> int:
    """How many different cells of the row can be headings."""
    texts = [text for cell in row.cells if (text := plain(cell))]
    others = [text for text in texts if not _NUMBER.fullmatch(text)]
    numbers = len(texts) - len(others)
    if numbers > max(len(others), 1):
        return 0  # a row of data, whatever else it says
    keys = {plain(k) for k in (*table.columns, *table.take)}
    placeholders = set(re.findall(r"\{([^{}]+)\}", table.sample_id_template))
    score = sum(
        text in keys
        or text in placeholders
        or _usual(words(text), table.kind)
        or bool(read_heading(text).species)
        or any("*" in k and fnmatch.fnmatchcase(text, k) for k in keys)
        for text in dict.fromkeys(others)
    )
    return 0 if numbers > max(score, 1) else score


_NUMBER = re.compile(r"[<>]?\s*[+-]?[0-9][0-9.,]*(e[+-]?[0-9]+)?\s*%?", re.I)
_OTHER_UNITS = frozenset({"kg", "g", "mg", "ml", "l", "s", "sec", "min", "m", "cm", "mm"})
_REMARK = re.compile(r"(?:#|//)\s*\S|[*;]\s+\S")
_ERROR_MARK = re.compile(r"(?:\+/-|±)?\s*[1-3]?\s*(?:σ|s|sd|sigma)?", re.I)
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
    if len(filled) >= 2 and not cells[0] and all(_names_method(c) for c in filled):
        return "method"
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
            if _usual(words(c), table.kind)
            or words(c) in VALUE_WORDS | ERROR_WORDS | INTENSITY_WORDS | UNIT_LABELS
            or parse_unit(c)
            or _ERROR_MARK.fullmatch(c)
        )
        if below_open and known >= 2 and known >= 0.4 * len(set(filled)):
            return "sub"
        if below_open and known and _repeats_below_groups(cells, above):
            return "sub"
    return "data"


_FEWEST_GROUPS = 3


def _repeats_below_groups(cells: list[str], above: list[str]) -> bool:
    """Whether the same names, two or more, stand below each of several group headings."""
    starts = [i for i in range(len(cells)) if above[i]]
    if len(starts) < _FEWEST_GROUPS:
        return False
    ends = [*starts[1:], starts[-1] + starts[1] - starts[0]]
    names = [tuple(cells[a:b]) for a, b in zip(starts, ends, strict=True)]
    return len(set(names)) == 1 and len(set(names[0]) - {""}) >= 2


def _extend(head: tuple[Row, ...], anchor: int, table: TableSettings, up_to: int = 0) -> list[int]:
    """Rows directly above and below the anchor that belong to the headings."""
    rows = [anchor]
    aligned = {i for i, c in enumerate(head[anchor].cells) if c}
    for k in range(anchor - 1, max(up_to, anchor - 6) - 1, -1):
        if head[k].line != head[k + 1].line - 1:
            break  # a blank line parts preamble and headings
        filled = [(i, plain(c)) for i, c in enumerate(head[k].cells) if c]
        if _is_remark(head[k]):
            break  # '# source: …' above the headings, cut into cells at its commas
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
    mains = [head[anchor], head[main]]
    for i in rows:
        cells = [plain(c) for c in head[i].cells] + [""] * (width - len(head[i].cells))
        kind = "main" if i == main else _kind_of(head, i, anchor, table)
        if kind in {"unit", "method", "lower", "upper"}:
            for c in range(width):
                special[c][kind] = cells[c]
                stray = kind == "unit" and cells[c] and not _unit_like(cells[c])
                if stray and not any(len(h.cells) > c and h.cells[c] for h in mains):
                    parts[c].append(cells[c])  # a name that stands one row lower, as 'Sample ID'
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
            tuple(
                dict.fromkeys(
                    n for n in (plain(" ".join(parts[c])), last_cells[c] or "".join(parts[c])) if n
                )
            ),
            special[c]["unit"],
            special[c]["method"],
            special[c]["lower"],
            special[c]["upper"],
            groups[c],
        )
        for c in range(width)
    )
    return Block(headings, head[rows[0]].line, head[rows[-1]].line, head[main].cells)


def _names_method(text: str) -> bool:
    tokens = [t.lower() for t in re.split(r"[\s,;/]+", text) if t]
    return bool(METHOD_CODE.fullmatch(text)) or all(t in METHOD_WORDS for t in tokens)


def _unit_like(text: str) -> bool:
    known = parse_unit(text) or unit_question(text) or words(text) in UNIT_LABELS
    return bool(known) or text.lower().strip("()[]") in _OTHER_UNITS


def _kind_of(head: tuple[Row, ...], i: int, anchor: int, table: TableSettings) -> str:
    if i == anchor:
        return "main"
    kind = _row_kind(head[i], head[anchor], table)
    if i < anchor:
        if kind in {"unit", "method", "lower", "upper"}:
            return kind
        cells = [plain(c) for c in head[i].cells if c]
        codes = [c for c in cells if METHOD_CODE.fullmatch(c) and not parse_species(c)]
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
