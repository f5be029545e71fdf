"""The bias over months and what is promised of a coming one, by simulation.

``python -m tests.validation.months`` writes three tables into docs/validation.md: coverage; how
often months are accepted that let a coming month lie beyond the margin; how often a certain
failure is named.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from scipy import special

from reconcile.base.model.verdict import Outcome
from reconcile.base.settings.pairs import EvidenceSettings
from reconcile.statistics.months import AssumedSpread, months_model
from tests.validation.notes import put_table

MONTHS, PAIRS, SPREADS = (3, 6, 12), (4, 8, 30), (0.0, 0.03, 0.05)
RSD, BIAS = 0.08, 0.02
#: What is counted: the truth inside the interval, and half its width.
Held = tuple[bool, bool, bool, float]


def held(task: tuple[int, int, float, int]) -> Held:
    """One study: long-run bias, a coming month's bias and a coming sample inside; half width."""
    months, pairs, spread, seed = task
    rng = np.random.default_rng([seed, months, pairs, round(100 * spread)])
    bias = BIAS + spread * rng.normal(size=months + 1)
    error = RSD * rng.normal(size=(months, pairs))
    found = months_model((bias[:-1, None] + error).ravel(), np.repeat(range(months), pairs))
    sample = bias[-1] + RSD * rng.normal()
    inside = [
        e.low <= truth <= e.high
        for e, truth in (
            (found.long_run, BIAS), (found.coming, bias[-1]), (found.coming_sample, sample)
        )
    ]  # fmt: skip
    return inside[0], inside[1], inside[2], (found.coming.high - found.coming.low) / 2


def coverage(months: int, pairs: int, spread: float, studies: int, workers: int = 1) -> list[float]:
    """Shares of :func:`held` and the median half width."""
    tasks = [(months, pairs, spread, seed) for seed in range(studies)]
    if workers == 1:
        found = np.array([held(task) for task in tasks], dtype=float)
    else:
        with Pool(workers) as pool:
            found = np.array(pool.map(held, tasks, 50), dtype=float)
    return [*found[:, :3].mean(axis=0), float(np.median(found[:, 3]))]


MARGIN, BIASES, SPREADS_JUDGED = 0.10, (0.0, 0.03, 0.06), (0.0, 0.01, 0.03, 0.05)
GATHERED, A_MONTH = (1, 2, 3, 6), (14, 30)


def outcome(task: tuple[int, int, float, float, float, float, int]) -> Outcome:
    """What one study shows of coming months, by the program's own criterion and defaults."""
    months, pairs, bias, spread, margin, rsd, seed = task
    rng = np.random.default_rng([seed, months, pairs, round(1000 * bias), round(100 * spread)])
    of_month = math.log1p(bias) + spread * rng.normal(size=(months, 1))
    ratio = (of_month + rsd * rng.normal(size=(months, pairs))).ravel()
    s = EvidenceSettings()
    assumed = AssumedSpread(s.assumed_spread * math.log1p(margin), s.assumed_months)
    model = months_model(ratio, np.repeat(range(months), pairs), assumed=assumed)
    low, high = -math.log1p(margin), math.log1p(margin)
    if model.chance_outside(low, high) <= s.beyond_rate:
        return Outcome.SHOWN
    failing = model.confidence_of_failing(low, high, s.beyond_rate)
    return Outcome.FAILED if failing >= 0.95 else Outcome.NOT_SHOWN


def outcomes(
    months: int, pairs: int, bias: float, spread: float, studies: int, margin: float = MARGIN,
    rsd: float = RSD, workers: int = 1,
) -> Counter[Outcome]:  # fmt: skip
    """Counts of :func:`outcome`."""
    tasks = [(months, pairs, bias, spread, margin, rsd, seed) for seed in range(studies)]
    if workers == 1:
        return Counter(outcome(task) for task in tasks)
    with Pool(workers) as pool:
        return Counter(pool.map(outcome, tasks, 50))


def beyond(bias: float, spread: float, margin: float = MARGIN) -> float:
    """True chance that a coming month lies beyond the margin."""
    limit, centre = math.log1p(margin), math.log1p(bias)
    if spread == 0:
        return float(abs(centre) > limit)
    return float(special.ndtr((centre - limit) / spread) + special.ndtr((-limit - centre) / spread))


