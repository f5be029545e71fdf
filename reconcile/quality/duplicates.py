"""Duplicates: how well a result repeats."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from reconcile.identity import comparison_form
from reconcile.model import QualityCheck
from reconcile.quality.controls import QUANTIFIED_FROM, groups, iso, whole
from reconcile.settings import Thresholds
from reconcile.statistics.precision import duplicate_cv, hard

#: 90 % of pairs within this half relative difference, by the stage that was repeated
#: (conventions of the mining trade, from memory; no standard).
HARD_LIMITS = {"field": 0.20, "coarse": 0.15, "pulp": 0.10, "lab repeat": 0.10}
HARD_SHARE = 0.90
#: Fewest pairs on which a duplicate precision rests (field-XRF guidance of 2009, soil).
FEWEST_PAIRS = 8


def judge_duplicates(duplicates: pd.DataFrame, thresholds: Thresholds) -> tuple[QualityCheck, ...]:
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
    frame = whole(duplicates)
    if "first_mg_kg" not in duplicates.columns:
        frame = _with_first(frame)
    frame = frame.loc[frame["sample_kind"].eq("duplicate")]
    checks = []
    for (side, stage, method, element), rows in groups(
        frame, "side", "duplicate_kind", "method", "element"
    ):
        checks.append(_check(side, stage, method, element, rows, thresholds))
    return tuple(checks)


def _with_first(frame: pd.DataFrame) -> pd.DataFrame:
    ids = [comparison_form(i) for i in frame["sample_id"]]
    originals = [comparison_form(i) for i in frame["duplicate_of"]]
    is_duplicate = frame["sample_kind"].eq("duplicate")
    keys = [
        (side, method, element)
        for side, method, element in zip(
            frame["side"], frame["method"], frame["element"], strict=True
        )
    ]
    first: dict[tuple[str, ...], int] = {}
    for index, own in enumerate(ids):
        if not is_duplicate.iloc[index]:
            first.setdefault((*keys[index], own), index)
    source = [
        first.get((*key, original or own), -1) if duplicate else -1
        for key, original, own, duplicate in zip(keys, originals, ids, is_duplicate, strict=True)
    ]
    found = frame[["value_mg_kg", "qualifier", "limit_mg_kg"]].reindex(source)
    frame["first_mg_kg"] = found["value_mg_kg"].to_numpy()
    frame["first_qualifier"] = found["qualifier"].fillna("").to_numpy()
    frame["first_limit_mg_kg"] = found["limit_mg_kg"].to_numpy()
    return frame


def _check(
    side: str, stage: str, method: str, element: str, rows: pd.DataFrame, thresholds: Thresholds
) -> QualityCheck:
    first, second = rows["first_mg_kg"].to_numpy(), rows["value_mg_kg"].to_numpy()
    plain = rows["qualifier"].eq("").to_numpy() & rows["first_qualifier"].eq("").to_numpy()
    limit = np.nan_to_num(
        np.fmax(rows["limit_mg_kg"].to_numpy(), rows["first_limit_mg_kg"].to_numpy())
    )
    enough = (first + second) / 2 >= QUANTIFIED_FROM * limit
    usable = plain & np.isfinite(first) & np.isfinite(second) & enough & (first + second > 0)
    cv = duplicate_cv(first[usable], second[usable])
    by_hard = stage in ("field", "coarse")
    most = HARD_LIMITS.get(stage, HARD_LIMITS["pulp"])
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
        code=stage or "duplicate",
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
        rule=f"{rule}: {why}",
        at=iso(rows["at"]),
    )


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
