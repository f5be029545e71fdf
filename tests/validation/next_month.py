"""How corrected results and the score of a factor do on the month after, by simulation.

``python -m tests.validation.next_month`` writes two tables into docs/validation.md: the share
of laboratory results of the next month inside the stated 95 % intervals of corrected results,
and how often a drift of the field instrument is called.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from reconcile.base.model import CorrectionFactor
from reconcile.base.settings import Thresholds
from reconcile.figures import evaluation
from reconcile.judgement import factor_proposal, scoring
from reconcile.statistics.proportions import clopper_pearson
from tests.pairs import STRATUM, pairs, settings
from tests.validation.notes import put_table

Array = NDArray[np.float64]

#: What the field instrument reads of a true mass fraction t, and its relative SD.
TRUTHS = {
    "none, RSD 8 %": ("none", 0.08),
    "ratio, RSD 8 %": ("ratio", 0.08),
    "ratio, RSD 15 %": ("ratio", 0.15),
    "line, RSD 8 %": ("line", 0.08),
    "line, RSD 15 %": ("line", 0.15),
    "power, RSD 8 %": ("power", 0.08),
    "power, RSD 15 %": ("power", 0.15),
}
READS = {"none": "t", "ratio": "1.2·t", "line": "60 + 1.1·t", "power": "2.5·t^0.8"}
LAB_RSD = 0.02
#: Pairs behind the factor for the table of drifts; infinite: its coefficients are known.
BEHIND = (60, 100, 200, math.inf)
DRIFT, DRIFT_RSD, MONTH = 0.10, 0.15, 30


def month(form: str, rsd: float, n: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Laboratory and field values of one month; t log-uniform from 50 to 800 mg/kg."""
    true = np.exp(rng.uniform(np.log(50), np.log(800), n))
    read = {"none": true, "ratio": 1.2 * true, "line": 60 + 1.1 * true, "power": 2.5 * true**0.8}
    lab = true * np.exp(rng.normal(0, LAB_RSD, n))
    return lab, read[form] * np.exp(rng.normal(0, rsd, n))


def factor_of(lab: Array, field: Array, rsd: float) -> CorrectionFactor | None:
    """The factor that the program proposes; three spots explain all of the field's scatter."""
    config = settings()
    table = pairs(lab, field, rsd)
    evaluated = evaluation.evaluate(STRATUM, table, None, config)
    return factor_proposal.propose(STRATUM, evaluated, config, None).factor


def covered(task: tuple[str, int]) -> tuple[int, int]:
    """One study: laboratory results of the next month inside the intervals, and in all."""
    form, rsd = TRUTHS[task[0]]
    rng = np.random.default_rng([task[1], list(TRUTHS).index(task[0])])
    factor = factor_of(*month(form, rsd, 60, rng), rsd)
    lab, field = month(form, rsd, 60, rng)
    if factor is None:
        return 0, 0
    x, inside = factor_proposal.correct(factor, field)
    u = factor_proposal.standard_uncertainty(factor, field, np.full(len(field), 3.0))
    low, high = factor_proposal.interval(factor, x, u)
    return int(np.sum((low <= lab) & (lab <= high) & inside)), int(inside.sum())


def called(task: tuple[float, float, int]) -> bool:
    """Whether one month of 30 pairs with a drift raises a call; errors of 15 % in all."""
    behind, drift, seed = task
    rng = np.random.default_rng([seed, 0 if math.isinf(behind) else int(behind)])
    n = 60 if math.isinf(behind) else int(behind)
    # all of the error stands on the field's side, so that the paired differences have 15 %
    lab = np.exp(rng.uniform(np.log(50), np.log(800), n))
    factor = factor_of(lab, lab * 1.2 * np.exp(rng.normal(0, DRIFT_RSD, n)), DRIFT_RSD)
    assert factor is not None
    if math.isinf(behind):
        nothing = ((0.0, 0.0), (0.0, 0.0))
        factor = replace(
            factor, form="ratio", intercept=0.0, slope=1.2, covariance=nothing,
            residual_sd=DRIFT_RSD, residual_relative=True,
        )  # fmt: skip
    factor = replace(factor, low=0.0, high=1e6)
    lab = np.exp(rng.uniform(np.log(50), np.log(800), MONTH))
    field = lab * 1.2 * (1 + drift) * np.exp(rng.normal(0, DRIFT_RSD, MONTH))
    found = scoring.score(
        factor, "", lab, field, np.full(MONTH, 3.0), Thresholds().factor_alarm_rate, 0.10
    )
    return found.call in (scoring.WATCH, scoring.WITHDRAW)


def best_power(behind: float, alpha: float = 0.05) -> float:
    """Power of the uniformly most powerful unbiased test of a shift of the mean log ratio.

    Normal errors of known SD (Lehmann & Romano 2005, section 3.7 and 4.2): nothing that holds
    its rate of false alarms can call more.
    """
    se = DRIFT_RSD * math.sqrt(1 / MONTH + 1 / behind)
    z, d = stats.norm.isf(alpha / 2), math.log1p(DRIFT) / se
    return float(stats.norm.sf(z - d) + stats.norm.cdf(-z - d))


def main() -> None:
    """Write both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--months", type=int, default=2000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    command = f"python -m tests.validation.next_month --cases {given.cases} --months {given.months}"
    with Pool(given.workers) as pool:
        lines = [
            f"{given.cases} invented factors from 60 pairs each, and 60 pairs of the month after; "
            "laboratory RSD 2 %, t from 50 to 800 mg/kg. Counted are laboratory results inside the "
            "stated 95 % interval (k = 2) of the corrected result, of those inside the factor's "
            "range.",
            "",
            "| truth | field reads | laboratory results | inside |",
            "|---|---|---|---|",
        ]
        for truth, (form, _) in TRUTHS.items():
            found = pool.map(covered, [(truth, seed) for seed in range(given.cases)], 20)
            hits, n = sum(f[0] for f in found), sum(f[1] for f in found)
            lines.append(
                f"| {truth} | {READS[form]} | {n} | {f'{hits / n:.1%}' if n else 'no factor'} |"
            )
            print(lines[-1], flush=True)
        put_table(
            given.into, "next month", "How often the next month's laboratory results lie inside",
            command, lines,
        )  # fmt: skip
        lines = [
            f"A ratio of 1.2 with errors of {DRIFT_RSD:.0%} RSD; {MONTH} pairs in the month; drift "
            f"of the field instrument {DRIFT:.0%}. 'Called' is watch or withdraw. The last column "
            "is the power of the best unbiased test at 5 % with known SD: no method can call more "
            "without more false alarms, so that a factor from 60 pairs needs more than 30 in the "
            "month.",
            "",
            "| pairs behind the factor | months | called without drift | called with drift, 95 % "
            "interval | best possible |",
            "|---|---|---|---|---|",
        ]
        for behind in BEHIND:
            tasks = [(behind, drift, s) for drift in (0.0, DRIFT) for s in range(given.months)]
            answers = np.array(pool.map(called, tasks, 50)).reshape(2, -1).sum(axis=1)
            alarms, calls = (clopper_pearson(int(k), given.months) for k in answers)
            name = "coefficients known" if math.isinf(behind) else str(int(behind))
            lines.append(
                f"| {name} | {given.months} | {alarms.value:.1%} | {calls.value:.1%}, "
                f"{calls.low:.1%} to {calls.high:.1%} | {best_power(behind):.1%} |"
            )
            print(lines[-1], flush=True)
        put_table(given.into, "drift", "How often a drift is called", command, lines)


if __name__ == "__main__":
    main()
