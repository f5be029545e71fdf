"""Every command of the README's part on many sites runs as it is typed."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from reconcile.cli import app
from reconcile.portfolio import running
from reconcile.portfolio.listed import Portfolio
from reconcile.portfolio.work import work

README = Path(__file__).parents[2] / "README.md"


def part() -> str:
    text = README.read_text(encoding="utf-8")
    return text.split("## Many sites\n")[1].split("\n## ")[0]


def commands() -> list[str]:
    (block,) = re.findall(r"```sh\n(.*?)```", part(), re.DOTALL)
    return block.splitlines()


def test_the_part_is_short() -> None:
    assert len([line for line in part().splitlines() if line.strip()]) <= 20


@pytest.mark.slow
@pytest.mark.parametrize("line", commands())
def test_a_command_runs_as_it_is_typed(
    line: str, released: Portfolio, monkeypatch: pytest.MonkeyPatch
) -> None:
    from reconcile.run import releasing
    from tests import small

    monkeypatch.chdir(released.folder)
    monkeypatch.setattr(releasing, "write_release", small.data_alone)

    def here(tries: int) -> running.Runner:  # processes of their own would write whole releases
        return lambda orders, workers, done: tuple(work(order) for order in orders)

    monkeypatch.setattr(running, "by_processes", here)
    name, *words = shlex.split(line)
    assert name == "reconcile"
    done = CliRunner().invoke(app, words)
    assert done.exit_code in (0, 1), (done.output, done.exception)
    assert "site-0" in done.output or "portfolio" in done.output


def test_the_list_of_sites_in_it_can_be_read(tmp_path: Path) -> None:
    from reconcile.portfolio import listed
    from tests import sites

    (text,) = re.findall(r"```toml\n(.*?)```", part(), re.DOTALL)
    (tmp_path / "portfolio.toml").write_text(text, encoding="utf-8")
    for number, name in enumerate(("north-pit", "south-pit")):
        sites.build(tmp_path / name, number, [])
    assert [site.name for site in listed.load(tmp_path).sites] == ["site-00", "site-01"]
