"""One part on the spot: its sheet is one page with its photo and the spots that were read."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from PIL import Image, ImageDraw
from pypdf import PdfReader

from reconcile.base.errors import ReconcileError
from reconcile.commands import issuing
from reconcile.commands.verifying import verify
from reconcile.reporting.document import part_sheet, result_sheet
from tests.test_sheets import APPROVE, BY, ISSUED_AT, made, pdf_text  # noqa: F401

pytestmark = pytest.mark.usefixtures("data_alone")

EVIDENCE = """
[[table]]
kind = "evidence"
files = ["photos/*"]
required = false
"""
PLACES = (("left", 5, 600), ("middle", 40, 640), ("right", 80, 610))


def one_part(site: Path) -> Path:
    """A table of one part read at three places, in the register, with a photo and its index."""
    rows = ["sample_id,reading_no,measured_at,Location,Distance (mm),Cu (mg/kg),Fe (mg/kg)"]
    for place, at, cu in PLACES:
        rows += [f"PART-7,{at + i},2026-11-05 0{i}:00,{place},{at},{cu},35000" for i in (1, 2)]
    table = site / "part.csv"
    table.write_text("\n".join(rows) + "\n", "utf-8")
    with (site / "register.csv").open("a", encoding="utf-8") as stream:
        stream.write("PART-7,soil,sieved,dry,split\n")
    with (site / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write(EVIDENCE)
    (site / "photos").mkdir()
    picture = Image.new("RGB", (800, 400), "lightgrey")
    ImageDraw.Draw(picture).rectangle((40, 120, 760, 280), fill="dimgrey")
    picture.save(site / "photos" / "part.png")
    index = "file,sample,spot,x,y,note\n" + "".join(
        f"part.png,PART-7,{place},{10 + at},{50},before grinding\n" for place, at, _ in PLACES
    )
    (site / "photos" / "index.csv").write_text(index, "utf-8")
    return table


@pytest.fixture
def site(made: Path, tmp_path: Path) -> Path:  # noqa: F811
    return Path(shutil.copytree(made, tmp_path / "site"))


@pytest.mark.slow
def test_a_sheet_of_one_part_is_one_page_with_photo_and_places(site: Path) -> None:
    issued = issuing.issue(site, one_part(site), BY, ISSUED_AT)
    path = issued.folder / result_sheet.PDF
    reader = PdfReader(path)
    assert len(reader.pages) == 1
    assert len(reader.pages[0].images) == 1
    text = " ".join(pdf_text(path).split())
    for told in (
        "Part PART-7", "left, 5 mm", "right, 80 mm", "Position along the line, mm",
        "photos/part.png: before grinding", "Circles are the spots", "above", "hazard",
    ):  # fmt: skip
        assert told in text
    content = json.loads((issued.folder / "result_sheet.json").read_text("utf-8"))["sheet"]
    assert [m[0] for m in content["photo"]["marks"]] == ["left", "middle", "right"]
    assert dict(content["places"][1]["values"])["Cu"] == 640


@pytest.mark.slow
def test_the_photo_is_kept_with_the_sheet_and_stands_on_what_is_signed(site: Path) -> None:
    issued = issuing.issue(site, one_part(site), BY, ISSUED_AT)
    (site / "photos" / "part.png").unlink()
    done = issuing.sign_off(site, issued.sheet.number, *APPROVE)
    reader = PdfReader(done.path)
    assert len(reader.pages) == 1
    assert len(reader.pages[0].images) == 1
    kept = issued.folder / part_sheet.PHOTO
    kept.write_bytes(kept.read_bytes() + b"x")
    assert "sheets/RS-0001/r1/photo.png" in {f.subject for f in verify(site).findings}
    with pytest.raises(ReconcileError, match="is not what was issued"):
        issuing.withdraw(site, issued.sheet.number, "Ben Osei", "2026-12-05T10:00+00:00", "gone")


def test_a_part_without_photo_or_places_is_one_page_that_says_so(site: Path) -> None:
    table = one_part(site)
    shutil.rmtree(site / "photos")
    lines = table.read_text("utf-8").replace("Location,Distance (mm),", "").splitlines()
    plain = [",".join(c for i, c in enumerate(x.split(",")) if i not in (3, 4)) for x in lines[1:]]
    table.write_text("\n".join([lines[0], *plain]) + "\n", "utf-8")
    issued = issuing.issue(site, table, BY, ISSUED_AT)
    path = issued.folder / result_sheet.PDF
    assert len(PdfReader(path).pages) == 1
    assert "No photo of this part" in pdf_text(path)
    assert not (issued.folder / part_sheet.PHOTO).exists()
