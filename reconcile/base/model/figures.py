"""What is computed of the pairs of a stratum: plain, frozen, mass fractions in mg/kg."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from reconcile.statistics.equality import equal_with_nan

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from reconcile.statistics.agreement import (
        Concordance,
        Correlation,
        LimitsOfAgreement,
    )
    from reconcile.statistics.bias import Equivalence
    from reconcile.statistics.error_model import ErrorModel
    from reconcile.statistics.lines import Headline, Line
    from reconcile.statistics.result import Estimate
from reconcile.base.model.further import Results
from reconcile.base.model.stratum import LevelBias


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Readings:
    """Single quantified results behind the pairs of one stratum, mg/kg; arrays of one shape each.

    ``field_sample`` and ``lab_sample`` number the samples alike; ``field_spot`` numbers the
    spots over all samples.
    """

    field: NDArray[np.float64]
    field_sample: NDArray[np.int64]
    field_spot: NDArray[np.int64]
    lab: NDArray[np.float64]
    lab_sample: NDArray[np.int64]


@equal_with_nan
@dataclass(frozen=True, slots=True)
class PointErrors:
    """SDs of a sample's result on both sides, by level: what a York line needs."""

    field_s0: float  # mg/kg; SD of a field mean = sqrt(s0² + (theta·level)²)
    field_theta: float  # fraction
    lab_s0: float  # mg/kg; the same of a lab mean
    lab_theta: float
    lab_source: str
    relative: bool = True  # heterogeneity beyond them is in proportion to the level


@dataclass(frozen=True, slots=True)
class Censored:
    """Pairs of one stratum by the side on which they are censored."""

    field: int
    lab: int
    both: int


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Bias:
    """What separates field and laboratory on average; differences in mg/kg."""

    mean_difference: Estimate
    geometric_mean_ratio: Estimate
    equivalence: Equivalence
    censored_ratio: Estimate | None = None  # the ratio with censored pairs kept
    p_value: float = float("nan")  # of no bias, t test on the scale of the page
    p_value_adjusted: float = float("nan")  # Benjamini-Hochberg over strata


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Agreement:
    """How far a single field result lies from the laboratory's."""

    limits_absolute: LimitsOfAgreement
    limits_relative: LimitsOfAgreement
    limits_log_ratio: LimitsOfAgreement
    concordance: Concordance
    correlation: Correlation
    share_margin: float  # the fraction of the lab's value that counts as near it


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Fits:
    """Lines through the pairs; which one leads is ``StratumStatistics.headline``."""

    ols: Line  # field on lab, for reference only
    log: Line  # log10(field) on log10(lab)
    log_r_squared: float
    deming: Line
    weighted_deming: Line
    passing_bablok: Line
    lab_on_field: Line  # least squares, the predictor of lab from field, for reference only


@equal_with_nan
@dataclass(frozen=True, slots=True)
class StratumStatistics:
    """What was computed for one stratum; mass fractions in mg/kg, ratios dimensionless."""

    n_pairs: int  # pairs joined
    n_used: int  # pairs in the bias and agreement statistics: both sides quantified, eligible
    n_excluded: int  # left out with a reason other than censoring
    censored: Censored
    lab_range: tuple[float, float]  # of the used pairs
    field_range: tuple[float, float]
    bias: Bias
    agreement: Agreement
    fits: Fits
    error_ratio: Estimate  # lambda = var(error of field)/var(error of lab)
    error_ratio_source: str  # how it was found; never silently 1
    headline: Headline
    headline_line: Line
    difference_scale: str  # "absolute" or "log ratio": the scale the page leads with
    levels: tuple[LevelBias, ...] = ()
    point_errors: PointErrors | None = None  # SDs by level of both sides, where known
    error_model: ErrorModel | None = None  # what lines, factor and chances suppose of errors
    further: Results = field(default_factory=Results)
    computed: Mapping[str, Estimate] = field(default_factory=dict)  # by the figure's code
