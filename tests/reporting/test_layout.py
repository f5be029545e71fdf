"""Pages measured: words inside the margins, none on top of another, no heading left alone.

The boxes come from poppler's ``pdftotext -bbox``, an implementation other than ours.
"""

import csv
import html
import io
import re
import shutil
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import CondPageBreak, PageBreak

from reconcile.base.model.release import EarlierResult, Reconciliation
from reconcile.reporting import fonts, words
from reconcile.reporting.document import audit, report, stratum_page
from reconcile.reporting.figure import Figure
from reconcile.reporting.figures import by_key
from reconcile.reporting.manner import written_for
from reconcile.reporting.render import book
from reconcile.reporting.render.styles import MARGIN_BOTTOM, MARGIN_X
from reconcile.reporting.render.tables import data_files
from reconcile.reporting.text import printable
from tests.reporting import builder
from tests.sizes import cases

measured = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no poppler to measure")
_PAGE = re.compile(r'<page width="([\d.]+)" height="([\d.]+)">(.*?)</page>', re.DOTALL)
_WORD = re.compile(
    r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>'
)


@dataclass(frozen=True)
class Word:
    """One word and its box, points from the upper left."""

    left: float
    top: float
    right: float
    bottom: float
    text: str


def pages_of(content: bytes, folder: Path) -> list[tuple[float, float, list[Word]]]:
    """Width, height and words of each page."""
    (folder / "report.pdf").write_bytes(content)
    subprocess.run(["pdftotext", "-bbox", "report.pdf", "boxes.html"], cwd=folder, check=True)
    text = (folder / "boxes.html").read_text(encoding="utf-8")
    return [
        (float(w), float(h), [
            Word(float(m[1]), float(m[2]), float(m[3]), float(m[4]), html.unescape(m[5]))
            for m in _WORD.finditer(body)
        ])
        for w, h, body in _PAGE.findall(text)
    ]  # fmt: skip


def overlaps(words_: list[Word]) -> list[tuple[str, str]]:
    """Pairs of words whose cores lie on top of each other."""
    found = []
    ordered = sorted(words_, key=lambda w: w.top)
    for i, a in enumerate(ordered):
        for b in ordered[i + 1 :]:
            if b.top >= a.bottom:
                break
            x = min(a.right, b.right) - max(a.left, b.left)
            y = min(a.bottom, b.bottom) - max(a.top, b.top)
            # the boxes are those of the face, higher than its letters
            if x > 1 and y > 0.55 * min(a.bottom - a.top, b.bottom - b.top):
                found.append((a.text, b.text))
    return found


def with_history(value: Reconciliation) -> Reconciliation:
    """The same with two earlier months, so that the trends are drawn."""
    past = tuple(
        EarlierResult(period, f"{period}-r1", x.stratum.key, 30, ratio, ratio * 0.96, ratio * 1.05,
                      x.verdict.decision)
        for period, ratio in (("2026-08", 1.08), ("2026-09", 1.11))
        for x in value.results
    )  # fmt: skip
    return replace(value, history=past)


CASES = {
    "each kind of stratum": lambda: with_history(builder.mixed()),
    "each kind of stratum on Letter": lambda: with_history(builder.mixed("Letter")),
    "one element": lambda: builder.reconciliation([builder.ordinary()], quarantined=0),
    "long names": lambda: with_history(builder.reconciliation([builder.hostile()])),
    "no stratum": lambda: builder.reconciliation([]),
    "sixty elements": lambda: with_history(builder.many(60)),
}


@pytest.mark.slow
@measured
@pytest.mark.parametrize(
    "name",
    cases(tuple(CASES), tuple(n for n in CASES if n != "sixty elements")),
)
def test_words_stay_inside_the_margins_apart_and_under_their_headings(
    name: str, tmp_path: Path
) -> None:
    value = CASES[name]()
    for draw in (report.report, audit.audit):
        check_pages(draw(value), tmp_path)


