"""How the time of every figure grows with the pairs of a stratum.

``python -m tests.benchmarks.figure_growth [MOST_PAIRS [SECONDS]]``: processor time of each
computation that a command runs for a stratum, for 100 pairs, 1,000, 10,000, 100,000 and MOST_PAIRS
(200,000), as a table for ``docs/speed.md``. A computation that took more than SECONDS (10) is not
taken further. The exponent is that of time against pairs from the last but one size to the last:
n log n shows as about 1.1, fixed costs as less than 1.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable
from functools import cached_property

import numpy as np
import pandas as pd

from reconcile.base.model.stratum import Stratum
from reconcile.base.settings.whole import Settings
from reconcile.figures import evaluation
from reconcile.figures.evaluation import Evaluated
from reconcile.figures.laboratory_error import LabError
from reconcile.figures.over_months import MONTH, over_months
from reconcile.figures.watching import watched
from reconcile.judgement import factor_proposal, verdicts
from reconcile.statistics import agreement, bias, censoring, error_model, lines
from reconcile.statistics.clusters import judged
from reconcile.statistics.error_model import Known
from tests.pairs import STRATUM, pairs, settings
from tests.test_evaluation import LAB_ERROR

Array = np.ndarray
#: Sizes, and the share of the pairs that only a limit tells of in the figures that keep limits.
SIZES, LIMITED = (100, 1_000, 10_000, 100_000), 0.1
LEVEL = 0.95


class Study:
    """A stratum of ``n`` pairs over six months: a bias of 5 %, errors in proportion, 20 holes."""

    def __init__(self, n: int) -> None:
        rng = np.random.default_rng(n)
        true = np.exp(rng.uniform(math.log(50), math.log(800), n))
        self.n = n
        self.lab = true * np.exp(rng.normal(0, 0.02, n))
        self.field = 1.05 * true * np.exp(rng.normal(0, 0.08, n))
        self.below = self.field < np.quantile(self.field, LIMITED)
        self.low = np.where(self.below, 0.0, self.field)
        self.high = np.where(self.below, np.quantile(self.field, LIMITED), self.field)
        month = np.array([f"2026-{1 + 6 * i // n:02d}" for i in range(n)])
        self.table = pairs(self.lab, self.field).assign(**{MONTH: month})
        self.table["sample_id"] = [f"S{i:06d}" for i in range(n)]
        self.holes = rng.integers(0, 20, n)


class Judged:
    """What commands compute of a stratum as a whole, each from what goes before it."""

    def __init__(
        self, study: Study, config: Settings, stratum: Stratum, error: LabError | None = LAB_ERROR
    ) -> None:
        self.study, self.config, self.stratum, self.error = study, config, stratum, error

    @cached_property
    def evaluated(self) -> Evaluated:
        return self.of(False)

    @cached_property
    def without_lab_error(self) -> Judged:
        return Judged(self.study, self.config, self.stratum, None)

    def of(self, shown: bool) -> Evaluated:
        table: pd.DataFrame = self.study.table
        return evaluation.evaluate(self.stratum, table, self.error, self.config, shown)

    def proposed(self) -> factor_proposal.Proposal:
        return factor_proposal.propose(self.stratum, self.evaluated, self.config, None)

    def verdict(self) -> object:
        nothing = factor_proposal.Proposal(None, None, "")
        return verdicts.judge(
            self.stratum, self.evaluated, nothing, self.config, None, "2027-01-31"
        )


def _sd(share: float) -> lines.SdAt:
    return lambda level: share * level


def _thirty_left_out(s: Study) -> object:
    present = np.ones((30, s.n), dtype=np.bool_)
    present[np.arange(30), np.arange(30)] = False
    return lines.york_of_parts(s.lab, s.field, _sd(0.02), _sd(0.05), _sd(1.0), present)


def _error_model(s: Study) -> object:
    known = Known(0.02**2, 20.0), Known(0.05**2, 2.0 * s.n)
    return error_model.error_model(s.lab, s.field, *known, "proportional", LEVEL)


#: By name: single figures.
FIGURES: dict[str, Callable[[Study], object]] = {
    "mean difference": lambda s: bias.mean_difference(s.lab, s.field, LEVEL),
    "geometric mean ratio": lambda s: bias.geometric_mean_ratio(s.lab, s.field, LEVEL),
    "median difference (Hodges-Lehmann)": lambda s: bias.hodges_lehmann(s.lab, s.field, LEVEL),
    "limits of agreement": lambda s: agreement.limits_of_agreement(
        s.lab, s.field, "log ratio", LEVEL
    ),
    "limits by level": lambda s: agreement.level_dependent_limits(s.lab, s.field, LEVEL),
    "concordance": lambda s: agreement.concordance(s.lab, s.field, LEVEL),
    "correlations": lambda s: agreement.correlation(s.lab, s.field, LEVEL),
    "least squares": lambda s: lines.ols(s.lab, s.field, LEVEL),
    "Deming": lambda s: lines.deming(s.lab, s.field, 4.0, level=LEVEL),
    "weighted Deming": lambda s: lines.weighted_deming(s.lab, s.field, 4.0, level=LEVEL),
    "Passing-Bablok": lambda s: lines.passing_bablok(s.lab, s.field, LEVEL),
    "York by curves": lambda s: lines.york_with_excess(
        s.lab, s.field, _sd(0.02), _sd(0.05), _sd(1.0), LEVEL
    ),
    "York without each of 30 pairs": _thirty_left_out,
    "error model with its line": _error_model,
    "error by level": lambda s: lines.error_structure(
        s.field, 0.05 * s.field, np.full(s.n, 3.0), confidence=LEVEL
    ),
    "clusters": lambda s: judged(np.log(s.field / s.lab), [s.holes], level=LEVEL),
    "ratio with limits kept": lambda s: censoring.censored_log_ratio_bias(
        s.lab, s.lab, s.low, s.high, level=LEVEL
    ),
    "slope with limits kept": lambda s: censoring.akritas_theil_sen(
        s.lab, s.lab, s.low, s.high, level=LEVEL
    ),
    "Kaplan-Meier": lambda s: censoring.kaplan_meier(s.high, s.below, LEVEL),
    "order statistics": lambda s: censoring.regression_on_order_statistics(s.high, s.below),
}

#: By name: what a month does with a stratum.
STEPS: dict[str, Callable[[Judged], object]] = {
    "all figures that a decision takes": lambda j: j.of(False),
    "all figures": lambda j: j.of(True),
    "bias over six months": lambda j: over_months(
        j.stratum, j.evaluated, j.config, j.evaluated.used["field_mean"].to_numpy("float64")
    ),
    "steps between months": lambda j: watched(j.stratum, j.study.table, j.config, LAB_ERROR),
    "verdict": lambda j: j.verdict(),
    "factor: forms on held-out samples": lambda j: j.proposed(),
    "the same where rank lines lead": lambda j: j.without_lab_error.proposed(),
}


def seconds(compute: Callable[[], object]) -> float:
    """Processor time of one computation; the less of two where it is short."""
    found = math.inf
    for _ in range(2):
        start = time.process_time()
        compute()
        found = min(found, time.process_time() - start)
        if found > 1:
            break
    return found


def exponent(times: dict[int, float]) -> float:
    """Of time against pairs, between the last two sizes; NaN with fewer."""
    if len(times) < 2:
        return math.nan
    (small, fast), (large, slow) = list(times.items())[-2:]
    return math.log(slow / max(fast, 1e-6)) / math.log(large / small)


def grown(sizes: tuple[int, ...], most: float) -> dict[str, dict[int, float]]:
    """Seconds of each computation by size, until one took more than ``most``."""
    times: dict[str, dict[int, float]] = {name: {} for name in [*FIGURES, *STEPS]}

    def clock(name: str, size: int, compute: Callable[[], object]) -> None:
        if max(times[name].values(), default=0.0) <= most:
            times[name][size] = seconds(compute)
            print(f"{size:7d} {name}: {times[name][size]:.4f} s", file=sys.stderr, flush=True)

    for size in sizes:
        study = Study(size)
        whole = Judged(study, settings(), STRATUM)
        for name, figure in FIGURES.items():
            clock(name, size, lambda figure=figure, study=study: figure(study))  # type: ignore[misc]
        for name, step in STEPS.items():
            if max(times[name].values(), default=0.0) <= most:
                # what the step rests on is not its own time
                _ = whole.evaluated, whole.without_lab_error.evaluated
            clock(name, size, lambda step=step, whole=whole: step(whole))  # type: ignore[misc]
    return times


def table(times: dict[str, dict[int, float]], sizes: tuple[int, ...]) -> str:
    """The lines of a table, a computation in each."""
    rows = ["| seconds by pairs | " + " | ".join(f"{n:,}" for n in sizes) + " | exponent |"]
    rows.append("|---" * (len(sizes) + 2) + "|")
    for name, found in times.items():
        cells = [f"{found[n]:.2g}" if n in found else "–" for n in sizes]
        power = exponent(found)
        cells.append("–" if math.isnan(power) else f"{power:.1f}")
        rows.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(rows)


def main() -> None:
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    sizes = (*(n for n in SIZES if n < most), most)
    print(table(grown(sizes, float(sys.argv[2]) if len(sys.argv) > 2 else 10.0), sizes))


if __name__ == "__main__":
    main()
