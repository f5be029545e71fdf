"""The workbook's plain lists: factors, findings, controls, what was left out, files, settings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from openpyxl.utils import get_column_letter

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.model.tables import CORRECTION_COLUMNS, QUARANTINE_COLUMNS
from reconcile.base.model.verdict import APPROVED
from reconcile.evidence import finding_words
from reconcile.reporting import words
from reconcile.reporting.details import sentences_of
from reconcile.reporting.document.inputs import lost_of, read_by
from reconcile.reporting.figures import figures_of
from reconcile.reporting.render import sheets
from reconcile.reporting.render.grid import Sheet
from reconcile.reporting.render.sheets import Column

_DIGESTS = ("inputs_hash", "settings_hash", "code_version")
#: Controls that failed stand first, then those that were not judged.
_FIRST = (False, None, True)
_ALARM, _WARNING = "F4CCCC", "FFF2CC"
#: What a row is of, for filters and pivot tables.
_WHAT = (
    Column(words.COLUMNS["element"], width=9),
    Column(words.COLUMNS["field_technique"], width=11),
    Column(words.COLUMNS["matrix"], width=25),
)


def _what(x: StratumResult) -> tuple[str, str, str]:
    return x.stratum.element, x.stratum.technique, x.stratum.matrix


def statistics(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """Every figure of every stratum, with the sentences of further ones."""
    columns = [
        Column(words.COLUMNS["stratum"], width=34),
        *_WHAT,
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
        key = x.stratum.key
        for f in figures_of(x.statistics):
            scale = f.factor(x.per_mg_kg)
            rows.append(
                [
                    x.stratum.label, *_what(x), f.label,
                    f.value * scale, f.low * scale, f.high * scale,
                    f.unit(x.unit), f.n, f.level, f.method, f.reason, key,
                ]
            )  # fmt: skip
        for text in sentences_of(x):
            rows.append([x.stratum.label, *_what(x), text, *[None] * 8, key])
    sheets.table(sheet, columns, rows, name=words.TABLES["statistics"])
    sheets.freeze(sheet, 2, 3)
    return columns


def factors(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """The factors; a stratum that needs none has no row."""
    columns = [
        Column(words.COLUMNS["factor"], width=24),
        Column(words.COLUMNS["stratum"], width=34),
        *_WHAT,
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
        Column(words.COLUMNS["valid_from"], "date", 11),
        Column(words.COLUMNS["valid_until"], "date", 11),
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
        if f is None or f.form == "none":
            continue
        (va, cab), (_, vb) = f.covariance
        rows.append(
            [
                f.factor_id, x.stratum.label, *_what(x), f.status,
                words.FACTOR_FORM.get(f.form, f.form),
                f.intercept, math.sqrt(va) if va >= 0 else None, f.slope,
                math.sqrt(vb) if vb >= 0 else None, cab, f.residual_sd,
                words.RELATIVE_SD if f.residual_relative else "mg/kg", f.low, f.high,
                f.valid_from, f.valid_until,
                words.DECISION_TITLE.get(x.verdict.decision, x.verdict.decision), f.n,
                f.error_before, f.error_after, f.basis, f.reason, f.pairs_hash, x.stratum.key,
            ]
        )  # fmt: skip
    last = sheets.table(sheet, columns, rows, name=words.TABLES["factors"])
    sheets.freeze(sheet, 2, 2)
    if rows:
        status = get_column_letter(6)
        sheets.shade(sheet, f"{status}2:{status}{last}", f'{status}2<>"{APPROVED}"', _WARNING)
    return columns


def exclusions(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """Pairs left out, rows refused, samples without a partner."""
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
    last = sheets.table(sheet, columns, rows[: sheets.MOST_ROWS], name=words.TABLES["exclusions"])
    sheets.freeze(sheet, 2, 3)
    if total > sheets.MOST_ROWS:
        note = words.TRUNCATED.format(
            shown=sheets.MOST_ROWS, total=total, file=words.ALL_LEFT_OUT_FILES
        )
        sheet.text(last + 1, 1, note)
    return columns


def quality(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """Every control with what was found and the rule that judged it."""
    columns = [
        Column(words.COLUMNS["side"], width=8),
        Column(words.COLUMNS["control"], width=20),
        Column(words.COLUMNS["code"], width=20),
        Column(words.COLUMNS["element"], width=9),
        Column(words.COLUMNS["batch_or_day"], width=18),
        Column(words.COLUMNS["time_utc"], "time", 16),
        Column(words.COLUMNS["n"], "integer", 7),
        Column(words.COLUMNS["found_mg_kg"], "number", 13),
        Column(words.COLUMNS["expected_mg_kg"], "number", 12),
        Column(words.COLUMNS["expanded_uncertainty_mg_kg"], "number", 12),
        Column(words.COLUMNS["recovery"], "percent", 10),
        Column(words.COLUMNS["score"], "number", 9),
        Column(words.COLUMNS["passed"], width=11),
        Column(words.COLUMNS["rule"], width=70),
        Column(words.COLUMNS["method"], width=34),
    ]
    rows = [
        [
            c.side, c.kind, c.code, c.element, c.batch, c.at, c.n, c.found, c.expected,
            c.uncertainty, c.recovery, c.score, words.PASSED[c.passed], c.told, c.method,
        ]
        for c in sorted(r.quality, key=lambda c: _FIRST.index(c.passed))
    ]  # fmt: skip
    last = sheets.table(sheet, columns, rows, name=words.TABLES["quality"])
    sheets.freeze(sheet, 2, 3)
    if rows:
        passed = get_column_letter(13)
        for state, fill in ((False, _ALARM), (None, _WARNING)):
            formula = f'{passed}2="{words.PASSED[state]}"'
            sheets.shade(sheet, f"{passed}2:{passed}{last}", formula, fill)
    return columns


def findings(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """What a person must look at."""
    columns = [
        Column(words.COLUMNS["severity"], width=9),
        Column(words.COLUMNS["area"], width=10),
        Column(words.COLUMNS["subject"], width=20),
        Column(words.COLUMNS["what_was_found"], width=56, wrap=True),
        Column(words.COLUMNS["evidence"], width=32, wrap=True),
        Column(words.COLUMNS["advice"], width=44, wrap=True),
        Column(words.COLUMNS["settled"], width=18, wrap=True),
        Column(words.COLUMNS["finding_code"], width=24),
        Column(words.COLUMNS["finding_id"], width=15),
    ]
    labels = finding_words.labels_of(r)
    rows = [
        [
            f.severity,
            f.area,
            labels.get(f.subject, f.subject),
            f.text,
            f.evidence,
            f.advice,
            finding_words.settled(f),
            f.code,
            f.id,
        ]
        for f in r.findings
    ]
    last = sheets.table(sheet, columns, rows, name=words.TABLES["findings"])
    if rows:
        sheets.shade(sheet, f"A2:A{last}", 'A2="serious"', _ALARM, bold=True)
    return columns


def inputs(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """Every input file with its digest; the digests of the release and of both records."""
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
    heads = (
        (words.FACTS["custody_head"], r.custody_head or words.NO_CUSTODY),
        (words.FACTS["record_head"], r.record_head if r.record_lines else words.NO_RECORD),
    )
    hashes = [(words.FACTS[name], getattr(r, name) or words.NOT_STATED) for name in _DIGESTS]
    for row, (label, text) in enumerate([*hashes, *heads], start=last + 2):
        sheets.line(sheet, row, label, text)
    return columns


def files(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """The account of every file and sheet."""
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
    return columns


def corrections(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """What persons corrected."""
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
    return columns


def settings(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """Every setting that holds."""
    columns = [
        Column(words.COLUMNS["setting"], width=40),
        Column(words.COLUMNS["value"], width=40, wrap=True),
        Column(words.COLUMNS["meaning"], width=108, wrap=True),
    ]
    sheets.table(sheet, columns, ([s.name, s.value, s.meaning] for s in r.settings))
    return columns
