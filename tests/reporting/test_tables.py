"""Data files: exact, complete, safe to open."""

import csv
import io
import json
import math

import pandas as pd
import pytest

from reconcile.base.model.release import Reconciliation
from reconcile.base.model.tables import EXCLUSION_COLUMNS, PAIR_COLUMNS
from reconcile.reporting.figures import figures_of
from reconcile.reporting.render import tables
from tests.reporting import builder


@pytest.fixture(scope="module")
def mixed() -> Reconciliation:
    return builder.mixed()


@pytest.fixture(scope="module")
def files(mixed: Reconciliation) -> dict[str, bytes]:
    return tables.data_files(mixed)


def rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8"), newline="")))


def test_line_ends_are_newlines_and_text_is_utf8(files: dict[str, bytes]) -> None:
    for name, content in files.items():
        assert content.endswith(b"\n"), name
        text = content.decode("utf-8")
        if name.endswith(".csv"):
            assert "\r\n" not in text, name


def test_every_figure_of_every_stratum_is_in_statistics_csv_to_the_last_bit(
    files: dict[str, bytes], mixed: Reconciliation
) -> None:
    found = rows(files["statistics.csv"])
    expected = [(x.stratum.key, f) for x in mixed.results for f in figures_of(x.statistics)]
    assert len(found) == len(expected)
    for row, (_, figure) in zip(found, expected, strict=True):
        assert row["figure"] == figure.key
        value = float(row["value"]) if row["value"] else math.nan
        assert value == figure.value or (math.isnan(value) and math.isnan(figure.value))
        assert row["unit"] in {"mg/kg", "1"}


def test_statistics_json_is_standard_json_with_null_for_what_is_not_known(
    files: dict[str, bytes], mixed: Reconciliation
) -> None:
    def refuse(name: str) -> None:
        raise AssertionError(name)

    value = json.loads(files["statistics.json"], parse_constant=refuse)
    assert [s["key"] for s in value["strata"]] == [x.stratum.key for x in mixed.results]
    empty = value["strata"][-1]["figures"]["geometric_mean_ratio"]
    assert empty["value"] is None
    assert empty["reason"]
    text = files["statistics.json"].decode("utf-8")
    assert text == json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def test_pairs_csv_holds_every_pair_with_ids_as_written(
    files: dict[str, bytes], mixed: Reconciliation
) -> None:
    found = rows(files["pairs.csv"])
    assert len(found) == sum(len(x.pairs) for x in mixed.results)
    assert list(found[0]) == [tables.pair_heading(c) for c in PAIR_COLUMNS]
    ids = {row["sample_id"] for row in found}
    assert builder.MARKUP_ID in ids
    assert f"'{builder.FORMULA_ID}" in ids
    assert builder.CYRILLIC_ID in ids
    first = mixed.results[0].pairs.iloc[0]
    assert float(found[0]["field_mean_mg_kg"]) == first["field_mean"]
    assert pd.Timestamp(found[0]["field_time"]) == first["field_time"]


def test_no_csv_cell_starts_a_formula(files: dict[str, bytes]) -> None:
    for name, content in files.items():
        if name.endswith(".csv"):
            for row in csv.reader(io.StringIO(content.decode("utf-8"), newline="")):
                for cell in row:
                    assert not cell.startswith(("=", "@", "+S", "-1+")), (name, cell)


def test_exclusions_and_quarantine_are_complete(
    files: dict[str, bytes], mixed: Reconciliation
) -> None:
    assert len(rows(files["exclusions.csv"])) == len(mixed.exclusions)
    assert tuple(rows(files["exclusions.csv"])[0]) == EXCLUSION_COLUMNS
    assert len(rows(files["quarantine.csv"])) == len(mixed.quarantine)
    assert tuple(rows(files["quarantine.csv"])[0]) == tables.QUARANTINE_FILE_COLUMNS


def test_the_waterfall_balances_from_its_own_rows(files: dict[str, bytes]) -> None:
    frame = pd.read_csv(io.BytesIO(files["waterfall.csv"]))
    for _, step in frame.groupby("step"):
        first = step.iloc[0]
        assert first["entered"] - first["kept"] - step["lost"].sum() == first["balance"] == 0


def test_factors_carry_their_whole_key_covariance_and_units(
    files: dict[str, bytes], mixed: Reconciliation
) -> None:
    (row,) = rows(files["factors.csv"])
    factor = mixed.results[0].factor
    assert row["factor_id"] == factor.factor_id
    assert row["lab_method"] == factor.stratum.lab_method
    assert float(row["covariance"]) == factor.covariance[0][1]
    assert row["intercept_unit"] == "mg/kg"
    value = json.loads(files["factors.json"])
    assert value["factors"][0]["covariance"] == [list(line) for line in factor.covariance]


def test_further_columns_of_the_pairs_are_kept() -> None:
    result = builder.ordinary()
    pairs = result.pairs.assign(field_corrected_mg_kg=1.5)
    import dataclasses

    r = builder.reconciliation([dataclasses.replace(result, pairs=pairs)])
    found = rows(tables.data_files(r)["pairs.csv"])
    assert {row["field_corrected_mg_kg"] for row in found} == {"1.5"}


def test_an_empty_period_still_makes_every_file() -> None:
    files = tables.data_files(builder.reconciliation([], quarantined=0))
    assert len(rows(files["statistics.csv"])) == 0
    assert json.loads(files["statistics.json"])["strata"] == []


def test_a_curve_of_many_steps_is_thinned_and_says_how_many_it_has() -> None:
    steps = [i / 7 for i in range(1001)]
    whole = {"value": steps, "cumulative": steps[::-1], "n": 1001, "of": {"short": steps[:200]}}
    kept = tables.bounded(whole)
    assert len(kept["value"]) == tables.MOST_STEPS
    assert (kept["value"][0], kept["value"][-1]) == (steps[0], steps[-1])
    both = zip(kept["value"], kept["cumulative"], strict=True)
    assert all(steps[::-1][steps.index(value)] == other for value, other in both)
    assert (kept["steps_in_all"], kept["of"], kept["n"]) == (1001, whole["of"], 1001)
    assert tables.bounded(whole["of"]) == whole["of"]
