"""Control charts: limits, rules, and how often each rule cries wolf.

Shewhart limits at 3 s; run rules as in Nelson (1984, J. Qual. Technol. 16:237) and Champ and
Woodall (1987, Technometrics 29:393), from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from reconcile.evidence.quality.controls import number

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Fewest results of one control by one method on which a chart rests.
FEWEST_POINTS = 8


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of a chart: its words, and which points complete it.

    ``test`` takes standardised points (…, n), in order, and flags the point at which the
    rule is completed.
    """

    name: str
    words: str
    test: Callable[[Floats], Flags]


def _run(hit: Flags, of: int, needed: int) -> Flags:
    """True where at least ``needed`` of the last ``of`` points hit, this one among them."""
    padded = np.concatenate([np.zeros((*hit.shape[:-1], of - 1), dtype=bool), hit], axis=-1)
    windows = np.lib.stride_tricks.sliding_window_view(padded, of, axis=-1)
    return np.asarray((windows.sum(axis=-1) >= needed) & hit)


def _either_side(level: float, of: int, needed: int) -> Callable[[Floats], Flags]:
    return lambda z: np.asarray(_run(z > level, of, needed) | _run(z < -level, of, needed))


def _trend(z: Floats) -> Flags:
    steps = np.diff(z, axis=-1)
    ends = _run(steps > 0, 5, 5) | _run(steps < 0, 5, 5)
    return np.concatenate([np.zeros((*z.shape[:-1], 1), dtype=bool), ends], axis=-1)


RULES: tuple[Rule, ...] = (
    Rule("3 s", "one point beyond 3 s", lambda z: np.asarray(np.abs(z) > 3)),
    Rule("2 of 3 beyond 2 s", "two of three successive points beyond 2 s on the same side",
         _either_side(2, 3, 2)),
    Rule("4 of 5 beyond 1 s", "four of five successive points beyond 1 s on the same side",
         _either_side(1, 5, 4)),
    Rule("9 on one side", "nine successive points on one side of the centre",
         _either_side(0, 9, 9)),
    Rule("6 rising or falling", "six successive points steadily rising or falling", _trend),
)  # fmt: skip


def signals(values: npt.ArrayLike, centre: float, sd: float) -> dict[str, tuple[int, ...]]:
    """Positions (from 0) at which each rule is completed; every rule has an entry.

    Values that are not finite break no run: they are passed over.
    """
    x = np.asarray(values, dtype=np.float64).ravel()
    kept = np.flatnonzero(np.isfinite(x))
    if not (math.isfinite(centre) and math.isfinite(sd) and sd > 0) or kept.size == 0:
        return {rule.name: () for rule in RULES}
    z = (x[kept] - centre) / sd
    return {rule.name: tuple(int(i) for i in kept[np.flatnonzero(rule.test(z))]) for rule in RULES}


@lru_cache(maxsize=64)
def false_alarm_rates(
    points: int, charts: int = 20_000, seed: int = 20_260_101
) -> dict[str, float]:
    """Share of charts of ``points`` good points on which each rule speaks at least once.

    Simulated with independent normal points and known centre and SD (true for no real chart:
    limits estimated from few points speak more often); 'any' is the share for all rules
    together. Fixed seed: the same number every time.
    """
    z = np.random.default_rng(seed).standard_normal((charts, max(points, 1)))
    hit = {rule.name: rule.test(z).any(axis=-1) for rule in RULES}
    rates = {name: float(flags.mean()) for name, flags in hit.items()}
    rates["any"] = float(np.logical_or.reduce(list(hit.values())).mean())
    return rates


