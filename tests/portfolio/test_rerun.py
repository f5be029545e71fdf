"""``portfolio rerun``: says what would be otherwise, and releases it only when asked to."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from reconcile.cli import app
from reconcile.portfolio import listed, running, work
from tests import sites, small
from tests.portfolio.conftest import MONTH


def test_what_would_change_is_told_first_and_released_on_request(
    tmp_path: Path, data_alone: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = sites.build_portfolio(tmp_path, 1, [MONTH])
    site = listed.load(root).sites[0].workspace
    assert site is not None
    work.work(work.asked(site, (MONTH,), 0.0))
    lab = site.folder / "lab" / f"{MONTH}.csv"
    lab.write_text("\n".join(lab.read_text("utf-8").splitlines()[:-1]) + "\n", encoding="utf-8")

    def here(tries: int) -> running.Runner:  # processes of their own would write whole releases
        return lambda orders, workers, done: tuple(work.work(order) for order in orders)

    monkeypatch.setattr(running, "by_processes", here)

    def rerun(*words: str) -> str:
        done = CliRunner().invoke(app, ["portfolio", "rerun", MONTH[:4], str(root), *words])
        assert done.exit_code in (0, 1), (done.output, done.exception)
        return done.output

    before = small.bytes_of(site.output)
    printed = rerun()
    assert "Nothing was released" in printed
    assert "would change" in printed
    assert small.bytes_of(site.output) == before
    assert "1 of 1 month stand" in rerun("--release").replace("months", "month")
    assert (site.releases(MONTH) / "r2" / "manifest.json").is_file()
    assert "Nothing was released" in rerun()
    assert not (site.releases(MONTH) / "r3").exists()
