"""Every figure of a stratum as one flat list: the source of page, workbook and files.

A figure is kept in its base unit (mg/kg, or 1 for ratios and fractions); what a reader
sees is derived from it in one place, so that a sentence and a table can't disagree.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from reconcile.model import LevelBias, StratumStatistics
from reconcile.reporting import numbers
from reconcile.statistics.agreement import LimitsOfAgreement
from reconcile.statistics.lines import Line
from reconcile.statistics.result import Estimate

NAN = math.nan
#: mass: mg/kg; ratio, number: dimensionless; percent: a fraction shown in %; count; p.
Kind = Literal["mass", "ratio", "number", "percent", "count", "p"]


@dataclass(frozen=True, slots=True)
class Figure:
    """One number of one stratum. ``value``, ``low`` and ``high`` are in the base unit."""

    key: str
    label: str
    kind: Kind
    value: float
    low: float = NAN
    high: float = NAN
    se: float = NAN
    n: int | None = None
    level: float = NAN
    method: str = ""
    reason: str = ""

    @property
    def base_unit(self) -> str:
        """Unit of ``value`` in the data files."""
        return "mg/kg" if self.kind == "mass" else "1"

    def unit(self, mass_unit: str) -> str:
        """Unit of what ``texts`` gives."""
        if self.kind == "mass":
            return numbers.unit_name(mass_unit)
        return "%" if self.kind == "percent" else ""

    def factor(self, per_mg_kg: float) -> float:
        """What multiplies the base unit for the reader."""
        return {"mass": per_mg_kg, "percent": 100.0}.get(self.kind, 1.0)

    def texts(self, per_mg_kg: float) -> tuple[str, str]:
        """Value and interval as the reader sees them, without unit."""
        if self.kind == "count":
            return numbers.plain(self.value, 0), numbers.NONE
        if self.kind == "p":
            return numbers.p_text(self.value), numbers.NONE
        return numbers.estimate_texts(
            self.value,
            self.low,
            self.high,
            self.factor(per_mg_kg),
            signed=self.key in SIGNED,
            most_decimals=3 if self.key in CORRELATIONS or self.kind == "ratio" else None,
            positive=self.kind == "ratio",
        )


#: Differences are shown with their sign.
SIGNED = frozenset(
    {
        "mean_difference",
        "mean_relative_difference",
        "hodges_lehmann",
        "ratio_as_difference",
        "censored_ratio_as_difference",
    }
    | {f"level_{i}_bias" for i in range(1, 100)}
)


#: Correlations are shown with three decimals at most.
CORRELATIONS = frozenset(
    {"correlation", "r_squared", "spearman", "concordance", "log_r_squared"}
    | {"concordance_precision", "concordance_accuracy"}
)


def ratio_minus_one(figure: Figure, key: str, label: str) -> Figure:
    """A ratio as a relative difference: 1.12 becomes 12 %."""
    return Figure(
        key,
        label,
        "percent",
        figure.value - 1,
        figure.low - 1,
        figure.high - 1,
        figure.se,
        figure.n,
        figure.level,
        figure.method,
        figure.reason,
    )


def of_estimate(key: str, label: str, kind: Kind, estimate: Estimate) -> Figure:
    """An Estimate as a figure."""
    return Figure(
        key,
        label,
        kind,
        float(estimate.value),
        float(estimate.low),
        float(estimate.high),
        float(estimate.se),
        int(estimate.n),
        float(estimate.level),
        estimate.method,
        estimate.reason,
    )


def _counts(s: StratumStatistics) -> Iterator[Figure]:
    for key, label, value in (
        ("pairs", "Pairs joined", s.n_pairs),
        ("pairs_used", "Pairs used", s.n_used),
        ("pairs_excluded", "Pairs excluded", s.n_excluded),
        ("field_censored", "Field result censored", s.n_field_censored),
        ("lab_censored", "Lab result censored", s.n_lab_censored),
        ("both_censored", "Both censored", s.n_both_censored),
    ):
        yield Figure(key, label, "count", float(value), n=int(s.n_pairs))
    for side, ends in (("lab", s.lab_range), ("field", s.field_range)):
        for which, end in zip(("lowest", "highest"), ends, strict=True):
            label = f"{which.capitalize()} {side} value used"
            yield Figure(f"{side}_{which}", label, "mass", float(end), n=int(s.n_used))


def _limits(key: str, name: str, kind: Kind, limits: LimitsOfAgreement) -> Iterator[Figure]:
    lower = of_estimate(f"{key}_lower", f"Lower limit of agreement, {name}", kind, limits.lower)
    upper = of_estimate(f"{key}_upper", f"Upper limit of agreement, {name}", kind, limits.upper)
    yield of_estimate(f"{key}_bias", f"Bias, {name}", kind, limits.bias)
    yield lower
    yield upper
    n, reason = int(limits.n), limits.reason
    sd_kind: Kind = "number" if kind == "ratio" else kind
    sd_label = f"SD of differences, {name}" + (" (natural logarithm)" if kind == "ratio" else "")
    yield Figure(f"{key}_sd", sd_label, sd_kind, float(limits.sd), n=n, reason=reason)
    for end, value in (("low", limits.tolerance_low), ("high", limits.tolerance_high)):
        label = f"Tolerance interval, {end} end, {name}"
        yield Figure(f"{key}_tolerance_{end}", label, kind, float(value), n=n, reason=reason)


def _line(key: str, name: str, line: Line, log: bool = False) -> Iterator[Figure]:
    yield of_estimate(f"{key}_slope", f"Slope, {name}", "number", line.slope)
    kind: Kind = "number" if log else "mass"
    yield of_estimate(f"{key}_intercept", f"Intercept, {name}", kind, line.intercept)
    yield Figure(
        f"{key}_residual_sd",
        f"Residual SD, {name}",
        kind,
        float(line.residual_sd),
        n=int(line.n),
        method=line.method,
        reason=line.reason,
    )


def _level(index: int, level: LevelBias) -> Iterator[Figure]:
    key, name = f"level_{index}", level.name or f"level {index}"
    n = int(level.bias.n)
    yield Figure(f"{key}_value", f"Decision level: {name}", "mass", float(level.level))
    yield of_estimate(f"{key}_bias", f"Bias at {name}", "mass", level.bias)
    yield Figure(
        f"{key}_lab_above", f"At or above {name} by the lab", "count", float(level.lab_above), n=n
    )
    yield Figure(
        f"{key}_field_above",
        f"At or above {name} by the field",
        "count",
        float(level.field_above),
        n=n,
    )
    yield of_estimate(
        f"{key}_false_negative", f"False negatives at {name}", "percent", level.false_negative
    )
    yield of_estimate(
        f"{key}_false_positive", f"False positives at {name}", "percent", level.false_positive
    )


def figures_of(s: StratumStatistics) -> tuple[Figure, ...]:
    """All figures of one stratum, in a fixed order."""
    ratio = of_estimate(
        "geometric_mean_ratio", "Geometric mean ratio, field/lab", "ratio", s.geometric_mean_ratio
    )
    equivalence = s.equivalence
    out = [
        *_counts(s),
        ratio,
        ratio_minus_one(ratio, "ratio_as_difference", "The same, as difference from the lab"),
        of_estimate(
            "mean_relative_difference",
            "Mean relative difference",
            "percent",
            s.mean_relative_difference,
        ),
        of_estimate("mean_difference", "Mean difference", "mass", s.mean_difference),
        of_estimate("hodges_lehmann", "Median difference", "mass", s.hodges_lehmann),
    ]
    if s.censored_ratio is not None:
        censored = of_estimate(
            "censored_ratio", "Ratio with censored pairs kept", "ratio", s.censored_ratio
        )
        out += [
            censored,
            ratio_minus_one(
                censored, "censored_ratio_as_difference", "The same, as difference from the lab"
            ),
        ]
    out += [
        Figure(
            "equivalence_bias",
            "Bias in the equivalence test",
            "ratio" if equivalence.scale == "ratio" else "mass",
            float(equivalence.estimate.value),
            float(equivalence.low),
            float(equivalence.high),
            n=int(equivalence.n),
            level=1 - 2 * float(equivalence.alpha),
            reason=equivalence.reason,
        ),
        Figure(
            "equivalence_margin",
            "Equivalence margin",
            "percent" if equivalence.scale == "ratio" else "mass",
            float(equivalence.margin),
        ),
        Figure(
            "equivalence_p",
            "Equivalence, p value",
            "p",
            float(equivalence.p_value),
            n=int(equivalence.n),
            reason=equivalence.reason,
        ),
        Figure(
            "difference_p_adjusted",
            "Difference, p value adjusted for the number of strata",
            "p",
            float(s.p_value_adjusted),
            n=int(s.n_used),
        ),
        *_limits("limits_log_ratio", "ratio field/lab", "ratio", s.limits_log_ratio),
        *_limits("limits_absolute", "difference", "mass", s.limits_absolute),
        *_limits("limits_relative", "relative difference", "percent", s.limits_relative),
        of_estimate("share_within", "Share of pairs near the lab", "percent", s.share_within),
        Figure("share_margin", "Meant by near the lab: within ±", "percent", float(s.share_margin)),
        *_line("headline", "headline line", s.headline_line),
        of_estimate("error_ratio", "Error ratio λ, field/lab variance", "number", s.error_ratio),
        *_line("deming", "Deming", s.deming),
        *_line("weighted_deming", "weighted Deming", s.weighted_deming),
        *_line("passing_bablok", "Passing–Bablok", s.passing_bablok),
        *_line("ols", "least squares, field on lab", s.ols),
        *_line("ols_lab_on_field", "least squares, lab on field", s.ols_lab_on_field),
        *_line("log_line", "log10 on log10", s.log_line, log=True),
        Figure("log_r_squared", "r² of logarithms", "number", float(s.log_r_squared), n=s.n_used),
        of_estimate("concordance", "Concordance correlation", "number", s.concordance.ccc),
    ]
    for key, label, value in (
        ("concordance_precision", "Concordance: precision r", s.concordance.r),
        ("concordance_accuracy", "Concordance: accuracy", s.concordance.c_b),
        ("concordance_location_shift", "Concordance: location shift", s.concordance.location_shift),
        ("concordance_scale_shift", "Concordance: scale shift", s.concordance.scale_shift),
    ):
        out.append(Figure(key, label, "number", float(value), n=int(s.concordance.ccc.n)))
    out += [
        of_estimate("correlation", "Correlation r", "number", s.correlation.r),
        Figure("r_squared", "r²", "number", float(s.correlation.r_squared), n=int(s.correlation.n)),
        Figure(
            "spearman",
            "Rank correlation (Spearman)",
            "number",
            float(s.correlation.spearman),
            n=int(s.correlation.n),
        ),
    ]
    for index, level in enumerate(s.levels, start=1):
        out += _level(index, level)
    return tuple(out)


def by_key(s: StratumStatistics) -> dict[str, Figure]:
    """The figures of one stratum by their key."""
    return {figure.key: figure for figure in figures_of(s)}
