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

from reconcile.base.model import (
    CORRECTION_COLUMNS,
    QUARANTINE_COLUMNS,
    Reconciliation,
    StratumResult,
)
from reconcile.evidence import finding_words
from reconcile.reporting import numbers, words
from reconcile.reporting.details import sentences_of
from reconcile.reporting.document import (
    conformity_sheet,
    evidence_sheet,
    laboratories_sheet,
    registers_sheet,
    selection_sheet,
)
from reconcile.reporting.document.inputs import lost_of, read_by
from reconcile.reporting.figures import by_key, figures_of
from reconcile.reporting.manner import styled, written_for
from reconcile.reporting.render import (
    charts,
    laboratories_table,
    recompute,
    registers_table,
    sheets,
)
from reconcile.reporting.render.recompute import Block
from reconcile.reporting.render.sheets import Column
from reconcile.reporting.render.tables import PAIR_MASSES, pair_cells, pair_columns
from reconcile.reporting.text import cell_text

_COUNT_PAIRS = frozenset({"field_n", "field_spots", "lab_n"})


def workbook(r: Reconciliation) -> bytes:
    """The whole workbook; equal values give equal bytes."""
    with written_for(r):
        return _workbook(r)


def _workbook(r: Reconciliation) -> bytes:
    book = Workbook()
    first = book.active
    assert isinstance(first, Worksheet)
    first.title = words.SHEETS["summary"]
    _summary(first, r)
    made = {key: book.create_sheet(name) for key, name in words.SHEETS.items() if key != "summary"}
    _said(made["said"], r)
    blocks = _pairs(book, made["pairs"], r)
    recompute.recomputed(made["recomputed"], r.results, blocks)
    _statistics(made["statistics"], r)
    _factors(made["factors"], r)
    evidence_sheet.sheet(made["evidence"], r)
    _exclusions(made["exclusions"], r)
    _quality(made["quality"], r)
    _findings(made["findings"], r)
    spans = {key: (b.first, b.last) for key, b in blocks.items()}
    charts.add(made["charts"], made["pairs"], r.results, spans)
    if r.conformity is not None:
        made["conformity"] = book.create_sheet(words.CONFORMITY_SHEET)
        conformity_sheet.sheet(made["conformity"], r.conformity)
    if laboratories_table.holds_any(r):
        made["laboratories"] = book.create_sheet(words.LABORATORIES_SHEET)
        laboratories_sheet.sheet(made["laboratories"], r)
    if registers_table.holds_any(r):
        made["registers"] = book.create_sheet(words.REGISTERS_SHEET)
        registers_sheet.sheet(made["registers"], r)
    if r.selection.strata:
        made["selection"] = book.create_sheet(words.SELECTION_SHEET)
        selection_sheet.sheet(made["selection"], r)
    _inputs(made["inputs"], r)
    _files(made["files"], r)
    _corrections(made["corrections"], r)
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
        *([(words.SITE, r.site)] if r.site else []),
        (words.PERIOD, words.REVISION.format(period=r.period, revision=r.revision)),
        (words.STATUS, words.DRAFT if r.status == "draft" else r.status),
        (words.FACTS["prepared_for"], r.prepared_for or words.NOT_STATED),
        (words.FACTS["prepared_by"], r.prepared_by or words.NOT_STATED),
        (words.FACTS["purpose"], r.purpose or words.NOT_STATED),
        (words.FACTS["data_until"], styled(r.data_until) or words.NOT_STATED),
        (words.FACTS["supersedes"], r.supersedes or words.NOTHING_SUPERSEDED),
        (words.NOT_USABLE_TITLE, words.COVER_CAUTION),
    ]
    for row, (label, value) in enumerate(lines, start=2):
        across = 12 if label == words.NOT_USABLE_TITLE else 0
        sheets.line(sheet, row, label, value, across)
    columns = [
        Column(words.COLUMNS["stratum"], width=30, wrap=True),
        Column(words.COLUMNS["element"], width=9),
        Column(words.COLUMNS["field_technique"], width=11),
        Column(words.COLUMNS["matrix"], width=18, wrap=True),
        Column(words.COLUMNS["verdict"], width=24, wrap=True),
        Column(words.COLUMNS["unit"], width=9),
        Column(words.COLUMNS["pairs_used"], "integer", 8),
        Column(words.COLUMNS["pairs_joined"], "integer", 8),
        Column(words.COLUMNS["ratio_field_lab"], "number", 12),
        Column(words.COLUMNS["ratio_interval_from"], "number", 10),
        Column(words.COLUMNS["ratio_interval_to"], "number", 10),
        Column(words.COLUMNS["lower_limit_of_agreement_ratio"], "number", 12),
        Column(words.COLUMNS["upper_limit_of_agreement_ratio"], "number", 12),
        Column(words.COLUMNS["valid_from_in_unit"], "number", 10),
        Column(words.COLUMNS["valid_to_in_unit"], "number", 10),
        Column(words.COLUMNS["valid_until"], width=11),
        Column(words.COLUMNS["verdict_put_back"], width=24, wrap=True),
        Column(words.COLUMNS["factor"], width=20),
        Column(words.COLUMNS["field_method"], width=34),
        Column(words.COLUMNS["lab_method"], width=34),
        Column(words.COLUMNS["specimen_form"], width=20),
        Column(words.COLUMNS["moisture_basis"], width=15),
        Column(words.COLUMNS["pair_type"], width=14),
    ]
    start = len(lines) + 3
    sheets.table(sheet, columns, (_summary_row(x) for x in r.results), start)
    sheets.freeze(sheet, start + 1, 2)
    sheet.print_title_cols = "A:A"


