"""Lines through paired results: x is the laboratory, y the field method.

Ordinary least squares stands for reference only; the others allow for errors on both
sides. Which line leads follows the written rule of ``choose_headline``.
"""

from __future__ import annotations

from reconcile.statistics._values import Booleans
from reconcile.statistics.deming import (
    deming,
    deming_point,
    weighted_deming,
    weighted_deming_point,
)
from reconcile.statistics.diagnostics import Diagnostics, diagnostics
from reconcile.statistics.error_structure import ErrorStructure, error_structure
from reconcile.statistics.headline import (
    FEWEST_FOR_RANKS,
    MOST_LAB_ERROR,
    RULE,
    Headline,
    choose_headline,
    least_squares_caution,
)
from reconcile.statistics.least_squares import (
    Polynomial,
    ols,
    polynomial,
)
from reconcile.statistics.line import NO_COVARIANCE, Covariance, Line
from reconcile.statistics.passing_bablok import (
    CusumLinearity,
    cusum_linearity,
    passing_bablok,
    theil_sen,
)
from reconcile.statistics.york import CurveFit, SdAt, york, york_of_parts, york_with_excess

__all__ = [
    "FEWEST_FOR_RANKS",
    "MOST_LAB_ERROR",
    "NO_COVARIANCE",
    "RULE",
    "Booleans",
    "Covariance",
    "CurveFit",
    "CusumLinearity",
    "Diagnostics",
    "ErrorStructure",
    "Headline",
    "Line",
    "Polynomial",
    "SdAt",
    "choose_headline",
    "cusum_linearity",
    "deming",
    "deming_point",
    "diagnostics",
    "error_structure",
    "least_squares_caution",
    "ols",
    "passing_bablok",
    "polynomial",
    "theil_sen",
    "weighted_deming",
    "weighted_deming_point",
    "york",
    "york_of_parts",
    "york_with_excess",
]
