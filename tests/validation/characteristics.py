"""Operating characteristics of the whole decision: how often it accepts wrongly and rightly.

``python -m tests.validation.characteristics`` draws studies of every truth, runs them through
evaluate, propose and judge, and writes the table into docs/validation.md and its drawing beside it.
The column 'earlier' is what the same studies gave at the commit that BEFORE names.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from multiprocessing import Pool
from pathlib import Path

from reconcile.base.model import DECISIONS
from reconcile.statistics.result import Estimate
from reconcile.trials import drawing, trial
from reconcile.trials.trial import ALLOWED, Characteristic, Outcome
from reconcile.trials.truths import TRUTHS, Truth
from tests.validation.notes import put_table

#: Commit before bias was judged at every level and spread by its upper bound; its counts.
BEFORE = ("733c92b", Path(__file__).parent / "characteristics_before.csv")
SIZES = (10, 20, 40, 100)
KNOWN = {truth.name: truth for truth in TRUTHS}
PICTURE = "operating_characteristics.svg"


def one(task: tuple[str, int, int]) -> Outcome:
    """One study: name of the truth, samples, seed."""
    name, n, seed = task
    truth = KNOWN[name]
    return trial.outcome(truth, n, seed, trial.settings_of(truth))


def characteristics(
    truths: Sequence[Truth], sizes: Sequence[int], studies: int, workers: int = 1
) -> Iterator[Characteristic]:
    """One row per truth and number of samples."""
    with Pool(workers) as pool:
        for truth in truths:
            for n in sizes:
                tasks = [(truth.name, n, seed) for seed in range(studies)]
                yield trial.summed(truth.name, n, pool.imap(one, tasks, 5))


def read_counts(path: Path) -> dict[tuple[str, int], Characteristic]:
    """Rows that ``write_counts`` wrote, by truth and number of samples."""
    if not path.exists():
        return {}
    with path.open(encoding="utf-8", newline="") as stream:
        rows = [_row(record) for record in csv.DictReader(stream)]
    return {(row.truth, row.n): row for row in rows}


def _row(record: Mapping[str, str]) -> Characteristic:
    decisions = tuple((name, int(record[name])) for name in DECISIONS)
    names = ("wrongly accepted", "by bias", "by spread", "by misses", "by false alarms")
    return Characteristic(
        record["truth"], int(record["n"]), int(record["studies"]), decisions,
        *(int(record[name]) for name in names),
    )  # fmt: skip


def write_counts(path: Path, rows: Sequence[Characteristic]) -> None:
    """The counts as CSV."""
    records = [row.as_record() for row in rows]
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(records[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(records)


def _shown(rate: Estimate) -> str:
    return f"{rate.value:.1%} ({rate.low:.1%} to {rate.high:.1%})"


def table(
    rows: Iterable[Characteristic], before: Mapping[tuple[str, int], Characteristic]
) -> list[str]:
    """The table as Markdown lines."""
    lines = [
        "| truth | samples | studies | accepted wrongly (95 % interval) | by bias, spread, misses, "
        "false alarms | accepted rightly (95 % interval) | accepted after correction, rightly or "
        "not | earlier: wrongly | earlier: rightly |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        old = before.get((row.truth, row.n))
        was = (f"{old.wrong_rate.value:.0%}", f"{old.right_rate.value:.0%}") if old else ("–", "–")
        mark = "" if row.kept else " **above**"
        lines.append(
            f"| {row.truth} | {row.n} | {row.studies} | {_shown(row.wrong_rate)}{mark} | "
            f"{row.bias}, {row.spread}, {row.missed}, {row.false_alarm} | "
            f"{_shown(row.right_rate)} | {dict(row.decisions)['accepted after correction']} | "
            f"{was[0]} | {was[1]} |"
        )
    return lines


def write_notes(into: Path, rows: Sequence[Characteristic]) -> None:
    """Table and drawing of counts that were made."""
    before = read_counts(BEFORE[1])
    count = sorted({row.studies for row in rows})
    earlier = sorted({row.studies for row in before.values()})
    above = sum(not row.kept for row in rows)
    text = [
        f"![Wrong and right acceptances by truth and number of samples]({PICTURE})",
        "",
        "Invented studies of one month, default thresholds, purpose screening, controls shown on "
        "both sides: field RSD 8 % in repeat readings, laboratory RSD 2 %, 20 laboratory "
        "duplicates, true mass fractions log-uniform from 50 to 800 mg/kg, a decision level at "
        "200, but where the truth says otherwise. 'Just above' and 'just beyond' mean a ratio of "
        "1.101 and limits of agreement within a factor of 1.41, where 1.10 and 1.40 were agreed: "
        "there a wrong acceptance is hardest to avoid.",
        "",
        "An acceptance is wrong where the truth contradicts what was agreed anywhere in the "
        "accepted range: bias beyond the margin, the middle 95 % of field/laboratory wider than "
        "agreed, a missed call or a false alarm likelier than 5 % at an edge of the grey region "
        "(20 % above and below the level); after a correction the same of the corrected values. "
        f"Promised are wrong acceptances in at most {ALLOWED:.0%} of the studies of each truth; "
        f"contradicted (the whole exact interval lies above) in {above} of {len(rows)} rows. "
        "'Accepted rightly' is the power; where nothing may be accepted it is 0.",
        "",
        f"'Earlier' are the same truths at commit {BEFORE[0]}, "
        f"{' to '.join(map(str, earlier)) or 'no'} studies a row.",
        "",
        *table(rows, before),
    ]
    put_table(
        into, "operating characteristics", "How often the whole decision is wrong, and how often "
        "right", f"python -m tests.validation.characteristics --studies {count[-1]}", text,
    )  # fmt: skip
    (into.parent / PICTURE).write_text(drawing.draw(rows), encoding="utf-8", newline="\n")


def main() -> None:
    """Write table and drawing."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=400)
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    parser.add_argument("--truths", default="", help="only those whose name holds this text")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--rows", type=Path, help="write the counts as CSV here, and no notes")
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    chosen = [truth for truth in TRUTHS if given.truths in truth.name]
    rows = []
    for row in characteristics(chosen, given.sizes, given.studies, given.workers):
        rows.append(row)
        print(row.as_record(), flush=True)
        if given.rows:
            write_counts(given.rows, rows)
    if not given.rows:
        write_notes(given.into, rows)


if __name__ == "__main__":
    main()
