import math

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from reconcile.intake import cells
from reconcile.intake.cells import EMPTY, REFUSED, CellFormat, decimal_evidence, parse_column
from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, QUANTIFIED

POINT = CellFormat()
COMMA = CellFormat.of(",")
OPEN = CellFormat.of("")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("5", 5),
        (" 5.25 ", 5.25),
        ("-0.5", -0.5),
        ("−0.5", -0.5),
        ("1e3", 1000),
        ("1.2E-3", 0.0012),
        ("1.2 x 10^3", 1200),
        ("1,234", 1234),
        ("1,234,567.8", 1234567.8),
        ("1 234.5", 1234.5),
        ("1\u00a0234", 1234),
        ("12'345.6", 12345.6),
        (".5", 0.5),
        ("5.", 5),
        ("+7", 7),
    ],
)
def test_numbers_are_read_whatever_their_dress(text: str, value: float) -> None:
    cell = cells.parse_text(text, POINT)
    assert (cell.code, cell.value) == (QUANTIFIED, pytest.approx(value))


@pytest.mark.parametrize(
    ("text", "value"), [("1,5", 1.5), ("1.234,5", 1234.5), ("1.234", 1234), ("0,012", 0.012)]
)
def test_decimal_commas_are_read_where_the_file_has_them(text: str, value: float) -> None:
    assert cells.parse_text(text, COMMA).value == pytest.approx(value)


@pytest.mark.parametrize(("text", "rules"), [("12,5", POINT), ("1.5", COMMA), ("1,234", OPEN)])
def test_a_mark_of_two_meanings_is_refused(text: str, rules: cells.CellFormat) -> None:
    cell = cells.parse_text(text, rules)
    assert cell.code == REFUSED
    assert cell.reason


@pytest.mark.parametrize(
    ("text", "limit"),
    [("<5", 5), ("< 0.01", 0.01), ("<=3", 3), ("≤3", 3), ("<LOD (4.2)", 4.2), ("<1,000", 1000)],
)
def test_results_below_a_limit_keep_it(text: str, limit: float) -> None:
    cell = cells.parse_text(text, POINT)
    assert (cell.code, cell.limit) == (BELOW, limit)
    assert math.isnan(cell.value)


@pytest.mark.parametrize(
    "text", ["<LOD", "< LOD", "ND", "n.d.", "bdl", "BDL", "trace", "Tr", "not detected", "<DL", "<"]
)
def test_words_for_below_have_no_limit(text: str) -> None:
    cell = cells.parse_text(text, POINT)
    assert cell.code == BELOW
    assert math.isnan(cell.limit)


@pytest.mark.parametrize("text", [">10000", "> 10000", "≥10000", ">=1e4", ">10,000"])
def test_results_above_a_limit_keep_it(text: str) -> None:
    cell = cells.parse_text(text, POINT)
    assert (cell.code, cell.limit) == (ABOVE, 10000)


@pytest.mark.parametrize(
    "text",
    ["IS", "I.S.", "insufficient sample", "NSS", "-", "--", "NA", "N/A", "#N/A", "NaN", "pending"],
)
def test_words_for_no_result(text: str) -> None:
    assert cells.parse_text(text, POINT).code == NO_RESULT


@pytest.mark.parametrize(
    "text",
    ["#DIV/0!", "abc", "5 oz/t", "12 34", "1e999", "inf", "5;6", "<-5", "< abc", "=1+1", "1.2.3",
     "5±1", "2026-01-05", "x" * 300],
)  # fmt: skip
def test_what_is_no_result_is_refused_with_reason_and_advice(text: str) -> None:
    cell = cells.parse_text(text, POINT)
    assert cell.code == REFUSED
    assert cell.reason
    assert cell.advice


@pytest.mark.parametrize(
    ("text", "factor"), [("5 %", 1e4), ("5%", 1e4), ("3 ppm", 1), ("<2 ppb", 1e-3)]
)
def test_a_unit_in_the_cell_is_kept(text: str, factor: float) -> None:
    assert cells.parse_text(text, POINT).to_mg_kg == factor


