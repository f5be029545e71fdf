"""Blanks: what they carry that they should not."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from reconcile.base.model.controls import QualityCheck
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.quality.controls import (
    LimitsOf,
    Rows,
    by_limits,
    groups,
    iso,
    number,
    usual_limits,
    whole,
)


def judge_blanks(
    controls: pd.DataFrame, thresholds: Thresholds, limits_of: LimitsOf | None = None
) -> tuple[QualityCheck, ...]:
    """One check per blank material, method, element and batch; the highest blank decides.

    A blank passes where it is below its lower limit or not above ``blank_multiple`` times
    it (common practice, no source); a blank of the field by ``field_blank_multiple`` (nothing
    above the detection limit: US EPA Method 6200, section 9.3). Where a row
    names no limit, the median limit that other rows of the same side, method and element name
    stands in; where none does, the blank is not judged (None). ``found`` is the highest
    quantified blank, NaN where all are below.
    """
    rows = whole(controls)
    limits = usual_limits(rows)
    rows = rows.take(rows["sample_kind"] == "blank")
    rows = rows.put(code=rows.code())
    checks = []
    for (side, method, element, batch, code), own in groups(
        rows, "side", "method", "element", "batch", "code"
    ):
        usual = limits.get((side, method, element), math.nan)
        for matrix, t, part in by_limits(own, element, limits_of, thresholds):
            named = f"{code}, {matrix}" if matrix else code
            checks.append(_check(side, method, element, batch, named, part, usual, t))
    return tuple(checks)


def _check(
    side: str,
    method: str,
    element: str,
    batch: str,
    code: str,
    rows: Rows,
    usual: float,
    thresholds: Thresholds,
) -> QualityCheck:
    below, above = rows["qualifier"] == "<", rows["qualifier"] == ">"
    edge = np.where(np.isfinite(rows["limit_mg_kg"]), rows["limit_mg_kg"], usual)
    values = np.where(below | above, np.nan, rows["value_mg_kg"])
    multiple = thresholds.blank_multiple if side == "lab" else thresholds.field_blank_multiple
    allowed = multiple * edge
    usable = int((np.isfinite(values) | below | above).sum())
    worst = float(np.nanmax(values)) if np.isfinite(values).any() else math.nan
    limit = float(np.nanmax(edge)) if np.isfinite(edge).any() else math.nan
    rule = (
        "nothing above the lower limit"
        if multiple == 1
        else f"at most {multiple:g} times the lower limit"
    )
    passed: bool | None
    if usable == 0:
        passed, why = None, "no usable result"
    elif above.any() or bool(np.any(values > allowed)):
        passed = False
        why = f"{number(worst)} mg/kg found, lower limit {number(limit)} mg/kg"
    elif bool(np.any(np.isfinite(values) & ~np.isfinite(allowed))):
        passed, why = None, f"{number(worst)} mg/kg found, and no lower limit is stated"
    elif math.isnan(worst):
        passed, why = True, "all below the lower limit"
    else:
        passed = True
        why = f"{number(worst)} mg/kg at most, lower limit {number(limit)} mg/kg"
    return QualityCheck(
        side=side,
        kind="blank",
        code=code,
        method=method,
        element=element,
        batch=batch,
        n=usable,
        found=worst,
        expected=0.0,
        uncertainty=multiple * limit,
        recovery=math.nan,
        score=math.nan,
        passed=passed,
        rule=rule,
        why=why,
        at=iso(rows["at"]),
    )
