"""The workbook's table of pairs: one row each, values alone, to sort, filter and pivot."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from openpyxl.utils import get_column_letter

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.reporting import numbers, words
from reconcile.reporting.pair_lists import lists_of, pairs_name
from reconcile.reporting.render import sheets
from reconcile.reporting.render.grid import Sheet
from reconcile.reporting.render.sheets import Column
from reconcile.reporting.render.tables import PAIR_MASSES, pair_columns

_COUNTS = frozenset({"field_n", "field_spots", "lab_n"})
_UPPER = frozenset({"field_high", "lab_high"})
_TIMES = frozenset({"field_time", "lab_time"})
_NUMBERS = frozenset({"selection_probability"})
_WIDE = {"group": 14, "field_time": 16, "lab_time": 16, "certificate": 16}
#: Columns of the pair table that stand first, under their own headings.
_FIRST = ("stratum", "sample_id", "used", "reason")


def sheet(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """One row per pair; strata beyond the rows of a sheet are left to the data files."""
    names = [c for c in pair_columns(r) if c not in _FIRST]
    c, labels = words.COLUMNS, words.PAIR_LABELS
    columns = [
        Column(labels["sample_id"], width=22),
        Column(c["element"], width=9),
        Column(c["field_technique"], width=11),
        Column(c["matrix"], width=25),
        Column(c["unit_shown"], width=9),
        Column(c["lab_unit_shown"], "number", 11),
        Column(c["field_unit_shown"], "number", 11),
        Column(c["field_per_lab"], "number", 10),
        Column(labels["used"], width=7),
        Column(labels["reason"], width=52),
        *(_column(name) for name in names),
        Column(c["stratum"], width=30),
        Column(c["field_method"], width=34),
        Column(c["lab_method"], width=34),
        Column(c["specimen_form"], width=18),
        Column(c["moisture_basis"], width=15),
        Column(c["stratum_whole_key"], width=40),
    ]
    rows: list[list[Any]] = []
    for x in r.results:
        if len(rows) + len(x.pairs) <= r.workbook_pairs:
            rows += _rows(x, names)
    total = sum(len(x.pairs) for x in r.results)
    last = sheets.table(sheet, columns, rows, name=words.TABLES["pairs"])
    sheets.freeze(sheet, 2, 2)
    if rows:
        used = get_column_letter(9)
        formula = f'${used}2="{words.YES_NO[False]}"'
        sheets.shade(sheet, f"A2:{get_column_letter(10)}{last}", formula, colour="777777")
    if len(rows) < total:
        note = words.TRUNCATED.format(shown=len(rows), total=total, file=pairs_name(r))
        sheet.text(last + 1, 1, note)
    return columns


def _column(name: str) -> Column:
    label = words.PAIR_LABELS.get(name) or name.replace("_", " ").capitalize()
    if name in PAIR_MASSES:
        return Column(words.WITH_UNIT.format(label=label, unit="mg/kg"), "number", 11)
    if name in _COUNTS:
        return Column(label, "integer", 8)
    if name in _TIMES:
        return Column(words.IN_UTC.format(label=label), "time", 16)
    return Column(label, "number" if name in _NUMBERS else "text", _WIDE.get(name, 12))


def _rows(x: StratumResult, names: list[str]) -> Iterator[list[Any]]:
    pairs = lists_of(x.pairs)
    shown = [
        [words.NO_UPPER_END if high == math.inf else high for high in pairs.of(name)]
        if name in _UPPER
        else pairs.shown(name)
        for name in names
    ]
    lab, field = pairs.numbers("lab_mean"), pairs.numbers("field_mean")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where((lab > 0) & np.isfinite(field), field / lab, np.nan)
    s, unit = x.stratum, numbers.unit_name(x.unit)
    first, last = (s.element, s.technique, s.matrix, unit), (
        s.label, s.field_method, s.lab_method, s.specimen_form, s.moisture_basis, s.key,
    )  # fmt: skip
    per, used = x.per_mg_kg, [words.YES_NO[counts] for counts in pairs.used().tolist()]
    values = zip(
        pairs.of("sample_id"), (lab * per).tolist(), (field * per).tolist(), ratio.tolist(),
        used, pairs.of("reason"), zip(*shown, strict=True), strict=True,
    )  # fmt: skip
    for sample, lab_shown, field_shown, times, counts, reason, rest in values:
        yield [sample, *first, lab_shown, field_shown, times, counts, reason, *rest, *last]
