"""Numbers of certificates' documents beside those of the tables."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import pytest
from reportlab.lib.pagesizes import A4
from reportlab.pdfgen import canvas
from reportlab.platypus import PageBreak, SimpleDocTemplate, Table

import reconcile
from reconcile.commands import storytelling
from reconcile.evidence import certificate_numbers, certificate_pages
from reconcile.evidence.certificate_numbers import Result

pytestmark = pytest.mark.usefixtures("data_alone")


def pdf_of(*tables: Sequence[Sequence[str]]) -> bytes:
    """A PDF with one table to a page."""
    stream = io.BytesIO()
    story = []
    for rows in tables:
        story += [Table([list(row) for row in rows]), PageBreak()]
    SimpleDocTemplate(stream, pagesize=A4).build(story)
    return stream.getvalue()


def blank_pdf() -> bytes:
    """A page with a drawing and no text, as a scanned one."""
    stream = io.BytesIO()
    page = canvas.Canvas(stream)
    page.rect(100, 100, 200, 200, fill=1)
    page.showPage()
    page.save()
    return stream.getvalue()


def result(sample: str, element: str, number: float, below: bool = False) -> Result:
    return Result(sample, (sample.casefold(),), element, (element.casefold(),), number, below)


HEAD = ("Sample", "Cu", "Zn", "As")


def compared(
    results: Sequence[Result], *tables: Sequence[Sequence[str]]
) -> certificate_numbers.Compared:
    pages, problem = certificate_pages.pages_of(pdf_of(*tables))
    assert problem == ""
    return certificate_numbers.compare(results, pages)


def test_numbers_are_found_as_far_as_both_are_written_out() -> None:
    table = (HEAD, ("S-1", "52.1", "1,234", "< 5"), ("S-2", "50", "90,5", "7"))
    found = compared(
        [
            result("S-1", "Cu", 52.13), result("S-1", "Zn", 1234), result("S-1", "As", 5, True),
            result("S-2", "Cu", 50.4), result("S-2", "Zn", 90.5), result("S-2", "As", 7),
        ],
        table,
    )  # fmt: skip
    assert (found.agreeing, found.differing, found.absent, found.scales) == (6, (), (), ())


def test_a_number_that_the_page_does_not_hold_is_told_with_both_and_the_page() -> None:
    first = (HEAD, ("S-1", "52.1", "80", "6"), ("S-2", "50.0", "90", "7"))
    second = (HEAD, ("S-3", "61.2", "70", "8"))
    found = compared(
        [
            result("S-1", "Cu", 52.1), result("S-1", "Zn", 80), result("S-2", "Cu", 50.0),
            result("S-2", "Zn", 90), result("S-3", "Cu", 62.1), result("S-3", "Zn", 70),
            result("S-4", "Cu", 1.0),
        ],
        first, second,
    )  # fmt: skip
    assert found.agreeing == 5
    ((told),) = found.differing
    assert (told.sample_id, told.element, told.table, told.document, told.page) == (
        "S-3", "Cu", "62.1", ("61.2",), 2,
    )  # fmt: skip
    assert found.absent == ("S-4",)


def test_two_exchanged_results_are_told_though_the_page_holds_both_numbers() -> None:
    rows = [HEAD, *((f"S-{i}", f"{50 + i}", f"{90 + i}", f"{i}.5") for i in range(1, 6))]
    results = [
        result(f"S-{i}", element, number)
        for i in range(1, 6)
        for element, number in (("Cu", 50 + i), ("Zn", 90 + i))
    ]
    results[0] = result("S-1", "Cu", 91)
    results[1] = result("S-1", "Zn", 51)
    found = compared(results, rows)
    assert [(d.element, d.table, d.document) for d in found.differing] == [
        ("Cu", "91", ("51",)), ("Zn", "51", ("91",)),
    ]  # fmt: skip


def test_samples_may_stand_side_by_side_and_elements_below_each_other() -> None:
    table = (
        ("Element", "S-1", "S-2", "S-3"), ("Cu", "51", "52", "53"), ("Zn", "91", "92", "93"),
    )  # fmt: skip
    results = [
        result(f"S-{i}", element, base + i)
        for i in (1, 2, 3)
        for element, base in (("Cu", 50), ("Zn", 90))
    ]
    assert compared(results, table).agreeing == 6
    results[2] = result("S-2", "Cu", 25)
    (told,) = compared(results, table).differing
    assert (told.sample_id, told.element, told.document) == ("S-2", "Cu", ("52",))


def test_a_page_in_another_unit_is_seen_as_such() -> None:
    table = (("Sample", "Cu"), ("S-1", "0.520"), ("S-2", "0.610"), ("S-3", "0.700"))
    found = compared(
        [result("S-1", "Cu", 5200), result("S-2", "Cu", 6100), result("S-3", "Cu", 7100)], table
    )
    assert found.scales == (("Cu", -4),)
    assert found.agreeing == 2
    assert [d.document for d in found.differing] == [("0.700",)]


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (blank_pdf(), certificate_pages.NO_TEXT),
        (b"%PDF-1.7\nnothing that ends", certificate_pages.UNREADABLE),
        (b"no document at all", certificate_pages.UNREADABLE),
        (pdf_of((HEAD,))[:700], certificate_pages.UNREADABLE),
    ],
)
def test_a_document_without_words_says_why(content: bytes, problem: str) -> None:
    assert certificate_pages.pages_of(content) == ((), problem)


SETTINGS = """[workspace]
assign_rows_by = "nothing"
[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = { technique = "XRF", instrument = "X1", calibration = "soil", matrix = "soil", moisture_basis = "dry" }
[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = { technique = "ICP-OES", laboratory = "North", lab_method = "M1", moisture_basis = "dry" }
[[table]]
kind = "evidence"
files = ["papers/*"]
"""  # noqa: E501


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = tmp_path / "w"
    (folder / "papers").mkdir(parents=True)
    (folder / "reconcile.toml").write_text(SETTINGS, "utf-8")
    field = "".join(f"S{i},2026-10-05 10:{i:02d},{50 + i},{90 + i}\n" for i in range(20))
    (folder / "field.csv").write_text("Sample,Date Time,Cu,Fe2O3 (%)\n" + field, "utf-8")
    numbers = {i: (50.5 + i, 3 + i / 100) for i in range(20)}
    lab = "".join(
        f"S{i},{'C-1' if i < 10 else 'C-2'},2026-11-20,{cu},{fe}\n"
        for i, (cu, fe) in numbers.items()
    )
    (folder / "lab.csv").write_text("Sample,Certificate,Analysed,Cu,Fe2O3 (%)\n" + lab, "utf-8")
    rows = [["Sample", "Cu", "Fe2O3"], ["", "mg/kg", "%"]]
    rows += [[f"S{i}", f"{cu}", f"{fe:.2f}"] for i, (cu, fe) in numbers.items() if i < 10]
    rows[5][1] = "35.5"  # S3 has 53.5 in the table
    (folder / "papers" / "c1.pdf").write_bytes(pdf_of(rows))
    (folder / "papers" / "c2.pdf").write_bytes(blank_pdf())
    index = "file,certificate\nc1.pdf,C-1\nc2.pdf,C-2\n"
    (folder / "papers" / "index.csv").write_text(index, "utf-8")
    return folder


@pytest.mark.slow
def test_a_run_tells_what_a_certificates_document_says_otherwise(site: Path) -> None:
    for findings in (
        reconcile.check(site, "all").findings,
        reconcile.run_period(site, "all").reconciliation.findings,
    ):
        told = {f.code: f for f in findings}
        differs = told["certificate differs"]
        assert differs.severity == "serious"
        for part in ("C-1", "S3", "Cu", "53.5", "35.5", "page 1", "papers/c1.pdf"):
            assert part in differs.text
        assert "C-2" in told["certificate without text"].text
    r = reconcile.run_period(site, "all").reconciliation
    first, second = r.registers.certificates
    assert (first.certificate, first.agreeing, len(first.differing)) == ("C-1", 19, 1)
    assert (second.certificate, second.problem) == ("C-2", certificate_pages.NO_TEXT)


@pytest.mark.slow
def test_the_story_of_a_sample_says_what_its_certificates_document_holds(site: Path) -> None:
    reconcile.run_period(site, "all")
    lines = [x.what for x in storytelling.story_of(site, "S3").lines]
    (told,) = [x for x in lines if "papers/c1.pdf" in x]
    assert "53.5" in told
    assert "35.5" in told
    lines = [x.what for x in storytelling.story_of(site, "S4").lines]
    (told,) = [x for x in lines if "papers/c1.pdf" in x]
    assert "2 results agree" in told
