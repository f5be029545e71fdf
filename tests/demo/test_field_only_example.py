"""How the example ends: a sheet of field-only samples, its score and its recall."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.commands import field_only_example as example
from reconcile.commands import sheet_terminal
from reconcile.commands.verifying import verify
from reconcile.intake import workspace as ws
from reconcile.judgement import recall
from reconcile.releases import record, release
from reconcile.statistics.level_calls import ABOVE, BELOW

LEVEL = 250.0


@pytest.mark.slow
def test_the_example_ends_with_a_sheet_a_scored_list_and_a_recall(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "field_only"
    sheet_terminal.show_example(site)
    told = capsys.readouterr().out
    for shown in (
        "Issued result sheet RS-0001 r1", "The laboratory has answered", "drawn at random",
        "Since: factor withdrawn", "reconcile recall",
    ):  # fmt: skip
        assert shown in told
    true = example.build(tmp_path / "again")
    workspace = ws.load_workspace(site)
    reading = record.read(site / "out" / record.RECORD)
    ((life, sheet),) = recall.standing(workspace, reading)
    assert life.state == "approved"
    called = [
        (at.call, true[r.mean.sample_id] >= LEVEL)
        for r in sheet.results
        for at in r.levels
        if at.call in (ABOVE, BELOW)
    ]
    assert len(called) > 25
    assert sum((call == ABOVE) != above for call, above in called) == 0
    touches = recall.of_workspace(workspace, reading)
    assert {t.call_now for t in touches} == {""}
    assert len(touches) == sum(bool(r.calls) for r in sheet.results)
    november = release.latest(workspace.releases(example.MONTH))
    assert november is not None
    page = (november.folder / "report.html").read_text(encoding="utf-8")
    assert "result sheet RS-0001 r1" in page
    assert "samples drawn at random were called as the laboratory has them" in page
    assert [f for f in verify(site).findings if f.severity != "note"] == []


def test_the_example_does_not_act_in_the_future(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(example, "may_act", lambda: False)
    sheet_terminal.show_example(tmp_path / "field_only")
    assert "was not made" in capsys.readouterr().out
    assert not (tmp_path / "field_only").exists()
