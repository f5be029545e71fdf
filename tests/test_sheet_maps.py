"""Where samples of a sheet were taken: on its page, and as GeoJSON that is never false."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from reconcile.base.settings.workspace import WorkspaceSettings
from reconcile.commands import issuing
from reconcile.judgement.sheet_positions import WGS84, positions_of
from reconcile.reporting.document import result_sheet
from reconcile.reporting.render import sheet_geojson
from tests.test_sheets import (
    BY,
    CONTENTS,
    ISSUED_AT,
    field_only,
    folder,
    made,  # noqa: F401
    pdf_text,
)

pytestmark = pytest.mark.usefixtures("data_alone")


def row(**given: object) -> dict[str, object]:
    names = ("sample_id", "longitude", "latitude", "easting", "northing", "coordinate_system")
    return {name: given.get(name) for name in names} | {"sample_id": given.get("sample_id", "S")}


def test_degrees_without_a_system_are_wgs84_and_those_of_another_are_not() -> None:
    plain, other, spelled = (
        positions_of([row(longitude="12,5", latitude="-3.25", coordinate_system=system)],
                     WorkspaceSettings())[0][0]
        for system in (None, "NAD27", "EPSG:4326")
    )  # fmt: skip
    assert (plain.x, plain.y, plain.system, plain.is_wgs84) == (12.5, -3.25, WGS84, True)
    assert (other.system, other.is_wgs84) == ("NAD27", False)
    assert spelled.is_wgs84


def test_easting_and_northing_are_never_taken_for_degrees() -> None:
    given = WorkspaceSettings(coordinate_system="EPSG:32633")
    (found,), refused = positions_of([row(easting="500100", northing="4649776")], given)
    assert (found.system, found.unit, found.is_wgs84) == ("EPSG:32633", "m", False)
    assert refused == 0


@pytest.mark.parametrize(
    "given",
    [
        {"longitude": "200", "latitude": "10"}, {"longitude": "12", "latitude": ""},
        {"longitude": "12 30 15", "latitude": "3"}, {"easting": "1e999", "northing": "3"},
    ],
)  # fmt: skip
def test_what_is_no_position_is_counted_and_the_next_row_stands(given: dict[str, str]) -> None:
    rows = [row(**given), row(longitude="1", latitude="2")]
    (found,), refused = positions_of(rows, WorkspaceSettings())
    assert (found.x, refused) == (1.0, 1)


def located(site: Path, columns: str, cells: Callable[[int], str]) -> Path:
    """The field-only table with two further columns for each sample."""
    table = field_only(site, CONTENTS)
    first, *rows = table.read_text("utf-8").splitlines()
    numbers = {sample: i for i, sample in enumerate(CONTENTS)}
    lines = [f"{first},{columns}"] + [
        f"{line},{cells(numbers[line.partition(',')[0]])}" for line in rows
    ]
    table.write_text("\n".join(lines) + "\n", "utf-8")
    return table


@pytest.fixture
def site(made: Path, tmp_path: Path) -> Path:  # noqa: F811
    return Path(shutil.copytree(made, tmp_path / "site"))


@pytest.mark.slow
def test_a_sheet_has_a_map_and_geojson_of_what_the_rows_state(site: Path) -> None:
    table = located(site, "Longitude,Latitude", lambda i: f"{12 + i / 1000},{-3 - i / 2000}")
    made_ = issuing.issue(site, table, BY, ISSUED_AT)
    text = pdf_text(made_.folder / result_sheet.PDF)
    assert "Where the samples were taken" in text
    assert "Coordinates as given: WGS 84" in text
    content = json.loads((made_.folder / sheet_geojson.NAME).read_text("utf-8"))
    assert content["type"] == "FeatureCollection"
    by_id = {f["id"]: f for f in content["features"]}
    assert set(by_id) == set(CONTENTS)
    assert by_id["N-2"]["geometry"] == {"type": "Point", "coordinates": [12.001, -3.0005]}
    assert by_id["N-3"]["properties"]["comes_to"] == "on the acting side"
    (cu,) = [r for r in by_id["N-3"]["properties"]["results"] if r["element"] == "Cu"]
    assert cu["levels"][0]["call"] == "above"


def test_coordinates_of_another_system_are_no_geometry(site: Path) -> None:
    table = located(site, "Easting,Northing,CRS", lambda i: f"{500000 + i * 40},4649776,EPSG:32633")
    made_ = issuing.issue(site, table, BY, ISSUED_AT)
    content = json.loads((made_.folder / sheet_geojson.NAME).read_text("utf-8"))
    assert [f["geometry"] for f in content["features"]] == [None] * len(CONTENTS)
    first = content["features"][0]["properties"]
    assert (first["easting"], first["northing"]) == (500000.0, 4649776.0)
    assert first["coordinate_system"] == "EPSG:32633"
    text = pdf_text(made_.folder / result_sheet.PDF)
    assert "EPSG:32633" in text
    assert "not reprojected" in " ".join(text.split())


def test_without_coordinates_there_is_neither(site: Path) -> None:
    made_ = issuing.issue(site, site / "november.csv", BY, ISSUED_AT)
    assert not (made_.folder / sheet_geojson.NAME).exists()
    assert "Where the samples were taken" not in pdf_text(folder(site) / result_sheet.PDF)


def test_costs_are_drawn_where_the_settings_give_them(site: Path) -> None:
    with (site / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write(
            "\n[sheet]\nassay_cost = 40.0\nmissed_cost = 2000.0\nfalse_alarm_cost = 300.0\n"
            'currency = "EUR"\n'
        )
    made_ = issuing.issue(site, site / "november.csv", BY, ISSUED_AT)
    assert "Expected cost, EUR" in pdf_text(made_.folder / result_sheet.PDF)
