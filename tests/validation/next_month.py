"""How corrected results and the score of a factor do on the month after, by simulation.

``python -m tests.validation.next_month`` writes three tables into docs/validation.md: the share
of laboratory results of the next month inside the stated 95 % intervals of corrected results,
how often a drift of the field instrument is called in one month, and by when a slow one is.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from multiprocessing import Pool
from multiprocessing.pool import Pool as Pool_
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from reconcile.base.model.verdict import CorrectionFactor
from reconcile.base.settings.thresholds import Thresholds
from reconcile.figures import evaluation
from reconcile.figures.evaluation import Evaluated
from reconcile.figures.over_months import MONTH as MONTH_NAME
from reconcile.figures.over_months import over_months
from reconcile.judgement import factor_proposal, scoring
from reconcile.judgement.scoring import FactorScore, Past
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
DRIFT, DRIFT_RSD, MONTH = 0.10, 0.15, 30
#: Of a slow drift: a month, and for how many months.
SLOW, MONTHS = 0.02, 6
CALLED = (scoring.WATCH, scoring.WITHDRAW)


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


@dataclass(frozen=True, slots=True)
class Case:
    """Whole months of evidence behind the factor, and the SD between months of the field."""

    behind: int
    between: float


@dataclass(frozen=True, slots=True)
class Behind:
    """The evidence behind a factor, and the factor that the program proposes from it."""

    evaluated: Evaluated
    factor: CorrectionFactor


#: For the table of drifts.
CASES = tuple(Case(behind, between) for behind in (2, 4, 8) for between in (0.0, 0.02, 0.03))


def pairs_of_months(biases: Array, rng: np.random.Generator) -> pd.DataFrame:
    """MONTH pairs for each bias (log ratio); all of the error of DRIFT_RSD is on the field's side.

    So that the paired differences have that RSD.
    """
    of_month = np.repeat(np.arange(len(biases)), MONTH)
    lab = np.exp(rng.uniform(np.log(50), np.log(800), of_month.size))
    field = lab * np.exp(biases[of_month] + rng.normal(0, DRIFT_RSD, of_month.size))
    named = [f"2026-{i + 1:02d}" for i in of_month]
    return pairs(lab, field, DRIFT_RSD).assign(**{MONTH_NAME: named})


def behind_of(table: pd.DataFrame) -> Behind | None:
    """What the program makes of the months in ``table``; None where it proposes no factor."""
    config = settings()
    evaluated = evaluation.evaluate(STRATUM, table, None, config)
    factor = factor_proposal.propose(STRATUM, evaluated, config, None).factor
    return None if factor is None else Behind(evaluated, replace(factor, low=0.0, high=1e6))


def scored(
    behind: Behind, before: pd.DataFrame, month: pd.DataFrame, past: Sequence[Past] = ()
) -> FactorScore:
    """The score that the program gives the factor on one month; ``before``: all earlier pairs."""
    rates, scaled = Thresholds(), over_months(
        STRATUM, replace(behind.evaluated, pairs=before), settings()
    )  # fmt: skip
    between = scaled.between()
    assert between is not None
    assert scaled.logs == behind.factor.residual_relative
    lab, field = (month[c].to_numpy("float64") for c in ("lab_mean", "field_mean"))
    return scoring.score(
        behind.factor, "", lab, field, np.full(len(lab), 3.0), rates.factor_alarm_rate, 0.10,
        past=past, limits=(rates.factor_cusum_k, rates.factor_cusum_h), between=between,
    )  # fmt: skip


def called(task: tuple[Case, int]) -> tuple[bool, bool] | None:
    """Whether the month after raises a call, without and with a drift, of one factor."""
    case, seed = task
    rng = np.random.default_rng([seed, case.behind, round(1000 * case.between)])
    bias = math.log(1.2) + case.between * rng.normal(size=case.behind + 1)
    before = pairs_of_months(bias[:-1], rng)
    behind = behind_of(before)
    if behind is None:
        return None
    state = rng.bit_generator.state
    found = []
    for drift in (0.0, DRIFT):
        rng.bit_generator.state = state
        month = pairs_of_months(bias[-1:] + math.log1p(drift), rng)
        found.append(scored(behind, before, month).call in CALLED)
    return found[0], found[1]


def creeping(task: tuple[float, float, int]) -> tuple[list[bool], list[float]] | None:
    """Months of a slow drift of one factor: called by the whole score; p of each month alone.

    The factor rests on two months; the drift goes on from them, and the months in which it was
    not called are among those that the spread between months is taken from.
    """
    between, drift, seed = task
    rng = np.random.default_rng([seed, round(1000 * between)])
    effects = math.log(1.2) + between * rng.normal(size=2 + MONTHS)
    effects[2:] += np.arange(1, MONTHS + 1) * math.log1p(drift)
    table = pairs_of_months(effects, rng)
    of_month = np.repeat(np.arange(2 + MONTHS), MONTH)
    behind = behind_of(table.loc[of_month < 2])
    if behind is None:
        return None
    past: list[Past] = []
    calls, p = [], []
    for m in range(2, 2 + MONTHS):
        found = scored(behind, table.loc[of_month < m], table.loc[of_month == m], past)
        past.append(
            Past(
                "", behind.factor.factor_id, found.mean, math.nan, math.nan, "", True,
                found.mean, found.month_variance, found.fit_variance, found.n,
            )
        )  # fmt: skip
        calls.append(found.call in CALLED)
        p.append(found.p_value)
    return calls, p


def creeping_table(pool: Pool_, studies: int) -> list[str]:
    """By when a slow drift is called, as Markdown lines; both ways at equal false alarms."""
    lines = [
        f"A factor of the form ratio from two months; errors of {DRIFT_RSD:.0%} RSD, {MONTH} pairs "
        f"a month; the field instrument drifts by {SLOW:.0%} a month. {studies} studies of each. "
        "'With the sums' is the score as the program makes it: the month's own tests and the CUSUM "
        "over the months, with the spread between months that the evidence before and what is "
        "assumed give. 'Month by month' is the t test of each month alone, its limit set so that "
        f"as many of {MONTHS} months without drift end in a false call.",
        "",
        "| SD between months | called by month | without drift | with drift, with the sums | with "
        "drift, month by month |",
        "|---|---|---|---|---|",
    ]
    for between in (0.0, 0.02):
        of_drift = []
        for drift in (0.0, SLOW):
            answers = pool.map(creeping, [(between, drift, s) for s in range(studies)], 10)
            of_drift.append([a for a in answers if a is not None])
        (calm, calm_p), (calls, p) = (
            (np.array([a[0] for a in found]), np.array([a[1] for a in found])) for found in of_drift
        )
        # of one month alone, as many false calls in all
        limit = float(np.quantile(calm_p.min(axis=1), calm.any(axis=1).mean()))
        for m in range(1, MONTHS + 1):
            cells = [
                clopper_pearson(int(x[:, :m].any(axis=1).sum()), len(x))
                for x in (calm, calls, p < limit)
            ]
            shown = " | ".join(f"{c.value:.1%} ({c.low:.1%} to {c.high:.1%})" for c in cells)
            lines.append(f"| {between:.0%} | {m} | {shown} |")
    return lines


def best_power(case: Case, alpha: float = 0.05) -> float:
    """Power of the uniformly most powerful unbiased test of a shift of the mean log ratio.

    Normal errors of known SD and a known spread between months (Lehmann & Romano 2005, section
    3.7 and 4.2): nothing that holds its rate of false alarms can call more.
    """
    se = math.sqrt((DRIFT_RSD**2 / MONTH + case.between**2) * (1 + 1 / case.behind))
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
        f"A ratio of 1.2 with errors of {DRIFT_RSD:.0%} RSD; {MONTH} pairs a month; drift of the "
        f"field instrument {DRIFT:.0%} in the month after. 'Called' is watch or withdraw, by the "
        "score with the spread between months that the program takes from the months behind and "
        "from what is assumed. The last column is the power of the best unbiased test at 5 % with "
        "known SD and known spread: no method can call more without more false alarms. Assumed of "
        f"the spread is {settings().evidence.assumed_spread * 0.10:.1%} with the weight of "
        f"{settings().evidence.assumed_months:g} months: where months differ by more than that, "
        "as in the rows with 3 %, some more months are called than agreed until the months "
        "themselves show it.",
        "",
        "| months behind the factor | SD between months | factors | called without drift, 95 % "
        "interval | called with drift, 95 % interval | best possible |",
        "|---|---|---|---|---|---|",
    ]
    for case in CASES:
        answers = [a for a in pool.map(called, [(case, s) for s in range(months)], 20) if a]
        alarms, calls = (
            clopper_pearson(sum(a[i] for a in answers), len(answers)) for i in range(2)
        )
        cells = " | ".join(f"{c.value:.1%}, {c.low:.1%} to {c.high:.1%}" for c in (alarms, calls))
        lines.append(
            f"| {case.behind} | {case.between:.0%} | {len(answers)} | {cells} | "
            f"{best_power(case):.1%} |"
        )
    return lines


def main() -> None:
    """Write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=500, help="factors, first table; 0: none")
    parser.add_argument("--months", type=int, default=500, help="second table; 0: none")
    parser.add_argument("--drifts", type=int, default=500, help="third table; 0: none")
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
            lines = creeping_table(pool, given.drifts)
            put_table(given.into, "slow drift", "By when a slow drift is called", said, lines)


if __name__ == "__main__":
    main()
