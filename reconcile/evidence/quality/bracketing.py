"""Checks of a field instrument before, among and after the samples of a day.

An instrument is checked at the start of a day, after about every 20 samples or 2 hours, and
at its end (US EPA Method 6200, section 9, asks for checks at the start, during and at the
end of a day; the numbers are common practice, no source). A check that fails takes with it
what was read since the last good one and until the next.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.quality.controls import (
    CONTROLS,
    QUANTIFIED_FROM,
    LimitsOf,
    Rows,
    groups,
    is_metal,
    usual_limits,
    whole,
)
from reconcile.evidence.quality.of_reading import named
from reconcile.evidence.quality.references import certified_values, spread_of
from reconcile.samples.identity import comparison_form
from reconcile.statistics.bias import geometric_mean_ratio

#: Readings of one control no further apart than this are one check.
ONE_CHECK = np.timedelta64(15, "m")
_HOUR = np.timedelta64(1, "h")
_DAYS_NAMED = 6


@dataclass(frozen=True, slots=True)
class Check:
    """One visit to a control: the mean of its readings of one element, mg/kg."""

    at: np.datetime64
    batch: str
    code: str
    mean: float
    n: int


def checks_of(rows: Rows) -> tuple[Check, ...]:
    """The visits among the quantified readings of one control, method and element, in time.

    Readings within 15 minutes of the one before belong to it. Without times every reading
    stands alone.
    """
    rows = rows.take((rows["qualifier"] == "") & np.isfinite(rows["value_mg_kg"]))
    at, values = rows["at"], rows["value_mg_kg"]
    found: list[Check] = []
    start = 0
    for i in range(1, len(rows) + 1):
        if (
            i < len(rows)
            and at[i] - at[i - 1] <= ONE_CHECK
            and (rows["batch"][i] == rows["batch"][i - 1])
        ):
            continue
        if start < i:
            part = values[start:i]
            found.append(
                Check(
                    at[start], str(rows["batch"][start]), str(rows["code"][start]),
                    float(part.mean()), i - start,
                )
            )  # fmt: skip
        start = i
    return tuple(found)


def judge_bracketing(
    timeline: pd.DataFrame,
    controls: pd.DataFrame,
    reference: pd.DataFrame,
    thresholds: Thresholds,
    limits_of: LimitsOf | None = None,
) -> tuple[Finding, ...]:
    """Findings on when each instrument was checked, which brackets failed, and drift.

    ``timeline``: method, at, day, sample_id, sample_kind of every field row of ordinary
    samples and controls; rows without time are passed over. ``controls`` and ``reference``
    as for ``judge_reference_materials``, field side.
    """
    known = timeline.loc[timeline["at"].notna()].sort_values("at", kind="stable")
    rows = whole(controls).put(side=np.full(len(controls), "field", dtype=object))
    limits = usual_limits(rows)
    rows = rows.take(np.isin(rows["sample_kind"], CONTROLS))
    rows = rows.put(code=rows.code())
    findings = list(_plan(known, thresholds))
    certified = certified_values(reference)
    visits: _Visits = {}
    for (method, code, element, set_up), own in groups(rows, "method", "code", "element", "set_up"):
        checks = [c for c in checks_of(own) if not np.isnat(c.at)]
        findings += _drift(checks, method, code, element, thresholds)
        value = certified.get((comparison_form(code), element))
        limit = limits.get(("field", method, element), math.nan)
        if value is None or value.value < QUANTIFIED_FROM * limit:
            continue
        spread = spread_of(own).sd
        t = limits_of(element, value.matrix, is_metal(own)) if limits_of else thresholds
        window = t.recovery_low, t.recovery_high
        for check in checks:
            noise = 2 * spread / math.sqrt(check.n) if math.isfinite(spread) else 0.0
            visits.setdefault((method, element, set_up), []).append(
                (check, value.value, noise, window)
            )
    return (*findings, *_brackets(known, visits))


#: By method, element and set-up: each check, its certified value, its noise, the recovery agreed.
_Visits = dict[tuple[str, str, str], list[tuple[Check, float, float, tuple[float, float]]]]


def _plan(timeline: pd.DataFrame, thresholds: Thresholds) -> Iterable[Finding]:
    """Whether checks stood at the start and end of each day and close enough between.

    Nothing is asked where the agreed plan has no reference materials (rate 0).
    """
    if thresholds.rate_reference_materials <= 0:
        return
    for method, rows in timeline.groupby("method", sort=True):
        wide: list[str] = []
        days = 0
        checked = rows["sample_kind"].isin(CONTROLS)
        if not checked.any():
            yield _finding(
                "warning", [str(method)], f"No check of the instrument: {method}.",
                f"{rows['sample_id'].nunique()} sample(s), and no check standard or reference "
                "material among them",
                "Read a reference material or check standard first, last and in between.",
                code=FindingCode.NO_CHECK_OF_INSTRUMENT,
            )  # fmt: skip
            continue
        for day, own in rows.groupby("day", sort=True):
            samples = own["sample_kind"].eq("sample").to_numpy()
            check = own["sample_kind"].isin(CONTROLS).to_numpy()
            if not samples.any():
                continue
            days += 1
            names = own["sample_id"].to_numpy(dtype=object)
            times = own["at"].to_numpy()
            read, seen = np.flatnonzero(samples), np.flatnonzero(check)
            for word, outside in (
                ("start", read[read < seen.min()] if len(seen) else read),
                ("end", read[read > seen.max()] if len(seen) else read),
            ):
                if len(outside):
                    first, last = (_clock(times[i]) for i in (outside[0], outside[-1]))
                    yield _finding(
                        "warning", names[outside],
                        f"No check at the {word} of the day: {method}, {day} by local time.",
                        f"{len(set(names[outside]))} sample(s) read from {first} to {last} UTC",
                        "Read a check standard before the first and after the last sample.",
                        code=FindingCode.NO_CHECK_AT_END_OF_DAY,
                    )  # fmt: skip
            most, longest = _widest(names, times, samples, seen)
            if most > thresholds.check_every_samples or longest > thresholds.check_every_hours:
                wide.append(f"{day}: {most} samples, {longest:.1f} h")
        if wide:
            more = f"; and {len(wide) - _DAYS_NAMED} more" if len(wide) > _DAYS_NAMED else ""
            yield _finding(
                "note", [str(method)],
                f"Checks too far apart: on {len(wide)} of {days} day(s) by {method} more than "
                f"{thresholds.check_every_samples} samples or {thresholds.check_every_hours:g} h "
                "passed between two checks.",
                "; ".join(wide[:_DAYS_NAMED]) + more,
                "Read a check standard in between: what fails is then found in time, and fewer "
                "samples must be read again.",
                code=FindingCode.CHECKS_FAR_APART,
            )  # fmt: skip


def _widest(
    names: npt.NDArray[np.object_],
    times: npt.NDArray[np.datetime64],
    samples: npt.NDArray[np.bool_],
    seen: npt.NDArray[np.intp],
) -> tuple[int, float]:
    most, longest = 0, 0.0
    for before, after in pairwise(seen):
        between = np.arange(before + 1, after)
        between = between[samples[between]]
        if len(between):
            most = max(most, len(set(names[between])))
            longest = max(longest, float((times[after] - times[before]) / _HOUR))
    return most, longest


def _brackets(
    timeline: pd.DataFrame,
    visits: _Visits,
) -> Iterable[Finding]:
    by_method = {str(m): rows for m, rows in timeline.groupby("method", sort=True)}
    for (method, element, set_up), all_checks in sorted(visits.items()):
        by_day: dict[str, list[tuple[Check, float, float, tuple[float, float]]]] = {}
        for item in sorted(all_checks, key=lambda v: (v[0].at, v[0].code)):
            by_day.setdefault(item[0].batch, []).append(item)
        rows = by_method.get(set_up, timeline.iloc[:0])
        for day, checks in sorted(by_day.items()):
            good = [
                low * value - noise <= check.mean <= high * value + noise
                for check, value, noise, (low, high) in checks
            ]
            for place, (check, value, _, (low, high)) in enumerate(checks):
                if good[place]:
                    continue
                before = max((c.at for (c, *_), g in zip(checks[:place], good, strict=False) if g),
                             default=None)  # fmt: skip
                after = next(
                    (c.at for (c, *_), g in zip(checks[place:], good[place:], strict=True) if g),
                    None,
                )
                own = rows.loc[rows["day"].eq(day) & rows["sample_kind"].eq("sample")]
                at = own["at"].to_numpy()
                inside = np.ones(len(own), dtype=bool)
                if before is not None:
                    inside &= at > before
                if after is not None:
                    inside &= at < after
                names = list(dict.fromkeys(own["sample_id"][inside]))
                since = f"the good check of {_clock(before)} UTC" if before is not None else (
                    "the start of the day"
                )  # fmt: skip
                until = f"the next good one, {_clock(after)} UTC" if after is not None else (
                    "the end of the day"
                )  # fmt: skip
                listed = f": {', '.join(names)}" if names else ""
                yield Finding(
                    "quality", "warning", f"field {day}",
                    f"Failed bracket: {check.code}, {element}, {method}, {day} "
                    f"{_clock(check.at)} UTC.",
                    f"recovery {check.mean / value:.1%} (n = {check.n}), limits {low:.0%} to "
                    f"{high:.0%}; {len(names)} sample(s) between {since} and {until}{listed}",
                    "Read these samples again after the instrument passes a check.",
                    code=FindingCode.FAILED_BRACKET,
                )  # fmt: skip


def _drift(
    checks: list[Check], method: str, code: str, element: str, thresholds: Thresholds
) -> Iterable[Finding]:
    """Whether a control changes from the first to the last check of the days, on the mean."""
    days: dict[str, list[Check]] = {}
    for check in checks:
        days.setdefault(check.batch, []).append(check)
    ends = [
        (own[0].mean, own[-1].mean)
        for own in days.values()
        if own[-1].at - own[0].at >= _HOUR and own[0].mean > 0 and own[-1].mean > 0
    ]
    if len(ends) < 3:
        return
    first, last = np.array(ends, dtype=np.float64).T
    ratio = geometric_mean_ratio(first, last, thresholds.confidence)
    if not ratio.estimable or ratio.low <= 1 <= ratio.high:
        return
    if abs(ratio.value - 1) < thresholds.drift_size:
        return
    yield _finding(
        "warning", [method], f"Drift within the day: {code}, {element}, {method}.",
        f"last check {ratio.value - 1:+.1%} against the first ({ratio.low - 1:+.1%} to "
        f"{ratio.high - 1:+.1%}, n = {ratio.n} days; {thresholds.drift_size:.0%} allowed)",
        "Look at temperature, window, gas and battery; check more often, and correct nothing "
        "before the cause is known.",
        code=FindingCode.DRIFT,
    )  # fmt: skip


def _finding(
    severity: str,
    subject: Iterable[str],
    text: str,
    evidence: str,
    advice: str,
    code: FindingCode,
) -> Finding:
    return Finding("quality", severity, named(map(str, subject)), text, evidence, advice, code=code)


def _clock(at: np.datetime64 | None) -> str:
    """Day and time in UTC: the day of the place may be another."""
    if at is None:
        return ""
    return np.datetime_as_string(np.datetime64(at), unit="m").replace("T", " ")
