"""How often a biased method is accepted, by simulation.

``python -m tests.validation.verdict_errors`` writes the table into docs/validation.md,
between its two marks. Studies are invented: copper over an order of magnitude, log-normal
errors (field 8 %, laboratory 2 %), a true bias as stated, one decision level or none. Every
study runs through the program's own evaluation and verdict; no factor is offered, since whether
a method is accepted as read does not depend on one. Biases that change over the range are tried
in tests/statistics/test_wrong_acceptance.py.
"""

from __future__ import annotations

import argparse
import functools
from collections import Counter
from multiprocessing import Pool
from pathlib import Path

from reconcile.base.model.verdict import ACCEPTED, INSUFFICIENT, LABORATORY_ONLY
from reconcile.base.settings.whole import Settings
from reconcile.figures import evaluation
from reconcile.judgement import verdicts
from reconcile.judgement.factor_proposal import Proposal
from reconcile.statistics.proportions import clopper_pearson
from tests.pairs import STRATUM, settings, study
from tests.validation.notes import put_table

SIZES = (20, 40, 100)
DECISIONS = (ACCEPTED, LABORATORY_ONLY, INSUFFICIENT)
MARGIN = 0.10
#: true field/lab ratio, whether there is a decision level, and what it stands for
TRUTHS = (
    (1 + MARGIN, False, "bias +10 %, at the upper margin, no decision level"),
    (1 + MARGIN, True, "bias +10 %, at the upper margin"),
    (1 / (1 + MARGIN), True, "bias −9.1 %, at the lower margin"),
    (1.0, True, "no bias"),
)
RSD, SEED = 0.08, 20_000


@functools.cache
def _config(level: bool) -> Settings:
    made = settings()
    if level:
        return made
    bare = made.element["Cu"].model_copy(update={"levels": ()})
    return made.model_copy(update={"element": {"Cu": bare}})


def decision_of(n: int, ratio: float, level: bool, seed: int) -> str:
    """Run one study through the program."""
    config = _config(level)
    pairs = study(n, ratio=ratio, rsd=RSD, seed=SEED + seed)
    evaluated = evaluation.evaluate(STRATUM, pairs, None, config)
    none = Proposal(None, None, "")
    return verdicts.judge(STRATUM, evaluated, none, config, None, "2027-01-31").decision


def _decision(task: tuple[int, float, bool, int]) -> str:
    return decision_of(*task)


def counts(n: int, ratio: float, level: bool, studies: int, workers: int = 1) -> Counter[str]:
    """Decisions of many studies of one size and truth."""
    tasks = [(n, ratio, level, seed) for seed in range(studies)]
    if workers == 1:
        return Counter(map(_decision, tasks))
    with Pool(workers) as pool:
        return Counter(pool.imap_unordered(_decision, tasks, 50))


def table(studies: int, workers: int) -> list[str]:
    """The table as Markdown lines."""
    lines = [
        "| truth | pairs | studies | " + " | ".join(DECISIONS) + " | accepted, 95 % interval |",
        "|---|---|---|" + "---|" * (len(DECISIONS) + 1),
    ]
    for ratio, level, name in TRUTHS:
        # Less is asked of the power: it is there for comparison.
        number = studies if ratio != 1 else max(studies // 2, 1)
        for n in SIZES:
            found = counts(n, ratio, level, number, workers)
            rate = clopper_pearson(found[ACCEPTED], number)
            shares = " | ".join(f"{found[d] / number:.1%}" for d in DECISIONS)
            line = f"| {name} | {n} | {number} | {shares} | {rate.low:.1%} to {rate.high:.1%} |"
            print(line, flush=True)
            lines.append(line)
    return lines


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    chosen = parser.parse_args()
    text = [
        f"Invented studies: field RSD {RSD:.0%}, laboratory RSD 2 %, margin {MARGIN:.0%}, copper "
        "from 50 to 800 mg/kg, default thresholds, purpose screening; a decision level at 200 "
        "mg/kg where none is said to be absent. A method is accepted where every criterion is "
        "shown: the bias over the range (three looks, each within the margin over half of the "
        "pairs or more) and at the level, the spread, samples near the level, and the chances of "
        "missed samples and false alarms at the edges of its grey region. Each is a test of 5 %, "
        f"so that of methods beyond the margin at most 5 % are to be in the column '{ACCEPTED}'; "
        "together they accept less. The interval says what the number of studies leaves open.",
        "",
        *table(chosen.studies, chosen.workers),
    ]
    put_table(
        chosen.into, "verdict errors", "How often a biased method is accepted",
        f"python -m tests.validation.verdict_errors --studies {chosen.studies}", text,
    )  # fmt: skip


if __name__ == "__main__":
    main()
