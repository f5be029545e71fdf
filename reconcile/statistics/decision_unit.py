"""The mean of a decision unit (a lot, an area) with its upper confidence limit.

For discrete samples of one unit (ITRC, Incremental Sampling Methodology, 2012 and ISM-2, 2020,
section on upper confidence limits; US EPA QA/G-4: the mean of a unit against a level; both from
memory): Student's limit where results are about symmetric, Chebyshev's, which asks no shape,
where they are skewed. Errors that all samples share (the factor's) don't average out: they are
added to the variance of the mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import check_level
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN

#: From this coefficient of variation on Chebyshev's limit stands (ITRC names 1.5 for the choice
#: of methods; here the milder end, from memory).
SKEWED = 1.0
FEWEST = 3


@equal_with_nan
@dataclass(frozen=True, slots=True)
class UnitMean:
    """Mean of the samples of one unit; unit of the values."""

    n: int
    mean: float
    sd: float
    upper: float  # one-sided confidence limit of the mean
    level: float
    method: str  # "Student", "Chebyshev" or "" where there is no limit


def unit_mean(values: ArrayLike, common: float = 0.0, level: float = 0.95) -> UnitMean:
    """Mean and one-sided upper limit; ``common``: standard uncertainty that all values share.

    Fewer than three values have no limit. Raises ValueError where a value is not finite.
    """
    check_level(level)
    x = np.asarray(values, dtype=np.float64)
    if not np.all(np.isfinite(x)) or not common >= 0:
        raise ValueError("values must be finite and their common uncertainty not negative")
    n = int(x.size)
    mean = float(x.mean()) if n else NAN
    if n < FEWEST:
        return UnitMean(n, mean, NAN, NAN, level, "")
    sd = float(x.std(ddof=1))
    se = math.hypot(sd / math.sqrt(n), common)
    skewed = mean > 0 and sd / mean >= SKEWED
    times = math.sqrt(1 / (1 - level) - 1) if skewed else float(stats.t.ppf(level, n - 1))
    method = "Chebyshev" if skewed else "Student"
    return UnitMean(n, mean, sd, mean + times * se, level, method)