@measured
@pytest.mark.slow
def test_the_pages_of_the_example_are_laid_out_like_the_others(
    demo_month: tuple[Reconciliation, dict[str, bytes]], tmp_path: Path
) -> None:
    for name in ("report.pdf", "audit.pdf"):
        content = demo_month[1][name]
        check_pages(content, tmp_path)
        assert cut_labels(content, tmp_path) == []
        assert half_empty(content, tmp_path) == []
    assert len(PdfReader(io.BytesIO(demo_month[1]["report.pdf"])).pages) <= 20


@measured
@pytest.mark.parametrize("name", cases(("one element", "sixty elements"), ("one element",)))
def test_no_label_of_ordinary_length_is_cut(name: str, tmp_path: Path) -> None:
    value = CASES[name]()
    for draw in (report.report, audit.audit):
        assert cut_labels(draw(value), tmp_path) == []


@measured
def test_a_cut_label_would_be_noticed(tmp_path: Path) -> None:
    long = builder.result_of(builder.stratum_of("Cu", matrix="a matrix of " + "many words " * 30))
    assert cut_labels(report.report(builder.reconciliation([long])), tmp_path)


def cut_labels(content: bytes, folder: Path) -> list[tuple[int, str]]:
    """Page and line of each text that ends in an ellipsis; one that stands alone cuts nothing,
    and text from files says how long it is where it is cut."""
    found = []
    for number, (_, _, words_) in enumerate(pages_of(content, folder), start=1):
        for word, after in zip(words_, [*words_[1:], None], strict=True):
            told = after is not None and after.text.startswith("(")  # how long the whole is
            if word.text.endswith("…") and word.text != "…" and not told:
                line = [w.text for w in words_ if abs(w.top - word.top) < 1]
                found.append((number, " ".join(line)))
    return found


def part_starts(content: bytes) -> set[int]:
    """Numbers of the pages, from 0, on which a part or a stratum begins, and of the end."""
    reader = PdfReader(io.BytesIO(content))

    def numbers_of(outline: list[Any]) -> set[int]:
        found: set[int] = set()
        for entry in outline:
            if isinstance(entry, list):
                found |= numbers_of(entry)
            else:
                number = reader.get_destination_page_number(entry)
                assert number is not None
                found.add(number)
        return found

    return numbers_of(reader.outline) | {len(reader.pages)}


def half_empty(content: bytes, folder: Path) -> list[tuple[int, float]]:
    """Pages, seen at 60 dpi, whose lower half holds nothing though their part goes on.

    With each how far down it is drawn, as a share of its height.
    """
    (folder / "seen.pdf").write_bytes(content)
    for old in folder.glob("seen-*.png"):
        old.unlink()
    command = ["pdftoppm", "-r", "60", "-gray", "-png", "seen.pdf", "seen"]
    subprocess.run(command, cwd=folder, check=True)
    starts, found = part_starts(content), []
    for number, path in enumerate(sorted(folder.glob("seen-*.png"))):
        with Image.open(path) as image:
            seen = np.asarray(image)
        tall = len(seen)
        rows = np.flatnonzero((seen < 200).any(axis=1))
        body = rows[(rows > 0.06 * tall) & (rows < 0.94 * tall)]  # without head and foot
        down = float(body.max() / tall) if len(body) else 0.0
        if down < 0.5 and number + 1 not in starts:
            found.append((number + 1, down))
    return found


@measured
def test_a_page_that_is_left_half_empty_would_be_noticed(tmp_path: Path) -> None:
    made = io.BytesIO()
    canvas = Canvas(made, pagesize=(300, 400))
    canvas.bookmarkPage("part")
    canvas.addOutlineEntry("A part", "part")
    canvas.drawString(20, 350, "The part begins and goes on overleaf.")
    canvas.showPage()
    canvas.drawString(20, 60, "It ends here.")
    canvas.showPage()
    canvas.save()
    assert [number for number, _ in half_empty(made.getvalue(), tmp_path)] == [1]


