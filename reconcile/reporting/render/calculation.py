"""The sheet of the calculation: every pair in a fixed order, with what formulas make of it.

Charts and the recomputation speak of its rows by place, so that the sheet of pairs, which persons
sort and filter, holds values alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from openpyxl.utils import get_column_letter, quote_sheetname
from openpyxl.workbook.defined_name import DefinedName

from reconcile.base.model.release import StratumResult
from reconcile.base.reasons import Exclusion
from reconcile.reporting import numbers, words
from reconcile.reporting.pair_lists import lists_of
from reconcile.reporting.render import sheets
from reconcile.reporting.render.grid import ROW, Look, Sheet
from reconcile.reporting.render.sheets import Column

Array = NDArray[np.float64]
#: Rank of one used pair's value among all of its stratum, ties averaged.
_RANK = "SUMPRODUCT(--({{{side}_all}}<{{{side}}}))+(SUMPRODUCT(--({{{side}_all}}={{{side}}}))+1)/2"
#: Helper columns: name, heading, formula over the cells of one used pair.
HELPERS: tuple[tuple[str, str, str], ...] = (
    ("difference", words.HELPERS["difference"], "{field}-{lab}"),
    ("relative", words.HELPERS["relative"], 'IF({lab}>0,({field}-{lab})/{lab},"")'),
    (
        "to_mean",
        words.HELPERS["to_mean"],
        'IF({lab}+{field}>0,({field}-{lab})/(({lab}+{field})/2),"")',
    ),
    (
        "ln_ratio",
        words.HELPERS["ln_ratio"],
        'IF(AND({lab}>0,{field}>0),LN({field})-LN({lab}),"")',
    ),
    ("log_lab", words.HELPERS["log_lab"], 'IF({lab}>0,LOG10({lab}),"")'),
    ("log_field", words.HELPERS["log_field"], 'IF({field}>0,LOG10({field}),"")'),
    ("rank_lab", words.HELPERS["rank_lab"], _RANK.format(side="lab")),
    ("rank_field", words.HELPERS["rank_field"], _RANK.format(side="field")),
)
#: Every pair is ranked against every other; in larger strata ranks take a spreadsheet too long.
MOST_RANKED = 2000
RANKS = ("rank_lab", "rank_field")
#: One pair more: does it count at a decision level? Endings as the reasons have them.
_LIMIT_ONLY = ("outside its limits", "outside their limits")
_LIMITED = (
    Exclusion.BOTH_OUTSIDE_LIMITS,
    Exclusion.FIELD_OUTSIDE_LIMITS,
    Exclusion.LAB_OUTSIDE_LIMITS,
)
COUNTS = (
    'IF(AND(OR({used}="yes",'
    + ",".join(f'RIGHT({{reason}},{len(end)})="{end}"' for end in _LIMIT_ONLY)
    + '),ISNUMBER({lab_low}),{lab_high}<>"",ISNUMBER({field_low}),{field_high}<>""),1,0)'
)
#: Named ranges over all pairs of a stratum, not only the used ones.
WHOLE = ("used", "lab_low", "lab_high", "field_low", "field_high", "counts")
#: Columns before the helpers; the charts read those of the unit that is shown.
COLUMNS = (
    "no", "stratum", "sample_id", "unit", "lab_shown", "field_used", "field_left_out", "used",
    "reason", "lab", "field", "lab_low", "lab_high", "field_low", "field_high",
)  # fmt: skip
PLACES = {name: place for place, name in enumerate(COLUMNS, start=1)}
PLACES |= {name: len(COLUMNS) + i for i, (name, _, _) in enumerate(HELPERS, start=1)}
PLACES["counts"] = len(COLUMNS) + len(HELPERS) + 1
#: Ends of the lines that charts draw: the laboratory's value, the same, and both margins.
LINES = ("line_lab", "line_one", "line_upper", "line_lower")
PLACES |= {name: PLACES["counts"] + i for i, name in enumerate(LINES, start=1)}
_TOP = 2  # row of the headings


@dataclass(frozen=True, slots=True)
class Block:
    """Where a stratum's pairs stand: the used ones first."""

    number: int
    first: int
    used: int  # rows from ``first`` on that hold used pairs
    last: int


