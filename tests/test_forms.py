"""Printed forms: codes that read back, ids as written, receipts that are only ever added."""

from __future__ import annotations

import csv
import io
import os
import random
import shutil
import string
import subprocess
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image
from pypdf import PdfReader
from reportlab.lib.units import inch
from reportlab.pdfgen.canvas import Canvas

from reconcile.base.errors import ReconcileError
from reconcile.commands import forms, receiving, storytelling
from reconcile.commands.receiving import Receipt
from reconcile.releases import kept_custody
from reconcile.reporting import words
from reconcile.reporting.render import codes
from reconcile.run import pipeline
from tests import small
from tests.test_cli import reconcile as command

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

PERIOD = "2026-10"
ORDINARY = ["KRS-1201", "S 7", "1234567890"]
ODD = [
    "=1+1", "x'\"<b>&</b>", "S-007/ä", "ñ-1", "中文-3", "a" * 25, "a" * 60, "B" * 150,
    "中" * 200, "🪨" * 190, "../../etc/passwd", "{page} of {total}",
]  # fmt: skip
CUSTODY = """
[[table]]
kind = "custody"
files = ["custody/*.csv"]
required = false
"""

needs_reader = pytest.mark.skipif(
    not (shutil.which("zbarimg") and shutil.which("pdftoppm")),
    reason="zbarimg and pdftoppm read the codes back",
)


def site(folder: Path, ids: list[str], dispatch: str = "D-1", custody: str = CUSTODY) -> Path:
    """A workspace whose register holds a dispatch of these ids, beside the small example's."""
    small.build(folder)
    with (folder / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write(custody)
    register = io.StringIO()
    writer = csv.writer(register, lineterminator="\n")
    writer.writerow(
        [
            "sample_id", "matrix", "specimen_form", "moisture_basis", "pair_type", "Dispatch",
            "Mass g", "Sample kind",
        ]
    )  # fmt: skip
    for number, name in enumerate(ids):
        kind = "blank" if number == 0 else "sample"
        writer.writerow([name, "soil", "sieved", "dry", "split", dispatch, 100 + number, kind])
    for number in range(30):
        writer.writerow([f"S{number + 1:03d}", "soil", "sieved", "dry", "split", "D-2", "", ""])
    (folder / "register.csv").write_text(register.getvalue(), encoding="utf-8")
    return folder


def read_codes(pdf: Path, folder: Path) -> tuple[set[str], set[str]]:
    """What a reader finds at 300 dpi, line by line as a person reads: bar codes, QR codes."""
    folder.mkdir()
    subprocess.run(
        ["pdftoppm", "-r", "300", "-gray", "-png", str(pdf), str(folder / "page")], check=True
    )
    for page in sorted(folder.glob("page*.png")):
        with Image.open(page) as image:
            for top in range(0, image.height, 190):
                strip = image.crop((0, top, image.width, min(top + 450, image.height)))
                strip.save(folder / f"strip-{page.stem}-{top:05d}.png", compress_level=1)
    done = subprocess.run(
        ["zbarimg", "-q", *map(str, sorted(folder.glob("*.png")))],
        capture_output=True, encoding="utf-8", check=False,
    )  # fmt: skip
    found: dict[str, set[str]] = {"CODE-128": set(), "QR-Code": set()}
    for line in done.stdout.splitlines():
        kind, _, text = line.partition(":")
        found.setdefault(kind, set()).add(text)
    assert set(found) == {"CODE-128", "QR-Code"}
    return found["CODE-128"], found["QR-Code"]


def text_of(pdf: Path) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(pdf).pages)


@pytest.mark.slow
@needs_reader
def test_every_id_of_the_form_reads_back_from_its_codes(tmp_path: Path) -> None:
    written = forms.write_form(site(tmp_path / "site", ORDINARY + ODD), "D-1")
    bars, squares = read_codes(written.path, tmp_path / "pages")
    assert squares == {"D-1", *ORDINARY, *ODD}
    plain = [i for i in ODD if i.isascii() and len(i) <= 25]
    assert bars == {"D-1", *ORDINARY, *plain}