def _said(sheet: Worksheet, r: Reconciliation) -> None:
    """Reason, next step and sentences: apart, as tall rows would spread the summary."""
    columns = [
        Column(words.COLUMNS["stratum"], width=30, wrap=True),
        Column(words.COLUMNS["verdict"], width=24, wrap=True),
        Column(words.COLUMNS["binding_reason"], width=50, wrap=True),
        Column(words.COLUMNS["next_step"], width=40, wrap=True),
        Column(words.COLUMNS["in_words"], width=90, wrap=True),
    ]
    rows = (
        [
            x.stratum.label,
            words.DECISION_TITLE.get(x.verdict.decision, x.verdict.decision),
            styled(x.verdict.reason),
            styled(x.verdict.next_step),
            styled(" ".join(x.sentences)),
        ]
        for x in r.results
    )
    sheets.table(sheet, columns, rows)
    sheets.freeze(sheet, 2, 2)


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
        styled(v.valid_until),
        words.DECISION_TITLE.get(v.decision_put_back, v.decision_put_back),
        x.factor.factor_id if x.factor else "",
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
        Column(words.COLUMNS["stratum"], width=26),
        Column(words.COLUMNS["unit_shown"], width=10),
        Column(words.COLUMNS["lab_unit_shown"], "number", 11),
        Column(words.COLUMNS["field_used_unit_shown"], "number", 11),
        Column(words.COLUMNS["field_left_out_unit_shown"], "number", 11),
        *(_pair_column(name) for name in names),
        *(Column(heading, "number", 12) for _, heading, _ in recompute.HELPERS),
        Column(words.HELPERS["counts"], "number", 10),
        Column(words.COLUMNS["stratum_whole_key"], width=40),
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
        at |= {f"{side}_all": f"{side}_{block.number:03d}" for side in ("lab", "field")}
        sheets.put_formula(
            sheets.at(sheet, row, helpers["counts"]), recompute.COUNTS.format(**at), "0"
        )
        if row < block.first + block.used:
            for name, _, formula in recompute.HELPERS:
                if name in recompute.RANKS and block.used > recompute.MOST_RANKED:
                    continue
                sheets.put_formula(
                    sheets.at(sheet, row, helpers[name]), formula.format(**at), "General"
                )