def write(
    sheet: Sheet, results: Sequence[StratumResult], formulas: bool, most: int
) -> dict[str, Block]:
    """Every pair, the used ones of each stratum first, with ``formulas`` where asked for.

    Returns where each stratum stands; strata beyond ``most`` pairs are left out.
    """
    columns = _columns()
    sheets.line(sheet, 1, words.CALCULATION_KEEP, "")
    sheets.head(sheet, columns, _TOP)
    blocks: dict[str, Block] = {}
    row = _TOP
    for number, x in enumerate(results, start=1):
        if row + len(x.pairs) > most:
            continue
        used = int(lists_of(x.pairs).used().sum())
        block = Block(number, row + 1, used, row + len(x.pairs))
        blocks[x.stratum.key] = block
        ordered = ordered_of(x.pairs)
        row = sheets.rows_below(sheet, columns[: len(COLUMNS)], _rows(x, number, ordered), row)
        _lines(sheet, x, number)
        if formulas:
            _helpers(sheet, block, ordered)
            _define_names(sheet, block)
    sheets.freeze(sheet, _TOP + 1, 4)
    sheet.worksheet.print_title_rows = f"{_TOP}:{_TOP}"
    return blocks


def ordered_of(pairs: pd.DataFrame) -> pd.DataFrame:
    """The used pairs first, else as they stand."""
    first = lists_of(pairs).used()
    return pairs.iloc[np.argsort(~first, kind="stable")]


def _columns() -> list[Column]:
    c, mg = words.COLUMNS, "mg/kg"
    given = [
        Column(c["no"], "integer", 6), Column(c["stratum"], width=26),
        Column(words.PAIR_LABELS["sample_id"], width=20), Column(c["unit_shown"], width=9),
        Column(c["lab_unit_shown"], "number", 11), Column(c["field_used_unit_shown"], "number", 11),
        Column(c["field_left_out_unit_shown"], "number", 11),
        Column(words.PAIR_LABELS["used"], width=7), Column(words.PAIR_LABELS["reason"], width=24),
    ]  # fmt: skip
    for name in ("lab_mean", "field_mean", "lab_low", "lab_high", "field_low", "field_high"):
        heading = words.WITH_UNIT.format(label=words.PAIR_LABELS[name], unit=mg)
        given.append(Column(heading, "number", 11))
    given += [Column(heading, "number", 12) for _, heading, _ in HELPERS]
    given.append(Column(words.HELPERS["counts"], "number", 10))
    given += [Column(words.CHART_LINES[name], "number", 12) for name in LINES]
    return given


def _numbers(frame: pd.DataFrame, name: str) -> Array:
    return lists_of(frame).numbers(name)


def _rows(x: StratumResult, number: int, frame: pd.DataFrame) -> Iterator[list[object]]:
    label, unit = x.stratum.label, numbers.unit_name(x.unit)
    lab, field = _numbers(frame, "lab_mean"), _numbers(frame, "field_mean")
    ends = [
        [words.NO_UPPER_END if value == math.inf else value for value in _numbers(frame, name)]
        for name in ("lab_low", "lab_high", "field_low", "field_high")
    ]
    used = lists_of(frame).used()
    both = np.isfinite(lab) & np.isfinite(field)
    per = x.per_mg_kg
    known = lists_of(frame)
    for i, (sample, reason) in enumerate(
        zip(known.of("sample_id"), known.of("reason"), strict=True)
    ):
        shown = float(field[i]) * per if both[i] else None
        yield [
            number, label, sample, unit, float(lab[i]) * per if both[i] else None,
            shown if used[i] else None, None if used[i] else shown,
            words.YES_NO[bool(used[i])], reason, float(lab[i]), float(field[i]),
            *(end[i] for end in ends),
        ]  # fmt: skip


def lines_at(number: int) -> tuple[int, int]:
    """First and last row of the ends of a stratum's lines."""
    first = _TOP + 1 + 2 * (number - 1)
    return first, first + 1