def acceptance(studies: int, workers: int) -> list[str]:
    """Rows: how often shown, and how often shown with the coming month beyond."""
    lines = [
        f"{studies} invented studies for each case, RSD {RSD:.0%}, margin {MARGIN:.0%}; by the "
        "criterion for the bias of a coming month alone, with the assumed spread of the settings. "
        "'Wrong' are those shown whose coming month lies beyond the margin, of all studies: at "
        "most 5 % at each truth. In brackets: shown.",
        "",
        "| months | pairs a month | bias | "
        + " | ".join(f"wrong (shown), SD {spread:.0%}" for spread in SPREADS_JUDGED)
        + " |",
        "|---|---|---|" + "---|" * len(SPREADS_JUDGED),
    ]
    for months in GATHERED:
        for pairs in A_MONTH:
            for bias in BIASES:
                cells = []
                for spread in SPREADS_JUDGED:
                    found = outcomes(months, pairs, bias, spread, studies, workers=workers)
                    shown = found[Outcome.SHOWN] / studies
                    cells.append(f"{shown * beyond(bias, spread):.1%} ({shown:.0%})")
                lines.append(f"| {months} | {pairs} | {bias:+.0%} | " + " | ".join(cells) + " |")
                print(lines[-1], flush=True)
    return lines


def failures(studies: int, workers: int) -> list[str]:
    """Rows: how often a bias of 10.7 % is named as a certain failure against 5 %."""
    lines = [
        f"{studies} invented studies for each case: long-run bias +10.7 %, margin 5 %, 14 pairs a "
        "month. Named: shown to fail.",
        "",
        "| RSD | SD between months | 1 month | 2 months | 3 months | 4 months |",
        "|---|---|---|---|---|---|",
    ]
    for rsd in (0.05, 0.08):
        for spread in (0.0, 0.01, 0.03):
            named = [
                outcomes(k, 14, 0.107, spread, studies, 0.05, rsd, workers)[Outcome.FAILED]
                for k in (1, 2, 3, 4)
            ]
            shares = " | ".join(f"{k / studies:.0%}" for k in named)
            lines.append(f"| {rsd:.0%} | {spread:.0%} | {shares} |")
            print(lines[-1], flush=True)
    return lines


def main() -> None:
    """Write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--judged", type=int, default=500)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    command = f"python -m tests.validation.months --studies {given.studies} --judged {given.judged}"
    lines = [
        f"{given.studies} invented studies for each case: log ratios of RSD {RSD:.0%} about a "
        f"month's bias, which has the SD of the third column about {BIAS:.0%}. Counted are the "
        "truths inside 95 % intervals; nothing is assumed of the spread between months. The last "
        "column is the median half width of the interval for a coming month's bias. Without a "
        "spread between months that interval holds more than 97 %, as it can never be known that "
        "there is none; with 3 months of few pairs it does so too and is wide: a margin of 10 % "
        "can't be shown by 3 months alone, which is why the program adds what it assumes of the "
        "spread and says so.",
        "",
        "| months | pairs a month | SD between months | long-run bias | coming month | "
        "coming sample | half width |",
        "|---|---|---|---|---|---|---|",
    ]
    for months in MONTHS:
        for pairs in PAIRS:
            for spread in SPREADS:
                *shares, half = coverage(months, pairs, spread, given.studies, given.workers)
                lines.append(
                    f"| {months} | {pairs} | {spread:.0%} | "
                    + " | ".join(f"{share:.1%}" for share in shares)
                    + f" | {half:.1%} |"
                )
                print(lines[-1], flush=True)
    put_table(
        given.into, "months", "How often intervals over months hold the truth", command, lines
    )
    put_table(
        given.into, "coming months", "How often months are accepted that do not hold", command,
        acceptance(given.judged, given.workers),
    )  # fmt: skip
    put_table(
        given.into, "certain failures", "How often a certain failure is named", command,
        failures(given.judged, given.workers),
    )  # fmt: skip


if __name__ == "__main__":
    main()
