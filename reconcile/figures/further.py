"""Further results of a stratum, beyond those that its page leads with.

Each is a named result object in ``StratumStatistics.further``; what is computed, and on
which scale, follows from the stratum's own data by written rules.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.model.figures import PointErrors, Readings, StratumStatistics
from reconcile.base.model.further import KAPLAN_MEIER, ORDER_STATISTICS, Further, Key
from reconcile.base.model.singles import Scatter, WithoutPair
from reconcile.base.model.stratum import Stratum
from reconcile.statistics import agreement, bias, censoring, components, decisions, lines
from reconcile.statistics.components import ThreeMethods
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.error_structure import ErrorStructure

Array = NDArray[np.float64]
#: A further result under its key.
Item = tuple[Key[Any], Any]

#: Censored pairs are compared each with each; beyond this many it takes too long.
_MOST_CENSORED_LINE = 2000


#: Samples whose readings are looked into; of more, these many, evenly spaced by place.
MOST_SAMPLES = 5000


def some_of(used: pd.DataFrame) -> pd.DataFrame:
    """The used pairs, of very many those whose readings are looked into."""
    step = -(-len(used) // MOST_SAMPLES)
    return used.iloc[::step] if step > 1 else used


def replicate_structure(used: pd.DataFrame, level: float) -> ErrorStructure:
    """How the SD of a sample's field mean depends on its level, from spots or readings."""
    used = some_of(used)
    spots = used["field_spots"].to_numpy("float64")
    shots = used["field_n"].to_numpy("float64")
    mean, se = (used[name].to_numpy("float64") for name in ("field_mean", "field_se"))
    often = np.where(spots >= 2, spots, shots)
    return _structure(mean.tobytes(), se.tobytes(), often.tobytes(), level)


@lru_cache(maxsize=256)
def _structure(mean: bytes, se: bytes, often: bytes, level: float) -> ErrorStructure:
    """The structure of float64 arrays; a stratum's pairs are asked for as months and as a whole."""
    level_of, sd, count = (np.frombuffer(part, dtype=np.float64) for part in (mean, se, often))
    return lines.error_structure(level_of, sd, count, confidence=level)


def point_errors(
    structure: ErrorStructure, scale: str, lab_relative: float, middle: float, lab_source: str
) -> PointErrors | None:
    """What gives every pair an SD on both sides; None where one side's errors are not known.

    The lab's SD is in proportion to the level where ratios are compared, else that at the
    ``middle`` of the lab values.
    """
    known = structure.s0.estimable and structure.theta.estimable
    if not (known and math.isfinite(lab_relative) and lab_relative > 0):
        return None
    constant, proportional = (
        (0.0, lab_relative) if scale == "log ratio" else (lab_relative * middle, 0.0)
    )
    return PointErrors(
        structure.s0.value, structure.theta.value, constant, proportional, lab_source,
        scale == "log ratio",
    )  # fmt: skip


def york_line(lab: Array, field: Array, errors: PointErrors, level: float) -> lines.Line:
    """York line with the SDs of ``errors`` at the levels of the line.

    What the field's replicates do not hold is found from the scatter of these pairs.
    """

    return lines.york_with_excess(lab, field, *_curves(errors), level).line


def york_lines(
    lab: Array, field: Array, errors: PointErrors, present: lines.Booleans
) -> tuple[Array, Array]:
    """Intercepts and slopes of :func:`york_line` for parts of the pairs, ``present`` (rows, n)."""
    return lines.york_of_parts(lab, field, *_curves(errors), present)


def _curves(errors: PointErrors) -> tuple[lines.SdAt, lines.SdAt, lines.SdAt]:
    """SDs at true levels: laboratory, field, and what may be beyond the field's replicates."""

    def curve(s0: float, theta: float) -> lines.SdAt:
        return lambda c: np.asarray(np.hypot(s0, theta * c), dtype=np.float64)

    beyond = (0.0, 1.0) if errors.relative else (1.0, 0.0)
    return (
        curve(errors.lab_s0, errors.lab_theta),
        curve(errors.field_s0, errors.field_theta),
        curve(*beyond),
    )


def of_pairs(
    used: pd.DataFrame,
    s: StratumStatistics,
    structure: ErrorStructure,
    york: lines.Line | None,
    diagnostics: lines.Diagnostics | None,
    refit: Any,
    level: float,
) -> list[Item]:
    """Results that need no more than the used pairs."""
    lab = used["lab_mean"].to_numpy("float64")
    field = used["field_mean"].to_numpy("float64")
    found: list[Item] = [(Further.STRUCTURE, structure)]
    if york is not None:
        found.append((Further.YORK, york))
    if s.difference_scale == "log ratio":
        found.append(
            (Further.LOG_CONCORDANCE, agreement.concordance(lab, field, level, scale="log"))
        )
    elif len(lab) >= 3:
        found.append((Further.LEVEL_LIMITS, agreement.level_dependent_limits(lab, field, level)))
    if diagnostics is not None and diagnostics.influential_pair >= 0:
        found.append((Further.WITHOUT_PAIR, _without(used, s, diagnostics, refit, level)))
    return found


