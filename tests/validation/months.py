"""Coverage of the bias over months and of that of a coming month, by simulation.

``python -m tests.validation.months`` writes the table into docs/validation.md.
"""

from __future__ import annotations

import argparse
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from reconcile.statistics.months import months_model
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


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
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
        given.into, "months", "How often intervals over months hold the truth",
        f"python -m tests.validation.months --studies {given.studies}", lines,
    )  # fmt: skip


if __name__ == "__main__":
    main()
