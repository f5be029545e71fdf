"""The data files of a result sheet: CSV, JSON and workbook, every byte decided by its values."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from reconcile.base.spreadsheet import to_csv
from reconcile.judgement.results import NO_VALUE, PARTS, AtLevel, Reason, Result
from reconcile.judgement.sheet_content import ResultSheet
from reconcile.judgement.sheet_counts import by_sample, level_counts, lot_means
from reconcile.reporting import numbers, words
from reconcile.reporting.render import sheets, tables
from reconcile.reporting.render.grid import Book
from reconcile.reporting.render.sheets import Column

CSV, JSON, BOOK = "result_sheet.csv", "result_sheet.json", "result_sheet.xlsx"
#: One row for each result and decision level; results without a level have one row.
COLUMNS = (
    "sheet", "revision", "sample_id", "lot", "element", "field_method", "matrix", "specimen_form",
    "moisture_basis", "first_day", "last_day", "read_by", "spots", "qualifier", "read_low_mg_kg",
    "read_high_mg_kg", "kind", "value_mg_kg", "standard_uncertainty_mg_kg",
    "expanded_uncertainty_mg_kg", "coverage_factor", "low_mg_kg", "high_mg_kg",
    "u_factor_mg_kg", "u_spot_to_split_mg_kg", "u_spots_mg_kg", "factor_id", "release_id",
    "verdict", "lab_method", "level", "level_mg_kg", "acts", "call", "below_up_to_mg_kg",
    "above_from_mg_kg", "chance_of_other_side", "wrong_above_at_most", "wrong_below_at_most",
    "reason_codes", "reasons",
)  # fmt: skip
_TEXTS = frozenset(
    {
        "sheet", "sample_id", "lot", "element", "field_method", "matrix", "specimen_form",
        "moisture_basis", "first_day", "last_day", "read_by", "qualifier", "kind", "factor_id",
        "release_id", "verdict", "lab_method", "level", "acts", "call", "reason_codes", "reasons",
    }
)  # fmt: skip
COVERAGE = 2.0


def reason_text(reason: Reason) -> str:
    """A reason for a reader."""
    return words.REASON_WORDS[reason.code].replace("{what}", reason.what)


def reasons_of(result: Result, at: AtLevel | None) -> tuple[Reason, ...]:
    """Why nothing is decided at a level, or at all."""
    return (*result.reasons, *(at.reasons if at is not None else ()))


def rows(sheet: ResultSheet) -> Iterable[list[Any]]:
    """COLUMNS, in the order of the sheet's results."""
    for r in sheet.results:
        m = r.mean
        done = r.kind != NO_VALUE
        parts = r.parts or (math.nan,) * len(PARTS)
        start = [
            sheet.number, sheet.revision, m.sample_id, m.lot, m.element, m.field_method, m.matrix,
            m.specimen_form, m.moisture_basis, m.first_day, m.last_day, "; ".join(m.operators),
            m.spots, m.qualifier, m.low, m.high, r.kind, r.value, r.u, r.expanded,
            COVERAGE if done else math.nan, r.low, r.high, *parts, r.factor_id, r.release_id,
            r.verdict, r.lab_method,
        ]  # fmt: skip
        for at in r.levels or (None,):
            why = reasons_of(r, at)
            told = ["; ".join(x.code for x in why), "; ".join(reason_text(x) for x in why)]
            if at is None:
                yield [*start, "", math.nan, "", "", *[math.nan] * 5, *told]
                continue
            acts = words.SHEET_ACTS_BELOW if at.acts_below else words.SHEET_ACTS_ABOVE
            yield [
                *start, at.name, at.level, acts,
                words.CALL_WORDS[at.call], at.below_up_to, at.above_from, at.other_side,
                at.rate_above, at.rate_below, *told,
            ]  # fmt: skip