def _without(
    used: pd.DataFrame, s: StratumStatistics, seen: lines.Diagnostics, refit: Any, level: float
) -> WithoutPair:
    at = seen.influential_pair
    lab = np.delete(used["lab_mean"].to_numpy("float64"), at)
    field = np.delete(used["field_mean"].to_numpy("float64"), at)
    relative = s.difference_scale == "log ratio"
    of = bias.geometric_mean_ratio if relative else bias.mean_difference
    # chosen by its effect: an interval without it would hold the truth too seldom
    why = "no interval is claimed, as the pair was chosen by its effect"
    rest = [
        replace(item, se=math.nan, low=math.nan, high=math.nan, reason=item.reason or why)
        for item in (of(lab, field, level), refit(lab, field).slope)
    ]
    return WithoutPair(
        str(used["sample_id"].iloc[at]), seen.largest_influence, relative, rest[0], rest[1]
    )


def quality_level(used: pd.DataFrame, s: StratumStatistics, element: str) -> list[Item]:
    """Data-quality level and the criteria of Method 6200, from replicates and the line.

    The relative SD is that of a single spot (or reading), pooled over the samples; r² is of
    the logarithms where the laboratory values span more than one order of magnitude.
    """
    rsd, most = _single_rsd(used)
    low, high = s.lab_range
    logs = low > 0 and high > 10 * low
    r_squared = s.fits.log_r_squared if logs else s.agreement.correlation.r_squared
    r = (
        math.copysign(math.sqrt(r_squared), s.agreement.correlation.r.value)
        if r_squared >= 0
        else math.nan
    )
    line = s.headline_line
    return [
        (
            Further.QUALITY_LEVEL,
            decisions.data_quality_level(rsd, r_squared, _identity(line, line.slope.level)),
        ),
        (
            Further.METHOD_CRITERIA,
            decisions.method_6200_criteria(rsd, r, _identity(line, 0.99), element, most),
        ),
    ]


def _single_rsd(used: pd.DataFrame) -> tuple[float, int | None]:
    """Pooled relative SD of one spot (or reading), and the most of them on one sample."""
    spots = used["field_spots"].to_numpy("float64")
    count = np.where(spots >= 2, spots, used["field_n"].to_numpy("float64"))
    mean = used["field_mean"].to_numpy("float64")
    se = used["field_se"].to_numpy("float64")
    keep = np.isfinite(se) & (mean > 0) & (count >= 2)
    if not keep.any():
        return math.nan, None
    freedom = count[keep] - 1
    square = count[keep] * (se[keep] / mean[keep]) ** 2
    return float(np.sqrt(np.sum(freedom * square) / np.sum(freedom))), int(count[keep].max())


def _identity(line: lines.Line, level: float) -> bool | None:
    """Whether slope 1 and intercept 0 stand, each within its interval; None: not known."""
    from reconcile.statistics import distributions as stats

    inside = []
    for item, asked in ((line.slope, 1.0), (line.intercept, 0.0)):
        if not (math.isfinite(item.low) and math.isfinite(item.high)):
            return None
        # intervals at another level: widened by the ratio of the t quantiles
        wider = 1.0
        if level != item.level:
            wider = float(
                stats.t.ppf((1 + level) / 2, line.n - 2)
                / stats.t.ppf((1 + item.level) / 2, line.n - 2)
            )
        below = item.value - wider * (item.value - item.low)
        above = item.value + wider * (item.high - item.value)
        inside.append(below <= asked <= above)
    return all(inside)


