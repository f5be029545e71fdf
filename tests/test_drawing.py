"""Documents drawn again from a release's own value, beside it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import reconcile
from reconcile.commands.verifying import verify
from reconcile.releases import kept_value
from reconcile.reporting import files
from reconcile.run import drawing
from tests import small

PERIOD = "2026-10"
pytestmark = pytest.mark.whole_release


@pytest.mark.slow
def test_a_release_is_drawn_again_from_its_own_files_and_verify_covers_what_lies_beside_it(
    tmp_path: Path,
) -> None:
    site = small.build(tmp_path / "site")
    outcome = reconcile.run_period(site, PERIOD)
    release = outcome.release_folder
    manifest = json.loads((release / "manifest.json").read_text("utf-8"))
    assert manifest["audit"] == "on demand"
    assert "audit.pdf" not in {entry["name"] for entry in manifest["outputs"]}
    before = small.bytes_of(release)
    for path in (*(site / "field").glob("*"), *(site / "lab").glob("*")):
        path.unlink()  # nothing but the release is needed
    workspace = reconcile.load_workspace(site)
    for document in files.DOCUMENTS:
        drawn = drawing.draw(workspace, PERIOD, document)
        assert drawn.same is (None if document == "audit" else True), document
        assert drawn.path.parent == release.with_name("drawn-r1")
    assert small.bytes_of(release) == before
    beside = release.with_name("drawn-r1") / "audit.pdf"

    def told() -> list[str]:
        return [f.subject for f in verify(site).findings if "drawn-r1" in f.subject]

    assert told() == []
    beside.write_bytes(beside.read_bytes() + b" ")
    assert told() == [f"{PERIOD}/drawn-r1/audit.pdf"]

    (release / kept_value.NAME).write_bytes(b"another")
    with pytest.raises(reconcile.ReconcileError, match="not as it was released"):
        drawing.draw(workspace, PERIOD, "report")
    with pytest.raises(reconcile.ReconcileError, match="There is no release"):
        drawing.draw(workspace, "2026-09", "report")


def test_an_audit_volume_of_each_run_is_a_file_of_the_release(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site", samples=12)
    settings = site / "reconcile.toml"
    text = settings.read_text("utf-8")
    assert "[report]" in text
    settings.write_text(text.replace("[report]", '[report]\naudit = "each run"'), "utf-8")
    outcome = reconcile.run_period(site, PERIOD)
    manifest = json.loads((outcome.release_folder / "manifest.json").read_text("utf-8"))
    assert manifest["audit"] == "each run"
    assert "audit.pdf" in {entry["name"] for entry in manifest["outputs"]}
    assert (outcome.release_folder / "audit.pdf").read_bytes().startswith(b"%PDF")