def check_pages(content: bytes, tmp_path: Path) -> None:
    """Words inside the margins, apart from each other; no heading last on its page."""
    titles = {
        title.replace(" ", "")
        for title in (
            *words.SECTIONS.values(), words.CRITERIA, words.FACTOR, words.CONTROL_CHARTS,
            words.RATES, words.STAGES, words.PUT_BACK, words.QUALITY_RULES, words.RECOVERY_TITLE,
            *(title for title, _ in (*words.METHODS_TEXT, *words.CAUTION_TEXT)),
            *words.STATEMENT_TITLES.values(), words.UNMATCHED_FIELD, words.UNMATCHED_LAB,
        )
    }  # fmt: skip
    for number, (width, height, found) in enumerate(pages_of(content, tmp_path), start=1):
        for word in found:
            assert word.left >= MARGIN_X - 2, (number, word)
            assert word.right <= width - MARGIN_X + 2, (number, word)
            assert 0 < word.top < word.bottom < height, (number, word)
        assert overlaps(found) == [], number
        body = [w for w in found if w.bottom < height - MARGIN_BOTTOM + 2]
        last = max((w.bottom for w in body), default=0.0)
        line = "".join(w.text for w in body if w.bottom > last - 3)
        assert line not in titles, (number, line)


def squeezed(text: str) -> str:
    """Without white space and with a hyphen for the printed minus."""
    return re.sub(r"\s", "", text).replace("−", "-")


@pytest.mark.slow
def test_every_figure_of_the_pages_is_that_of_the_table_of_statistics() -> None:
    value = builder.mixed()
    table: dict[tuple[str, str], Figure] = {}
    made = {k: f for x in value.results for k, f in by_key(x.statistics).items()}
    rows = csv.DictReader(io.StringIO(data_files(value)["statistics.csv"].decode("utf-8")))
    for row in rows:
        numbers: Any = {
            c: float(row[c]) if row[c] else float("nan") for c in ("value", "low", "high")
        }
        n = int(row["n"]) if row["n"] else None
        figure = replace(made[row["figure"]], n=n, **numbers)
        table[row["stratum"].lstrip("'"), row["figure"]] = figure
    reader = PdfReader(io.BytesIO(audit.audit(value)))
    texts = [squeezed(page.extract_text()) for page in reader.pages]
    keys = (
        "geometric_mean_ratio", "ratio_as_difference", "mean_relative_difference",
        "mean_difference", "hodges_lehmann", "limits_absolute_lower", "limits_absolute_upper",
        "share_within", "headline_slope", "headline_intercept", "concordance", "correlation",
        "level_1_bias", "level_1_false_negative", "level_1_false_positive",
    )  # fmt: skip
    checked = 0
    for x in value.results:
        if stratum_page.is_short(x):
            continue
        title = squeezed(printable(x.stratum.label))
        page = next(t for t in texts if title in t and squeezed(words.FIGURES_LEFT) in t)
        for key in keys:
            told = table.get((x.stratum.key.lstrip("'"), key))
            if told is None:
                continue
            shown, interval = told.texts(x.per_mg_kg)
            pairs = "" if told.n is None else str(told.n)
            assert squeezed(shown + interval + pairs) in page, (x.stratum.label, key)
            checked += 1
    assert checked > 40


def test_what_is_over_of_a_stratums_page_fills_no_page_of_its_own() -> None:
    r = builder.many(3, n=41)
    fonts.register()
    with written_for(r):
        story = audit._story(r, book.body_size(r.paper))
    anchors = [getattr(f, "entry", ("", ""))[1] for f in story]
    begun = [i for i, anchor in enumerate(anchors) if anchor.startswith("stratum-")]
    assert len(begun) == len(r.results)
    between = [type(f) for f in story[begun[0] : begun[-1]]]
    assert PageBreak not in between
    for i in begun[1:]:
        assert CondPageBreak in [type(f) for f in story[i - 3 : i]]
