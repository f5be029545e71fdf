"""workbook.xlsx: the release for whoever wants to sort, filter and check."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.model import QUARANTINE_COLUMNS, Reconciliation, StratumResult
from reconcile.reporting import charts, numbers, recompute, sheets, words
from reconcile.reporting.details import sentences_of
from reconcile.reporting.figures import by_key, figures_of
from reconcile.reporting.recompute import Block
from reconcile.reporting.sheets import Column
from reconcile.reporting.tables import PAIR_MASSES, pair_columns
from reconcile.reporting.text import cell_text

_COUNT_PAIRS = frozenset({"field_n", "field_spots", "lab_n"})


def workbook(r: Reconciliation) -> bytes:
    """The whole workbook; equal values give equal bytes."""
    book = Workbook()
    first = book.active
    assert isinstance(first, Worksheet)
    first.title = words.SHEETS["summary"]
    _summary(first, r)
    made = {key: book.create_sheet(name) for key, name in words.SHEETS.items() if key != "summary"}
    blocks = _pairs(book, made["pairs"], r)
    recompute.recomputed(made["recomputed"], r.results, blocks)
    _statistics(made["statistics"], r)
    _factors(made["factors"], r)
    _exclusions(made["exclusions"], r)
    _quality(made["quality"], r)
    _findings(made["findings"], r)
    spans = {key: (b.first, b.last) for key, b in blocks.items()}
    charts.add(made["charts"], made["pairs"], r.results, spans)
    _inputs(made["inputs"], r)
    _settings(made["settings"], r)
    for sheet in (first, *made.values()):
        sheets.set_up(sheet, r.paper, r.release_id, fit=sheet is not made["charts"])
    for key in ("pairs", "recomputed"):
        sheets.protect(made[key])
    return sheets.saved(book, cell_text(r.title)[:200], cell_text(r.prepared_by)[:200])


def _summary(sheet: Worksheet, r: Reconciliation) -> None:
    sheets.title(sheet, 1, r.title)
    lines = [
        (words.RELEASE, r.release_id),
        (words.PERIOD, words.REVISION.format(period=r.period, revision=r.revision)),
        (words.STATUS, words.DRAFT if r.status == "draft" else r.status),
        (words.FACTS["prepared_for"], r.prepared_for or words.NOT_STATED),
        (words.FACTS["prepared_by"], r.prepared_by or words.NOT_STATED),
        (words.FACTS["purpose"], r.purpose or words.NOT_STATED),
        (words.FACTS["data_until"], r.data_until or words.NOT_STATED),
        (words.FACTS["supersedes"], r.supersedes or words.NOTHING_SUPERSEDED),
        (words.NOT_USABLE_TITLE, words.COVER_CAUTION),
    ]
    for row, (label, value) in enumerate(lines, start=2):
        across = 12 if label == words.NOT_USABLE_TITLE else 0
        sheets.line(sheet, row, label, value, across)
    columns = [
        Column("Stratum", width=30, wrap=True),
        Column("Element", width=9),
        Column("Field technique", width=11),
        Column("Matrix", width=18, wrap=True),
        Column("Verdict", width=24, wrap=True),
        Column("Unit", width=9),
        Column("Pairs used", "integer", 8),
        Column("Pairs joined", "integer", 8),
        Column("Ratio field/lab (geometric mean)", "number", 12),
        Column("Ratio, interval from", "number", 10),
        Column("Ratio, interval to", "number", 10),
        Column("Lower limit of agreement, ratio", "number", 12),
        Column("Upper limit of agreement, ratio", "number", 12),
        Column("Valid from, in Unit", "number", 10),
        Column("Valid to, in Unit", "number", 10),
        Column("Valid until", width=11),
        Column("Factor", width=20),
        Column("Binding reason", width=50, wrap=True),
        Column("Next step", width=50, wrap=True),
        Column("In words", width=90, wrap=True),
        Column("Field method", width=34),
        Column("Lab method", width=34),
        Column("Specimen form", width=14),
        Column("Moisture basis", width=14),
        Column("Pair type", width=14),
    ]
    start = len(lines) + 3
    sheets.table(sheet, columns, (_summary_row(x) for x in r.results), start)
    sheets.freeze(sheet, start + 1, 2)
    sheet.print_title_cols = "A:A"


def _summary_row(x: StratumResult) -> list[Any]:
    s, v, f = x.stratum, x.verdict, by_key(x.statistics)
    ratio = f["geometric_mean_ratio"]
    return [
        s.label,
        s.element,
        s.technique,
        s.matrix,
        words.DECISION_TITLE.get(v.decision, v.decision),
        numbers.unit_name(x.unit),
        x.statistics.n_used,
        x.statistics.n_pairs,
        ratio.value,
        ratio.low,
        ratio.high,
        f["limits_log_ratio_lower"].value,
        f["limits_log_ratio_upper"].value,
        v.range_low * x.per_mg_kg,
        v.range_high * x.per_mg_kg,
        v.valid_until,
        x.factor.factor_id if x.factor else "",
        v.reason,
        v.next_step,
        " ".join(x.sentences),
        s.field_method,
        s.lab_method,
        s.specimen_form,
        s.moisture_basis,
        s.pair_type,
    ]


def _pairs(book: Workbook, sheet: Worksheet, r: Reconciliation) -> dict[str, Block]:
    """The pair sheet, used pairs first in each stratum; returns where each stratum stands."""
    names = [c for c in pair_columns(r) if c != "stratum"]
    columns = [
        Column("Stratum", width=26),
        Column("Unit shown", width=10),
        Column("Lab, unit shown", "number", 11),
        Column("Field used, unit shown", "number", 11),
        Column("Field left out, unit shown", "number", 11),
        *(_pair_column(name) for name in names),
        *(Column(heading, "number", 12) for _, heading, _ in recompute.HELPERS),
        Column(words.HELPERS["counts"], "number", 10),
        Column("Stratum, whole key", width=40),
    ]
    places = {name: names.index(name) + 6 for name in names}
    helpers = {name: 6 + len(names) + i for i, (name, _, _) in enumerate(recompute.HELPERS)}
    helpers["counts"] = 6 + len(names) + len(recompute.HELPERS)
    blocks: dict[str, Block] = {}
    rows: list[list[Any]] = []
    for number, x in enumerate(r.results, start=1):
        if len(rows) + len(x.pairs) > sheets.MOST_ROWS:
            continue
        first = len(rows) + 2
        rows += _pair_rows(x, names)
        used = int(x.pairs["used"].fillna(False).astype(bool).sum())
        blocks[x.stratum.key] = Block(number, first, used, len(rows) + 1)
    total = sum(len(x.pairs) for x in r.results)
    last = sheets.table(sheet, columns, rows)
    ranges = {"lab": places["lab_mean"], "field": places["field_mean"], **helpers}
    ranges |= {name: places[name] for name in recompute.WHOLE if name != "counts"}
    for block in blocks.values():
        _helpers(sheet, block, places, helpers)
        recompute.define_names(book, sheet, block, ranges)
    place = places["sample_id"]
    sheets.freeze(sheet, 2, place + 1)
    sheet.print_title_cols = f"A:{get_column_letter(place)}"
    if len(rows) < total:
        note = words.TRUNCATED.format(shown=len(rows), total=total, file="pairs.csv")
        sheets.put_text(sheets.at(sheet, last + 1, 1), note)
    return blocks


_HELPED_BY = ("used", "reason", "lab_low", "lab_high", "field_low", "field_high")


def _helpers(
    sheet: Worksheet, block: Block, places: dict[str, int], helpers: dict[str, int]
) -> None:
    """Formulas of the helper columns, row by row."""
    letters = {name: get_column_letter(places[name]) for name in _HELPED_BY}
    letters |= {
        "lab": get_column_letter(places["lab_mean"]),
        "field": get_column_letter(places["field_mean"]),
    }
    for row in range(block.first, block.last + 1):
        at = {name: f"{letter}{row}" for name, letter in letters.items()}
        sheets.put_formula(
            sheets.at(sheet, row, helpers["counts"]), recompute.COUNTS.format(**at), "0"
        )
        if row < block.first + block.used:
            for name, _, formula in recompute.HELPERS:
                sheets.put_formula(
                    sheets.at(sheet, row, helpers[name]), formula.format(**at), "General"
                )


def _pair_column(name: str) -> Column:
    label = name.replace("_", " ").capitalize()
    if name in PAIR_MASSES:
        return Column(f"{label}, mg/kg", "number", 11)
    if name in _COUNT_PAIRS:
        return Column(label, "integer", 8)
    wide = {"sample_id": 22, "reason": 34, "field_time": 20, "lab_time": 20, "certificate": 16}
    return Column(label, "text", wide.get(name, 12))


def _pair_rows(x: StratumResult, names: list[str]) -> Iterable[list[Any]]:
    first = x.pairs["used"].fillna(False).astype(bool).to_numpy()
    frame = x.pairs.iloc[np.argsort(~first, kind="stable")].reindex(columns=names)
    for end in ("lab_high", "field_high"):
        high = frame[end].astype(object)
        frame[end] = high.where(frame[end] != math.inf, words.NO_UPPER_END)
    lab = pd.to_numeric(frame["lab_mean"], errors="coerce").to_numpy("float64") * x.per_mg_kg
    field = pd.to_numeric(frame["field_mean"], errors="coerce").to_numpy("float64") * x.per_mg_kg
    used = frame["used"].fillna(False).astype(bool).to_numpy()
    label, unit, key = x.stratum.label, numbers.unit_name(x.unit), x.stratum.key
    cells = zip(*(frame[name].tolist() for name in names), strict=True)
    both = np.isfinite(lab) & np.isfinite(field)
    return [
        [
            label, unit,
            lab[i],
            field[i] if used[i] and both[i] else math.nan,
            field[i] if not used[i] and both[i] else math.nan,
            *values, *[None] * (len(recompute.HELPERS) + 1), key,
        ]
        for i, values in enumerate(cells)
    ]  # fmt: skip


def _statistics(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column("Stratum", width=26),
        Column("Figure", width=46),
        Column("Value", "number", 12),
        Column("Interval from", "number", 12),
        Column("Interval to", "number", 12),
        Column("Unit", width=9),
        Column("n", "integer", 7),
        Column("Confidence", "percent", 11),
        Column("Method", width=30),
        Column("Why not estimable", width=50),
        Column("Stratum, whole key", width=40),
    ]
    rows = []
    for x in r.results:
        for f in figures_of(x.statistics):
            scale = f.factor(x.per_mg_kg)
            rows.append(
                [
                    x.stratum.label, f.label, f.value * scale, f.low * scale, f.high * scale,
                    f.unit(x.unit), f.n, f.level, f.method, f.reason, x.stratum.key,
                ]
            )  # fmt: skip
        for text in sentences_of(x):
            rows.append([x.stratum.label, text, *[None] * 3, "", None, None, "", "", x.stratum.key])
    sheets.table(sheet, columns, rows)
    sheets.freeze(sheet, 2, 3)


def _factors(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column("Factor", width=24),
        Column("Stratum", width=26),
        Column("Status", width=11),
        Column("Form", width=42),
        Column("Intercept a, mg/kg (power: ln mg/kg)", "number", 14),
        Column("Standard error of a", "number", 12),
        Column("Slope b", "number", 10),
        Column("Standard error of b", "number", 12),
        Column("Covariance of a and b", "number", 12),
        Column("Residual SD", "number", 11),
        Column("Unit of residual SD", width=10),
        Column("Field value from, mg/kg", "number", 11),
        Column("Field value to, mg/kg", "number", 11),
        Column("n", "integer", 7),
        Column("Error before (held-out pairs)", "percent", 11),
        Column("Error after (held-out pairs)", "percent", 11),
        Column("Basis", width=50),
        Column("Reason", width=50),
        Column("SHA-256 of the pairs", width=30),
        Column("Stratum, whole key", width=40),
    ]
    rows = []
    for x in r.results:
        f = x.factor
        if f is None:
            continue
        (va, cab), (_, vb) = f.covariance
        rows.append(
            [
                f.factor_id, x.stratum.label, f.status, words.FACTOR_FORM.get(f.form, f.form),
                f.intercept, math.sqrt(va) if va >= 0 else None, f.slope,
                math.sqrt(vb) if vb >= 0 else None, cab, f.residual_sd,
                "relative" if f.residual_relative else "mg/kg", f.low, f.high, f.n,
                f.error_before, f.error_after, f.basis, f.reason, f.pairs_hash, x.stratum.key,
            ]
        )  # fmt: skip
    sheets.table(sheet, columns, rows)
    sheets.freeze(sheet, 2, 2)


def _exclusions(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column("What", width=18),
        Column("Sample", width=22),
        Column("Element", width=9),
        Column("Reason", width=50),
        Column("Evidence or text found", width=40),
        Column("Advice", width=50),
        Column("Kind", width=14),
        Column("File", width=30),
        Column("Sheet", width=14),
        Column("Row", width=8),
        Column("Column", width=18),
        Column("Stratum", width=40),
    ]
    rows: list[list[Any]] = []
    if len(r.exclusions):
        e = r.exclusions
        for values in zip(
            *(
                e[c].tolist()
                for c in ("sample_id", "element", "reason", "evidence", "advice", "kind", "stratum")
            ),
            strict=True,
        ):
            rows.append(["excluded", *values[:6], "", "", "", "", values[6]])
    if len(r.quarantine):
        q = r.quarantine
        for file, tab, row, column, found, reason, advice in zip(
            *(q[c].tolist() for c in QUARANTINE_COLUMNS), strict=True
        ):
            rows.append(
                ["quarantined", "", "", reason, found, advice, "", file, tab, str(row), column, ""]
            )
    for what, ids in (("field only", r.field_only), ("lab only", r.lab_only)):
        reason = words.UNMATCHED_FIELD if what == "field only" else words.UNMATCHED_LAB
        rows += [[what, sample, "", reason, *[""] * 8] for sample in ids]
    total = len(rows)
    last = sheets.table(sheet, columns, rows[: sheets.MOST_ROWS])
    sheets.freeze(sheet, 2, 3)
    if total > sheets.MOST_ROWS:
        note = words.TRUNCATED.format(
            shown=sheets.MOST_ROWS, total=total, file="exclusions.csv and quarantine.csv"
        )
        sheets.put_text(sheets.at(sheet, last + 1, 1), note)


def _quality(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column("Side", width=8),
        Column("Control", width=20),
        Column("Code", width=20),
        Column("Element", width=9),
        Column("Method", width=34),
        Column("Batch or day", width=18),
        Column("Time", width=20),
        Column("n", "integer", 7),
        Column("Found, mg/kg (duplicates: CV)", "number", 13),
        Column("Expected, mg/kg", "number", 12),
        Column("Expanded uncertainty, mg/kg", "number", 12),
        Column("Recovery", "percent", 10),
        Column("Score", "number", 9),
        Column("Passed", width=11),
        Column("Rule", width=70),
    ]
    rows = [
        [
            c.side, c.kind, c.code, c.element, c.method, c.batch, c.at, c.n, c.found, c.expected,
            c.uncertainty, c.recovery, c.score, words.PASSED[c.passed], c.rule,
        ]
        for c in r.quality
    ]  # fmt: skip
    sheets.table(sheet, columns, rows)


def _findings(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column("Severity", width=10),
        Column("Area", width=11),
        Column("Subject", width=30),
        Column("What was found", width=70, wrap=True),
        Column("Evidence", width=50, wrap=True),
        Column("Advice", width=60, wrap=True),
    ]
    rows = [[f.severity, f.area, f.subject, f.text, f.evidence, f.advice] for f in r.findings]
    last = sheets.table(sheet, columns, rows)
    sheets.line(sheet, last + 2, words.FACTS["custody_head"], r.custody_head or words.NO_CUSTODY)


def _inputs(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column("File", width=44),
        Column("Kind", width=20),
        Column("Rows", "integer", 9),
        Column("Accepted", "integer", 10),
        Column("Quarantined", "integer", 12),
        Column("Size, bytes", "integer", 12),
        Column("SHA-256", width=68),
    ]
    rows = [[f.path, f.kind, f.rows, f.accepted, f.quarantined, f.size, f.sha256] for f in r.inputs]
    last = sheets.table(sheet, columns, rows)
    for row, name in enumerate(("inputs_hash", "settings_hash", "code_version"), start=last + 2):
        sheets.line(sheet, row, words.FACTS[name], getattr(r, name) or words.NOT_STATED)


def _settings(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column("Setting", width=44),
        Column("Value", width=40, wrap=True),
        Column("Meaning", width=100, wrap=True),
    ]
    sheets.table(sheet, columns, ([s.name, s.value, s.meaning] for s in r.settings))
