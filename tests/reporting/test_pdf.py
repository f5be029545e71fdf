"""The report as PDF: complete, safe, one page a stratum, the same bytes every time."""

import dataclasses
import io
import math
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader

from reconcile.base.methods import FieldMethod, LabMethod
from reconcile.base.model.account import WaterfallStep
from reconcile.base.model.release import Change, Reconciliation
from reconcile.base.model.verdict import INSUFFICIENT, LABORATORY_ONLY, Ask, Criterion, Outcome
from reconcile.judgement.criterion_words import written
from reconcile.reporting import words
from reconcile.reporting.document import audit, report, screen, workbook
from reconcile.reporting.render import book
from reconcile.reporting.text import printable
from tests.reporting import builder, test_quality
from tests.sizes import cases


def read(reconciliation: Reconciliation) -> PdfReader:
    return PdfReader(io.BytesIO(report.report(reconciliation)), strict=True)


def read_audit(reconciliation: Reconciliation) -> PdfReader:
    return PdfReader(io.BytesIO(audit.audit(reconciliation)), strict=True)


def squeezed(text: str) -> str:
    """Without white space, which wrapping adds, and with the printed minus as a hyphen."""
    return re.sub(r"\s", "", text).replace("−", "-")


@pytest.fixture(scope="module")
def mixed() -> Reconciliation:
    return builder.mixed()


@pytest.fixture(scope="module")
def reader(mixed: Reconciliation) -> PdfReader:
    return read(mixed)


@pytest.fixture(scope="module")
def audit_reader(mixed: Reconciliation) -> PdfReader:
    return read_audit(mixed)


@pytest.fixture(scope="module")
def audit_pages(audit_reader: PdfReader) -> list[str]:
    return [page.extract_text() for page in audit_reader.pages]


@pytest.fixture(scope="module")
def pages(reader: PdfReader) -> list[str]:
    return [page.extract_text() for page in reader.pages]


def test_release_id_and_page_x_of_y_stand_on_every_page(pages: list[str]) -> None:
    for number, text in enumerate(pages, start=1):
        assert f"Release {builder.RELEASE} · page {number} of {len(pages)}" in text


def test_a_draft_says_so_on_every_page_and_an_approved_release_does_not(
    mixed: Reconciliation, pages: list[str]
) -> None:
    assert all(words.DRAFT in text for text in pages)
    approved = read(dataclasses.replace(mixed, status="approved"))
    assert not any(words.DRAFT in page.extract_text() for page in approved.pages)


@pytest.mark.slow
@pytest.mark.parametrize("sample", builder.HOSTILE_IDS)
def test_hostile_ids_come_out_as_they_were_written(audit_pages: list[str], sample: str) -> None:
    assert squeezed(printable(sample)) in squeezed("".join(audit_pages))


def test_no_id_becomes_an_image_a_link_or_a_script(reader: PdfReader) -> None:
    raw = report.report(builder.reconciliation([builder.hostile()]))
    assert b"/JavaScript" not in raw
    assert b"/Launch" not in raw
    for page in reader.pages:
        assert not list(page.images)
        for note in page.get("/Annots") or []:
            target = note.get_object()
            assert "/URI" not in str(target)
            assert "/Dest" in target or "/GoTo" in str(target)


def test_every_text_is_in_the_embedded_subset_typeface(reader: PdfReader) -> None:
    fonts = {}
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():
            fonts[font.get_object()["/BaseFont"]] = font.get_object()
    used = {name for name in fonts if "DejaVu" in name}
    assert used
    for name in used:
        descriptor = fonts[name]["/FontDescriptor"].get_object()
        assert "/FontFile2" in descriptor, name
        assert len(descriptor["/FontFile2"].get_object().get_data()) < 200_000, name


def test_title_author_and_language_are_set_and_dates_are_fixed(
    reader: PdfReader, mixed: Reconciliation
) -> None:
    assert reader.metadata.title == mixed.title
    assert reader.metadata.author == mixed.prepared_by
    assert reader.metadata.creation_date.year == 2000
    assert reader.root_object["/Lang"] == "en"


def test_bookmarks_lead_to_sections_and_to_the_page_of_each_stratum(
    audit_reader: PdfReader, mixed: Reconciliation, audit_pages: list[str]
) -> None:
    flat = []

    def walk(items: list[Any]) -> None:
        for item in items:
            if isinstance(item, list):
                walk(item)
            else:
                flat.append((item.title, audit_reader.get_destination_page_number(item)))

    walk(audit_reader.outline)
    titles = dict(flat)
    for title in (words.VERDICTS, words.QUALITY, words.CAUTIONS, words.INPUTS):
        assert title in titles
    for result in mixed.results:
        label = printable(result.stratum.label)
        assert squeezed(label) in squeezed(audit_pages[titles[label]])