def _pair_column(name: str) -> Column:
    label = words.PAIR_LABELS.get(name) or name.replace("_", " ").capitalize()
    if name in PAIR_MASSES:
        return Column(words.WITH_UNIT.format(label=label, unit="mg/kg"), "number", 11)
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
    cells = pair_cells(frame)
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
        Column(words.COLUMNS["stratum"], width=26),
        Column(words.COLUMNS["figure"], width=46),
        Column(words.COLUMNS["value"], "number", 12),
        Column(words.COLUMNS["interval_from"], "number", 12),
        Column(words.COLUMNS["interval_to"], "number", 12),
        Column(words.COLUMNS["unit"], width=9),
        Column(words.COLUMNS["n"], "integer", 7),
        Column(words.COLUMNS["confidence"], "percent", 11),
        Column(words.COLUMNS["method"], width=30),
        Column(words.COLUMNS["why_not_estimable"], width=50),
        Column(words.COLUMNS["stratum_whole_key"], width=40),
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
        Column(words.COLUMNS["factor"], width=24),
        Column(words.COLUMNS["stratum"], width=26),
        Column(words.COLUMNS["status"], width=11),
        Column(words.COLUMNS["form"], width=42),
        Column(words.COLUMNS["intercept_a_mg_kg"], "number", 14),
        Column(words.COLUMNS["standard_error_of_a"], "number", 12),
        Column(words.COLUMNS["slope_b"], "number", 10),
        Column(words.COLUMNS["standard_error_of_b"], "number", 12),
        Column(words.COLUMNS["covariance_of_a_and_b"], "number", 12),
        Column(words.COLUMNS["residual_sd"], "number", 11),
        Column(words.COLUMNS["unit_of_residual_sd"], width=10),
        Column(words.COLUMNS["field_value_from_mg_kg"], "number", 11),
        Column(words.COLUMNS["field_value_to_mg_kg"], "number", 11),
        Column(words.COLUMNS["valid_from"], width=11),
        Column(words.COLUMNS["valid_until"], width=11),
        Column(words.COLUMNS["verdict"], width=24),
        Column(words.COLUMNS["n"], "integer", 7),
        Column(words.COLUMNS["error_before"], "percent", 11),
        Column(words.COLUMNS["error_after"], "percent", 11),
        Column(words.COLUMNS["basis"], width=50),
        Column(words.COLUMNS["reason"], width=50),
        Column(words.COLUMNS["sha_256_of_the_pairs"], width=30),
        Column(words.COLUMNS["stratum_whole_key"], width=40),
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
                words.RELATIVE_SD if f.residual_relative else "mg/kg", f.low, f.high,
                styled(f.valid_from), styled(f.valid_until),
                words.DECISION_TITLE.get(x.verdict.decision, x.verdict.decision), f.n,
                f.error_before, f.error_after, f.basis, f.reason, f.pairs_hash, x.stratum.key,
            ]
        )  # fmt: skip
    sheets.table(sheet, columns, rows)
    sheets.freeze(sheet, 2, 2)


