"""``selftest --decisions``: the whole decision on invented studies, shown and kept."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path

from reconcile.base.shown import open_console, safe
from reconcile.base.writing import write_whole
from reconcile.commands import printing
from reconcile.reporting import numbers, words
from reconcile.trials import trial
from reconcile.trials.trial import ALLOWED, Characteristic
from reconcile.trials.truths import TRUTHS


def characteristics(n: int, studies: int, seed: int) -> Iterator[Characteristic]:
    """One row per truth, each told as it is begun, for the whole takes minutes."""
    console = open_console()
    for i, truth in enumerate(TRUTHS, 1):
        console.print(safe(words.TRY_OF.format(i=i, n=len(TRUTHS), name=truth.name)))
        yield trial.tried(truth, n, studies, seed)


def show(rows: Sequence[Characteristic], seed: int) -> None:
    """Wrong and right acceptances by truth, and whether the promise was kept."""
    console = open_console()
    first = rows[0]
    table = printing.table(
        words.TRY_DECISIONS_TRIED_INVENTED.format(studies=first.studies, n=first.n, seed=seed),
        "truth", words.TRY_ACCEPTED_WRONGLY_INTERVAL, words.TRY_BY_BIAS, "spread", "misses",
        words.TRY_FALSE_ALARMS, words.TRY_ACCEPTED_RIGHTLY_INTERVAL, "kept", right=(2, 3, 4, 5),
    )  # fmt: skip
    for row in rows:
        wrong, right = (
            words.SHOWN_SHARE_WITH_INTERVAL.format(value=rate.value, low=rate.low, high=rate.high)
            for rate in (row.wrong_rate, row.right_rate)
        )
        printing.row(
            table, row.truth, wrong, row.bias, row.spread, row.missed, row.false_alarm, right,
            "yes" if row.kept else "NO",
        )  # fmt: skip
    console.print(table)
    broken = sum(not row.kept for row in rows)
    console.print(
        safe(
            words.TRY_TRIED_PROMISED_WRONG.format(
                count=numbers.count(len(rows), "truth", "truths"), allowed=ALLOWED
            )
            + (
                words.TRY_NOTHING_FOUND_CONTRADICTS
                if not broken
                else words.TRY_CONTRADICTED_FOR_WHOLE.format(
                    count=numbers.count(broken, "truth", "truths")
                )
            )
        )
    )


def save(rows: Sequence[Characteristic], path: Path) -> None:
    """The counts as CSV, for a validation file."""
    stream = io.StringIO(newline="")
    records = [row.as_record() for row in rows]
    writer = csv.DictWriter(stream, list(records[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(records)
    write_whole(path, stream.getvalue().encode())
