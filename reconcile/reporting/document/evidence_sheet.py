"""The workbook's sheet of the months behind each stratum."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.evidence import begun_text, chart_text, watched_text
from reconcile.reporting.render import evidence_table, sheets
from reconcile.reporting.render.grid import Sheet
from reconcile.reporting.render.sheets import Column


def sheet(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """One row per stratum and month, then what the months say together."""
    names = words.EVIDENCE_COLUMNS
    columns = [
        Column(names["stratum"], width=34), Column(words.COLUMNS["element"], width=9),
        Column(words.COLUMNS["field_technique"], width=11),
        Column(words.COLUMNS["matrix"], width=25), Column(names["what"], width=22),
        Column(names["month"], width=11), Column(names["release"], width=24),
        Column(names["pairs"], "integer", 7), Column(names["bias"], "percent", 10),
        Column(names["low"], "percent", 10), Column(names["high"], "percent", 10),
        Column(names["seen"], "percent", 12), Column(names["seen_low"], "percent", 10),
        Column(names["seen_high"], "percent", 10), Column(names["confidence"], "percent", 11),
        Column(names["begun"], width=50), Column(names["watched"], width=50),
        Column(names["key"], width=40),
    ]  # fmt: skip
    rows = []
    for x in r.results:
        if x.evidence is None:
            continue
        e = x.evidence
        seen = ""
        if e.watched is not None:
            seen = f"{watched_text(e.watched, e.months[0].period)} {chart_text(e.watched)}".strip()
        said = [begun_text(e.begun), seen]
        for line in evidence_table.lines(e):
            if line.unit != "1":  # of the charts, which the sentence speaks of
                continue
            rows.append(
                [
                    x.stratum.label, x.stratum.element, x.stratum.technique, x.stratum.matrix,
                    words.EVIDENCE_LINES[line.what], line.period,
                    line.release_id, line.pairs, line.value, line.low, line.high,
                    line.seen, line.seen_low, line.seen_high, line.confidence, *said,
                    x.stratum.key,
                ]
            )  # fmt: skip
    sheets.table(sheet, columns, rows, name=words.TABLES["evidence"])
    sheets.freeze(sheet, 2, 3)
    return columns
