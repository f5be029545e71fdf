"""What a person types and sees: exit codes, messages, speed of --help."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import time
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from reconcile import cli
from reconcile.base.errors import ReconcileError
from reconcile.commands import demonstration
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone")

PERIOD = "2026-10"


def apart(*words: str) -> tuple[int, str, str]:
    """The command as a person starts it, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "reconcile.cli", *words],
        capture_output=True, timeout=240, check=False, encoding="utf-8",
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    assert "Traceback" not in done.stdout + done.stderr
    return done.returncode, done.stdout, done.stderr


def reconcile(*words: str, **environment: str) -> tuple[int, str, str]:
    """The same in this process, which needs no libraries loaded anew; exit code, both streams."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        patch.setattr(sys, "argv", ["reconcile", *words])
        for name, value in environment.items():
            patch.setenv(name, value)
        try:
            cli.main()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(bool(end.code))
    said = out.getvalue(), err.getvalue()
    assert "Traceback" not in "".join(said)
    return code, *said


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return small.build(tmp_path / "site")


def test_help_names_every_command_without_loading_the_heavy_libraries() -> None:
    code = (
        "import sys\nfrom reconcile import cli\n"
        "sys.argv = ['reconcile', '--help']\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'pandas', 'duckdb', 'prefect', 'scipy', 'reportlab'} & set(sys.modules)\n"
        "print('HEAVY', sorted(heavy))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    for command in ("demo", "start", "check", "run", "story", "verify", "selftest", "schedule"):
        assert command in done.stdout
    assert "HEAVY []" in done.stdout


@pytest.mark.benchmark
def test_help_answers_in_under_a_second() -> None:
    started = time.perf_counter()
    apart("--help")
    assert time.perf_counter() - started < 1


def test_a_clean_month_ends_with_zero_and_the_paths_of_its_results(site: Path) -> None:
    code, out, _ = apart("run", PERIOD, str(site))
    assert code == 0
    assert "report.pdf" in out.replace("\n", "")
    assert "accounted for" in out


@pytest.mark.slow
def test_a_month_with_findings_ends_with_one(site: Path) -> None:
    with (site / "lab.csv").open("a", encoding="utf-8") as stream:
        stream.write(",12.0,1.0\n")
    code, out, _ = reconcile("run", PERIOD, str(site))
    assert code == 1
    assert "refused" in out


def test_what_can_not_run_ends_with_two_and_says_what_to_do(tmp_path: Path) -> None:
    code, _, err = reconcile("run", PERIOD, str(tmp_path))
    assert code == 2
    assert "reconcile start" in err


def test_a_period_that_is_no_month_ends_with_two(site: Path) -> None:
    code, _, err = reconcile("run", "October", str(site))
    assert code == 2
    assert "2026-10" in err


def test_check_shows_how_each_column_was_understood_and_releases_nothing(site: Path) -> None:
    code, out, _ = reconcile("check", PERIOD, str(site))
    assert code == 0
    assert "Cu (mg/kg)" in out
    assert "measured_at" in out
    assert not (site / "out" / "releases").exists()


def test_a_new_workspace_is_written_and_never_twice(tmp_path: Path) -> None:
    folder = tmp_path / "new site"
    assert reconcile("start", str(folder))[0] == 0
    assert (folder / "reconcile.toml").is_file()
    code, _, err = reconcile("start", str(folder))
    assert code == 2
    assert "there already" in err


def test_the_example_stops_after_the_month_that_is_asked_for() -> None:
    assert demonstration.months_until(demonstration.PERIODS, None) == demonstration.PERIODS
    assert demonstration.months_until(demonstration.PERIODS, "2026-06") == ("2026-05", "2026-06")
    with pytest.raises(ReconcileError, match="no month '2026-04'") as told:
        demonstration.months_until(demonstration.PERIODS, "2026-04")
    assert "2026-10" in str(told.value)


@pytest.mark.slow
def test_a_story_tells_readings_results_and_releases(site: Path) -> None:
    reconcile("run", PERIOD, str(site))
    code, out, _ = reconcile("story", "s001", str(site))
    assert code == 0
    for part in ("field.csv, row 2", "lab.csv, row 2", "entered in the register", PERIOD + "-r1"):
        assert part in out
    code, _, err = reconcile("story", "S777", str(site))
    assert code == 2
    assert "S777" in err


@pytest.mark.slow
def test_markup_in_a_file_name_is_shown_as_it_is(site: Path) -> None:
    (site / "[red]lab[x].csv").write_bytes(b"")
    text = (site / "reconcile.toml").read_text("utf-8")
    (site / "reconcile.toml").write_text(
        text.replace('files = ["lab.csv"]', 'files = ["lab.csv", "[[]red[]]*.csv"]'),
        encoding="utf-8",
    )
    code, out, _ = reconcile("run", PERIOD, str(site))
    assert code == 1
    assert "[red]lab[x].csv" in out.replace("\n", "")


@pytest.mark.slow
def test_a_terminal_without_unicode_still_gets_every_line(site: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "reconcile.cli", "check", PERIOD, str(site)],
        capture_output=True, timeout=240, check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "LC_ALL": "C"},
    )  # fmt: skip
    assert done.returncode == 0
    assert b"Traceback" not in done.stderr


@pytest.mark.slow
def test_the_self_test_prints_coverage_and_can_be_kept_for_the_file(tmp_path: Path) -> None:
    path = tmp_path / "validation.csv"
    code, out, _ = reconcile("selftest", "--studies", "40", "--save", str(path))
    assert code == 0
    assert "every promise was kept" in out
    lines = path.read_text("utf-8").splitlines()
    assert lines[0].startswith("area,estimator,scenario")
    assert len(lines) > 30
