"""Several processes at one workspace: nothing is lost, nothing stands twice, busy is said.

The processes of a round start together. Full size: RECONCILE_ROUNDS=200 with -m slow runs
every command 200 times in each process; by default the places where files are written meet
200 times, and the whole commands as often as the time of a test run allows.
"""

from __future__ import annotations

import csv
import multiprocessing as mp
import os
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from multiprocessing.pool import Pool
from pathlib import Path
from typing import Any

import pytest

import reconcile
from reconcile.base import writing
from reconcile.base.errors import ReconcileError
from reconcile.commands import applying, receiving
from reconcile.commands.receiving import Receipt
from reconcile.commands.verifying import verify
from reconcile.judgement import factor_life
from reconcile.releases import kept_custody, record
from reconcile.run import releasing
from tests import small
from tests.sizes import cases

PERIOD, AT = "2026-10", "2026-11-03T10:00+02:00"
CUSTODY = """
[[table]]
kind = "custody"
files = ["custody/*.csv"]
required = false
"""
BUSY = "Another run is using this workspace"
#: (what a process did, "" or the message that refused it)
Outcome = tuple[str, str]

_together: Any = None


def _join(barrier: Any) -> None:
    """In each process: what it waits for, and no report, which takes most of a run's time."""
    global _together
    _together = barrier
    releasing.write_release = small.data_alone  # type: ignore[assignment, attr-defined]


# ---- what one process does in one round; top-level, so that it can be sent there -----------


def refused(word: str, action: Callable[[], object]) -> bool:
    """Whether the action is refused in these words; other refusals go on."""
    try:
        action()
    except ReconcileError as error:
        if word not in error.message:
            raise
        return True
    return False


def write_places(site: Path, process: int, number: int) -> str:
    """The places where files are written: receipts, record, a file that must be new."""
    place = site / kept_custody.RECEIVED
    others = [""] * (len(receiving.HEADINGS) - 1)
    with writing.one_at_a_time(place):
        receiving.append(place, [f"own-{process}-{number}", *others])
    with writing.one_at_a_time(place):
        refused("already", lambda: receiving.append(place, [f"all-{number}", *others]))
    acts: list[tuple[str, dict[str, Any]]] = [
        ("act", {"own": f"{process}-{number}"}),
        ("act", {"all": number}),
    ]
    record.extend(site / record.RECORD, acts)
    target, content = site / f"new-{number}.csv", b"%d\n" % process * 2000
    late = refused("exists already", lambda: writing.write_whole(target, content, new=True))
    return "late" if late else "first"


def receive(site: Path, process: int, number: int) -> str:
    own = Receipt(f"process {process}", "2026-10-12T10:00+02:00", note=f"round {number}")
    receiving.receive(site, "D-1", own)
    shared = replace(own, by="everybody")
    late = refused("stands in", lambda: receiving.receive(site, "D-1", shared))
    return "own" if late else "own and shared"


def approve(site: Path, process: int, number: int) -> str:
    factor_life.approve(site, f"Cu-{number:04d}", f"Ben Osei {'abcdef'[process]}", "fine", AT)
    return f"Cu-{number:04d}"


def correct(site: Path, process: int, number: int) -> str:
    own, shared = (site / "to" / f"{name}-{number}.csv" for name in (f"own-{process}", "all"))
    applying.correct_table(site / "field.csv", site, own)
    late = refused(
        "exists already", lambda: applying.correct_table(site / "field.csv", site, shared)
    )
    return "own" if late else "own and shared"


def run(site: Path, process: int, number: int) -> str:
    """One process changes an input first: every round has a release to write."""
    if process == 0:
        text = (site / "lab.csv").read_text("utf-8")
        writing.write_whole(site / "lab.csv", f"{text}X{number},5.0,1.0\n".encode())
    outcome = reconcile.run_period(site, PERIOD)
    return outcome.reconciliation.release_id


def mixed(site: Path, process: int, number: int) -> str:
    """Another command in each process, in turn."""
    return (run, approve, receive, correct)[(process + number) % 4](site, process, number)


def _rounds(act: Callable[[Path, int, int], str], site: Path, process: int, rounds: int) -> Any:
    made: list[Outcome] = []
    for number in range(rounds):
        _together.wait(120)
        try:
            made.append((act(site, process, number), ""))
        except ReconcileError as error:
            made.append(("", error.message))
    return made


