"""``selftest --decisions``: the whole decision on invented studies, shown and kept."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path

from reconcile.base.shown import open_console, safe
from reconcile.base.writing import write_whole
from reconcile.commands import printing
from reconcile.reporting import numbers
from reconcile.trials import trial
from reconcile.trials.trial import ALLOWED, Characteristic
from reconcile.trials.truths import TRUTHS


def characteristics(n: int, studies: int, seed: int) -> Iterator[Characteristic]:
    """One row per truth, each told as it is begun, for the whole takes minutes."""
    console = open_console()
    for i, truth in enumerate(TRUTHS, 1):
        console.print(safe(f"{i} of {len(TRUTHS)}: {truth.name}"))
        yield trial.tried(truth, n, studies, seed)


def show(rows: Sequence[Characteristic], seed: int) -> None:
    """Wrong and right acceptances by truth, and whether the promise was kept."""
    console = open_console()
    first = rows[0]
    table = printing.table(
        f"Decisions tried: {first.studies} invented studies of {first.n} samples for each truth, "
        f"seed {seed}",
        "truth", "accepted wrongly (95 % interval)", "by bias", "spread", "misses",
        "false alarms", "accepted rightly (95 % interval)", "kept", right=(2, 3, 4, 5),
    )  # fmt: skip
    for row in rows:
        wrong, right = (
            f"{rate.value:.1%} ({rate.low:.1%} to {rate.high:.1%})"
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
            f"{numbers.count(len(rows), 'truth', 'truths')} tried. Promised are wrong acceptances "
            f"in at most {ALLOWED:.0%} of the studies of each; "
            + (
                "nothing found contradicts it."
                if not broken
                else f"contradicted for {numbers.count(broken, 'truth', 'truths')}: the whole "
                "interval lies above. Report it with this table."
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
