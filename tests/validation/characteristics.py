"""Operating characteristics of the whole decision: how often it accepts wrongly and rightly.

``python -m tests.validation.characteristics`` draws studies of every truth, runs them through
evaluate, propose and judge, and writes the table into docs/validation.md and its drawing beside it.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterable, Sequence
from multiprocessing import Pool
from pathlib import Path

from reconcile.trials import trial
from reconcile.trials.trial import Characteristic, Outcome
from reconcile.trials.truths import TRUTHS, Truth

SIZES = (10, 20, 40, 100)
KNOWN = {truth.name: truth for truth in TRUTHS}


def one(task: tuple[str, int, int]) -> Outcome:
    """One study: name of the truth, samples, seed."""
    name, n, seed = task
    truth = KNOWN[name]
    return trial.outcome(truth, n, seed, trial.settings_of(truth))


def characteristics(
    truths: Sequence[Truth], sizes: Sequence[int], studies: int, workers: int = 1
) -> Iterable[Characteristic]:
    """One row per truth and number of samples."""
    with Pool(workers) as pool:
        for truth in truths:
            for n in sizes:
                tasks = [(truth.name, n, seed) for seed in range(studies)]
                yield trial.summed(truth.name, n, pool.imap(one, tasks, 5))


def as_record(row: Characteristic) -> dict[str, str | int]:
    """One row for a file."""
    return {
        "truth": row.truth, "n": row.n, "studies": row.studies, **dict(row.decisions),
        "wrongly accepted": row.wrongly, "by bias": row.bias, "by spread": row.spread,
        "by misses": row.missed, "by false alarms": row.false_alarm,
    }  # fmt: skip


def main() -> None:
    """Write the rows."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=400)
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    parser.add_argument("--truths", default="", help="only those whose name holds this text")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--rows", type=Path, help="write the counts as CSV here, too")
    given = parser.parse_args()
    chosen = [truth for truth in TRUTHS if given.truths in truth.name]
    records = []
    for row in characteristics(chosen, given.sizes, given.studies, given.workers):
        records.append(as_record(row))
        print(records[-1], flush=True)
        if given.rows:
            with given.rows.open("w", newline="", encoding="utf-8") as stream:
                writer = csv.DictWriter(stream, list(records[0]), lineterminator="\n")
                writer.writeheader()
                writer.writerows(records)


if __name__ == "__main__":
    main()
