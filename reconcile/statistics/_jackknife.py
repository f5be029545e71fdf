"""One interval half-width from left-out values, for statistics that few pairs may carry."""

from __future__ import annotations

import math

from scipy import special

from reconcile.statistics._values import Floats
from reconcile.statistics.result import NAN


def jackknife_half_width(left_out: Floats, level: float) -> tuple[float, float]:
    """Standard error and half width of the t interval, from a statistic without each pair.

    t with min(n − 1, 2n/(κ − 1)) degrees of freedom, κ the kurtosis of the left-out values:
    where a few pairs carry most of the variance, it is itself known poorly (the degrees of
    freedom that Satterthwaite 1946 gives a variance of that kurtosis). NaN without scatter.
    """
    n = left_out.size
    square = (left_out - left_out.mean()) ** 2
    total = float(square.sum())
    if n < 2 or not (total > 0 and math.isfinite(total)):
        return NAN, NAN
    share = square / total
    # sum of squared shares is κ/n
    excess = n * float(share @ share) - 1
    df = min(n - 1.0, 2 * n / excess) if excess > 0 else n - 1.0
    se = math.sqrt((n - 1) / n * total)
    return se, float(special.stdtrit(df, (1 + level) / 2)) * se