def data_files(sheet: ResultSheet) -> dict[str, bytes]:
    """CSV and JSON by name."""
    return {
        CSV: to_csv(COLUMNS, rows(sheet)),
        JSON: tables.to_json({"sheet": sheet}),
    }


def workbook(sheet: ResultSheet, head: Sequence[tuple[str, str]]) -> bytes:
    """The workbook: head and rule, one line per sample and element, calls by level, grades."""
    book = Book()
    first = book.sheet(words.SHEET_BOOK["sheet"])
    sheets.title(first, 1, f"{words.SHEET_TITLE} {sheet.name}")
    row = 3
    for label, value in head:
        sheets.line(first, row, label, value, across=6)
        row += 1
    for label, text in (
        (words.SHEET_RULE_TITLE, words.SHEET_RULE), ("", words.SHEET_UNCERTAINTY),
        ("", words.SHEET_SPOTS.format(share=numbers.percent(sheet.spots_share))),
        (words.CAUTIONS, words.SHEET_CAUTION),
    ):  # fmt: skip
        sheets.line(first, row, label, text, across=6)
        first.heights[row] = 110 if len(text) > 400 else 60
        row += 1
    sheets.widths(first, [34, *[20] * 6])
    calls = by_sample(sheet.results)
    listing = [Column(words.SHEET_COMES_TO, "text", 24), *map(_column, COLUMNS)]
    lines = [[words.SAMPLE_CALLS[calls[str(x[2])]], *x] for x in rows(sheet)]
    sheets.table(book.sheet(words.SHEET_BOOK["results"]), listing, lines[: sheets.MOST_ROWS])
    counted = [
        [c.element, c.name, c.level, c.below, c.above, c.too_close, c.undecided, c.rate_above,
         c.rate_below]
        for c in level_counts(sheet.results)
    ]  # fmt: skip
    element, level, *others = words.SHEET_COUNT_HEADINGS
    kinds = ("integer", "integer", "integer", "integer", "percent", "percent")
    sheets.table(
        book.sheet(words.SHEET_BOOK["levels"]),
        [
            Column(element), Column(level, "text", 22), Column("mg/kg", "number"),
            *(Column(name, kind) for name, kind in zip(others, kinds, strict=True)),  # type: ignore[arg-type]
        ],
        counted,
    )  # fmt: skip
    lots = [
        [x.lot, x.element, x.matrix, x.samples, x.without,
         "; ".join(
             words.SHEET_AT_LEVEL.format(level=level, n=acting, both=both)
             for level, acting, both in x.called
         ),
         x.mean.mean, x.mean.sd, x.mean.upper, x.mean.method]
        for x in lot_means(sheet.results)
    ]  # fmt: skip
    element_, samples, without, acting_, mean, upper, by = words.SHEET_LOT_HEADINGS
    sheets.table(
        book.sheet(words.SHEET_BOOK["lots"]),
        [
            Column("lot", "text", 22), Column(element_), Column("matrix"),
            Column(samples, "integer"), Column(without, "integer"), Column(acting_, "text", 30),
            Column(f"{mean}, mg/kg", "number", 16), Column(words.SHEET_SD, "number"),
            Column(f"{upper}, mg/kg", "number", 16), Column(by),
        ],
        lots,
    )  # fmt: skip
    if sheet.grades:
        sheets.table(
            book.sheet(words.SHEET_BOOK["grades"]),
            [Column(name, "text", 22) for name in words.SHEET_GRADE_HEADINGS],
            [
                [g.part, g.method, g.grade, g.call, ", ".join(g.against),
                 ", ".join(g.undecided)]
                for g in sheet.grades
            ],
        )  # fmt: skip
    for each in book.sheets:
        sheets.set_up(each, sheet.paper, sheet.name)
    return book.saved(f"{words.SHEET_TITLE} {sheet.name}", sheet.issued_by)


def _column(name: str) -> Column:
    text = name in _TEXTS
    return Column(name, "text" if text else "number", 18 if text else 14)