def of_censored(eligible: pd.DataFrame, level: float) -> list[Item]:
    """Results in which censored pairs keep their limits; none where nothing is censored."""
    marks = {side: eligible[f"{side}_qualifier"] for side in ("lab", "field")}
    if not any(mark.ne("").any() for mark in marks.values()):
        return []
    columns = ["lab_low", "lab_high", "field_low", "field_high"]
    bounds = eligible[columns].to_numpy("float64")
    bounds = bounds[~np.isnan(bounds).any(axis=1)]
    found: list[Item] = []
    usable = bounds if len(bounds) <= _MOST_CENSORED_LINE else bounds[:0]
    lab_low, lab_high, field_low, field_high = usable.T
    line = censoring.akritas_theil_sen(lab_low, lab_high, field_low, field_high, level=level)
    if len(usable) < len(bounds):
        why = f"{len(bounds)} pairs are more than the {_MOST_CENSORED_LINE} that it compares"
        line = replace(line, n=len(bounds), reason=why)
    found.append((Further.CENSORED_LINE, line))
    for side, mark in marks.items():
        kept = mark.isin(("", "<")) & np.isfinite(eligible[f"{side}_high"].astype("float64"))
        if not mark[kept].eq("<").any():
            continue
        value = eligible.loc[kept, f"{side}_high"].to_numpy("float64")
        below = mark[kept].eq("<").to_numpy()
        found += [
            (KAPLAN_MEIER[side], censoring.kaplan_meier(value, below, level)),
            (ORDER_STATISTICS[side], censoring.regression_on_order_statistics(value, below)),
        ]
    return found


def scatter(readings: Readings, scale: str, level: float) -> Scatter | None:
    """Variance components of shots, spots and samples, and limits of agreement of one spot.

    None where no sample was read more than once. On the ratio scale natural logarithms are
    split, so that an SD is a relative one; not where a single reading is zero or negative.
    """
    value, sample, spot = readings.field, readings.field_sample, readings.field_spot
    lab = readings.lab
    if not len(value) or len(np.unique(sample)) == len(value):
        return None
    relative = scale == "log ratio" and bool(np.all(value > 0) and np.all(lab > 0))
    if relative:
        value, lab = np.log(value), np.log(lab)
    spots, first, where = np.unique(spot, return_index=True, return_inverse=True)
    of_spot = sample[first]
    by_spots = len(np.unique(of_spot)) < len(spots)
    parts = components.nested_variance(value, sample, spot if by_spots else None, level)
    single, single_sample = value, sample
    if by_spots:
        single = np.bincount(where, weights=value) / np.bincount(where)
        single_sample = of_spot
    counts = np.unique(single_sample, return_counts=True)[1]
    return Scatter(
        relative,
        parts,
        by_spots,
        components.replicate_sd(single, single_sample, level),
        float(1 / np.mean(1 / counts)),
        agreement.limits_with_replicates(lab, readings.lab_sample, single, single_sample, level),
    )


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Side:
    """One field method on its samples, for the comparison of three methods."""

    stratum: Stratum
    used: pd.DataFrame
    scale: str
    lab_relative_variance: float  # of a lab mean; NaN where not known


def three_methods(sides: Sequence[Side], level: float) -> dict[str, ThreeMethods]:
    """Error variances of LIBS, XRF and laboratory by stratum key, where all three met.

    Both field methods must share element, lab method and matrix. A stratum is compared with
    the one of the other technique with which it shares most samples.
    """
    found: dict[str, ThreeMethods] = {}
    met: dict[tuple[str, str], ThreeMethods] = {}  # both sides of a comparison name the other
    for one in sides:
        partners = [
            (len({*one.used["sample_id"]} & {*other.used["sample_id"]}), -i, other)
            for i, other in enumerate(sides)
            if other.stratum.technique not in ("", one.stratum.technique)
            and one.stratum.technique
            and _compared(one.stratum) == _compared(other.stratum)
        ]
        if not partners:
            continue
        count, _, other = max(partners, key=lambda item: item[:2])
        if count < _FEWEST_MET:
            continue
        first, second = sorted((one, other), key=lambda side: side.stratum.key)
        both = first.stratum.key, second.stratum.key
        if both not in met:
            met[both] = _three(first, second, level)
        found[one.stratum.key] = met[both]
    return found


#: Fewer samples than this do not separate three errors.
_FEWEST_MET = 5


def _compared(stratum: Stratum) -> tuple[str, str, str]:
    return stratum.element, stratum.lab_method, stratum.matrix


def _three(first: Side, second: Side, level: float) -> ThreeMethods:
    columns = ["sample_id", "field_mean", "lab_mean"]
    both = first.used[columns].merge(second.used[columns], on="sample_id", suffixes=("", "_2"))
    values = both[["field_mean", "field_mean_2", "lab_mean"]].to_numpy("float64")
    log = "log ratio" in (first.scale, second.scale) and bool(np.all(values > 0))
    lab = first.lab_relative_variance
    one, two, reference = values.T
    return components.three_method_error_variances(
        one,
        two,
        reference,
        np.random.default_rng(_SEED),
        (first.stratum.technique, second.stratum.technique, "laboratory"),
        "log" if log else "absolute",
        level,
        known_index=2 if math.isfinite(lab) else None,
        known_variance=lab if log else lab * float(np.median(values[:, 2])) ** 2,
    )


_SEED = 1948  # year of Grubbs's paper; any fixed number gives the same files every time
