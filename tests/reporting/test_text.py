"""Text from files: shown whole, run by nobody."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.utils.escape import unescape
from reportlab.platypus import Paragraph

from reconcile.base import spreadsheet
from reconcile.base.characters import visible
from reconcile.reporting import fonts, text
from reconcile.reporting.render.styles import style
from tests.reporting.builder import HOSTILE_IDS

anything = st.text(st.characters(), max_size=80)


@given(anything)
def test_any_text_makes_a_paragraph_that_says_it(raw: str) -> None:
    paragraph = Paragraph(text.markup(raw), style("cell"))
    said = "".join(fragment.text for fragment in paragraph.frags)
    assert said.replace("\N{NO-BREAK SPACE}", " ") == text.printable(raw).replace(
        "\N{NO-BREAK SPACE}", " "
    )


@given(anything)
def test_printable_text_has_a_glyph_for_every_character_and_loses_none(raw: str) -> None:
    shown = text.printable(raw)
    assert all(ord(c) in fonts.covered() for c in shown)
    for c in raw:
        assert c in shown or f"⟨U+{ord(c):04X}⟩" in shown


def test_direction_and_control_characters_are_written_out() -> None:
    assert visible("a\u202eb\x07") == "a⟨U+202E⟩b⟨U+0007⟩"


def test_long_text_is_cut_and_says_how_long_it_was() -> None:
    assert text.markup("x" * 500, 20) == "x" * 20 + "… (500 characters)"


@pytest.mark.parametrize("raw", ["=1+1", "+SUM(A1)", "@x", "-1+2", "\t=1", "＝1"])
def test_csv_text_that_a_spreadsheet_would_run_gets_an_apostrophe(raw: str) -> None:
    assert spreadsheet.csv_text(raw) == f"'{raw}"


@pytest.mark.parametrize("raw", ["-12", "+5.3", "S-1", "", "a=b", "12"])
def test_csv_text_that_is_harmless_stays_as_it_is(raw: str) -> None:
    assert spreadsheet.csv_text(raw) == raw


@pytest.mark.parametrize("raw", HOSTILE_IDS)
def test_excel_text_reads_back_as_it_was_but_for_characters_that_xml_can_not_hold(raw: str) -> None:
    assert unescape(text.cell_text(raw)) == visible(raw)


def test_excel_text_is_cut_at_the_limit_of_a_cell() -> None:
    cut = text.cell_text("x" * 40_000)
    assert len(cut) == text.CELL_LIMIT
    assert cut.endswith("… (40000 characters)")
