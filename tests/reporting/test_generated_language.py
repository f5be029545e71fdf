"""A second language, made by marking every string: what comes unmarked is no data but ours."""

import dataclasses
import html
import re
import string
from collections.abc import Iterator
from dataclasses import replace

import pandas as pd
import pytest

from reconcile.base.characters import visible
from reconcile.reporting import words
from reconcile.reporting.document import screen
from tests.reporting import builder, test_quality

#: What stands on the page unmarked and in no value of the release, with the reason.
ALLOWED = {
    **{
        f"With {what} put back": "the name of a further result, as statistics.json has it"
        for what in ("broken custody", "every exclusion")
    },
    **{
        f"{side} {kind}": "side and kind of a control, codes of the data"
        for side in ("field", "lab")
        for kind in ("blank", "duplicate", "reference material")
    },
}


def marked(value: object) -> object:
    """Every literal part of a text between marks; places in braces as they are."""
    if isinstance(value, str):
        return "".join(
            ("⟦" + text.replace("{", "{{").replace("}", "}}") + "⟧" if text.strip() else text)
            + ("" if name is None else "{" + name + (f":{form}" if form else "") + "}")
            for text, name, form, _ in string.Formatter().parse(value)
        )
    if isinstance(value, tuple):
        return tuple(marked(v) for v in value)
    if isinstance(value, dict):
        return {k: marked(v) for k, v in value.items()}
    return value


def strings(value: object) -> Iterator[str]:
    """Every text of a value."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, pd.DataFrame):
        for column in value.columns:
            yield from strings(value[column].tolist())
    elif dataclasses.is_dataclass(value):
        for f in dataclasses.fields(value):
            yield from strings(getattr(value, f.name))
    elif isinstance(value, dict):
        yield from strings([*value.keys(), *value.values()])
    elif isinstance(value, (list, tuple, set, frozenset)):
        for part in value:
            yield from strings(part)


def unmarked(page: str, data: str) -> set[str]:
    """Pieces of text with words in them that neither bear marks nor stand in the data."""
    data = data.replace("mass %", "")
    page = re.sub(r"<(style|script).*?</\1>", "", page, flags=re.DOTALL)
    texts = re.findall(r">([^<]+)<", page) + re.findall(r'aria-label="([^"]*)"', page)
    found = set()
    for text in map(html.unescape, texts):
        text = text.replace("\N{NO-BREAK SPACE}", " ").replace("mass %", "").replace("−", "-")
        bare = re.sub(r"⟦[^⟧]*(⟧|$)", "\n", text)
        for piece in re.split(r"[\n;:·→()…]|[.,] ", bare):
            shown = piece.strip(" .,%-–|'\"=*†‡0123456789")
            if re.search(r"[A-Za-z]{3}", shown) and shown not in data and shown not in ALLOWED:
                found.add(shown)
    return found


@pytest.fixture
def page(monkeypatch: pytest.MonkeyPatch) -> tuple[str, str]:
    """The page in the language of marks, and all texts of its release."""
    wild = [100.0 + (i % 2) for i in range(20)]
    wild[12] = 130.0
    controls = test_quality.record(test_quality.chart(wild))
    release = replace(builder.mixed(), controls=controls)
    data = visible("\n".join(strings(release)), keep_newlines=True).replace(
        "\N{NO-BREAK SPACE}", " "
    )
    for name, value in vars(words).items():
        if name.isupper():
            monkeypatch.setattr(words, name, marked(value))
    return screen.page(release).decode(), data


def test_every_word_of_ours_on_the_page_is_of_the_language(page: tuple[str, str]) -> None:
    assert page[0].count("⟦") > 1000
    assert sorted(unmarked(*page)) == []


def test_a_word_of_ours_that_is_in_no_language_is_found() -> None:
    assert unmarked("<p>⟦Field⟧ against laboratory</p>", "") == {"against laboratory"}
