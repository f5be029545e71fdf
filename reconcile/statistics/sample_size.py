"""How many pairs, spots and laboratory samples a conclusion needs.

All are planning figures under the model that each docstring states.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy import integrate, stats

from reconcile.statistics._values import check_level
from reconcile.statistics.result import NAN

LARGEST = 10_000_000  # beyond this nobody measures; a plan says "not attainable" (NaN)


def _ceiling(value: float, fewest: int) -> float:
    """Next whole number, at least ``fewest``; NaN where nobody could measure that many."""
    if not math.isfinite(value) or value > LARGEST:
        return NAN
    return float(max(fewest, math.ceil(value - 1e-9)))


def _square(value: float) -> float:
    return value * value  # a product overflows to infinity where a power raises


def equivalence_power(
    n: int, sd: float, margin: float, true_bias: float = 0.0, alpha: float = 0.05
) -> float:
    """Power of two one-sided t tests on n paired differences, exact under normality.

    P(|mean − …| passes both tests) with mean ~ N(true_bias, sd²/n) and sd estimated
    on n − 1 degrees of freedom; the integral over the chi distribution is the usual
    one (Owen 1965; Phillips 1990).
    """
    if n < 2 or not (sd > 0 and margin > 0):
        return NAN
    df = n - 1
    t = float(stats.t.isf(alpha, df))
    root = math.sqrt(n) / sd
    # s/sd beyond which the two tests cannot both pass
    largest = margin * root / t

    def integrand(ratio: float) -> float:
        upper = (margin - true_bias) * root - t * ratio
        lower = (-margin - true_bias) * root + t * ratio
        inside = float(stats.norm.cdf(upper) - stats.norm.cdf(lower))
        log_density = (
            math.log(2.0)
            + 0.5 * df * math.log(df / 2.0)
            - math.lgamma(df / 2.0)
            + (df - 1) * math.log(ratio)
            - 0.5 * df * ratio * ratio
        )
        return max(inside, 0.0) * math.exp(log_density)

    spread = 12 / math.sqrt(2 * df)
    low, high = max(1 - spread, 1e-12), min(1 + spread, largest)
    if high <= low:
        return 0.0
    value, _ = integrate.quad(integrand, low, high, epsabs=1e-10, limit=200)
    return float(min(max(value, 0.0), 1.0))


def _smallest(start: int, test: Callable[[int], bool], largest: int = LARGEST) -> float:
    """Smallest whole n >= start for which ``test(n)``; NaN beyond ``largest``."""
    high = start
    while not test(high):
        high *= 2
        if high > largest:
            return NAN
    low = max(start, high // 2)
    while low < high:
        middle = (low + high) // 2
        if test(middle):
            high = middle
        else:
            low = middle + 1
    return float(high)


def pairs_for_equivalence(
    rsd: float,
    margin: float = 0.10,
    power: float = 0.80,
    alpha: float = 0.05,
    true_bias: float = 0.0,
) -> float:
    """Pairs needed to show equivalence of the mean by two one-sided tests.

    Model: relative differences field/lab − 1 (or log ratios) are normal with
    standard deviation ``rsd`` and mean ``true_bias``; margin ±``margin`` on the
    same scale. NaN where it can never be shown (|true_bias| >= margin).
    """
    check_level(power, "power")
    check_level(alpha, "alpha")
    usable = rsd > 0 and margin > 0 and math.isfinite(rsd) and math.isfinite(margin)
    if not usable or not abs(true_bias) < margin:
        return NAN
    return _smallest(2, lambda n: equivalence_power(n, rsd, margin, true_bias, alpha) >= power)


def limits_half_width(n: int, level: float = 0.95, coverage: float = 0.95) -> float:
    """Half width of the interval of one limit of agreement, in SDs, for n pairs.

    t·sqrt(1/n + z²/(2n)) (Bland & Altman 1999, section 2), t on n − 1 degrees of freedom.
    """
    check_level(level)
    check_level(coverage, "coverage")
    if n < 2:
        return NAN
    t = float(stats.t.isf((1 - level) / 2, n - 1))
    z = float(stats.norm.isf((1 - coverage) / 2))
    return t * math.sqrt((1 + z * z / 2) / n)


def pairs_for_limits(half_width: float, level: float = 0.95, coverage: float = 0.95) -> float:
    """Pairs needed so that each limit of agreement is known to ±``half_width`` SDs.

    ``half_width`` is in units of the SD of the differences; see :func:`limits_half_width`.
    """
    check_level(level)
    check_level(coverage, "coverage")
    if not half_width > 0:
        return NAN
    return _smallest(2, lambda n: limits_half_width(n, level, coverage) <= half_width)


def pairs_for_false_decision_bound(rate: float, level: float = 0.95, wrong: int = 0) -> float:
    """Pairs to check so that ``wrong`` wrong ones still bound the rate below ``rate``.

    One-sided exact binomial bound at ``level``: 59 for 5 % and 29 for 10 % with none wrong.
    """
    check_level(rate, "rate")
    check_level(level)
    if wrong < 0:
        raise ValueError(f"wrong must not be negative, got {wrong}")
    return _smallest(
        wrong + 1, lambda n: float(stats.binom.cdf(wrong, n, rate)) <= 1 - level + 1e-12
    )


def pairs_to_detect_shift(
    rsd: float, shift: float = 0.10, power: float = 0.90, alpha: float = 0.05
) -> float:
    """Pairs to see a relative shift by a two-sided test, SD taken as known (normal quantiles)."""
    if not (rsd > 0 and shift > 0):
        return NAN
    z = float(stats.norm.isf(alpha / 2) + stats.norm.ppf(power))
    return _ceiling(_square(z * rsd / shift), 2)


def spots_needed(cv: float, target: float) -> float:
    """Independent spots for a relative standard error ``target`` of the mean: (CV/t)²."""
    if not (cv >= 0 and target > 0):
        return NAN
    return _ceiling(_square(cv / target), 1)


def spots_for_mineral(modal_fraction: float, target: float) -> float:
    """Spots, each no larger than a grain, for a relative standard error of a mineral's share.

    Binomial sampling: (1 − p)/(p·t²).
    """
    if not (0 < modal_fraction <= 1 and target > 0):
        return NAN
    return _ceiling((1 - modal_fraction) / modal_fraction / target / target, 1)


def optimum_lab_fraction(r: float, cost_field: float, cost_lab: float) -> float:
    """Share of field samples to send to the laboratory so that the mean costs least.

    Double sampling with regression (Cochran, Sampling Techniques, chapter 12, from
    memory): sqrt(((1 − r²)/r²)·c_field/c_lab), at most 1. ``r`` is the correlation of
    field with lab.
    """
    if not (0 < abs(r) <= 1 and cost_field > 0 and cost_lab > 0):
        return NAN
    # a root of quotients, so that nothing underflows on the way
    share = math.sqrt(max(1 - r * r, 0.0)) / abs(r) * math.sqrt(cost_field) / math.sqrt(cost_lab)
    return min(1.0, share) if not math.isnan(share) else NAN
