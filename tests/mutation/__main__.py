"""Break the code on purpose, one line at a time, and count what the room's own tests notice.

    python -m tests.mutation --room pairs --seed 2026 --sample 120 --results pairs.jsonl

The breaks are those of mutmut (see the extra ``mutants`` of pyproject.toml). One process imports
and collects everything once; each break is put into the functions of a fork of it, which runs
only the room's tests that reach the broken lines, the quickest first, until one fails. Which test
reaches which line is measured once and kept in ``--reached``; what takes longer than ``--longest``
seconds of processor time to measure comes last, as far as ``--limit`` allows. ``--again`` takes
the breaks that survived in an earlier file of results, and no others.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from functools import _lru_cache_wrapper
from pathlib import Path
from types import FrameType

import coverage
import hypothesis
import pytest
from _pytest.runner import runtestprotocol

from tests.mutation.mutants import Mutant, around, drawn, functions_of
from tests.mutation.rooms import ROOMS, ROOT, Room


class Driver:
    """Takes the place of pytest's own loop over the tests."""

    def __init__(self, given: argparse.Namespace) -> None:
        self.given = given
        self.room: Room = ROOMS[given.room]
        self.results = Path(given.results)
        self.reached: dict[str, dict[str, list[int]]] = {}
        self.seconds: dict[str, float] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection(self) -> None:
        """Examples of hypothesis are the same for every break, and no failure is made smaller."""
        hypothesis.settings.register_profile(
            "mutants", database=None, deadline=None, derandomize=True,
            phases=[hypothesis.Phase.explicit, hypothesis.Phase.generate],
        )  # fmt: skip
        hypothesis.settings.load_profile("mutants")

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Measure what each test reaches, then try the breaks one after the other."""
        items = {item.nodeid: item for item in session.items}
        self._measure(items)
        functions = functions_of(self.room.sources())
        counted: Counter[str] = Counter()
        done = {r["mutant"] for r in self._earlier(self.results)}
        with self.results.open("a", encoding="utf-8") as out:
            for mutant in self._wanted():
                if mutant.name in done:
                    continue
                tests = self._tests_of(mutant, items)
                began = time.monotonic()
                outcome, by = self._try(mutant, functions, tests)
                counted[outcome] += 1
                line = {
                    "room": self.given.room, "line": mutant.line, "mutant": mutant.name,
                    "outcome": outcome, "by": by, "tests": len(tests),
                    "seconds": round(time.monotonic() - began, 1),
                }  # fmt: skip
                out.write(json.dumps(line, ensure_ascii=False) + "\n")
                out.flush()
        print(self.given.room, dict(counted), file=sys.__stderr__, flush=True)
        return True

    @staticmethod
    def _earlier(path: Path) -> list[dict[str, str]]:
        if not path.exists():
            return []
        return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]

    def _wanted(self) -> Iterator[Mutant]:
        given = self.given
        if given.again is None:
            yield from drawn(self.room, f"{given.seed} {given.room}", given.sample)
            return
        names = {
            r["mutant"]
            for r in self._earlier(Path(given.again))
            if r["room"] == given.room and r["outcome"] == "survived"
        }
        for mutant in drawn(self.room, f"{given.seed} {given.room}", None, of=names):
            names.discard(mutant.name)
            yield mutant
        for name in sorted(names):
            print("no longer there:", name, file=sys.__stderr__)

    # ---- which tests reach which lines --------------------------------------------------

    def _measure(self, items: dict[str, pytest.Item]) -> None:
        """Fill ``reached`` and ``seconds``: for each file of tests from the kept, or measured."""
        by_file: dict[Path, list[pytest.Item]] = {}
        for item in items.values():
            by_file.setdefault(item.path, []).append(item)
        kept = Path(self.given.reached)
        kept.mkdir(parents=True, exist_ok=True)
        for path, many in sorted(by_file.items()):
            mark = hashlib.sha256(path.read_bytes()).hexdigest()[:16]
            file = kept / f"{self.given.room}-{path.stem}-{mark}.json"
            if not file.exists():
                child = os.fork()
                if child == 0:
                    self._silent()
                    file.write_text(json.dumps(self._measured(many)), encoding="utf-8")
                    os._exit(0)
                os.waitpid(child, 0)
            for name, (seconds, lines) in json.loads(file.read_text(encoding="utf-8")).items():
                self.seconds[name] = seconds
                self.reached[name] = lines

    def _measured(self, many: list[pytest.Item]) -> dict[str, tuple[float, dict[str, list[int]]]]:
        """Seconds and lines of each test that passes in time; in a fork."""
        sources = [str(path) for path in self.room.sources()]
        cover = coverage.Coverage(data_file=None, include=sources, config_file=False)
        seconds: dict[str, float] = {}

        class Contexts:
            now = ""

            @pytest.hookimpl(wrapper=True)
            def pytest_fixture_setup(self, fixturedef, request):  # type: ignore[no-untyped-def]  # noqa
                context = f"fixture {fixturedef.baseid} {fixturedef.argname}"
                before = self.now
                if fixturedef.scope != "function":
                    cover.switch_context(context)
                    self.now = context
                try:
                    return (yield)
                finally:
                    cover.switch_context(before)
                    self.now = before

        contexts = Contexts()
        many[0].config.pluginmanager.register(contexts)
        signal.signal(signal.SIGPROF, _too_long)
        cover.start()
        good = set()
        for i, item in enumerate(many):
            _forget_what_tests_keep()
            contexts.now = item.nodeid
            cover.switch_context(item.nodeid)
            signal.setitimer(signal.ITIMER_PROF, self.given.longest)
            began = time.process_time()
            following = many[i + 1] if i + 1 < len(many) else None
            reports = runtestprotocol(item, nextitem=following, log=False)
            signal.setitimer(signal.ITIMER_PROF, 0)
            seconds[item.nodeid] = time.process_time() - began
            if all(r.passed for r in reports):
                good.add(item.nodeid)
        cover.stop()
        data = cover.get_data()
        lines: dict[str, dict[str, list[int]]] = {}
        for file in data.measured_files():
            for line, names in data.contexts_by_lineno(file).items():
                for name in names:
                    lines.setdefault(name, {}).setdefault(file, []).append(line)
        found = {}
        for item in many:
            if item.nodeid not in good:
                continue
            names = [item.nodeid]
            for argname, definitions in item._fixtureinfo.name2fixturedefs.items():  # type: ignore[attr-defined]
                names += [f"fixture {d.baseid} {argname}" for d in definitions]
            merged: dict[str, set[int]] = {}
            for name in names:
                for file, numbers in lines.get(name, {}).items():
                    merged.setdefault(file, set()).update(numbers)
            found[item.nodeid] = (
                seconds[item.nodeid],
                {file: sorted(numbers) for file, numbers in merged.items()},
            )
        return found

    def _tests_of(self, mutant: Mutant, items: dict[str, pytest.Item]) -> list[pytest.Item]:
        """The tests that reach the broken lines, else the statement, quickest first; then others.

        What took too long to measure may reach them too, and comes last as far as time allows.
        """
        file = str(mutant.path)
        for lines in (set(mutant.lines), set(around(mutant.path, mutant.line))):
            names = [
                name
                for name, files in self.reached.items()
                if name in items and not lines.isdisjoint(files.get(file, ()))
            ]
            if names:
                break
        quick = [items[n] for n in sorted(names, key=lambda n: self.seconds[n])]
        return quick + [item for name, item in items.items() if name not in self.reached]

    # ---- one break ----------------------------------------------------------------------

    def _try(self, mutant: Mutant, functions, tests: list[pytest.Item]) -> tuple[str, str]:  # type: ignore[no-untyped-def]  # noqa
        if not tests:
            return "survived", "no test reaches it"
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            self._silent()
            limit = int(self.given.limit)
            resource.setrlimit(resource.RLIMIT_CPU, (limit, limit))
            os.write(writing, self._noticed(mutant, functions, tests).encode())
            os._exit(0)
        os.close(writing)
        with os.fdopen(reading, "rb") as pipe:
            said = pipe.read().decode()
        _, status = os.waitpid(child, 0)
        shutil.rmtree(self._scratch(child), ignore_errors=True)
        if said == "-":
            return "survived", ""
        if said:
            return "killed", said
        return ("timeout" if os.WIFSIGNALED(status) else "killed"), f"status {status}"

    def _noticed(self, mutant: Mutant, functions, tests: list[pytest.Item]) -> str:  # type: ignore[no-untyped-def]  # noqa
        """The first test that fails under a break, '-' if none does; in a fork."""
        mutant.put_in(functions)
        began = time.process_time()
        for i, item in enumerate(tests):
            following = tests[i + 1] if i + 1 < len(tests) else None
            reports = runtestprotocol(item, nextitem=following, log=False)
            if any(r.failed for r in reports):
                return item.nodeid
            if time.process_time() - began > self.given.limit * 0.8:
                break
        return "-"

    @staticmethod
    def _scratch(process: int) -> Path:
        return Path(tempfile.gettempdir()) / f"mutant-{process}"

    def _silent(self) -> None:
        """A fork writes nothing and has files of its own."""
        nothing = os.open(os.devnull, os.O_WRONLY)
        for number in (1, 2):
            os.dup2(nothing, number)
        scratch = self._scratch(os.getpid())
        scratch.mkdir()
        self.config._tmp_path_factory._basetemp = scratch  # type: ignore[attr-defined]

    def pytest_configure(self, config: pytest.Config) -> None:
        """Keep what the forks change."""
        self.config = config


def _too_long(_number: int, _frame: FrameType | None) -> None:
    pytest.fail("longer than a test of a break may take")


def _forget_what_tests_keep() -> None:
    """Empty the caches of the tests' own helpers, so that each test reaches what it needs."""
    for name, module in list(sys.modules.items()):
        if name.startswith("tests."):
            for value in vars(module).values():
                if isinstance(value, _lru_cache_wrapper):
                    value.cache_clear()


def main() -> int:
    """Parse, collect, break."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("--room", choices=sorted(ROOMS), required=True)
    parser.add_argument("--seed", default="2026")
    parser.add_argument("--sample", type=int, default=120)
    parser.add_argument("--results", required=True)
    parser.add_argument("--again", help="a file of results, of which the survivors are tried")
    parser.add_argument("--longest", type=float, default=4.0, help="seconds of one test")
    parser.add_argument("--limit", type=float, default=30.0, help="seconds of one break")
    parser.add_argument("--reached", default=str(Path(tempfile.gettempdir()) / "reached"))
    given = parser.parse_args()
    os.chdir(ROOT)
    files = [str(path) for path in ROOMS[given.room].test_files()]
    return int(pytest.main(["-q", "-p", "no:xdist", "-p", "no:cacheprovider", *files],
                           plugins=[Driver(given)]))  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
