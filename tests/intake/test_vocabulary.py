"""The words of headings that the program knows: each is a word of the trade, of a standard or of
plain language, never the spelling of one export."""

import csv
from pathlib import Path
from typing import Any

import pytest

from reconcile.base.settings.tables import TableSettings
from reconcile.intake import vocabulary as v
from reconcile.intake.blocks import find_block
from reconcile.intake.headings import understand
from reconcile.intake.sheets import Row, Sheet
from reconcile.intake.vocabulary import fact_of, why_no_result

WORDS = Path(__file__).with_name("vocabulary_words.csv")


def listed() -> dict[str, str]:
    with WORDS.open(encoding="utf-8", newline="") as stream:
        return {row["word"]: row["kind"] for row in csv.DictReader(stream)}


def all_words() -> set[str]:
    texts = [*v.LONG_WORDS, *v._NO_RESULT, *v._KINDS_OF_FIGURE, *v.METHOD_WORDS, *v.IGNORED_WORDS]
    texts += [*v.FLAG_WORDS]
    texts += [*v.RELATIVE_WORDS, *v.UNIT_LABELS, *v.METHOD_LABELS, *v.LIMIT_LABELS, *v.UPPER_LABELS]
    texts += [heading for known in v.FACT_WORDS.values() for heading in known]
    return {word for text in texts for word in text.split()}


def test_every_word_of_the_vocabulary_is_listed_with_its_kind() -> None:
    assert set(listed()) == all_words()
    assert set(listed().values()) == {"trade", "standard", "plain"}


@pytest.mark.parametrize(
    ("heading", "fact"),
    [
        ("sample id", "sample_id"),
        ("sampleid", "sample_id"),
        ("client sample no", "sample_id"),
        ("bag number", "sample_id"),
        ("instrument serial num", "instrument"),
        ("reading #", "reading_no"),
        ("counting time s", "count_time_s"),
        ("hole id", "group"),
        ("heat no", "group"),
        ("date analysed", ""),  # a field table has no such fact
    ],
)
def test_nouns_and_their_numbers_combine(heading: str, fact: str) -> None:
    assert fact_of("field", heading) == fact


@pytest.mark.parametrize(
    "heading", ["date analysed", "analysed date", "date of analysis", "analysed at", "analysed"]
)
def test_acts_and_dates_combine(heading: str) -> None:
    assert fact_of("lab", heading) == "analysed_at"


@pytest.mark.parametrize(
    "heading", ["bal", "balance error", "le concentration", "le error 1s", "sum %", "loi %"]
)
def test_what_is_no_element_is_known_with_any_kind_of_figure_behind_it(heading: str) -> None:
    assert why_no_result(heading)


@pytest.mark.parametrize("heading", ["total fe %", "balsam", "level", "sum of squares", ""])
def test_other_headings_are_not_taken_for_sums_and_balances(heading: str) -> None:
    assert not why_no_result(heading)


def test_a_spelling_that_is_no_usual_word_is_learnt_from_the_settings() -> None:
    headings = ("Probe mark", "Zap", "Cu qq", "Cu mg/kg")
    not_read: Any = None  # of the headings alone
    sheet = Sheet("", (Row(1, headings),), lambda *_: not_read, lambda _: not_read)
    table = TableSettings(
        kind="field",
        files=("x",),
        columns={"Probe mark": "sample_id", "Zap": "shot_no", "* qq": "ignore"},
    )
    columns = understand(find_block(sheet, table, "table.csv"), table, "table.csv")
    assert [(c.role, c.fact) for c in columns] == [
        ("fact", "sample_id"), ("fact", "shot_no"), ("ignored", ""), ("value", ""),
    ]  # fmt: skip
