"""Operating characteristics of the whole decision: how often it accepts wrongly and rightly.

``python -m tests.validation.characteristics`` draws studies of every truth and writes two tables
into docs/validation.md and their drawing beside it: acceptances as read of many studies, by the
decision alone, and of fewer studies through evaluate, propose and judge, factors and all. That
both decide alike is tested (tests/test_operating_characteristics.py). The columns 'earlier' are
what studies of the same truths gave at the commit that BEFORE names.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from multiprocessing import Pool
from pathlib import Path

from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED
from reconcile.reporting.plots import svg
from reconcile.reporting.plots.characteristics import characteristics as drawing_of
from reconcile.statistics.result import Estimate
from reconcile.trials import as_read, counted, trial
from reconcile.trials.trial import ALLOWED, Characteristic, Outcome
from reconcile.trials.truths import TRUTHS, Truth
from tests.validation.notes import put_table

#: Commit before bias was judged at every level and spread by its upper bound; its counts.
BEFORE = ("733c92b", Path(__file__).parent / "characteristics_before.csv")
SIZES = (10, 20, 40, 100)
KNOWN = {truth.name: truth for truth in TRUTHS}
PICTURE = "operating_characteristics.svg"
#: What comes with the program, for the dossier.
COUNTS = Path(counted.__file__).parent / counted.FILE
FEWEST = 20  # with fewer nothing is accepted


Task = tuple[str, int, int]  # name of the truth, samples, seed


def as_read_of(task: Task) -> Outcome:
    """One study, as read."""
    name, n, seed = task
    return as_read.outcome(KNOWN[name], n, seed, trial.settings_of(KNOWN[name]))


def whole(task: Task) -> Outcome:
    """One study through the whole decision."""
    name, n, seed = task
    return trial.outcome(KNOWN[name], n, seed, trial.settings_of(KNOWN[name]))


def characteristics(
    one: Callable[[Task], Outcome],
    truths: Sequence[Truth],
    sizes: Sequence[int],
    studies: int,
    workers: int = 1,
) -> Iterator[Characteristic]:
    """One row per truth and number of samples."""
    with Pool(workers) as pool:
        for truth in truths:
            for n in sizes:
                tasks = [(truth.name, n, seed) for seed in range(studies)]
                row = trial.summed(truth.name, n, pool.imap(one, tasks, 5))
                print(row.as_record(), flush=True)
                yield row


def _shown(rate: Estimate) -> str:
    return f"{rate.value:.1%} ({rate.low:.1%} to {rate.high:.1%})"


def as_read_table(rows: Iterable[Characteristic]) -> list[str]:
    """Acceptances as read, as Markdown lines."""
    lines = [
        "| truth | samples | accepted wrongly (95 % interval) | by bias, spread, misses, false "
        "alarms | accepted rightly (95 % interval) |",
        "|---|---|---|---|---|",
    ]
    for row in rows:
        lines.append(
            f"| {row.truth} | {row.n} | {_shown(row.wrong_rate)}{_mark(row)} | {row.bias}, "
            f"{row.spread}, {row.missed}, {row.false_alarm} | {_shown(row.right_rate)} |"
        )
    return lines


def whole_table(
    rows: Iterable[Characteristic], before: Mapping[tuple[str, int], Characteristic]
) -> list[str]:
    """The whole decision now and earlier, as Markdown lines."""
    lines = [
        "| truth | samples | accepted wrongly (95 % interval) | accepted rightly (95 % interval) | "
        "studies accepted as read, after correction | earlier: wrongly | earlier: rightly |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        old = before.get((row.truth, row.n))
        was = (_shown(old.wrong_rate), _shown(old.right_rate)) if old else ("–", "–")
        read, corrected = (dict(row.decisions)[d] for d in (ACCEPTED, ACCEPTED_CORRECTED))
        lines.append(
            f"| {row.truth} | {row.n} | {_shown(row.wrong_rate)}{_mark(row)} | "
            f"{_shown(row.right_rate)} | {read}, {corrected} | {was[0]} | {was[1]} |"
        )
    return lines


def _mark(row: Characteristic) -> str:
    return "" if row.kept else " **above**"


def _studies(rows: Iterable[Characteristic]) -> str:
    counts = sorted({row.studies for row in rows})
    return " to ".join(map(str, dict.fromkeys((counts[0], counts[-1])))) if counts else "0"


MEANT = (
    "Studies are invented months with default thresholds, purpose screening, controls shown on "
    "both sides: field RSD 8 % in repeats, laboratory RSD 2 %, 20 laboratory duplicates, true mass "
    "fractions log-uniform from 50 to 800 mg/kg, a decision level at 200, but where the truth says "
    "otherwise. 'Just above' and 'just beyond' mean a ratio of 1.101 and limits of agreement "
    "within a factor of 1.41, where 1.10 and 1.40 were agreed: there a wrong acceptance is hardest "
    "to avoid.",
    "",
    "An acceptance is wrong where the truth contradicts what was agreed anywhere in the accepted "
    "range: bias beyond the margin, the middle 95 % of field/laboratory wider than agreed, a "
    "missed call or a false alarm likelier than agreed at an edge of the grey region; after a "
    "correction the same of the corrected values. 'Accepted rightly' is the power; where nothing "
    "may be accepted it is 0. **above** stands where the whole exact interval lies above the "
    f"{ALLOWED:.0%} that are promised.",
    "",
)


def write_as_read(into: Path, rows: Sequence[Characteristic], command: str) -> None:
    """Table and drawing of acceptances as read."""
    above = sum(not row.kept for row in rows)
    text = [
        f"![Wrong and right acceptances by truth and number of samples]({PICTURE})",
        "",
        *MEANT,
        f"{_studies(rows)} studies in each row; the promise is contradicted in {above} of "
        f"{len(rows)} rows. With 10 samples nothing is accepted: the default asks for 20.",
        "",
        *as_read_table(rows),
    ]
    title = "How often a method is accepted wrongly as read, and how often rightly"
    put_table(into, "operating characteristics", title, command, text)
    drawn = drawing_of([row for row in rows if row.n >= FEWEST], 520)
    picture = svg.picture(
        drawn, "Wrong and right acceptances by truth and number of samples", scale=1.6
    )
    (into.parent / PICTURE).write_text(picture, encoding="utf-8", newline="\n")


def write_whole(into: Path, rows: Sequence[Characteristic], command: str) -> None:
    """Table of the whole decision."""
    before = {(row.truth, row.n): row for row in counted.read(BEFORE[1])}
    above = sum(not row.kept for row in rows)
    text = [
        "The same truths through evaluate, propose and judge, so that an acceptance after "
        f"correction is tried too; {_studies(rows)} studies in each row, and 'earlier' "
        f"{_studies(before.values())} studies at commit {BEFORE[0]}. The promise is contradicted "
        f"in {above} of {len(rows)} rows.",
        "",
        *whole_table(rows, before),
    ]
    title = "The same with factors, and what it was earlier"
    put_table(into, "whole decision", title, command, text)


def main() -> None:
    """Write tables and drawing."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=400, help="as read, in each row; 0: none")
    parser.add_argument("--whole", type=int, default=40, help="with factors, in each row; 0: none")
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    parser.add_argument("--truths", default="", help="only those whose name holds this text")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--rows", type=Path, help="write counts as CSV beside this, and no notes")
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    chosen = [truth for truth in TRUTHS if given.truths in truth.name]
    module = "python -m tests.validation.characteristics"
    if given.studies:
        found = characteristics(as_read_of, chosen, given.sizes, given.studies, given.workers)
        rows = list(found)
        if given.rows:
            counted.write(given.rows.with_suffix(".as_read.csv"), rows)
        else:
            write_as_read(given.into, rows, f"{module} --studies {given.studies} --whole 0")
            if not given.truths and given.sizes == SIZES:
                counted.write(COUNTS, rows)
    if given.whole:
        rows = list(characteristics(whole, chosen, (40,), given.whole, given.workers))
        if given.rows:
            counted.write(given.rows.with_suffix(".whole.csv"), rows)
        else:
            write_whole(given.into, rows, f"{module} --studies 0 --whole {given.whole}")


if __name__ == "__main__":
    main()
