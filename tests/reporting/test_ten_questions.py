"""Page 1 alone, and the top of the page for a browser, answer docs/ten_questions.md."""

from __future__ import annotations

import html
import io
import re
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from reconcile.base.model.release import EarlierResult, Reconciliation
from reconcile.base.model.verdict import ACCEPTED, LABORATORY_ONLY
from reconcile.reporting import words
from reconcile.reporting.document import report, screen
from tests.reporting import builder

GUIDE = Path(__file__).resolve().parents[2] / "docs" / "ten_questions.md"
_ROW = re.compile(r"^\| (\d+) \| (.+?) \| (.+?) \| (.+?) \|$", re.MULTILINE)


def questions() -> list[tuple[str, str, list[str]]]:
    """Number, question and the words of which one stands at its place."""
    found = _ROW.findall(GUIDE.read_text("utf-8"))
    return [(n, question, re.findall(r"`([^`]+)`", told)) for n, question, _, told in found]


def before(verdict: str) -> Reconciliation:
    """A release after a month in which one stratum had this verdict."""
    value = builder.mixed()
    x = next(x for x in value.results if x.verdict.decision == ACCEPTED)
    past = EarlierResult("2026-09", "2026-09-r1", x.stratum.key, 30, 1.0, 0.98, 1.02, verdict)
    others = tuple(
        replace(past, stratum=y.stratum.key, verdict=y.verdict.decision)
        for y in value.results
        if y is not x
    )
    return replace(value, history=(past, *others))


CASES = {
    "first month": builder.mixed,
    "nothing changed": lambda: before(ACCEPTED),
    "one better": lambda: before(LABORATORY_ONLY),
}
CHANGED = {
    "first month": words.GLANCE_FIRST,
    "nothing changed": words.GLANCE_UNCHANGED,
    "one better": words.GLANCE_CHANGED,
}


def plain(text: str) -> str:
    return " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split())


def first_page(value: Reconciliation) -> str:
    return plain(PdfReader(io.BytesIO(report.report(value))).pages[0].extract_text())


def top_of_screen(value: Reconciliation) -> str:
    """The text of the page for a browser up to the heading after what to do now."""
    page = screen.page(value).decode()
    top = page.partition(words.VERDICTS)[0]
    return plain(html.unescape(re.sub(r"<[^>]+>", " ", top)))


def test_there_are_ten_questions_each_with_its_words() -> None:
    assert [n for n, _, _ in questions()] == [str(n) for n in range(1, 11)]
    assert all(told for _, _, told in questions())


@pytest.mark.parametrize("name", CASES)
def test_each_question_finds_its_answer_on_page_1_and_at_the_top_of_the_screen(name: str) -> None:
    value = CASES[name]()
    for text in (first_page(value), top_of_screen(value)):
        missing = [q for _, q, told in questions() if not any(plain(t) in text for t in told)]
        assert missing == []
        assert plain(CHANGED[name]) in text
        assert words.DRAFT in text
