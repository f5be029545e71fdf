"""How many pairs would show a criterion, if line, scatter and bias stay as found.

By the bounds of the decision itself: at the number there is they give its own answer. A new
draw of pairs differs from the one at hand, so that about half of such plans fall a little
short. NaN where no number of pairs would show it, or nobody could measure so many.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy import special

from reconcile.statistics import distributions as stats
from reconcile.statistics.level_band import TruthLine
from reconcile.statistics.noncentral_t import tail_bound
from reconcile.statistics.result import NAN

MOST = 100_000  # pairs beyond which a plan says that it can't be reached
_CLOSE = 1e-12


def smallest(start: int, shown: Callable[[int], bool], most: int = MOST) -> float:
    """Smallest whole n from ``start`` on at which ``shown``; NaN beyond ``most``.

    Found by doubling and halving: where ``shown`` is not monotone, an n at which it holds
    with one below it at which it does not.
    """
    low, high = start - 1, start
    while not shown(high):
        if high >= most:
            return NAN
        low, high = high, min(max(2 * high, 2), most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if shown(middle) else (middle, high)
    return float(high)


def pairs_for_interval(
    value: float, deviation: float, low: float, high: float, alpha: float = 0.05, start: int = 4
) -> float:
    """Pairs at which value ± t(n − 2, 1 − alpha)·deviation/√n lies within low to high."""
    room = min(value - low, high - value)
    if not room > 0 or not deviation >= 0:
        return NAN
    return smallest(
        max(start, 3),
        lambda n: float(special.stdtrit(n - 2, 1 - alpha)) * deviation / math.sqrt(n) <= room,
    )


def pairs_for_tail(
    k: float, rate: float, alpha: float = 0.05, leverage: float = 1.0, freedom: float = 1.0,
    lost: int = 1, start: int = 2,
) -> float:  # fmt: skip
    """Pairs at which the one-sided bound of P(Z < z) at 1 − alpha is no more than ``rate``.

    k = (limit − fitted value)/s; the fitted value has the variance leverage·σ²/n, s² has
    freedom·(n − lost) degrees of freedom: 1 and n − 1 for a mean, when −k is the tolerance
    factor of coverage 1 − rate (Owen 1968). NaN where Φ(k) is not below the rate.
    """
    if not (math.isfinite(k) and float(special.ndtr(k)) < rate):
        return NAN

    def shown(n: int) -> bool:
        df = max(freedom * (n - lost), 1.0)
        return tail_bound(k, leverage / n, df, 1 - alpha) <= rate

    return smallest(max(start, lost + 1), shown)


def pairs_for_spread(
    sd: float, limit: float, alpha: float = 0.05, start: int = 2, share: float = 1.0
) -> float:
    """Pairs at which the upper chi-square bound of an SD is no more than ``limit``.

    The SD has ``share``·(n − 1) degrees of freedom: fewer than n − 1 where pairs are in clusters.
    """
    if not 0 <= sd < limit:
        return NAN

    def shown(n: int) -> bool:
        df = max(share * (n - 1), 1.0)
        upper = sd * math.sqrt(df / float(special.chdtri(df, 1 - alpha)))
        return upper <= limit * (1 + _CLOSE)

    return smallest(max(start, 2), shown)


def samples_for_count(
    wrong: int, among: int, bound: float, confidence: float = 0.95, effect: float = 1.0
) -> float:
    """Samples at which a share, as found, has a Clopper-Pearson upper end within ``bound``.

    Two-sided at ``confidence``; with none counted yet none is taken to be wrong. ``effect``: the
    design effect by which counts of pairs in clusters are divided.
    """
    share = wrong / among if among else 0.0
    if not (share < bound and math.isfinite(effect)):
        return NAN

    def shown(n: int) -> bool:
        x, rest = share * n / effect, (1 - share) * n / effect
        return float(stats.beta.ppf((1 + confidence) / 2, x + 1, rest)) <= bound

    return smallest(max(among, 1), shown)


def grown(line: TruthLine, n: int) -> TruthLine:
    """The line with ``n`` pairs that lie as the given ones do; itself at as many.

    Its samples are repeated evenly, its scatter is kept, variances are those of n.
    """
    if n == line.n or line.reason:
        return line
    place = np.arange(n) * line.n // n
    return replace(
        line, n=n, slope_variance=line.slope_variance * (line.n - 1) / (n - 1),
        lab=line.lab[place], truth=line.truth[place], field=line.field[place],
    )  # fmt: skip