@pytest.mark.slow
@needs_reader
def test_the_form_reads_back_on_letter_paper_too(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", [f"KRS-{n}" for n in range(1201, 1221)])
    settings = folder / "reconcile.toml"
    settings.write_text(
        settings.read_text("utf-8").replace("[report]", '[report]\npaper = "Letter"'), "utf-8"
    )
    written = forms.write_form(folder, "D-1")
    assert PdfReader(written.path).pages[0].mediabox.width == 612
    bars, squares = read_codes(written.path, tmp_path / "pages")
    assert bars == squares == {"D-1", *(f"KRS-{n}" for n in range(1201, 1221))}


@pytest.mark.slow
@needs_reader
def test_labels_read_back_and_leave_used_places_free(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY + ODD)
    written = forms.write_labels(folder, "D-1", ["ONE-MORE"], skip=20)
    assert written.samples == len(ORDINARY) + len(ODD) + 1
    assert len(PdfReader(written.path).pages) == 2
    bars, squares = read_codes(written.path, tmp_path / "pages")
    assert squares == {*ORDINARY, *ODD, "ONE-MORE"} - {"中" * 200, "🪨" * 190}
    assert "needs a larger label" in text_of(written.path).replace("\n", " ")
    assert {"KRS-1201", "ONE-MORE", "=1+1"} <= bars


@pytest.mark.slow
@needs_reader
def test_fifty_random_plain_ids_read_back_from_both_codes(tmp_path: Path) -> None:
    chance = random.Random(11)
    letters = string.ascii_letters + string.digits + string.punctuation
    ids = sorted({"".join(chance.choices(letters, k=chance.randint(2, 25))) for _ in range(50)})
    target = tmp_path / "ids.pdf"
    canvas = Canvas(str(target), pagesize=(420, 60), invariant=1)
    for text in ids:
        bar, square = codes.bar_code(text, 240, 24), codes.square_code(text, 40)
        assert isinstance(bar, codes.BarCode)
        assert isinstance(square, codes.SquareCode)
        bar.drawOn(canvas, 10, 15)
        square.drawOn(canvas, 340, 8)
        canvas.showPage()
    canvas.save()
    bars, squares = read_codes(target, tmp_path / "pages")
    assert squares == set(ids)
    assert bars == set(ids)


def test_no_bar_is_narrower_than_a_fifth_of_a_millimetre() -> None:
    for length in range(1, 30):
        bar = codes.bar_code("x" * length, inch * 2.9, 20)
        if isinstance(bar, codes.BarCode):
            assert bar.bars.barWidth >= 0.2 * inch / 25.4
            # ISO/IEC 15417: quiet zone of ten modules (from memory)
            assert bar.bars.lquiet == bar.bars.rquiet == 10 * bar.bars.barWidth
        else:
            assert bar == codes.TOO_LONG


@pytest.mark.parametrize("text", ["ñ", "ò", "ó", "a\tb", "é1", ""])
def test_what_code_128_can_not_hold_gets_no_bar_code(text: str) -> None:
    # The library would take ñ, ò and ó for control codes of its own.
    assert codes.bar_code(text, 1e6, 20) == codes.NOT_PLAIN


def test_an_id_too_long_for_any_code_says_so(tmp_path: Path) -> None:
    assert codes.square_code("Z" * 801, 40) == codes.NO_CODE
    folder = site(tmp_path / "site", ORDINARY)
    text = text_of(forms.write_labels(folder, "", ["Z" * 801]).path)
    assert codes.NO_CODE in text.replace("\n", " ")


def test_equal_records_give_equal_bytes(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY + ODD)
    first = forms.write_form(folder, "D-1").path.read_bytes()
    sheet = forms.write_labels(folder, "D-1").path.read_bytes()
    assert forms.write_form(folder, "d-1").path.read_bytes() == first
    assert forms.write_labels(folder, "D-1").path.read_bytes() == sheet


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_ids_stand_on_the_form_as_they_are_written(tmp_path: Path, paper: str) -> None:
    folder = site(tmp_path / "site", ORDINARY + ODD)
    settings = folder / "reconcile.toml"
    settings.write_text(
        settings.read_text("utf-8").replace("[report]", f'[report]\npaper = "{paper}"'), "utf-8"
    )
    written = forms.write_form(folder, "D-1").path
    text = text_of(written)
    for name in ("x'\"<b>&</b>", "=1+1", "S-007/ä", "ñ-1", "{page} of {total}"):
        assert name in text
    assert "U+4E2D" in text  # a letter that the typeface lacks is shown as its code
    whole = text.replace("\n", "")  # long ones too, on either paper
    assert whole.count("⟨U+1FAA8⟩") == 190
    assert whole.count("⟨U+4E2D⟩") == 201
    pages = len(PdfReader(written).pages)
    assert f"page 1 of {pages}" in text


def test_the_form_does_not_say_which_samples_are_controls(tmp_path: Path) -> None:
    text = text_of(forms.write_form(site(tmp_path / "site", ORDINARY), "D-1").path)
    assert "KRS-1201" in text
    assert "blank" not in text


def test_a_form_needs_no_result(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    (folder / "field.csv").unlink()
    (folder / "lab.csv").unlink()
    assert forms.write_form(folder, "D-1").samples == 3
    assert not (folder / "out" / "store").exists()


def test_a_dispatch_that_is_not_known_is_refused_with_those_near_it(tmp_path: Path) -> None:
    with pytest.raises(ReconcileError, match="'D-11'") as caught:
        forms.write_form(site(tmp_path / "site", ORDINARY), "D-11")
    assert "D-1" in caught.value.advice


def test_a_dispatch_number_never_becomes_a_path(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY, dispatch="../../../evil\\x:y")
    written = forms.write_form(folder, "../../../evil\\x:y")
    assert written.path.parent == folder / "out" / "forms"
    assert written.path.name.startswith("custody-form-evil-x-y-")
    assert "../../../evil\\x:y" in text_of(written.path)


def test_a_register_row_that_was_refused_is_told_on_the_form(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", [*ORDINARY, "KRS-1201"])
    written = forms.write_form(folder, "D-1")
    assert written.samples == 3
    assert any("KRS-1201" in note or "refused" in note for note in written.notes)
    assert written.notes[0][:20] in text_of(written.path)


def test_labels_larger_than_the_paper_are_refused(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    with (folder / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write("\n[labels]\nrows = 9\nheight_mm = 40\n")
    with pytest.raises(ReconcileError, match="9 labels of 40 mm need 368"):
        forms.write_labels(folder, "D-1")


def test_labels_of_nothing_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ReconcileError, match="No sample"):
        forms.write_labels(site(tmp_path / "site", ORDINARY))


@pytest.mark.slow
def test_the_grid_of_labels_makes_no_new_release(tmp_path: Path) -> None:
    folder = small.build(tmp_path / "site")
    assert pipeline.run_period(folder, PERIOD).new_release
    with (folder / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write("\n[labels]\nrows = 5\n")
    assert not pipeline.run_period(folder, PERIOD).new_release


# ---- receipts ---------------------------------------------------------------------------


GOOD = Receipt(
    "reception, 1", "2026-10-12 10:00Z", 2, "4123", True, 812.5, "door B", 'one bag "damp"'
)


@pytest.mark.slow
def test_a_receipt_adds_one_event_that_the_next_run_shows(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    recorded = receiving.receive(folder, "d-2", GOOD)
    assert recorded.trouble == ""
    assert recorded.samples == 30
    rows = list(csv.DictReader((folder / kept_custody.RECEIVED).open(encoding="utf-8")))
    assert len(rows) == 1
    assert rows[0]["Dispatch"] == "D-2"
    assert rows[0]["Note"] == 'one bag "damp"'
    pipeline.run_period(folder, PERIOD)
    lines = [line for line in storytelling.story_of(folder, "S003").lines if line.kind == "custody"]
    assert len(lines) == 1
    assert lines[0].at == "2026-10-12 10:00:00"
    assert lines[0].holder == "reception, 1"
    assert lines[0].seal == "4123, intact: yes"
    assert "4123" in text_of(forms.write_form(folder, "D-2").path)


def test_a_second_receipt_leaves_the_first_as_it_was(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    receiving.receive(folder, "D-1", GOOD)
    path = folder / kept_custody.RECEIVED
    # a person's editor may have taken the last line break away
    before = path.read_bytes().rstrip(b"\n")
    path.write_bytes(before)
    receiving.receive(folder, "D-2", Receipt("reception 2", "2026-10-13T08:00Z", seal_intact=False))
    assert path.read_bytes().startswith(before + b"\n")
    assert len(path.read_text("utf-8").splitlines()) == 3


def test_the_same_receipt_is_not_added_twice(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    receiving.receive(folder, "D-1", GOOD)
    before = (folder / kept_custody.RECEIVED).read_bytes()
    with pytest.raises(ReconcileError, match="already"):
        receiving.receive(folder, "D-1", GOOD)
    assert (folder / kept_custody.RECEIVED).read_bytes() == before


def test_a_receipt_before_the_collection_is_refused(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    (folder / "custody").mkdir()
    (folder / "custody" / "events.csv").write_text(
        f"Sample ID,Event,At,By\n{ORDINARY[0]},collection,2026-10-12T12:00+02:00,a\n", "utf-8"
    )
    early = replace(GOOD, at="2026-10-12T09:59Z")
    with pytest.raises(
        ReconcileError, match=r"before the collection in custody/events\.csv, row 2"
    ):
        receiving.receive(folder, "D-1", early)
    assert receiving.receive(folder, "D-1", GOOD).at == "2026-10-12T10:00:00+00:00"


def test_with_a_register_of_people_a_receipt_is_given_by_one_of_them(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    people = "id,full name,also known as,authorised for\n"
    (folder / "people.csv").write_text(f"{people}P1,Dora Huber,reception 1,receive\n", "utf-8")
    with pytest.raises(ReconcileError, match="holds no 'reception 2'"):
        receiving.receive(folder, "D-1", replace(GOOD, by="reception 2"))
    receiving.receive(folder, "D-1", replace(GOOD, by="Reception 1"))
    assert "Dora Huber" in (folder / kept_custody.RECEIVED).read_text("utf-8")


def test_a_receipt_that_no_table_reads_says_what_to_add(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY, custody="")
    recorded = receiving.receive(folder, "D-1", GOOD)
    assert "custody/received.csv" in recorded.trouble
    assert 'kind = "custody"' in recorded.trouble


def test_a_table_that_reads_the_receipt_wrongly_is_told(tmp_path: Path) -> None:
    wrong = CUSTODY.replace("required", 'columns = { "At" = "ignore" }\nrequired')
    folder = site(tmp_path / "site", ORDINARY, custody=wrong)
    assert "No run will find it" in receiving.receive(folder, "D-1", GOOD).trouble


@pytest.mark.parametrize(
    ("receipt", "word"),
    [
        (Receipt("", "2026-10-12T10:00Z"), "Nobody"),
        (Receipt("x", "yesterday"), "yesterday"),
        (Receipt("x", ""), "No time"),
        (Receipt("x", "01/02/2026"), "no time"),
        (Receipt("x", "2026-10-12"), "no time"),
        (Receipt("x", "2036-10-12T10:00Z"), "future"),
        (Receipt('=HYPERLINK("x")', "2026-10-12T10:00Z"), "begins with '='"),
        (Receipt("x", "2026-10-12T10:00Z", note="two\nlines"), "--note"),
        (Receipt("x", "2026-10-12T10:00Z", containers=-1), "--containers"),
        (Receipt("x", "2026-10-12T10:00Z", mass_g=float("nan")), "--mass"),
    ],
)
def test_a_receipt_that_can_not_be_right_changes_nothing(
    tmp_path: Path, receipt: Receipt, word: str
) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    with pytest.raises(ReconcileError, match=word):
        receiving.receive(folder, "D-1", receipt)
    assert not (folder / kept_custody.RECEIVED).exists()


def test_a_file_of_another_kind_in_that_place_is_left_alone(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    path = folder / kept_custody.RECEIVED
    path.parent.mkdir()
    for content in (b"name,when\nx,y\n", b"\xff\xfe\x00"):
        path.write_bytes(content)
        with pytest.raises(ReconcileError, match="received"):
            receiving.receive(folder, "D-1", GOOD)
        assert path.read_bytes() == content


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_in_that_place_is_named_and_not_waited_for(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY, custody="")
    path = folder / kept_custody.RECEIVED
    path.parent.mkdir()
    os.mkfifo(path)
    with pytest.raises(ReconcileError, match="named pipe"):
        receiving.receive(folder, "D-1", GOOD)


# ---- the story on a page ----------------------------------------------------------------


@pytest.mark.slow
def test_a_story_stands_on_one_page_however_long_the_record(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    (folder / "custody").mkdir()
    lines = ["Event ID,Sample ID,Event,At,By,Note"]
    for number in range(60):
        lines.append(f"E{number},S003,measured,2026-10-{1 + number % 28:02d},x,<b>{'long ' * 30}")
    (folder / "custody" / "events.csv").write_text("\n".join(lines) + "\n", "utf-8")
    pipeline.run_period(folder, PERIOD)
    target = tmp_path / "story.pdf"
    story = storytelling.story_of(folder, "s003")
    content = forms.write_story(folder, story, target).read_bytes()
    assert len(PdfReader(target).pages) == 1
    text = text_of(target)
    for part in ("S003", "more; 'reconcile story' lists all", "2026-10-r1", "<b>long", "XRF"):
        assert part in text
    assert forms.write_story(folder, story, target).read_bytes() == content


@pytest.mark.slow
def test_a_story_shows_every_table_that_reads_one_file(tmp_path: Path) -> None:
    folder = small.build(tmp_path / "site")
    settings = folder / "reconcile.toml"
    lab = settings.read_text("utf-8").split("[[table]]")[2]
    text = settings.read_text("utf-8").replace(lab, lab.rstrip() + '\nonly = ["Cu"]\n\n')
    again = lab.replace("M1", "M2").rstrip() + '\nonly = ["Fe"]\n'
    settings.write_text(text + "\n[[table]]" + again, "utf-8")
    pipeline.run_period(folder, PERIOD)
    told = storytelling.story_of(folder, "S003").lines
    results = {line.values[0][0].element for line in told if line.kind == "determination"}
    assert results == {"Cu", "Fe"}


@pytest.mark.slow
def test_a_story_shows_a_file_that_one_of_two_tables_reads_by_the_ids_it_meets(
    tmp_path: Path,
) -> None:
    folder = small.build(tmp_path / "site")
    settings = folder / "reconcile.toml"
    text = settings.read_text("utf-8")
    lab = text.split("[[table]]")[2]
    rows = (folder / "lab.csv").read_text("utf-8").splitlines()
    heading = rows[0].replace("sample_id", "Sample ID")
    both = [f"Sample Name,{heading}"] + [f"L{n},{row}" for n, row in enumerate(rows[1:])]
    (folder / "lab.csv").write_text("\n".join(both) + "\n", "utf-8")
    mine = lab.rstrip() + '\nonly = ["Cu"]\ncolumns = { "Sample Name" = "ignore" }\n\n'
    again = lab.replace("M1", "M2").rstrip() + '\nonly = ["Fe"]\n'
    settings.write_text(text.replace(lab, mine) + "\n[[table]]" + again, "utf-8")
    pipeline.run_period(folder, PERIOD)
    told = storytelling.story_of(folder, "S003").lines
    results = {line.values[0][0].element for line in told if line.kind == "determination"}
    assert results == {"Cu", "Fe"}


@pytest.mark.slow
def test_a_sample_named_among_others_is_told_under_its_own_id(tmp_path: Path) -> None:
    folder = site(tmp_path / "site", ORDINARY)
    (folder / "custody").mkdir()
    (folder / "custody" / "events.csv").write_text(
        "Event ID,Sample ID,Event,At,By\nE1,S001; S002; S003,collected,2026-10-01 08:00,x\n",
        "utf-8",
    )
    pipeline.run_period(folder, PERIOD)
    assert storytelling.story_of(folder, "S003").sample_id == "S003"


def test_the_commands_write_and_end_with_zero(tmp_path: Path) -> None:
    folder = str(site(tmp_path / "site", ORDINARY))
    for typed, shown in (
        (["form", "D-1", folder, "--without-masses"], "custody-form-D-1.pdf"),
        (["labels", folder, "--dispatch", "D-1", "--sample", "X1"], "4 samples"),
        (
            ["receive", "D-1", folder, "--by", "x", "--at", "2026-10-12T10:00Z", "--seal-broken"],
            "R-",
        ),
    ):
        code, out, err = command(*typed)
        assert code == 0, err
        assert shown in out


@pytest.mark.parametrize(
    ("controls", "tells"),
    [([60.0, 60.0], True), ([60.0, 250.0], False), ([float("nan")], False), ([], False)],
)
def test_masses_that_tell_controls_from_samples_are_noticed(
    controls: list[float], tells: bool
) -> None:
    masses = [182.0, 250.0, 420.0, *controls]
    kinds = ["sample"] * 3 + ["blank"] * len(controls)
    frame = pd.DataFrame({"sample_mass_g": masses, "sample_kind": kinds})
    assert forms.masses_tell(frame) == tells


def test_the_form_warns_of_masses_that_tell_and_can_leave_them_out(tmp_path: Path) -> None:
    folder = site(tmp_path / "w", ["S-1", "S-2"])  # the first is a blank
    written = forms.write_form(folder, "D-1")
    assert words.FORM_MASSES_TELL in written.notes
    assert "100 g" in PdfReader(written.path).pages[0].extract_text()
    written = forms.write_form(folder, "D-1", masses=False)
    assert words.FORM_MASSES_TELL not in written.notes
    assert "100 g" not in PdfReader(written.path).pages[0].extract_text()
