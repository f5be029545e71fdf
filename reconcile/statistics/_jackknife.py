"""How well a variance is known where few pairs may carry it, and intervals that allow for it."""

from __future__ import annotations

import math

from scipy import special

from reconcile.statistics._values import Floats
from reconcile.statistics.result import NAN


def freedom_of(parts: Floats, most: float) -> float:
    """Degrees of freedom of a variance that is the sum of squares of ``parts``.

    min(most, 2n/(κ − 1)), κ the kurtosis of the parts: where a few pairs carry most of the
    variance, it is itself known poorly (the degrees of freedom that Satterthwaite 1946 gives
    a variance of that kurtosis). ``parts`` have about mean zero.
    """
    square = parts * parts
    total = float(square.sum())
    if not (total > 0 and math.isfinite(total)):
        return most
    share = square / total
    # sum of squared shares is κ/n
    excess = parts.size * float(share @ share) - 1
    return min(most, 2 * parts.size / excess) if excess > 0 else most


def jackknife_half_width(left_out: Floats, level: float) -> tuple[float, float]:
    """Standard error and half width of the t interval, from a statistic without each pair.

    t with the degrees of freedom of ``freedom_of``, at most n − 1. NaN without scatter.
    """
    n = left_out.size
    off = left_out - left_out.mean()
    total = float(off @ off)
    if n < 2 or not (total > 0 and math.isfinite(total)):
        return NAN, NAN
    se = math.sqrt((n - 1) / n * total)
    return se, float(special.stdtrit(freedom_of(off, n - 1.0), (1 + level) / 2)) * se