# ---- the processes ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pools() -> Iterator[Callable[[int], Pool]]:
    made: dict[int, Pool] = {}

    def of(processes: int) -> Pool:
        if processes not in made:
            context = mp.get_context("spawn")
            barrier = context.Barrier(processes)
            made[processes] = context.Pool(processes, _join, (barrier,))
        return made[processes]

    yield of
    for pool in made.values():
        pool.terminate()
        pool.join()


def together(
    pool: Pool, processes: int, act: Callable[[Path, int, int], str], site: Path, rounds: int
) -> list[list[Outcome]]:
    """The outcomes of each process, round by round."""
    tasks = [(act, site, process, rounds) for process in range(processes)]
    return pool.starmap(_rounds, tasks, chunksize=1)


def workspace(folder: Path, proposals: int) -> Path:
    """A small workspace with a dispatch of one sample and so many open proposals."""
    from tests.test_applying import FACTOR  # the processes need none of it
    from tests.test_factors import build

    site = build(folder, samples=6)
    with (site / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write(CUSTODY)
    (site / "register.csv").write_text(
        "sample_id,matrix,specimen_form,moisture_basis,pair_type,Dispatch\n"
        "S001,soil,sieved,dry,split,D-1\n",
        "utf-8",
    )
    acts = []
    for number in range(proposals):
        stratum = replace(FACTOR.stratum, matrix=f"soil {number}")
        factor = replace(FACTOR, factor_id=f"Cu-{number:04d}", stratum=stratum)
        acts.append(
            (
                factor_life.EVENT,
                {
                    "act": "proposed", "factor_id": factor.factor_id,
                    "factor": factor_life.as_plain(factor), "release_id": "x", "period": "2026-09",
                    "revision": 1, "author": "Ana Lima", "author_person": "", "data_until": "",
                    "verdict": "accepted after correction", "verdict_reason": "",
                },
            )
        )  # fmt: skip
    record.extend(site / "out" / record.RECORD, acts)
    return site


def refusals(made: Sequence[Sequence[Outcome]]) -> list[str]:
    return [message for outcomes in made for _, message in outcomes if message]


# ---- what must hold -----------------------------------------------------------------------


def check_places(site: Path, made: list[list[Outcome]], rounds: int) -> None:
    assert refusals(made) == []
    processes = len(made)
    with (site / kept_custody.RECEIVED).open(encoding="utf-8", newline="") as stream:
        ids = Counter(row["Event ID"] for row in csv.DictReader(stream))
    wanted = {f"own-{p}-{n}" for p in range(processes) for n in range(rounds)}
    assert ids == Counter(wanted | {f"all-{n}" for n in range(rounds)})
    reading = record.read(site / record.RECORD)
    assert not reading.altered
    assert not reading.unfinished
    assert len(reading.entries) == rounds * (processes + 1)
    for number in range(rounds):
        first = [p for p in range(processes) if made[p][number][0] == "first"]
        assert len(first) == 1
        content = (site / f"new-{number}.csv").read_bytes()
        assert content == b"%d\n" % first[0] * 2000
    assert not list(site.glob(f"{writing.UNFINISHED}*"))


def check_receipts(site: Path, made: list[list[Outcome]], rounds: int) -> None:
    assert refusals(made) == []
    with (site / kept_custody.RECEIVED).open(encoding="utf-8", newline="") as stream:
        lines = Counter((row["By"], row["Note"]) for row in csv.DictReader(stream))
    names = [*(f"process {p}" for p in range(len(made))), "everybody"]
    assert lines == Counter((name, f"round {n}") for name in names for n in range(rounds))
    shared = sum(done == "own and shared" for outcomes in made for done, _ in outcomes)
    assert shared == rounds


def check_approvals(site: Path, made: list[list[Outcome]], rounds: int) -> None:
    done = Counter(name for outcomes in made for name, _ in outcomes if name)
    assert done == Counter(f"Cu-{n:04d}" for n in range(rounds))
    for message in refusals(made):
        assert BUSY in message or "only a proposed factor" in message, message
    reading = record.read(site / "out" / record.RECORD)
    approved = Counter(
        e.content["factor_id"] for e in reading.entries if e.content.get("act") == "approved"
    )
    assert approved == done


def check_corrected(site: Path, made: list[list[Outcome]], rounds: int) -> None:
    assert refusals(made) == []
    contents = small.bytes_of(site / "to")
    assert len(contents) == rounds * (len(made) + 1)
    assert len(set(contents.values())) == 1
    shared = sum(done == "own and shared" for outcomes in made for done, _ in outcomes)
    assert shared == rounds


def check_releases(site: Path, made: list[list[Outcome]], rounds: int) -> None:
    for message in refusals(made):
        assert BUSY in message, message
    told = {name for outcomes in made for name, _ in outcomes if name}
    entries = record.read(site / "out" / record.RECORD).entries
    recorded = Counter(e.content["release_id"] for e in entries if e.kind == "release")
    assert set(recorded.values()) == {1}
    assert told == set(recorded)
    folders = sorted(int(p.name[1:]) for p in (site / "out" / "releases" / PERIOD).glob("r*"))
    assert folders == list(range(1, len(recorded) + 1))
    assert verify(site).findings == ()


CHECKS: dict[str, tuple[Callable[..., str], Callable[..., None], int]] = {
    # what is done, what must hold, rounds by default in the slow run
    "receive": (receive, check_receipts, 10),
    "approve": (approve, check_approvals, 40),
    "correct": (correct, check_corrected, 4),
    "run": (run, check_releases, 3),
}


@pytest.mark.slow
def test_two_processes_lose_and_double_nothing(
    tmp_path: Path, pools: Callable[[int], Pool]
) -> None:
    made = together(pools(2), 2, write_places, tmp_path, 25)
    check_places(tmp_path, made, 25)
    site = workspace(tmp_path / "site", 3)
    check_receipts(site, together(pools(2), 2, receive, site, 3), 3)
    check_approvals(site, together(pools(2), 2, approve, site, 3), 3)


@pytest.mark.slow
@pytest.mark.parametrize("processes", cases((2, 5), (5,)))
def test_places_of_writing_meet_two_hundred_times(
    tmp_path: Path, pools: Callable[[int], Pool], processes: int
) -> None:
    for part in range(8):  # in short files, so that it is the meeting that takes the time
        site = tmp_path / str(part)
        made = together(pools(processes), processes, write_places, site, 25)
        check_places(site, made, 25)


@pytest.mark.slow
@pytest.mark.parametrize("command", CHECKS)
@pytest.mark.parametrize("processes", cases((2, 5), (5,)))
def test_whole_commands_lose_and_double_nothing(
    tmp_path: Path, pools: Callable[[int], Pool], processes: int, command: str
) -> None:
    act, check, few = CHECKS[command]
    rounds = int(os.environ.get("RECONCILE_ROUNDS", few))
    site = workspace(tmp_path / "site", rounds if command == "approve" else 1)
    check(site, together(pools(processes), processes, act, site, rounds), rounds)


@pytest.mark.slow
def test_different_commands_at_once_lose_and_double_nothing(
    tmp_path: Path, pools: Callable[[int], Pool]
) -> None:
    rounds = int(os.environ.get("RECONCILE_ROUNDS", 3))
    site = workspace(tmp_path / "site", rounds)
    made = together(pools(5), 5, mixed, site, rounds)
    for message in refusals(made):
        assert BUSY in message or "only a proposed factor" in message, message
    entries = record.read(site / "out" / record.RECORD).entries
    told = [
        (("run", "approve", "receive", "correct")[(p + n) % 4], p, n, done)
        for p, outcomes in enumerate(made)
        for n, (done, _) in enumerate(outcomes)
        if done
    ]
    releases = Counter(e.content["release_id"] for e in entries if e.kind == "release")
    assert set(releases.values()) <= {1}
    assert {done for what, _, _, done in told if what == "run"} == set(releases)
    approved = Counter(
        e.content["factor_id"] for e in entries if e.content.get("act") == "approved"
    )
    assert approved == Counter(done for what, _, _, done in told if what == "approve")
    with (site / kept_custody.RECEIVED).open(encoding="utf-8", newline="") as stream:
        lines = Counter((row["By"], row["Note"]) for row in csv.DictReader(stream))
    assert set(lines.values()) == {1}
    own = {(f"process {p}", f"round {n}") for what, p, n, _ in told if what == "receive"}
    assert own == {line for line in lines if line[0] != "everybody"}
    for what, p, n, _ in told:
        assert what != "correct" or (site / "to" / f"own-{p}-{n}.csv").is_file()
    assert verify(site).findings == ()