@dataclass(frozen=True, slots=True)
class Chart:
    """An individuals chart: centre, SD, 3 s limits and the rules' signals."""

    n: int
    centre: float
    sd: float
    lower: float
    upper: float
    signals: dict[str, tuple[int, ...]]
    reason: str = ""

    def sentence(self, unit: str = "mg/kg") -> str:
        """The chart in words, with each rule's false-alarm rate."""
        if self.reason:
            return f"No control chart: {self.reason}."
        rates = false_alarm_rates(self.n)
        spoken = [
            f"{rule.words} ({len(self.signals[rule.name])} time(s); "
            f"{rates[rule.name]:.1%} of good charts of {self.n} points show it)"
            for rule in RULES
            if self.signals[rule.name]
        ]
        told = "; ".join(spoken) if spoken else "no rule speaks"
        return (
            f"Centre {number(self.centre)} {unit}, limits {number(self.lower)} to "
            f"{number(self.upper)} {unit}, n = {self.n}: {told}."
        )


def individuals_chart(
    values: npt.ArrayLike, centre: float | None = None, sd: float | None = None
) -> Chart:
    """Chart of single results in order of time.

    Centre: the mean unless given. SD: mean moving range of two over d2(2) = 1.128 unless
    given, so that limits are mean ± 2.66 mean moving range (NIST/SEMATECH e-Handbook of
    Statistical Methods, section 6.3.2.2, from memory).
    """
    x = np.asarray(values, dtype=np.float64).ravel()
    x = x[np.isfinite(x)]
    nan = math.nan
    if x.size < 2:
        empty: dict[str, tuple[int, ...]] = {rule.name: () for rule in RULES}
        return Chart(int(x.size), nan, nan, nan, nan, empty, "fewer than two results")
    middle = float(x.mean()) if centre is None else centre
    spread = float(np.abs(np.diff(x)).mean()) / chart_constants(2).d2 if sd is None else sd
    reason = "" if spread > 0 else "the results do not vary"
    return Chart(
        int(x.size), middle, spread, middle - 3 * spread, middle + 3 * spread,
        signals(x, middle, spread), reason,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class ChartConstants:
    """Constants of control charts for subgroups of n normal values."""

    n: int
    d2: float  # mean range over SD
    d3: float  # SD of the range over SD
    c4: float  # mean sample SD over SD

    @property
    def a2(self) -> float:
        """Limits of means from the mean range."""
        return 3 / (self.d2 * math.sqrt(self.n))

    @property
    def a3(self) -> float:
        """Limits of means from the mean SD."""
        return 3 / (self.c4 * math.sqrt(self.n))

    @property
    def e2(self) -> float:
        """Limits of single results from the mean moving range."""
        return 3 / self.d2

    @property
    def range_limits(self) -> tuple[float, float]:
        """D3 and D4: limits of ranges from their mean."""
        part = 3 * self.d3 / self.d2
        return max(0.0, 1 - part), 1 + part

    @property
    def sd_limits(self) -> tuple[float, float]:
        """B3 and B4: limits of SDs from their mean."""
        part = 3 * math.sqrt(1 - self.c4**2) / self.c4
        return max(0.0, 1 - part), 1 + part


@lru_cache(maxsize=64)
def chart_constants(n: int) -> ChartConstants:
    """d2, d3 and c4 by their defining integrals; n at least 2."""
    if n < 2:
        raise ValueError("a subgroup has at least two values")
    c4 = math.sqrt(2 / (n - 1)) * math.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2))
    x = np.linspace(-8.0, 8.0, 1601)
    below = special.ndtr(x)
    none_or_all = 1 - below**n - (1 - below) ** n
    d2 = float(np.trapezoid(none_or_all, x))
    # E(range²) is twice the integral over low < high of P(lowest < low, highest > high); the
    # integrand is symmetric in the two, so the whole square counts each pair twice.
    low, high = np.minimum.outer(below, below), np.maximum.outer(below, below)
    joint = 1 - high**n - (1 - low) ** n + (high - low) ** n
    square = float(np.trapezoid(np.trapezoid(joint, x, axis=1), x))
    return ChartConstants(n, d2, math.sqrt(square - d2**2), c4)
