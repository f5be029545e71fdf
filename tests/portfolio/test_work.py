"""One site after another or side by side: the same bytes, and no site takes another with it."""

from __future__ import annotations

import dataclasses
import multiprocessing
import threading
import time
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest
from typer.testing import CliRunner

from reconcile.base import provenance
from reconcile.cli import app
from reconcile.intake.workspace import Workspace
from reconcile.portfolio import listed, processes, running, work
from reconcile.portfolio.listed import Portfolio
from reconcile.portfolio.status import Standing, duty
from reconcile.portfolio.work import State, asked
from reconcile.releases import persons, unfinished
from reconcile.reporting import files
from reconcile.run import releasing
from reconcile.run.pipeline import run_period
from reconcile.store.database import Store
from tests import sites, small
from tests.portfolio.conftest import COUNT, MONTH

pytestmark = pytest.mark.slow


@pytest.fixture
def site(tmp_path: Path, data_alone: None) -> Workspace:
    workspace = listed.load(sites.build_portfolio(tmp_path, 1, [MONTH])).sites[0].workspace
    assert workspace is not None
    return workspace


def test_a_site_that_another_run_holds_says_so_after_its_wait(site: Workspace) -> None:
    with Store(site.store_file):
        (month,) = work.work(asked(site, (MONTH,), 0.0)).months
    assert month.state is State.BUSY
    assert "Another run is using" in month.message


@pytest.mark.slow
def test_a_site_that_another_run_holds_for_a_while_is_waited_for(site: Workspace) -> None:
    store = Store(site.store_file)
    threading.Timer(0.5, store.close).start()
    (month,) = work.work(asked(site, (MONTH,), 30.0)).months
    assert month.state is State.RELEASED


def test_a_worker_with_other_versions_refuses_and_says_what_to_install(site: Workspace) -> None:
    order = asked(site, (MONTH,), 0.0)
    other = dataclasses.replace(order, made_with={**order.made_with, "numpy": "1.0"})
    (month,) = work.work(other).months
    assert month.state is State.REFUSED
    assert f"numpy {provenance.made_with()['numpy']} instead of 1.0" in month.message
    assert "pip install -c constraints.txt" in month.advice
    assert not site.output.exists()


@pytest.mark.slow
def test_a_month_that_can_not_be_run_stops_no_other(site: Workspace) -> None:
    states = [m.state for m in work.work(asked(site, ("2026-01", MONTH), 0.0)).months]
    assert states == [State.FAILED, State.RELEASED]


@pytest.mark.slow
def test_a_shadow_run_says_what_would_change_and_changes_nothing(
    site: Workspace, tmp_path: Path
) -> None:
    work.work(asked(site, (MONTH,), 0.0))
    before = small.bytes_of(site.output)
    shadow = str(tmp_path / "copies")
    (same,) = work.work(asked(site, (MONTH,), 0.0, shadow)).months
    assert same.state is State.UNCHANGED
    lab = site.folder / "lab" / f"{MONTH}.csv"
    lines = lab.read_text().splitlines()
    lab.write_text("\n".join(lines[:-1]) + "\n", encoding="utf-8")
    (month,) = work.work(asked(site, (MONTH,), 0.0, shadow)).months
    assert month.state is State.DIFFERS
    assert "pairs.csv" in month.differs
    assert any("pairs used" in text for text in month.differs)
    assert small.bytes_of(site.output) == before


@pytest.mark.slow
def test_the_page_of_the_person_on_duty_has_a_row_for_each_site(released: Portfolio) -> None:
    rows = duty(released, persons.clock())
    assert [row.site for row in rows] == [sites.name_of(n) for n in range(COUNT)]
    assert all(row.period == MONTH and row.revision == 1 and row.verdicts for row in rows)
    assert rows[0].age_days is not None
    assert rows[0].age_days > 200  # the clock of the tests stands in June


@pytest.mark.slow
def test_what_went_wrong_stands_on_the_page_of_the_person_on_duty(
    tmp_path: Path, data_alone: None
) -> None:
    root = sites.build_portfolio(tmp_path, 3, [MONTH])
    (tmp_path / "sites" / "site-02" / "reconcile.toml").write_text("[workspace\n")
    portfolio = listed.load(root)
    first = portfolio.sites[0].workspace
    assert first is not None
    work.work(asked(first, (MONTH,), 0))
    unfinished.begun(first.output, MONTH)
    rows = duty(portfolio, persons.clock())
    assert [row.standing for row in rows] == [
        Standing.UNFINISHED, Standing.NEVER, Standing.FAULT
    ]  # fmt: skip
    assert rows[0].unfinished == (MONTH,)
    assert rows[1].missing == (MONTH,)
    assert all(row.needs_a_person for row in rows)


@pytest.mark.slow
def test_sites_side_by_side_give_the_bytes_of_single_runs_and_a_killed_one_is_begun_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the single runs in this process are as whole as those of other processes
    monkeypatch.setattr(releasing, "write_release", files.write_release)
    root = sites.build_portfolio(tmp_path / "together", 2, [MONTH], settings="workers = 2\n")
    portfolio = listed.load(root)

    def kill_one() -> None:
        until = time.monotonic() + 60
        while time.monotonic() < until:
            for child in multiprocessing.active_children():
                if child.name == "site site-00":
                    time.sleep(1.0)
                    child.kill()
                    return
            time.sleep(0.01)

    thread = threading.Thread(target=kill_one)
    thread.start()
    found = running.run(
        portfolio, portfolio.sites, lambda workspace: (MONTH,), running.by_processes(2)
    )  # fmt: skip
    thread.join()
    assert [m.state for s in found for m in s.months] == [State.RELEASED] * 2
    for number in range(2):
        alone = sites.build(tmp_path / "alone" / sites.name_of(number), number, [MONTH])
        run_period(alone, MONTH)
        together = tmp_path / "together" / "sites" / sites.name_of(number)
        one, other = (small.bytes_of(f / "out" / "releases") for f in (alone, together))
        assert one == other
    printed = CliRunner().invoke(app, ["portfolio", "run", MONTH, str(root)])
    assert printed.exit_code == 0, printed.output
    assert "2 of 2 months stand released" in printed.output


@pytest.mark.slow
def test_a_worker_that_is_killed_each_time_is_told_and_leaves_nothing_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = listed.load(sites.build_portfolio(tmp_path, 1, [MONTH])).sites[0].workspace
    assert site is not None
    began = multiprocessing.get_context("spawn").Process.start

    def and_kill(process: BaseProcess) -> None:
        began(process)
        process.kill()

    monkeypatch.setattr(multiprocessing.get_context("spawn").Process, "start", and_kill)
    (done,) = processes.run_all([asked(site, (MONTH,), 0.0)], 1, 2)
    assert [m.state for m in done.months] == [State.KILLED]
    assert "exit code -9" in done.months[0].message
    assert not list(site.output.rglob("manifest.json"))