def outline_pages(reader: PdfReader) -> dict[str, int]:
    found: dict[str, Any] = {}

    def walk(items: list[Any]) -> None:
        for item in items:
            if isinstance(item, list):
                walk(item)
            else:
                found[item.title] = reader.get_destination_page_number(item)

    walk(reader.outline)
    return found


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_each_stratum_has_exactly_one_page(paper: str) -> None:
    results = [builder.ordinary(), builder.absolute(), builder.censored(), builder.hostile()]
    reader = read_audit(builder.reconciliation(results, paper))
    places = outline_pages(reader)
    starts = [places[printable(x.stratum.label)] for x in results]
    assert starts == list(range(starts[0], starts[0] + len(results)))
    after = reader.pages[starts[-1] + 1].extract_text()
    assert words.CRITERIA not in after
    width, height = float(reader.pages[0].mediabox.width), float(reader.pages[0].mediabox.height)
    assert (width, height) == pytest.approx(
        (595.28, 841.89) if paper == "A4" else (612.0, 792.0), abs=0.01
    )


def test_a_stratum_with_too_little_gets_a_short_form_two_to_a_page(audit_reader: PdfReader) -> None:
    places = outline_pages(audit_reader)
    assert places["Ni · XRF · laterite"] == places["Co · XRF · laterite"]
    text = audit_reader.pages[places["Ni · XRF · laterite"]].extract_text()
    assert words.PLOT_RATIO not in text
    assert "Insufficient evidence" in text


def test_the_page_shows_every_criterion_the_factor_and_the_sentences(
    audit_reader: PdfReader, mixed: Reconciliation
) -> None:
    result = mixed.results[0]
    text = squeezed(
        audit_reader.pages[outline_pages(audit_reader)[result.stratum.label]].extract_text()
    )
    for criterion in map(written, result.verdict.criteria):
        assert squeezed(criterion.name) in text
        assert squeezed(criterion.asked) in text
        assert squeezed(criterion.found) in text
    for sentence in result.sentences:
        assert squeezed(sentence) in text
    assert squeezed(result.factor.factor_id) in text
    assert squeezed(result.factor.basis) in text


def test_the_cover_answers_the_five_questions(pages: list[str]) -> None:
    for question in (words.Q_MAY_I, words.Q_RISK, words.Q_NEXT):
        assert question in pages[0]
    for question in (words.Q_VERDICTS, words.Q_HOW_WRONG, words.Q_LEFT_OUT, words.Q_CHANGED):
        assert question in pages[1]
    assert words.COVER_CAUTION.split(":")[0] in pages[0]


@pytest.mark.parametrize(
    ("paper", "count"),
    [
        ("A4", 1),
        ("Letter", 1),
        pytest.param("A4", 25, marks=pytest.mark.slow),
        pytest.param("Letter", 40, marks=pytest.mark.slow),
    ],
)
def test_the_cover_is_one_page_however_many_strata_steps_and_changes_there_are(
    paper: str, count: int
) -> None:
    steps = tuple(
        WaterfallStep(f"step {i} with a name of ordinary length", "rows", 10, 9, (("why", 1),))
        for i in range(11)
    )
    changes = tuple(Change("what changed " * 6, "before " * 6, "after " * 6) for _ in range(30))
    results = [
        dataclasses.replace(
            x, verdict=dataclasses.replace(x.verdict, next_step=f"Do number {i} " + "soon " * 25)
        )
        for i, x in enumerate(builder.many(count, n=21).results)
    ]
    value = builder.reconciliation(
        results, paper, waterfall=steps, changes=changes, title="A long title " * 8
    )
    assert outline_pages(read(value))[printable(results[0].stratum.label)] == 2


def test_long_lists_say_how_many_there_are_and_where(
    audit_pages: list[str], mixed: Reconciliation
) -> None:
    text = " ".join(" ".join(audit_pages).split())
    assert f"The first 50 of {len(mixed.quarantine)} are listed; all are in quarantine.csv." in text
    assert f"The first 120 of {len(mixed.field_only)} are listed" in text


