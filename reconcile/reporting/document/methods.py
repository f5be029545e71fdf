"""Methods in words with their sources, statements that codes ask for, settings, cautions."""

from __future__ import annotations

from collections.abc import Iterable

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.document import statements
from reconcile.reporting.document.blocks import Column, Section, Table, Text, Titled


def section(r: Reconciliation) -> list[Section]:
    """Methods, the draft of a statement, where a test report's items stand, the settings."""
    item, place = words.TEST_REPORT_HEADINGS
    name, value, meaning = words.SETTING_HEADINGS
    items = Table(
        (Column(item, 0.5, limit=None), Column(place, 0.5, limit=None)),
        words.TEST_REPORT_ITEMS, compact=True, sortable=False,
    )  # fmt: skip
    settings = Table(
        (Column(name, 0.3, given=True), Column(value, 0.25, given=True), Column(meaning, 0.45)),
        [(s.name, s.value, s.meaning) for s in r.settings],
    )
    statement = statements.mineral_statement(r)
    return [
        Section("methods", words.METHODS, texts(words.METHODS_TEXT)),
        Section(
            "statement", words.STATEMENT,
            (Text(words.STATEMENT_INTRO, "small"), *_titled(statement)),
        ),
        Section(
            "test-report", words.TEST_REPORT, (Text(words.TEST_REPORT_INTRO, "small"), items)
        ),
        Section("settings", words.SETTINGS, (Text(words.SETTINGS_INTRO, "small"), settings)),
    ]  # fmt: skip


def cautions(_: Reconciliation) -> list[Section]:
    """What the results are not for, and the dangers of the work."""
    return [Section("cautions", words.CAUTIONS, texts(words.CAUTION_TEXT))]


def texts(pairs: Iterable[tuple[str, str]]) -> tuple[Titled, ...]:
    """Titles, each with its one paragraph."""
    return _titled((title, [text]) for title, text in pairs)


def _titled(texts: Iterable[tuple[str, list[str]]]) -> tuple[Titled, ...]:
    """Titles with their paragraphs; a title stays with its first."""
    return tuple(
        Titled(title, tuple(Text(line, "small") for line in lines), whole=True)
        for title, lines in texts
    )
