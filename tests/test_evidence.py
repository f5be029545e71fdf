"""Photos and documents: tied to their sample, known by their digest, never trusted."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from pathlib import Path

import pytest
from PIL import Image
from pypdf import PdfReader

from reconcile.commands import forms, storytelling, verifying
from reconcile.evidence import documents
from reconcile.intake import workspace as ws
from reconcile.run import pipeline
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

PERIOD = "2026-10"
TABLE = """
[[table]]
kind = "evidence"
files = ["evidence/*"]
required = false
"""
INDEX = (
    "file,sample_id,time,note\n"
    "bag.jpg,S003; S004,2026-10-04T15:00+02:00,bag <b>sealed</b>\n"
    "note.txt,s003,,field note\n"
)


def picture(kind: str = "JPEG", size: tuple[int, int] = (64, 48), **options: object) -> bytes:
    target = io.BytesIO()
    Image.new("RGB", size, (120, 80, 40)).save(target, kind, **options)
    return target.getvalue()


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = small.build(tmp_path / "site")
    with (folder / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write(TABLE)
    (folder / "evidence").mkdir()
    (folder / "evidence" / "bag.jpg").write_bytes(picture())
    (folder / "evidence" / "note.txt").write_bytes(b"written in the field")
    (folder / "evidence" / "index.csv").write_text(INDEX, "utf-8")
    return folder


def check(folder: Path) -> dict[str, str]:
    """What is found, without the notes."""
    found = documents.check(ws.load_workspace(folder))
    return {f.subject: f.text for f in found if f.severity != "note"}


def test_evidence_is_found_under_its_sample_with_time_note_and_digest(site: Path) -> None:
    workspace = ws.load_workspace(site)
    note, bag = sorted(documents.exhibits_of(workspace, {"S003"}), key=lambda e: -len(e.file))
    assert (bag.file, bag.at, bag.note) == ("bag.jpg", "2026-10-04 13:00", "bag <b>sealed</b>")
    assert bag.sha256 == hashlib.sha256(picture()).hexdigest()
    assert bag.picture is not None
    assert (note.file, note.at, note.picture) == ("note.txt", "", None)
    assert [e.file for e in documents.exhibits_of(workspace, {"S004"})] == ["bag.jpg"]
    assert documents.exhibits_of(workspace, {"S001"}) == ()


@pytest.mark.slow
def test_evidence_goes_into_the_release_and_the_archive(site: Path) -> None:
    outcome = pipeline.run_period(site, PERIOD)
    kept = {i.path: i.sha256 for i in outcome.reconciliation.inputs if i.kind == "evidence"}
    assert set(kept) == {"evidence/bag.jpg", "evidence/index.csv", "evidence/note.txt"}
    assert (site / "out" / "archive" / f"{kept['evidence/bag.jpg']}.jpg").is_file()
    assert check(site) == {}


@pytest.mark.slow
def test_a_missing_file_is_found_before_and_after_a_release(site: Path) -> None:
    (site / "evidence" / "note.txt").unlink()
    assert check(site) == {"note.txt": "The file is missing."}
    (site / "evidence" / "note.txt").write_bytes(b"written in the field")
    pipeline.run_period(site, PERIOD)
    (site / "evidence" / "bag.jpg").unlink()
    found = check(site)
    assert found["bag.jpg"] == "The file is missing."
    assert "its archived copy stands" in found["evidence/bag.jpg"]


@pytest.mark.slow
def test_an_altered_file_is_found_until_a_revision_says_so(site: Path) -> None:
    pipeline.run_period(site, PERIOD)
    content = bytearray((site / "evidence" / "bag.jpg").read_bytes())
    content[-3] ^= 1
    (site / "evidence" / "bag.jpg").write_bytes(bytes(content))
    assert "altered after release 2026-10-r1" in check(site)["evidence/bag.jpg"]
    again = pipeline.run_period(site, PERIOD)
    assert again.new_release
    assert any("evidence/bag.jpg" in c.what for c in again.reconciliation.changes)
    assert check(site) == {}


@pytest.mark.slow
def test_verify_names_evidence_that_was_altered(site: Path) -> None:
    pipeline.run_period(site, PERIOD)
    (site / "evidence" / "loose.png").write_bytes(picture("PNG"))
    assert verifying.verify(site).findings == ()
    (site / "evidence" / "bag.jpg").write_bytes(b"another")
    (finding,) = verifying.verify(site).findings
    assert (finding.area, finding.subject) == ("evidence", "evidence/bag.jpg")


def test_a_digest_written_into_the_index_is_compared(site: Path) -> None:
    digest = hashlib.sha256(picture()).hexdigest()
    index = site / "evidence" / "index.csv"
    index.write_text(f"file;sample id;SHA-256\nbag.jpg;S003;{digest.upper()}\n", "utf-8")
    assert check(site) == {}
    index.write_text(f"file;sample id;SHA-256\nbag.jpg;S003;{'0' * 64}\n", "utf-8")
    assert check(site) == {"bag.jpg": "The file is not what the index lists."}
    (exhibit,) = documents.exhibits_of(ws.load_workspace(site), {"S003"})
    assert "NOT what the index lists" in exhibit.remark


def test_a_file_that_no_index_names_is_noted(site: Path) -> None:
    (site / "evidence" / "loose.png").write_bytes(picture("PNG"))
    found = documents.check(ws.load_workspace(site))
    assert [(f.severity, f.subject) for f in found] == [("note", "evidence/loose.png")]


@pytest.mark.parametrize("name", ["../reconcile.toml", "/etc/passwd", "..\\field.csv", "bag.jpg\0"])
def test_an_index_opens_no_file_outside_the_patterns(site: Path, name: str) -> None:
    (site / "evidence" / "index.csv").write_text(f"file,sample_id\n{name},S003\n", "utf-8")
    (exhibit,) = documents.exhibits_of(ws.load_workspace(site), {"S003"})
    assert (exhibit.sha256, exhibit.picture, exhibit.remark) == ("", None, "the file is missing")


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"", "empty"),
        (b"\xff\xfe\x00\x01", "UTF-8"),
        (b"name,when\nx,y\n", "no single column 'file'"),
        (b"file,file,sample_id\nx,y,z\n", "no single column 'file'"),
        (b'file,sample_id\n"x,y\n', "can't be read as CSV"),
        (b"file,sample_id,time\nbag.jpg,S003,01/02/2026\n", "day/month"),
    ],
)
def test_an_index_that_can_not_be_read_is_told(site: Path, content: bytes, word: str) -> None:
    (site / "evidence" / "index.csv").write_bytes(content)
    assert word in check(site)["evidence/index.csv"]


def test_a_line_that_names_nothing_is_told_and_the_others_stand(site: Path) -> None:
    (site / "evidence" / "index.csv").write_text(
        INDEX + ",S003,,\nbag.jpg,,,\nbag.jpg,S005,soon,\n", "utf-8"
    )
    found = [f.text for f in documents.check(ws.load_workspace(site))]
    assert found == [
        "Row 4 names no file.",
        "Row 5 names no sample.",
        "Row 6: 'soon' can't be read as a date.",
    ]
    assert len(documents.exhibits_of(ws.load_workspace(site), {"S003"})) == 2


# ---- pictures ---------------------------------------------------------------------------


def png(width: int, height: int, *chunks: tuple[bytes, bytes]) -> bytes:
    """A PNG by hand (W3C PNG specification, section 5): any size, any chunks."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(chunk(*c) for c in chunks) + chunk(b"IEND", b"")


