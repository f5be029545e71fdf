"""Decimal mark and dates as the settings ask for, wherever a person reads."""

import html
import io
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from pypdf import PdfReader

from reconcile.base.model.release import Reconciliation
from reconcile.base.settings.workspace import ReportSettings
from reconcile.reporting import numbers, words
from reconcile.reporting.document import audit, report, screen
from reconcile.reporting.manner import Manner, styled, written_as
from reconcile.reporting.render.tables import data_files
from tests.reporting import builder

COMMA = Manner(decimal_mark=",", date_style="day month year")
POINTED = re.compile(r"(?<![\w.])\d+\.\d+(?![\w.])")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("recovery 93.1% (n = 8)", "recovery 93,1\N{NO-BREAK SPACE}% (n = 8)"),
        ("from -0.5 to +1.25 mg/kg.", "from −0,5 to +1,25 mg/kg."),
        ("12\N{NO-BREAK SPACE}345.5 g/t", "12\N{NO-BREAK SPACE}345,5 g/t"),
        ("1.20e+16", "1,20e+16"),
        ("until 2026-10-05", "until 5 October 2026"),
        ("at 2026-10-05T08:30:00Z", "at 5 October 2026, 08:30 UTC"),
    ],
)
def test_numbers_and_dates_in_our_sentences_take_the_readers_form(text: str, shown: str) -> None:
    with written_as(COMMA):
        assert styled(text) == shown


@pytest.mark.parametrize(
    "text",
    ["release 2026-10-r2-3fa9c2d4", "S-1.5", "version 3.11.2", "pairs_1.5.csv", "7.8.2.1",
     "found '0.35'", "A5%", "'S-5%'", "50%.csv", "mass %", "20%-rule",
     "SMP-2026-10-05", "H12.5A", "in/2026-10-05/field.csv"],
)  # fmt: skip
def test_ids_versions_file_names_and_quotations_stay_as_they_are(text: str) -> None:
    with written_as(COMMA):
        assert styled(text) == text


@pytest.mark.parametrize("text", ["95%", "95 %", "95\N{NO-BREAK SPACE}%"])
def test_a_space_stands_before_every_sign_of_a_percentage(text: str) -> None:
    shown = "95\N{NO-BREAK SPACE}%"
    assert styled(f"({text} interval -{text} to +{text}), 0{text}.") == (
        f"({shown} interval −{shown} to +{shown}), 0{shown}."
    )
    assert numbers.percent(0.95) == shown


def test_without_settings_texts_stay_but_for_the_minus() -> None:
    assert styled("-0.5 until 2026-10-05") == "−0.5 until 2026-10-05"


@given(st.floats(-1e12, 1e12, allow_nan=False), st.integers(1, 6))
def test_a_number_differs_between_the_marks_only_by_the_mark(value: float, digits: int) -> None:
    pointed = numbers.plain_sig(value, digits)
    with written_as(Manner(",")):
        assert numbers.plain_sig(value, digits).replace(",", ".") == pointed
        assert "." not in numbers.plain_sig(value, digits)


@pytest.mark.parametrize("style", list(words.DATE_STYLES))
def test_every_style_of_the_settings_has_its_words(style: str) -> None:
    assert ReportSettings(date_style=style).date_style == style
    with written_as(Manner(".", style)):
        text = styled("2026-03-09")
    assert "2026" in text
    assert re.search(r"9|09", text)


def test_an_unknown_style_is_refused() -> None:
    with pytest.raises(ValidationError):
        ReportSettings(date_style="weekday")


def quoted(text: str) -> str:
    """Without what is quoted as it stands: settings, quarantined cells, digests."""
    for start, end in ((words.SETTINGS_INTRO[:60], words.INPUTS),):
        first = text.find(start)
        if first >= 0:
            last = text.find(f"\n{end}\n", first)
            text = text[:first] + text[last if last > 0 else len(text) :]
    return text


def pointed(text: str) -> list[str]:
    return [text[max(0, m.start() - 40) : m.end() + 20] for m in POINTED.finditer(text)]


def text_of(content: bytes) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(content)).pages)


def plain_html(content: bytes) -> str:
    text = content.decode("utf-8")
    text = re.sub(r"<(style|script)>.*?</\1>", "", text, flags=re.DOTALL)
    text = re.sub(r'<section id="settings">.*?</section>', "", text, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", "\n", text))


@pytest.mark.slow
def test_the_printed_report_with_a_comma_has_no_point_within_a_number() -> None:
    value = replace(builder.mixed(), decimal_mark=",", date_style="day month year")
    text = quoted(text_of(report.report(value)) + text_of(audit.audit(value)))
    assert len(re.findall(r"\d,\d", text)) > 300
    assert pointed(text) == []


@pytest.mark.slow
def test_the_page_with_a_comma_has_no_point_within_a_number() -> None:
    value = replace(builder.mixed(), decimal_mark=",", date_style="day month year")
    text = plain_html(screen.page(value))
    assert len(re.findall(r"\d,\d", text)) > 300
    assert pointed(text) == []


@pytest.mark.slow
def test_the_examples_report_with_a_comma_has_no_point_within_a_number(
    demo_month: tuple[Reconciliation, dict[str, bytes]],
) -> None:
    value = replace(demo_month[0], decimal_mark=",", date_style="day month year")
    printed = text_of(report.report(value)) + text_of(audit.audit(value))
    for text in (quoted(printed), plain_html(screen.page(value))):
        assert len(re.findall(r"\d,\d", text)) > 300
        assert pointed(text) == []
        assert not re.search(r"(?<![\w./-])\d{4}-\d\d-\d\d(?![\w-])", text)


def test_the_data_files_keep_the_form_that_machines_read() -> None:
    value = builder.mixed()
    styled_value = replace(value, decimal_mark=",", date_style="day month year")
    assert data_files(styled_value) == data_files(value)
