"""The workbook's table of strata: one row each, to sort, filter and pivot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from openpyxl.utils import get_column_letter

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.model.verdict import APPROVED, DECISIONS
from reconcile.reporting import numbers, words
from reconcile.reporting.document import glance
from reconcile.reporting.document.attention import verdicts_before
from reconcile.reporting.figures import by_key
from reconcile.reporting.render import sheets
from reconcile.reporting.render.grid import Sheet
from reconcile.reporting.render.sheets import Column

#: Fills of verdicts, which print as different greys: none, light, middle, dotted by bold text.
_FILLS = ("D9EAD3", "FFF2CC", "F4CCCC", "EDEDED")
_BEYOND = "F4CCCC"


def sheet(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """One row per stratum."""
    c = words.COLUMNS
    columns = [
        Column(c["stratum"], width=34),
        Column(c["element"], width=9),
        Column(c["field_technique"], width=11),
        Column(c["matrix"], width=25),
        Column(c["verdict"], width=23),
        Column(c["changed"], width=10),
        Column(c["unit"], width=8),
        Column(c["pairs_used"], "integer", 8),
        Column(c["pairs_joined"], "integer", 8),
        Column(c["months"], "integer", 8),
        Column(c["bias"], "percent", 8),
        Column(c["bias_from"], "percent", 8),
        Column(c["bias_to"], "percent", 8),
        Column(c["margin"], "percent", 8),
        Column(c["valid_from_in_unit"], "number", 10),
        Column(c["valid_to_in_unit"], "number", 10),
        Column(c["valid_until"], "date", 11),
        Column(c["factor"], width=19),
        Column(c["factor_status"], width=11),
        Column(c["ratio_field_lab"], "number", 12),
        Column(c["ratio_interval_from"], "number", 10),
        Column(c["ratio_interval_to"], "number", 10),
        Column(c["lower_limit_of_agreement_ratio"], "number", 12),
        Column(c["upper_limit_of_agreement_ratio"], "number", 12),
        Column(c["verdict_put_back"], width=23),
        Column(c["binding_reason"], width=60),
        Column(c["next_step"], width=60),
        Column(c["instrument"], width=14),
        Column(c["field_method"], width=34),
        Column(c["lab_method"], width=34),
        Column(c["specimen_form"], width=18),
        Column(c["moisture_basis"], width=15),
        Column(c["pair_type"], width=12),
        Column(c["stratum_whole_key"], width=40),
    ]
    before = verdicts_before(r)
    last = sheets.table(
        sheet, columns, (_row(x, before) for x in r.results), name=words.TABLES["strata"]
    )
    sheets.freeze(sheet, 2, 2)
    if r.results:
        at = {column.heading: get_column_letter(i) for i, column in enumerate(columns, start=1)}
        verdict = at[c["verdict"]]
        for decision, fill in zip(DECISIONS, _FILLS, strict=True):
            formula = f'${verdict}2="{words.DECISION_TITLE[decision]}"'
            sheets.shade(sheet, f"{verdict}2:{verdict}{last}", formula, fill)
        low, high, margin = at[c["bias_from"]], at[c["bias_to"]], at[c["margin"]]
        beyond = (
            f"AND(ISNUMBER(${low}2),ISNUMBER(${margin}2),"
            f"OR(${low}2>${margin}2,${high}2<1/(1+${margin}2)-1))"
        )
        sheets.shade(sheet, f"{at[c['bias']]}2:{high}{last}", beyond, _BEYOND, bold=True)
        changed = at[c["changed"]]
        formula = f'{changed}2="{words.GLANCE_WORSE}"'
        sheets.shade(sheet, f"{changed}2:{changed}{last}", formula, _BEYOND, bold=True)
        status = at[c["factor_status"]]
        waiting = f'AND({status}2<>"",{status}2<>"{APPROVED}")'
        sheets.shade(sheet, f"{status}2:{status}{last}", waiting, _FILLS[1])
    return columns


def _row(x: StratumResult, before: dict[str, str]) -> list[Any]:
    s, v, f = x.stratum, x.verdict, by_key(x.statistics)
    ratio, bias = f["geometric_mean_ratio"], glance.bias_of(x)
    factor = x.factor if x.factor is not None and x.factor.form != "none" else None
    e = x.evidence
    return [
        s.label,
        s.element,
        s.technique,
        s.matrix,
        words.DECISION_TITLE.get(v.decision, v.decision),
        glance.change_of(x, before),
        numbers.unit_name(x.unit),
        x.statistics.n_used,
        x.statistics.n_pairs,
        len(e.months) if e is not None else None,
        bias.value - 1,
        bias.low - 1,
        bias.high - 1,
        glance.margin_of(x),
        v.range_low * x.per_mg_kg,
        v.range_high * x.per_mg_kg,
        v.valid_until,
        factor.factor_id if factor else "",
        factor.status if factor else "",
        ratio.value,
        ratio.low,
        ratio.high,
        f["limits_log_ratio_lower"].value,
        f["limits_log_ratio_upper"].value,
        words.DECISION_TITLE.get(v.decision_put_back, v.decision_put_back),
        v.reason,
        v.next_step,
        s.read_by.instrument,
        s.field_method,
        s.lab_method,
        s.specimen_form,
        s.moisture_basis,
        s.pair_type,
        s.key,
    ]
