"""How corrected results and the score of a factor do on the month after, by simulation.

``python -m tests.validation.next_month`` writes three tables into docs/validation.md: the share
of laboratory results of the next month inside the stated 95 % intervals of corrected results,
how often a drift of the field instrument is called in one month, and by when a slow one is.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace
from multiprocessing import Pool
from multiprocessing.pool import Pool as Pool_
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
#: Of a slow drift: a month, and for how many months.
SLOW, SLOW_RSD, MONTHS = 0.02, 0.15, 6


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


def creeping(studies: int, drift: float, seed: int) -> tuple[NDArray[np.bool_], Array]:
    """Months of a slow drift: called by the whole score; p of the month alone; (studies, MONTHS).

    One factor of 60 pairs, whose ratio is off by what its own pairs scatter.
    """
    rng = np.random.default_rng([seed, round(1000 * drift)])
    lab, field = month("ratio", SLOW_RSD, 60, rng)
    fitted = factor_of(lab, field, SLOW_RSD)
    assert fitted is not None
    assert fitted.form == "ratio"
    rates = Thresholds()
    calls, p = np.zeros((studies, MONTHS), bool), np.ones((studies, MONTHS))
    for i in range(studies):
        off = math.exp(rng.normal(0, math.hypot(SLOW_RSD, LAB_RSD) / math.sqrt(60)))
        factor = replace(fitted, slope=1.2 * off, low=0.0, high=1e6)
        past: list[scoring.Past] = []
        for m in range(MONTHS):
            lab, field = month("ratio", SLOW_RSD, MONTH, rng)
            found = scoring.score(
                factor, "", lab, field * (1 + drift) ** (m + 1), np.full(MONTH, 3.0),
                rates.factor_alarm_rate, 0.10, past=past,
                limits=(rates.factor_cusum_k, rates.factor_cusum_h),
            )  # fmt: skip
            past.append(
                scoring.Past(
                    "",
                    factor.factor_id,
                    found.mean,
                    math.nan,
                    math.nan,
                    "",
                    True,
                    found.mean,
                    found.month_variance,
                    found.fit_variance,
                    found.n,
                )
            )
            calls[i, m] = found.call in (scoring.WATCH, scoring.WITHDRAW)
            p[i, m] = found.p_value
    return calls, p


def creeping_table(studies: int) -> list[str]:
    """By when a slow drift is called, as Markdown lines; both ways at equal false alarms."""
    calm, calm_p = creeping(studies, 0.0, 1)
    calls, p = creeping(studies, SLOW, 2)
    false = calm.any(axis=1).mean()
    limit = float(np.quantile(calm_p.min(axis=1), false))  # of one month alone, as many in all
    lines = [
        f"A factor of the form ratio from 60 pairs; errors of {SLOW_RSD:.0%} RSD, {MONTH} pairs a "
        f"month; the field instrument drifts by {SLOW:.0%} a month. {studies} studies of each. "
        f"'With the sums' is the score as it is: the month's own tests and the CUSUM over the "
        f"months. 'Month by month' is the t test of each month alone, its limit set so that as "
        f"many of {MONTHS} months without drift end in a false call ({false:.1%}).",
        "",
        "| called by month | without drift | with drift, with the sums | with drift, month by "
        "month |",
        "|---|---|---|---|",
    ]
    for m in range(1, MONTHS + 1):
        cells = [
            clopper_pearson(int(x[:, :m].any(axis=1).sum()), studies)
            for x in (calm, calls, p < limit)
        ]
        shown = " | ".join(f"{c.value:.1%} ({c.low:.1%} to {c.high:.1%})" for c in cells)
        lines.append(f"| {m} | {shown} |")
    return lines


def best_power(behind: float, alpha: float = 0.05) -> float:
    """Power of the uniformly most powerful unbiased test of a shift of the mean log ratio.

    Normal errors of known SD (Lehmann & Romano 2005, section 3.7 and 4.2): nothing that holds
    its rate of false alarms can call more.
    """
    se = DRIFT_RSD * math.sqrt(1 / MONTH + 1 / behind)
    z, d = stats.norm.isf(alpha / 2), math.log1p(DRIFT) / se
    return float(stats.norm.sf(z - d) + stats.norm.cdf(-z - d))


def inside_table(pool: Pool_, cases: int) -> list[str]:
    """Laboratory results of the next month inside the stated intervals, as Markdown lines."""
    lines = [
        f"{cases} invented factors from 60 pairs each, and 60 pairs of the month after; laboratory "
        "RSD 2 %, t from 50 to 800 mg/kg. Counted are laboratory results inside the stated 95 % "
        "interval (k = 2) of the corrected result, of those inside the factor's range.",
        "",
        "| truth | field reads | laboratory results | inside |",
        "|---|---|---|---|",
    ]
    for truth, (form, _) in TRUTHS.items():
        found = pool.map(covered, [(truth, seed) for seed in range(cases)], 20)
        hits, n = sum(f[0] for f in found), sum(f[1] for f in found)
        lines.append(
            f"| {truth} | {READS[form]} | {n} | {f'{hits / n:.1%}' if n else 'no factor'} |"
        )
    return lines


def drift_table(pool: Pool_, months: int) -> list[str]:
    """How often a drift is called in one month, as Markdown lines."""
    lines = [
        f"A ratio of 1.2 with errors of {DRIFT_RSD:.0%} RSD; {MONTH} pairs in the month; drift of "
        f"the field instrument {DRIFT:.0%}. 'Called' is watch or withdraw. The last column is the "
        "power of the best unbiased test at 5 % with known SD: no method can call more without "
        "more false alarms, so that a factor from 60 pairs needs more than 30 in the month.",
        "",
        "| pairs behind the factor | months | called without drift | called with drift, 95 % "
        "interval | best possible |",
        "|---|---|---|---|---|",
    ]
    for behind in BEHIND:
        tasks = [(behind, drift, s) for drift in (0.0, DRIFT) for s in range(months)]
        answers = np.array(pool.map(called, tasks, 50)).reshape(2, -1).sum(axis=1)
        alarms, calls = (clopper_pearson(int(k), months) for k in answers)
        name = "coefficients known" if math.isinf(behind) else str(int(behind))
        lines.append(
            f"| {name} | {months} | {alarms.value:.1%} | {calls.value:.1%}, "
            f"{calls.low:.1%} to {calls.high:.1%} | {best_power(behind):.1%} |"
        )
    return lines


def main() -> None:
    """Write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=500, help="factors, first table; 0: none")
    parser.add_argument("--months", type=int, default=2000, help="second table; 0: none")
    parser.add_argument("--drifts", type=int, default=1000, help="third table; 0: none")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    command = "python -m tests.validation.next_month"
    with Pool(given.workers) as pool:
        if given.cases:
            title = "How often the next month's laboratory results lie inside"
            said = f"{command} --cases {given.cases} --months 0 --drifts 0"
            put_table(given.into, "next month", title, said, inside_table(pool, given.cases))
        if given.months:
            said = f"{command} --cases 0 --months {given.months} --drifts 0"
            lines = drift_table(pool, given.months)
            put_table(given.into, "drift", "How often a drift is called", said, lines)
    if given.drifts:
        said = f"{command} --cases 0 --months 0 --drifts {given.drifts}"
        lines = creeping_table(given.drifts)
        put_table(given.into, "slow drift", "By when a slow drift is called", said, lines)


if __name__ == "__main__":
    main()