def test_inputs_settings_and_heads_are_printed_whole(
    audit_pages: list[str], mixed: Reconciliation
) -> None:
    text = squeezed("".join(audit_pages))
    for file in mixed.inputs:
        assert file.sha256 in text
    for digest in (
        mixed.inputs_hash, mixed.settings_hash, mixed.custody_head, mixed.record_head
    ):  # fmt: skip
        assert digest in text
    for line in mixed.settings:
        assert squeezed(line.name) in text
        assert squeezed(line.meaning) in text


def test_cautions_and_signatures_close_the_report(pages: list[str]) -> None:
    text = " ".join(" ".join(pages[-2:]).split())
    for title, caution in words.CAUTION_TEXT:
        assert title in text
        assert " ".join(caution.split()) in text
    for role in words.SIGN_OFF_ROLES:
        assert role in text
    assert f"{words.END} {builder.RELEASE}" in text


def test_the_page_numbers_that_the_verdict_table_prints_are_those_of_the_bookmarks(
    audit_reader: PdfReader, audit_pages: list[str], mixed: Reconciliation
) -> None:
    places = outline_pages(audit_reader)
    lines = audit_pages[places[words.VERDICTS]].splitlines()
    printed = sorted(int(line) for line in lines[lines.index(mixed.title) + 1 :] if line.isdigit())
    assert printed == sorted(places[printable(x.stratum.label)] + 1 for x in mixed.results)


def test_each_page_of_the_audit_volume_has_a_label_and_a_number_of_its_own(
    audit_reader: PdfReader, audit_pages: list[str]
) -> None:
    count = len(audit_pages)
    assert audit_reader.page_labels == [f"A{n}" for n in range(1, count + 1)]
    for number, text in enumerate(audit_pages, start=1):
        assert f"Audit volume · {builder.RELEASE} · page A{number} of A{count}" in text


def test_the_contents_of_the_audit_volume_name_every_section_and_stratum(
    audit_pages: list[str], mixed: Reconciliation
) -> None:
    first = squeezed(audit_pages[0])
    for title in (words.VERDICTS, words.DETAILS, words.SETTINGS, words.EXCLUSIONS, words.ACCOUNT):
        assert squeezed(title) in first
    for result in mixed.results:
        assert squeezed(printable(result.stratum.label)) in first


@pytest.mark.parametrize("count", [0, 1, 4, pytest.param(60, marks=pytest.mark.slow)])
def test_any_number_of_strata_makes_a_report(count: int) -> None:
    reader = read_audit(builder.many(count, n=21))
    places = outline_pages(reader)
    strata = [t for t in places if t.endswith("· soil")]
    assert len(strata) == count
    assert len({places[t] for t in strata}) == count


@pytest.mark.slow
def test_a_stratum_of_very_many_pairs_still_fits_its_page() -> None:
    result = builder.result_of(builder.stratum_of(), n=2000, excluded=())
    reader = read_audit(builder.reconciliation([result]))
    assert len(report.report(builder.reconciliation([result]))) < 2_000_000
    page = outline_pages(reader)[result.stratum.label]
    assert words.CRITERIA in reader.pages[page].extract_text()


def test_a_cell_of_any_length_does_not_stop_the_report() -> None:
    result = builder.result_of(builder.stratum_of(), ids=("x" * 30_000, "中" * 5_000, "\n" * 900))
    bad = builder.reconciliation(
        [result],
        title="T" * 3000,
        purpose="p " * 4000,
        prepared_by="b" * 4000,
        release_id="r" * 300,
        lab_only=("z" * 20_000, "W" * 5000),
    )
    assert len(read(bad).pages) > 3


def nan_pairs() -> tuple[np.ndarray, np.ndarray]:
    lab = np.linspace(1.0, 30.0, 30)
    field = lab * 1.1
    field[3] = math.nan
    return lab, field


ODD = {
    "one pair": (np.array([5.0]), np.array([6.0])),
    "all equal": (np.full(25, 7.0), np.full(25, 7.0)),
    "perfect line": (np.arange(1.0, 26.0), np.arange(1.0, 26.0) * 2),
    "negative": (np.linspace(-5.0, 5.0, 25), np.linspace(-6.0, 4.0, 25)),
    "zeros": (np.zeros(25), np.linspace(0.0, 3.0, 25)),
    "one huge outlier": (
        np.append(np.linspace(1.0, 2.0, 24), 1.5),
        np.append(np.linspace(1.0, 2.0, 24), 9e5),
    ),
    "tiny": (np.logspace(-14, -9, 25), np.logspace(-14, -9, 25) * 1.01),
    "not numbers": nan_pairs(),
    "field constant": (np.linspace(1.0, 9.0, 25), np.full(25, 4.0)),
}


