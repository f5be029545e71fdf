"""Averages that an export adds are no readings: found, set aside, held against our own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from reconcile.base.settings.tables import CellRules, TableSettings
from reconcile.intake.read import read_file
from reconcile.intake.tables import TypedTable

RNG = np.random.default_rng(11)


def read(path: Path, text: str, **rules: object) -> TypedTable:
    path.write_text(text, "utf-8")
    table = TableSettings(
        kind="field", files=("x",), unit="mg/kg", fixed={"technique": "LIBS"},
        cells=CellRules(**rules), above_largest_sum="tell",
    )  # fmt: skip
    (found,) = read_file(path, path.name, table, zone="UTC")
    assert found.balances
    return found


def shots(word: str = "AVG", shift: float = 1.0, digits: int = 2, samples: int = 1) -> str:
    """Five spots of three shots each, and a row of the export's mean below each spot."""
    rng = np.random.default_rng(3)
    lines = ["Sample,Spot,Shot,Cu,Fe"]
    for sample in range(samples):
        for spot in range(1, 6):
            values = rng.normal([300, 20000], [25, 900], (3, 2)).round(digits)
            lines += [
                f"S{sample},{spot},{shot},{cu:.{digits}f},{fe:.{digits}f}"
                for shot, (cu, fe) in enumerate(values, 1)
            ]
            cu, fe = values.mean(axis=0) * [shift, 1]
            lines.append(f"S{sample},{spot},{word},{cu:.{digits}f},{fe:.{digits}f}")
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("word", ["AVG", "avg", "Average", "mean", "Mean:", "Ave of 3"])
def test_a_row_that_says_average_is_no_shot(tmp_path: Path, word: str) -> None:
    table = read(tmp_path / "f.csv", shots(word))
    assert table.rows_accepted == 15
    aside = dict(table.rows_set_aside)
    assert sum(aside.values()) == 5


def test_an_average_is_known_by_its_numbers_where_no_word_says_so(tmp_path: Path) -> None:
    table = read(tmp_path / "f.csv", shots("4"))
    assert table.rows_accepted == 15
    assert table.rows_set_aside == (("average of the export", 5),)


def test_averages_of_single_readings_of_one_element_are_known_by_number(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    lines = ["Sample,Cu (%)"]
    for sample in range(8):
        values = rng.normal(1.5, 0.1, 4).round(4)
        lines += [f"S{sample},{v:.4f}" for v in (*values, values.mean())]
    table = read(tmp_path / "f.csv", "\n".join(lines) + "\n")
    assert table.rows_accepted == 32


def test_the_averages_are_compared_with_our_own_means(tmp_path: Path) -> None:
    same = read(tmp_path / "f.csv", shots())
    assert any("5 rows are averages" in n and "0.00%" in n for n in same.notes), same.notes
    other = read(tmp_path / "g.csv", shots(shift=1.1))
    assert other.rows_accepted == 15
    assert any("10.00% (Cu of S0)" in n for n in other.notes), other.notes


def test_a_spread_in_the_number_of_a_shot_goes_with_its_averages(tmp_path: Path) -> None:
    text = shots().replace("S0,1,AVG", "S0,1,SD,24.1,812.0\nS0,1,AVG")
    table = read(tmp_path / "f.csv", text)
    assert table.rows_accepted == 15
    assert dict(table.rows_set_aside) == {"average of the export": 5, "spread of the export": 1}


def test_an_average_without_the_readings_behind_it_stays_and_is_told(tmp_path: Path) -> None:
    text = "Sample,Reading,Cu\nS1,Average,100\nS2,Average,200\nS3,Average,300\nS4,1,4\n"
    table = read(tmp_path / "f.csv", text)
    assert table.rows_accepted == 4
    assert any("3 rows are averages" in n and "not in the file" in n for n in table.notes)


@pytest.mark.parametrize("seed", range(20))
def test_ordinary_readings_are_never_taken_for_averages(tmp_path: Path, seed: int) -> None:
    """Whole numbers of little scatter meet the mean of the others often: three in ten."""
    rng = np.random.default_rng(seed)
    lines = ["Sample,Cu,Zn"]
    for sample in range(4):
        lines += [f"S{sample},{a},{b}" for a, b in rng.integers(100, 105, (4, 2))]
    table = read(tmp_path / "f.csv", "\n".join(lines) + "\n")
    assert table.rows_accepted == 16


def test_an_operator_called_mean_reads_no_averages(tmp_path: Path) -> None:
    text = "Sample,Operator,Cu\nS1,A,100\nS1,Mean,107\nS2,A,90\nS2,Mean,95\n"
    assert read(tmp_path / "f.csv", text).rows_accepted == 4


def test_the_settings_may_keep_them(tmp_path: Path) -> None:
    assert read(tmp_path / "f.csv", shots("4"), averages="keep").rows_accepted == 20


@pytest.mark.parametrize("name", ["D", "d", "S", "Device 1", "M", "R"])
def test_a_sample_named_by_a_letter_is_no_spread(tmp_path: Path, name: str) -> None:
    path = tmp_path / "field.csv"
    path.write_text(f"Sample,Cu,Zn\nA,80,24\nB,81,25\n{name},82,26\n", "utf-8")
    settings = TableSettings(kind="field", files=("field.csv",), unit="mg/kg")
    (table,) = read_file(path, "field.csv", settings, zone="UTC")
    assert dict(table.rows_set_aside) == {}
    assert table.facts.column("sample_id").to_pylist() == ["A", "B", name]
