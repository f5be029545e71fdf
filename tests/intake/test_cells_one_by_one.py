"""Single steps from text to number whose fault no whole table would show."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pyarrow as pa
import pytest

from reconcile.base.errors import ReconcileError
from reconcile.intake import averages, cells, result_cells
from reconcile.intake.cells import EMPTY, REFUSED, CellFormat, parse_column
from reconcile.intake.headings import Column
from reconcile.intake.result_parts import Part, Results
from reconcile.intake.sheets import Body
from reconcile.intake.tables import QUANTIFIED
from tests.intake.conftest import Read


@pytest.mark.parametrize(("text", "mark"), [("1.234,5", "."), ("1,234.5", ",")])
def test_marks_that_contradict_what_the_file_has_are_refused(text: str, mark: str) -> None:
    cell = cells.parse_text(text, CellFormat.of(cast(Any, mark)))
    assert cell.code == REFUSED
    assert cell.reason


def test_blank_cells_among_texts_are_empty() -> None:
    read = parse_column(pa.array(["5 ppm", " ", "", None, "7"]), CellFormat())
    assert read.code.tolist() == [QUANTIFIED, EMPTY, EMPTY, EMPTY, QUANTIFIED]


@pytest.mark.parametrize("strange", ["5²", "5\n6"])
def test_a_digit_that_is_none_is_refused_with_its_name(strange: str) -> None:
    cell = cells.parse_text(strange, CellFormat())
    assert cell.code == REFUSED
    assert cell.reason
    assert cell.advice


@pytest.mark.parametrize(
    ("limit", "unit", "expected"), [("50", "mg/kg", 50.0), ("0.02", "%", 200.0), ("", "%", None)]
)
def test_a_limit_is_taken_in_the_unit_of_its_own_column(
    limit: str, unit: str, expected: float | None, read: Read
) -> None:
    table = read(f"Sample,Cu %,Cu LOD {unit}\nS1,<LOD,{limit}\nS2,0.5,{limit}\n", "lab")
    rows = table.values.to_pylist()
    assert rows[0]["Cu_lim"] == (None if expected is None else pytest.approx(expected))
    assert rows[1]["Cu"] == pytest.approx(5000)


def test_an_error_is_taken_in_the_unit_of_its_own_column(read: Read) -> None:
    table = read("Sample,Cu %,Cu error 1s ppm\nS1,0.5,250\n", "lab")
    assert table.values.to_pylist()[0]["Cu_err"] == pytest.approx(250)


def test_each_row_may_say_how_many_standard_deviations_its_errors_are() -> None:
    texts = pa.array(["2s", "1", " 3 sd", "σ", "0", None, "2sigma"])
    job = SimpleNamespace(facts={"_sigma": texts}, rules=CellFormat())
    found = result_cells.sigma_rows(cast(Any, job))
    assert found is not None
    np.testing.assert_array_equal(found, [2, 1, 3, np.nan, np.nan, np.nan, 2])
    without = SimpleNamespace(facts={}, rules=CellFormat())
    assert result_cells.sigma_rows(cast(Any, without)) is None


def test_rows_of_different_small_results_have_different_marks() -> None:
    read = Results(plain={"a": pa.chunked_array([[0.2, 0.4, 0.2, -5.0]])})
    marks = read.marks(1)
    assert marks[0] == marks[2]
    assert len({*marks[:2], marks[3]}) == 3


def test_a_part_without_its_column_has_no_text() -> None:
    nothing = np.empty(0, np.int64)
    part = Part(np.zeros(1, np.int8), np.ones(1), None, None, nothing, None)
    assert Results(values={"Cu": part}).text_at("Cu", 0) == ""


def test_solutions_in_a_table_of_the_field_are_refused_as_a_whole(read: Read) -> None:
    with pytest.raises(ReconcileError) as error:
        read("Sample,Cu mg/L\nS1,0.5\n", "field")
    assert error.value.message
    assert error.value.advice


def test_a_mass_of_blanks_that_is_no_number_is_refused(read: Read) -> None:
    with pytest.raises(ReconcileError) as error:
        read(
            "Sample,Mass g,Volume mL,Cu mg/L\nS1,0.25,100,2\n", "lab",
            fixed={"blank_mass_g": "some"},
        )  # fmt: skip
    assert "some" in error.value.message
    assert error.value.advice


def test_places_apart_are_readings_of_their_own() -> None:
    facts = {"sample_id": pa.array(["S"] * 4), "location": pa.array(["a", "a", "b", "b"])}
    assert averages._groups(facts, np.zeros(4, bool)).tolist() == [0, 0, 1, 1]


@pytest.mark.parametrize("role", ["fact", "ignored", "unclear", "asked"])
def test_the_word_for_an_average_is_seen_in_every_column_but_results(role: str) -> None:
    body = Body((pa.array(["1", "Average"]),), pa.array([2, 3]), ())
    means, spreads = averages._by_words((Column(0, "what", role),), body)
    assert means.tolist() == [False, True]
    assert not spreads.any()
    assert not averages._by_words((Column(0, "what", "value"),), body)[0].any()


def test_averages_that_are_our_own_means_are_said_to_be(read: Read) -> None:
    text = "Sample,Spot,Shot,Cu\n" + "".join(
        f"S{n},1,1,100\nS{n},1,2,200\nS{n},1,AVG,150\n" for n in range(6)
    )
    table = read(text, unit="mg/kg", fixed={"technique": "LIBS"})
    (note,) = [n for n in table.notes if "averages that the export" in n]
    assert "%" not in note


@pytest.mark.parametrize(("again", "told"), [(0, False), (1, True), (2, True)])
def test_rows_that_repeat_an_earlier_row_are_noted(again: int, told: bool, read: Read) -> None:
    rows = [f"S{n},1,2026-10-01 08:0{n},{n}5,{n}7" for n in (1, 2, 3)]
    rows += ["S3,2,2026-10-01 08:03,35,37"]  # another reading of equal results
    text = "\n".join(["Sample,Reading,Time,Cu,Zn", *rows, *rows[:again]]) + "\n"
    notes = [n for n in read(text, unit="mg/kg").notes if "rows repeat" in n]
    assert bool(notes) is told
    assert not told or notes[0].startswith(f"{again} rows")


def test_a_mean_of_no_number_is_no_number() -> None:
    assert math.isnan(parse_column(pa.array(["-"]), CellFormat()).value[0])