def test_words_from_the_settings_win() -> None:
    rules = CellFormat.of(".", below=("N/A",), no_result=("ND",))
    assert cells.parse_text("N/A", rules).code == BELOW
    assert cells.parse_text("ND", rules).code == NO_RESULT


def test_evidence_of_the_decimal_mark_ignores_what_reads_both_ways() -> None:
    assert decimal_evidence(["1,234", "5", "1.234"]) == (0, 0)
    assert decimal_evidence(["12,5", "0,001", "1.234,5"]) == (0, 3)
    assert decimal_evidence(["12.5", "1,234.5", ".001"]) == (3, 0)


CELL = st.one_of(
    st.none(),
    st.integers(-(10**6), 10**6).map(str),
    st.floats(-1e6, 1e6, allow_nan=False).map(lambda f: f"{f:.4f}"),
    st.floats(0, 1e9, allow_nan=False).map(repr),
    st.floats(0, 1e3, allow_nan=False).map(lambda f: f"<{f:.3g}"),
    st.sampled_from(
        [
            "<LOD",
            "ND",
            "-",
            "1,234",
            "12,5",
            ">100",
            "< 5",
            "nan",
            "inf",
            "-inf",
            "NaN",
            "+5",
            ".5",
            "5.",
            "1e5",
            "1e400",
            "5 %",
            "<",
            ">",
            "x",
            "=1",
            "\u00a05",
            " 7 ",
            "<5 ppm",
            "1 234",
            "1.234,5",
            "<-3",
            "0x10",
            "1_000",
            "١٢",
            "-0",
            "1e-400",
            "<1e400",
            "<inf",
            "<nan",
        ]
    ),
    st.text("0123456789.,<>eE+-% ", max_size=8),
)


@settings(max_examples=300, deadline=None)
@given(st.lists(CELL, max_size=40), st.sampled_from([POINT, COMMA, OPEN]))
@example(["inf", "1"], POINT)
@example(["1.5", "<2"], COMMA)
def test_columns_are_read_like_their_single_cells(
    texts: list[str], rules: cells.CellFormat
) -> None:
    cells_ = [t if t else None for t in texts]
    read = parse_column(pa.array(cells_, pa.string()), rules)
    for at, text in enumerate(cells_):
        alone = cells.parse_text(text, rules)
        assert read.code[at] == alone.code, text
        assert _same(read.value[at], alone.value), text
        limit = math.nan if read.limit is None else read.limit[at]
        assert _same(limit, alone.limit), text
        own = math.nan if read.own_unit is None else read.own_unit[at]
        assert _same(own, alone.to_mg_kg), text
        assert (at in read.refused) == (alone.code == REFUSED)


def test_slices_of_a_long_column_are_put_together(monkeypatch: pytest.MonkeyPatch) -> None:
    texts = [str(i) if i % 3 else f"<{i}" if i % 2 else "ND" for i in range(1, 400)] + [None, "x"]
    column = pa.array(texts, pa.string())
    whole = parse_column(column, POINT)
    monkeypatch.setattr(cells, "SLICE", 64)
    parts = parse_column(column, POINT)
    for name in ("code", "value", "limit", "odd"):
        assert np.array_equal(getattr(whole, name), getattr(parts, name), equal_nan=True), name
    assert whole.refused == parts.refused
    assert whole.code[-2] == EMPTY


def test_many_cells_with_units_are_read_like_single_ones() -> None:
    texts = [f"{i / 8} ppm" if i % 3 else f"-{i}%" if i % 2 else f"{i} oz/t" for i in range(600)]
    texts += ["5 wt %", "5e3 ppm", "5 x 10 %", "1,234 ppm", "12 34 ppm", "7 mg/L", "5ppm", "5 E"]
    read = parse_column(pa.array(texts), POINT)
    for at, text in enumerate(texts):
        alone = cells.parse_text(text, POINT)
        assert read.code[at] == alone.code, text
        assert _same(read.value[at], alone.value), text
        assert _same(read.own_unit[at], alone.to_mg_kg), text


def _same(one: float, other: float) -> bool:
    return (math.isnan(one) and math.isnan(other)) or one == other
