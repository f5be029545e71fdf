"""The bias over months with pairs known by a limit of the field, by simulation.

``python -m tests.validation.limited_months`` writes how often intervals hold into
docs/validation.md, with the limits kept and with such pairs left out.
"""

from __future__ import annotations

import argparse
import math
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reconcile.statistics.limited_months import limited_model
from reconcile.statistics.months import MonthsModel
from tests.validation.notes import put_table

Array = NDArray[np.float64]

RSD, LAB_RSD, BIAS, MONTHS, PAIRS = 0.08, 0.02, 0.02, 6, 14
SHARES, SPREADS = (0.2, 0.4), (0.0, 0.03)
#: Highest over lowest true mass fraction: the narrower, the more limits lie near the readings.
RANGES = (16.0, 1.5)


def study(share: float, spread: float, wide: float, seed: int) -> tuple[Array, Array, Array]:
    """Lowest and highest log ratio of each pair, and its month; field limit at ``share``."""
    rng = np.random.default_rng([seed, round(100 * share), round(100 * spread), round(wide)])
    true = np.exp(rng.uniform(0, math.log(wide), (MONTHS, PAIRS)))
    lab = true * np.exp(LAB_RSD * rng.normal(size=true.shape))
    of_month = BIAS + spread * rng.normal(size=(MONTHS, 1))
    field = true * np.exp(of_month + RSD * rng.normal(size=true.shape))
    limit = math.exp(share * math.log(wide))
    below = field < limit
    high = np.log(np.where(below, limit, field) / lab)
    low = np.where(below, -np.inf, high)
    return low.ravel(), high.ravel(), np.repeat(np.arange(MONTHS), PAIRS)


def models(share: float, spread: float, wide: float, seed: int) -> tuple[MonthsModel, MonthsModel]:
    """One study with its limits kept, and with the pairs that have them left out."""
    low, high, month = study(share, spread, wide, seed)
    whole = low == high
    return limited_model(low, high, month), limited_model(low[whole], high[whole], month[whole])


def held(task: tuple[float, float, float, int]) -> tuple[bool, bool, float, float]:
    """Whether both intervals for the long-run bias hold it; both estimates."""
    found = [m.long_run for m in models(*task)]
    inside = [e.low <= BIAS <= e.high for e in found]
    return inside[0], inside[1], found[0].value, found[1].value


def coverage(share: float, spread: float, wide: float, studies: int, workers: int = 1) -> Array:
    """Shares held and mean estimates: kept, left out, kept, left out."""
    tasks = [(share, spread, wide, seed) for seed in range(studies)]
    if workers == 1:
        return np.array([held(t) for t in tasks], dtype=float).mean(axis=0)
    with Pool(workers) as pool:
        return np.array(pool.map(held, tasks, 20), dtype=float).mean(axis=0)


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    lines = [
        f"{given.studies} invented studies for each case: {MONTHS} months of {PAIRS} pairs, field "
        f"RSD {RSD:.0%}, laboratory RSD {LAB_RSD:.0%}, long-run bias {BIAS:+.0%} of the logarithm; "
        "the field can't read below a limit, which lies at the stated share of the true range. "
        "Held: the long-run bias inside its 95 % interval. By two stages, each month's mean by "
        "the likelihood of all its pairs, then months as random; leaving those pairs out takes "
        "the low readings away and the field then seems to read too high.",
        "",
        "| below the limit | range | SD between months | held, limits kept | mean estimate | held, "
        "such pairs left out | mean estimate |",
        "|---|---|---|---|---|---|---|",
    ]
    for share in SHARES:
        for wide in RANGES:
            for spread in SPREADS:
                a, b, kept, out = coverage(share, spread, wide, given.studies, given.workers)
                lines.append(
                    f"| {share:.0%} | ×{wide:g} | {spread:.0%} | {a:.1%} | {kept:+.2%} | {b:.1%} "
                    f"| {out:+.2%} |"
                )
                print(lines[-1], flush=True)
    command = f"python -m tests.validation.limited_months --studies {given.studies}"
    title = "How often the bias over months holds where pairs are known by a limit"
    put_table(given.into, "limited months", title, command, lines)


if __name__ == "__main__":
    main()
