"""Duplicates: how well a result repeats."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from reconcile.base.model.controls import DuplicateStage, QualityCheck
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.quality.controls import (
    QUANTIFIED_FROM,
    LimitsOf,
    Rows,
    by_limits,
    groups,
    iso,
    whole,
)
from reconcile.samples.identity import comparison_form
from reconcile.statistics.components import nested_variance
from reconcile.statistics.precision import duplicate_cv, hard

#: Half relative difference that is told beside the CV of pulps and repeats.
_HARD_OF_PULPS = 0.10
#: This share of pairs must be within the half relative difference of their stage (conventions
#: of the mining trade, from memory; no standard).
HARD_SHARE = 0.90
#: Fewest pairs on which a duplicate precision rests (field-XRF guidance of 2009, soil).
FEWEST_PAIRS = 8


def judge_duplicates(
    duplicates: pd.DataFrame, thresholds: Thresholds, limits_of: LimitsOf | None = None
) -> tuple[QualityCheck, ...]:
    """One check per side, stage, method and element, over all its pairs.

    ``duplicates``: control rows with ``first_mg_kg``, ``first_qualifier`` and
    ``first_limit_mg_kg`` of the sample's first result beside them; or, without those columns,
    control rows among which ``duplicate_of`` (or an equal sample_id) finds the first result.
    ``found`` is CV_RMS (fraction; Stanley & Lawie 2007, Abzalov 2008), ``expected`` its limit.
    Repeats and pulps are judged by ``duplicate_cv``; coarse and field duplicates carry the
    sample's own unevenness and are judged by the convention on half relative differences
    (HARD). Pairs with a censored side or below what can be quantified are left out and
    counted. Fewer than eight pairs fail only where the whole interval lies beyond the limit.
    """
    rows = whole(duplicates)
    if "first_mg_kg" not in duplicates.columns:
        rows = _with_first(rows)
    rows = rows.take(rows["sample_kind"] == "duplicate")
    return tuple(
        _check(side, stage, method, element, part, limits, matrix)
        for (side, stage, method, element), own in groups(
            rows, "side", "duplicate_kind", "method", "element"
        )
        for matrix, limits, part in by_limits(own, element, limits_of, thresholds)
    )


def _with_first(rows: Rows) -> Rows:
    """The rows with the first result of each duplicate beside it."""
    own = [comparison_form(i) for i in rows["sample_id"]]
    original = [comparison_form(i) for i in rows["duplicate_of"]]
    is_duplicate = rows["sample_kind"] == "duplicate"
    keys = list(zip(rows["side"], rows["method"], rows["element"], strict=True))
    first: dict[tuple[str, ...], int] = {}
    for position, form in enumerate(own):
        if not is_duplicate[position]:
            first.setdefault((*keys[position], form), position)
    value, limit = np.full((2, len(rows)), np.nan)
    mark = np.full(len(rows), "", dtype=object)
    for position in map(int, np.flatnonzero(is_duplicate)):
        source = first.get((*keys[position], original[position] or own[position]))
        if source is not None:
            value[position] = rows["value_mg_kg"][source]
            limit[position] = rows["limit_mg_kg"][source]
            mark[position] = rows["qualifier"][source]
    return rows.put(first_mg_kg=value, first_limit_mg_kg=limit, first_qualifier=mark)


def _check(
    side: str, stage: str, method: str, element: str, rows: Rows, thresholds: Thresholds,
    matrix: str,
) -> QualityCheck:  # fmt: skip
    first, second = rows["first_mg_kg"], rows["value_mg_kg"]
    usable = _usable(rows)
    cv = duplicate_cv(first[usable], second[usable])
    by_hard = stage in ("field", "coarse")
    most = {"field": thresholds.duplicate_field, "coarse": thresholds.duplicate_coarse}.get(
        stage, _HARD_OF_PULPS
    )
    halves = hard(first[usable], second[usable], most)
    share = halves.share_within
    passed: bool | None
    if by_hard:
        rule = f"{HARD_SHARE:.0%} of pairs with a half relative difference up to {most:.0%}"
        passed = _decided(-share.value, -share.high, -HARD_SHARE, share.n)
    else:
        rule = f"CV_RMS at most {thresholds.duplicate_cv:.0%}"
        equal = math.isnan(cv.value) and halves.n >= 2
        value, low = (0.0, 0.0) if equal else (cv.value, cv.low)
        passed = _decided(value, low, thresholds.duplicate_cv, halves.n)
    n = int(usable.sum())
    left = len(rows) - n
    why = _words(cv.value, cv.low, cv.high, share.value, most, n, cv.reason)
    if left:
        why += f"; {left} further pair(s) censored, without first result or below quantitation"
    return QualityCheck(
        side=side,
        kind="duplicate",
        code=(stage or "duplicate") + (f", {matrix}" if matrix else ""),
        method=method,
        element=element,
        batch="",
        n=n,
        found=cv.value,
        expected=most if by_hard else thresholds.duplicate_cv,
        uncertainty=math.nan,
        recovery=math.nan,
        score=math.nan,
        passed=passed,
        rule=rule,
        why=why,
        at=iso(rows["at"]),
    )


def _usable(rows: Rows) -> npt.NDArray[np.bool_]:
    """Pairs with both sides quantified and above what can be quantified."""
    first, second = rows["first_mg_kg"], rows["value_mg_kg"]
    plain = (rows["qualifier"] == "") & (rows["first_qualifier"] == "")
    limit = np.nan_to_num(np.fmax(rows["limit_mg_kg"], rows["first_limit_mg_kg"]))
    enough = (first + second) / 2 >= QUANTIFIED_FROM * limit
    return np.asarray(
        plain & np.isfinite(first) & np.isfinite(second) & enough & (first + second > 0)
    )


#: From the finest stage to the coarsest; the scatter of each holds that of those before it.
STAGES = ("lab repeat", "pulp", "coarse", "field")


def duplicate_stages(duplicates: pd.DataFrame, level: float) -> tuple[DuplicateStage, ...]:
    """The scatter of duplicates stage by stage, and what each stage adds to the one before.

    ``duplicates`` as for ``judge_duplicates``. The relative SD of one result is the square
    root of the variance within pairs of logarithms (nested analysis of variance); what a stage
    adds is the root of the difference of two such variances (NaN where that is negative: not
    resolved).
    """
    rows = whole(duplicates)
    if "first_mg_kg" not in duplicates.columns:
        rows = _with_first(rows)
    rows = rows.take((rows["sample_kind"] == "duplicate") & _usable(rows))
    rows = rows.take((rows["first_mg_kg"] > 0) & (rows["value_mg_kg"] > 0))
    found: dict[tuple[str, str, str], dict[str, DuplicateStage]] = {}
    for (side, method, element, stage), own in groups(
        rows, "side", "method", "element", "duplicate_kind"
    ):
        logs = np.log(np.r_[own["first_mg_kg"], own["value_mg_kg"]].astype(np.float64))
        within = nested_variance(logs, np.tile(np.arange(len(own)), 2), level=level).shot
        value, low, high = (
            math.sqrt(max(part, 0.0)) if math.isfinite(part) else math.nan
            for part in (within.value, within.low, within.high)
        )
        rsd = replace(
            within, value=value, low=low, high=high, se=math.nan, n=len(own),
            method="nested analysis of variance of logarithms",
        )  # fmt: skip
        found.setdefault((side, method, element), {})[stage] = DuplicateStage(
            side, method, element, stage or "duplicate", len(own), rsd, math.nan
        )
    made: list[DuplicateStage] = []
    for key in sorted(found):
        before = math.nan
        for stage in (*STAGES, ""):
            if (item := found[key].get(stage)) is None:
                continue
            own_variance = item.rsd.value**2
            more = own_variance - before
            made.append(replace(item, added=math.sqrt(more)) if more > 0 else item)
            before = own_variance if math.isfinite(own_variance) else before
    return tuple(made)


def _decided(value: float, least: float, limit: float, n: int) -> bool | None:
    """Whether ``value`` keeps the limit; with few pairs only a clear failure is one."""
    if not math.isfinite(value):
        return None
    if n < FEWEST_PAIRS:
        return False if math.isfinite(least) and least > limit else None
    return value <= limit


def _words(
    cv: float, low: float, high: float, share: float, most: float, n: int, reason: str
) -> str:
    if n == 0:
        return "no usable pair"
    text = f"CV_RMS {cv:.1%} ({low:.1%} to {high:.1%})" if math.isfinite(cv) else reason
    text += f", {share:.0%} of pairs within {most:.0%} half relative difference, n = {n}"
    return text + (f"; fewer than {FEWEST_PAIRS} pairs" if n < FEWEST_PAIRS else "")