@pytest.mark.whole_release
@pytest.mark.parametrize(
    ("content", "word"),
    [
        (png(60_000, 60_000, (b"IDAT", zlib.compress(bytes(1000)))), "pixels"),
        (png(9_000, 8_000, (b"IDAT", zlib.compress(bytes(1000)))), "9000 x 8000 pixels"),
        (png(9_700, 9_700, (b"IDAT", zlib.compress(bytes(1000)))), "pixels"),
        (png(10, 10, (b"IDAT", b"no deflate at all")), "damaged"),
        (png(10, 10, (b"zTXt", b"k\0\0" + zlib.compress(bytes(80 << 20))),
             (b"IDAT", zlib.compress(bytes(310)))), "damaged"),
        (picture()[:-200], "damaged"),
        (b"\xff\xd8\xff\xe1garbage", "damaged"),
        (picture("GIF"), "a document"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", "a document"),
        (b"", "a document"),
    ],
)  # fmt: skip
def test_a_hostile_image_is_refused_in_plain_words(content: bytes, word: str) -> None:
    shown, remark = documents.thumbnail(content)
    assert shown is None
    assert word in remark


def test_a_large_photo_becomes_a_small_picture() -> None:
    shown, remark = documents.thumbnail(picture(size=(4000, 3000)))
    assert remark == ""
    assert shown is not None
    assert shown.size == (documents.THUMBNAIL_PIXELS, documents.THUMBNAIL_PIXELS * 3 // 4)


@pytest.mark.parametrize("mode", ["L", "LA", "RGBA", "P", "1", "I;16"])
def test_every_usual_kind_of_png_is_shown(mode: str) -> None:
    target = io.BytesIO()
    Image.new(mode, (30, 20)).save(target, "PNG")
    shown, _ = documents.thumbnail(target.getvalue())
    assert shown is not None
    assert (shown.mode, shown.size) == ("RGB", (30, 20))


@pytest.mark.slow
@pytest.mark.whole_release
def test_a_photo_is_turned_as_the_camera_was_held_and_keeps_no_other_metadata(site: Path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # orientation: turn by 90 degrees
    exif[0x010E] = "SECRET-DESCRIPTION"
    exif[0x8825] = {1: "N", 2: (12.0, 34.0, 56.0)}  # position
    (site / "evidence" / "bag.jpg").write_bytes(picture(size=(80, 40), exif=exif))
    (bag,) = documents.exhibits_of(ws.load_workspace(site), {"S004"})
    assert bag.picture is not None
    assert bag.picture.size == (40, 80)
    assert "exif" not in bag.picture.info
    pipeline.run_period(site, PERIOD)
    target = site / "story.pdf"
    forms.write_story(site, storytelling.story_of(site, "S004"), target)
    reader = PdfReader(target)
    assert b"SECRET-DESCRIPTION" not in target.read_bytes()
    assert all(b"SECRET" not in image.data for page in reader.pages for image in page.images)


@pytest.mark.slow
@pytest.mark.whole_release
def test_the_story_page_shows_pictures_digests_and_what_is_wrong(site: Path) -> None:
    (site / "evidence" / "index.csv").write_text(INDEX + "gone.jpg,S003,,\n", "utf-8")
    pipeline.run_period(site, PERIOD)
    target = site / "story.pdf"
    story = storytelling.story_of(site, "S003")
    content = forms.write_story(site, story, target).read_bytes()
    (page,) = PdfReader(target).pages
    text = page.extract_text().replace("\n", "")
    assert len(page.images) == 1
    assert hashlib.sha256(picture()).hexdigest() in text
    assert hashlib.sha256(b"written in the field").hexdigest() in text
    assert "bag <b>sealed</b>" in text
    assert "the file is missing" in text
    assert forms.write_story(site, story, target).read_bytes() == content


def test_a_photo_is_tied_to_its_spot_and_a_document_to_its_certificate(site: Path) -> None:
    index = (
        "file,sample_id,spot,certificate,note\n"
        "bag.jpg,S003,2; 9,,burn marks\n"
        "note.txt,,,C-1,as issued\n"
    )
    (site / "evidence" / "index.csv").write_text(index, "utf-8")
    workspace = ws.load_workspace(site)
    assert documents.check(workspace) == ()
    bag, paper = documents.exhibits_of(workspace, {"S003"}, ("1", "2"), ("C-1", "C-2"))
    assert bag.note == "spot 2, 9: burn marks"
    assert "no reading of this sample has spot 9" in bag.remark
    assert (paper.file, paper.note) == ("note.txt", "certificate C-1: as issued")
    assert [e.file for e in documents.exhibits_of(workspace, {"S007"}, (), ("C-2",))] == []