def _exclusions(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column(words.COLUMNS["what"], width=18),
        Column(words.COLUMNS["sample"], width=22),
        Column(words.COLUMNS["element"], width=9),
        Column(words.COLUMNS["reason"], width=50),
        Column(words.COLUMNS["evidence_or_text_found"], width=40),
        Column(words.COLUMNS["advice"], width=50),
        Column(words.COLUMNS["kind"], width=14),
        Column(words.COLUMNS["file"], width=30),
        Column(words.COLUMNS["sheet"], width=14),
        Column(words.COLUMNS["row"], width=8),
        Column(words.COLUMNS["column"], width=18),
        Column(words.COLUMNS["stratum"], width=40),
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
            rows.append([words.LEFT_OUT_KINDS["excluded"], *values[:6], "", "", "", "", values[6]])
    if len(r.quarantine):
        q = r.quarantine
        kind = words.LEFT_OUT_KINDS["quarantined"]
        for file, tab, row, column, found, reason, advice in zip(
            *(q[c].tolist() for c in QUARANTINE_COLUMNS), strict=True
        ):
            rows.append([kind, "", "", reason, found, advice, "", file, tab, str(row), column, ""])
    for side, reason, ids in (
        ("field", words.UNMATCHED_FIELD, r.field_only),
        ("lab", words.UNMATCHED_LAB, r.lab_only),
    ):
        rows += [[words.LEFT_OUT_KINDS[side], sample, "", reason, *[""] * 8] for sample in ids]
    total = len(rows)
    last = sheets.table(sheet, columns, rows[: sheets.MOST_ROWS])
    sheets.freeze(sheet, 2, 3)
    if total > sheets.MOST_ROWS:
        note = words.TRUNCATED.format(
            shown=sheets.MOST_ROWS, total=total, file=words.ALL_LEFT_OUT_FILES
        )
        sheets.put_text(sheets.at(sheet, last + 1, 1), note)


def _quality(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column(words.COLUMNS["side"], width=8),
        Column(words.COLUMNS["control"], width=20),
        Column(words.COLUMNS["code"], width=20),
        Column(words.COLUMNS["element"], width=9),
        Column(words.COLUMNS["method"], width=34),
        Column(words.COLUMNS["batch_or_day"], width=18),
        Column(words.COLUMNS["time"], width=20),
        Column(words.COLUMNS["n"], "integer", 7),
        Column(words.COLUMNS["found_mg_kg"], "number", 13),
        Column(words.COLUMNS["expected_mg_kg"], "number", 12),
        Column(words.COLUMNS["expanded_uncertainty_mg_kg"], "number", 12),
        Column(words.COLUMNS["recovery"], "percent", 10),
        Column(words.COLUMNS["score"], "number", 9),
        Column(words.COLUMNS["passed"], width=11),
        Column(words.COLUMNS["rule"], width=70),
    ]
    rows = [
        [
            c.side, c.kind, c.code, c.element, c.method, c.batch, c.at, c.n, c.found, c.expected,
            c.uncertainty, c.recovery, c.score, words.PASSED[c.passed], c.told,
        ]
        for c in r.quality
    ]  # fmt: skip
    sheets.table(sheet, columns, rows)


def _findings(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column(words.COLUMNS["severity"], width=10),
        Column(words.COLUMNS["area"], width=11),
        Column(words.COLUMNS["subject"], width=30),
        Column(words.COLUMNS["what_was_found"], width=70, wrap=True),
        Column(words.COLUMNS["evidence"], width=50, wrap=True),
        Column(words.COLUMNS["advice"], width=60, wrap=True),
        Column(words.COLUMNS["finding_code"], width=24),
        Column(words.COLUMNS["finding_id"], width=15),
        Column(words.COLUMNS["settled"], width=50, wrap=True),
    ]
    rows = [
        [
            f.severity,
            f.area,
            f.subject,
            f.text,
            f.evidence,
            f.advice,
            f.code,
            f.id,
            finding_words.settled(f),
        ]
        for f in r.findings
    ]
    last = sheets.table(sheet, columns, rows)
    sheets.line(sheet, last + 2, words.FACTS["custody_head"], r.custody_head or words.NO_CUSTODY)
    sheets.line(
        sheet, last + 3, words.FACTS["record_head"],
        r.record_head if r.record_lines else words.NO_RECORD,
    )  # fmt: skip


def _inputs(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column(words.COLUMNS["file"], width=44),
        Column(words.COLUMNS["kind"], width=20),
        Column(words.COLUMNS["rows"], "integer", 9),
        Column(words.COLUMNS["accepted"], "integer", 10),
        Column(words.COLUMNS["refused_rows"], "integer", 12),
        Column(words.COLUMNS["refused_cells"], "integer", 12),
        Column(words.COLUMNS["size_bytes"], "integer", 12),
        Column(words.COLUMNS["sha_256"], width=68),
    ]
    rows = [
        [f.path, f.kind, f.rows, f.accepted, f.refused_rows, f.refused_cells, f.size, f.sha256]
        for f in r.inputs
    ]
    last = sheets.table(sheet, columns, rows)
    for row, name in enumerate(("inputs_hash", "settings_hash", "code_version"), start=last + 2):
        sheets.line(sheet, row, words.FACTS[name], getattr(r, name) or words.NOT_STATED)


def _files(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column(words.COLUMNS["file"], width=44),
        Column(words.COLUMNS["sheet"], width=16),
        Column(words.COLUMNS["kind"], width=18),
        Column(words.COLUMNS["read_by"], width=24),
        Column(words.COLUMNS["lines"], "integer", 9),
        Column(words.COLUMNS["rows"], "integer", 9),
        Column(words.COLUMNS["accepted"], "integer", 10),
        Column(words.COLUMNS["not_accepted"], width=50, wrap=True),
        Column(words.COLUMNS["used"], "integer", 9),
        Column(words.COLUMNS["not_used"], width=50, wrap=True),
        Column(words.COLUMNS["balance"], "integer", 9),
    ]
    rows = [
        [
            f.path, f.sheet, f.kind, read_by(f), f.lines.entered, f.read.entered, f.read.kept,
            lost_of(f.read),
            None if f.use is None else f.use.kept, "" if f.use is None else lost_of(f.use),
            sum(step.balance for step in f.steps),
        ]
        for f in r.account_of_files
    ]  # fmt: skip
    sheets.table(sheet, columns, rows)


def _corrections(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column(words.COLUMNS["file"], width=34),
        Column(words.COLUMNS["sheet"], width=14),
        Column(words.COLUMNS["row"], "integer", 8),
        Column(words.COLUMNS["column"], width=20),
        Column(words.COLUMNS["found"], width=24),
        Column(words.COLUMNS["corrected_to"], width=24),
        Column(words.COLUMNS["corrected_by"], width=24),
        Column(words.COLUMNS["because"], width=44, wrap=True),
        Column(words.COLUMNS["entered_in"], width=34),
        Column(words.COLUMNS["outcome"], width=44, wrap=True),
    ]
    shown = r.corrections.loc[:, list(CORRECTION_COLUMNS)]
    rows = [list(row) for row in shown.itertuples(index=False, name=None)]
    sheets.table(sheet, columns, rows[: sheets.MOST_ROWS])


def _settings(sheet: Worksheet, r: Reconciliation) -> None:
    columns = [
        Column(words.COLUMNS["setting"], width=44),
        Column(words.COLUMNS["value"], width=40, wrap=True),
        Column(words.COLUMNS["meaning"], width=100, wrap=True),
    ]
    sheets.table(sheet, columns, ([s.name, s.value, s.meaning] for s in r.settings))
