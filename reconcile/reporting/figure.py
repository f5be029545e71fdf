"""One number with unit, interval and n, as data files and readers get it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from reconcile.reporting import numbers, words
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
    place: int = 0  # number of the level at which it is stated; 0 where it has none
    end: str = ""  # lower | upper, of limits at a place

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
        value, low, high = self.parts(per_mg_kg)
        return value, numbers.interval_text(low, high)

    def parts(self, per_mg_kg: float) -> tuple[str, str, str]:
        """Value and both ends of its interval as the reader sees them, without unit."""
        if self.kind == "count":
            return numbers.plain(self.value, 0), numbers.NONE, numbers.NONE
        if self.kind == "p":
            return numbers.p_text(self.value), numbers.NONE, numbers.NONE
        return numbers.estimate_parts(
            self.value,
            self.low,
            self.high,
            self.factor(per_mg_kg),
            signed=self.key in SIGNED and self.kind != "ratio",
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
    | {f"limits_at_{i}_{end}" for i in (1, 2, 3) for end in ("lower", "upper")}
    | {"single_lower", "single_upper"}
)


#: Correlations are shown with three decimals at most.
CORRELATIONS = frozenset(
    {"correlation", "r_squared", "spearman", "concordance", "log_r_squared"}
    | {"concordance_precision", "concordance_accuracy", "concordance_log", "level_r_squared"}
    | {"concordance_log_precision", "concordance_log_accuracy", "censored_tau"}
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


def line_figures(key: str, name: str, line: Line, log: bool = False) -> Iterator[Figure]:
    """Slope, intercept and residual SD of a line."""
    yield of_estimate(
        f"{key}_slope", words.LINE_PARTS["slope"].format(line=name), "number", line.slope
    )
    kind: Kind = "number" if log else "mass"
    yield of_estimate(
        f"{key}_intercept", words.LINE_PARTS["intercept"].format(line=name), kind, line.intercept
    )
    yield Figure(
        f"{key}_residual_sd",
        words.LINE_PARTS["residual_sd"].format(line=name),
        kind,
        float(line.residual_sd),
        n=int(line.n),
        method=line.method,
        reason=line.reason,
    )
