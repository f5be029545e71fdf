"""Limits of the looks for a change over months: distances that no change passes seldom.

Made by ``python -m tests.validation.month_steps --limits``; a test makes some of them again.
"""

from __future__ import annotations

import math

import numpy as np

#: Months at which a stretch is first looked at: three before a step and one after.
FIRST_LOOK = 4
#: Chances of a false signal in any twelve looks, and the limits of each at 4, 5, … months.
# made: start
RATES = (0.01, 0.02, 0.05, 0.1)
LIMITS = (
    (
        4.99, 4.68, 4.54, 4.60, 4.66, 4.55, 4.50, 4.50, 4.46, 4.48, 4.44, 4.38, 4.34, 4.29, 4.27,
        4.25, 4.25, 4.22, 4.23, 4.24, 4.21, 4.22, 4.15, 4.23, 4.20, 4.21, 4.15, 4.14, 4.14, 4.16,
        4.13, 4.13, 4.11, 4.12, 4.14, 4.13, 4.10,
    ),
    (
        4.86, 4.47, 4.42, 4.46, 4.42, 4.32, 4.31, 4.29, 4.23, 4.22, 4.21, 4.16, 4.13, 4.06, 4.05,
        4.03, 4.02, 3.99, 4.00, 4.01, 4.01, 4.01, 3.99, 3.98, 3.98, 3.96, 3.96, 3.94, 3.92, 3.95,
        3.93, 3.89, 3.92, 3.93, 3.91, 3.89, 3.85,
    ),
    (
        4.55, 4.17, 4.22, 4.20, 4.07, 4.05, 4.01, 3.98, 3.96, 3.92, 3.84, 3.82, 3.79, 3.75, 3.74,
        3.75, 3.72, 3.72, 3.71, 3.71, 3.74, 3.68, 3.70, 3.69, 3.66, 3.65, 3.64, 3.63, 3.62, 3.63,
        3.61, 3.62, 3.63, 3.59, 3.58, 3.56, 3.54,
    ),
    (
        4.23, 4.03, 4.04, 3.94, 3.84, 3.81, 3.75, 3.71, 3.67, 3.62, 3.58, 3.52, 3.51, 3.49, 3.48,
        3.47, 3.45, 3.45, 3.44, 3.45, 3.41, 3.42, 3.42, 3.42, 3.39, 3.39, 3.37, 3.37, 3.33, 3.35,
        3.36, 3.36, 3.34, 3.33, 3.31, 3.30, 3.29,
    ),
)  # fmt: skip
# made: end


def limit_at(months: int, rate: float) -> float:
    """The limit of a look at so many months; beyond the table that of its last look.

    Between the tabled rates by the logarithm of the rate; ValueError outside them.
    """
    if not RATES[0] <= rate <= RATES[-1]:
        raise ValueError(f"rate must lie between {RATES[0]} and {RATES[-1]}, got {rate}")
    at = min(months - FIRST_LOOK, len(LIMITS[0]) - 1)
    return float(
        np.interp(math.log(rate), [math.log(r) for r in RATES], [row[at] for row in LIMITS])
    )