def lines_of(x: StratumResult) -> list[tuple[float, ...]]:
    """LINES at the least and the greatest value of its pairs, in the unit shown; () without."""
    lab, field = _numbers(x.pairs, "lab_mean"), _numbers(x.pairs, "field_mean")
    both = np.isfinite(lab) & np.isfinite(field)
    values = np.concatenate([lab[both], field[both]]) * x.per_mg_kg
    if not len(values):
        return []
    margin = 1 + x.statistics.bias.equivalence.margin
    ends = float(values.min()), float(values.max())
    return [(end, end, end * margin, end / margin) for end in ends]


def _lines(sheet: Sheet, x: StratumResult, number: int) -> None:
    first, _ = lines_at(number)
    for row, values in enumerate(lines_of(x), start=first):
        for name, value in zip(LINES, values, strict=True):
            sheets.put(sheet, row, PLACES[name], value, "number")


_HELPED_BY = ("used", "reason", "lab", "field", "lab_low", "lab_high", "field_low", "field_high")
_GENERAL, _COUNT = Look(), Look("0")


def _helpers(sheet: Sheet, block: Block, frame: pd.DataFrame) -> None:
    """Formulas of the helper columns with their results, row by row."""
    at = {name: f"{get_column_letter(PLACES[name])}{ROW}" for name in _HELPED_BY}
    at |= {f"{side}_all": f"{side}_{block.number:03d}" for side in ("lab", "field")}
    count = sheet.formulas(PLACES["counts"], COUNTS.format(**at), _COUNT)
    for row, counts in enumerate(counts_of(frame), start=block.first):
        count(row, counts)
    results = helper_results(frame.iloc[: block.used])
    for name, _, formula in HELPERS:
        if name not in RANKS or block.used <= MOST_RANKED:
            put = sheet.formulas(PLACES[name], formula.format(**at), _GENERAL)
            for row, value in enumerate(results[name].tolist(), start=block.first):
                put(row, value if math.isfinite(value) else "")


def helper_results(used: pd.DataFrame) -> dict[str, Array]:
    """What the formulas of the used pairs come to, (n,) each; NaN where a cell shows nothing."""
    lab, field = _numbers(used, "lab_mean"), _numbers(used, "field_mean")
    with np.errstate(divide="ignore", invalid="ignore"):
        difference = field - lab
        found = {
            "difference": difference,
            "relative": np.where(lab > 0, difference / lab, np.nan),
            "to_mean": np.where(lab + field > 0, difference / ((lab + field) / 2), np.nan),
            "ln_ratio": np.where((lab > 0) & (field > 0), np.log(field) - np.log(lab), np.nan),
            "log_lab": np.where(lab > 0, np.log10(lab), np.nan),
            "log_field": np.where(field > 0, np.log10(field), np.nan),
        }
    found["rank_lab"], found["rank_field"] = (
        pd.Series(v).rank().to_numpy("float64") for v in (lab, field)
    )
    return found


def counts_of(frame: pd.DataFrame) -> list[int]:
    """1 for each pair that counts at a decision level, else 0."""
    limited = frame["reason_code"].isin(_LIMITED)
    known = lists_of(frame).used() | limited.to_numpy()
    for name in ("lab_low", "field_low"):
        known = known & np.isfinite(_numbers(frame, name))
    for name in ("lab_high", "field_high"):
        known = known & ~np.isnan(_numbers(frame, name))
    return [int(k) for k in known]


def ranges_of(block: Block) -> Mapping[str, tuple[int, int]]:
    """First and last row of each named range that has rows."""
    names = ("lab", "field", *(name for name, _, _ in HELPERS), *WHOLE)
    ends = {n: block.last if n in WHOLE else block.first + block.used - 1 for n in names}
    return {name: (block.first, last) for name, last in ends.items() if last >= block.first}


def _define_names(sheet: Sheet, block: Block) -> None:
    """Named ranges of one stratum."""
    title = quote_sheetname(sheet.title)
    book = sheet.book.workbook
    for name, (first, last) in ranges_of(block).items():
        letter = get_column_letter(PLACES[name])
        full = f"{name}_{block.number:03d}"
        book.defined_names[full] = DefinedName(
            full, attr_text=f"{title}!${letter}${first}:${letter}${last}"
        )