SCALES = ("log ratio", "absolute")


@pytest.mark.parametrize(
    ("name", "scale"),
    [
        pytest.param(n, s, marks=() if i % 3 == k % 2 else pytest.mark.slow)
        for i, n in enumerate(ODD)
        for k, s in enumerate(SCALES)
    ],
)
def test_odd_data_make_a_report_and_a_workbook(name: str, scale: str) -> None:
    result = builder.result_of(
        builder.stratum_of(), values=ODD[name], scale=scale, decision=LABORATORY_ONLY
    )
    value = builder.reconciliation([result])
    text = " ".join(page.extract_text() for page in read(value).pages)
    assert not re.search(r"\bnan\b", text, re.IGNORECASE)
    assert not re.search(r"\d[eE][+-]?\d\d", squeezed_numbers(text))
    assert workbook.workbook(value)


def test_numbers_that_no_mass_fraction_can_have_still_make_a_report() -> None:
    values = np.logspace(2, 140, 25), np.logspace(2, 140, 25) * 1.01
    result = builder.result_of(builder.stratum_of(), values=values, decision=LABORATORY_ONLY)
    assert len(read(builder.reconciliation([result])).pages) > 3


def squeezed_numbers(text: str) -> str:
    """The text without digests, in which letters and digits mix."""
    return re.sub(r"\b[0-9a-f]{8,}\b", "", text)


@pytest.mark.slow
@pytest.mark.parametrize("n", cases([2, 30], [8]))
def test_names_and_notes_of_any_length_do_not_stop_a_stratum(n: int) -> None:
    stratum = dataclasses.replace(
        builder.stratum_of(),
        matrix="m" * 20_000,
        read_by=FieldMethod("W" * 9_000),
        determined_by=LabMethod("中" * 9_000),
        pair_type="<b>" * 900,
    )
    result = builder.result_of(
        stratum,
        INSUFFICIENT if n < 10 else LABORATORY_ONLY,
        n=n,
        levels=(("L" * 100, 100.0),),
        notes=tuple("note " * 300 for _ in range(40)),
    )
    criteria = tuple(
        Criterion(Ask.FAULT, Outcome.NOT_SHOWN, (("found", "f" * 4_000),), "o" * 4_000)
        for _ in range(3)
    )
    verdict = dataclasses.replace(result.verdict, criteria=criteria, reason="r " * 5_000)
    result = dataclasses.replace(result, verdict=verdict, sentences=("s " * 9_000,) * 3)
    assert len(read(builder.reconciliation([result])).pages) > 4


@pytest.mark.slow
def test_page_numbers_settle_within_the_passes(
    monkeypatch: pytest.MonkeyPatch, mixed: Reconciliation
) -> None:
    passes = []
    original = book.Book.build

    def counted(self: book.Book, *args: Any, **kwargs: Any) -> Any:
        passes.append(1)
        return original(self, *args, **kwargs)

    monkeypatch.setattr(book.Book, "build", counted)
    report.report(mixed)
    assert len(passes) <= 3


@pytest.mark.parametrize("value", cases([1e300, -1e300, 1e308, 1e-300, 5e-324], [1e308, 5e-324]))
def test_numbers_that_no_material_has_stop_neither_report_nor_page_nor_workbook(
    value: float,
) -> None:
    base = builder.reconciliation([builder.ordinary()])
    size = abs(value)
    checks = tuple(
        replace(c, found=value, expected=value, uncertainty=size, recovery=size, score=value)
        for c in base.quality
    )
    quiet = test_quality.chart([100.0 + (i % 2) for i in range(20)])
    chart = replace(quiet, values=(value,) * 20, centre=value, sd=size / 10)
    result = base.results[0]
    statistics = result.statistics
    huge = replace(statistics.bias.mean_difference, value=value, low=-size, high=size)
    level = replace(statistics.levels[0], level=size, bias=huge)
    result = replace(
        result,
        statistics=replace(
            statistics,
            levels=(level,),
            bias=replace(
                statistics.bias,
                mean_difference=huge,
                geometric_mean_ratio=replace(huge, value=size, low=size / 2, high=size),
            ),
        ),
        verdict=replace(result.verdict, range_low=value, range_high=value),
    )
    changed = replace(
        base,
        results=(result,),
        quality=checks,
        controls=test_quality.record(chart),
        findings=tuple(replace(f, text="9" * 400, subject="8" * 400) for f in base.findings),
    )
    for make in (report.report, screen.page, workbook.workbook):
        assert len(make(changed)) > 10_000
