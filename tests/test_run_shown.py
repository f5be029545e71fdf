"""What a run prints: the answer and what to do now in a few lines, tables where they are asked."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from reconcile import cli
from reconcile.commands.shows import Show
from tests import months

pytestmark = pytest.mark.usefixtures("data_alone")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return months.build(tmp_path_factory.mktemp("shown") / "site", {"2026-09": 0.0, "2026-10": 0.3})


def printed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str
) -> list[str]:
    monkeypatch.setattr(sys, "argv", ["reconcile", *words])
    monkeypatch.setenv("COLUMNS", "80")
    with pytest.raises(SystemExit):
        cli.main()
    return capsys.readouterr().out.splitlines()


@pytest.mark.slow
def test_a_run_says_the_answer_and_what_to_do_in_at_most_forty_lines(
    site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    printed(monkeypatch, capsys, "run", "2026-09", str(site))
    lines = printed(monkeypatch, capsys, "run", "2026-10", str(site))
    said = " ".join(" ".join(lines).split())
    assert len(lines) <= 40
    assert "combination of element, method and material" in said
    assert "To do now:" in said
    assert "since 2026-09" in said
    assert "report.pdf" in said
    assert "The account" not in said


@pytest.mark.slow
@pytest.mark.parametrize(
    ("show", "title"),
    [
        (Show.VERDICTS, "What may be done with field-only results"),
        (Show.ACCOUNT, "The account"),
        (Show.ALL, "The account"),
    ],
)
def test_each_table_is_shown_where_it_is_asked_for(
    site: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    show: Show,
    title: str,
) -> None:
    lines = printed(monkeypatch, capsys, "run", "2026-10", str(site), "--show", show.value)
    assert any(title in line for line in lines)
