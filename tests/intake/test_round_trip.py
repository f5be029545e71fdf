"""Random tables in random layouts, from known truth, are read back exactly."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reconcile.base.quantities import parse_species, parse_unit
from reconcile.base.settings.tables import TableSettings
from reconcile.intake import delimited
from reconcile.intake.read import read_file
from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, QUANTIFIED, TypedTable, in_full
from tests.intake.conftest import check_account
from tests.sizes import cases

CASES = cases(500, 50)
Layout = dict[str, Any]  #: how a table is written, and what stands in it
SPECIES = ["Cu", "Zn", "Pb", "Fe2O3", "SiO2", "As", "Mn", "MgO", "FeOT", "Ni"]
UNITS = ["ppm", "mg/kg", "%", "ppb", "g/t", "µg/kg", "wt %", "oz/short ton"]
STYLES = ["{s} ({u})", "{s} {u}", "{s}_{u}", "{s} [{u}]", "{s}, {u}", "{m} {s} {u}"]


@dataclass(frozen=True)
class Cell:
    """Truth of one cell: the text's figure in the column's unit."""

    code: int | None
    text: str = ""  # the figure, with a point

    def shown(self, mark: str, thousands: bool) -> str:
        figure = self.text.replace(".", mark)
        if thousands and self.code == QUANTIFIED:
            whole, _, rest = self.text.partition(".")
            grouped = f"{int(whole):,}".replace(",", "." if mark == "," else ",")
            figure = grouped + (mark + rest if rest else "")
        return {
            QUANTIFIED: figure,
            BELOW: f"<{figure}" if self.text else "<LOD",
            ABOVE: f">{figure}",
            NO_RESULT: "NSS",
            None: "",
        }[self.code]


# three digits behind the mark could be thousands: the truth has one, two or four
FIGURE = st.tuples(st.integers(0, 9999), st.sampled_from([1, 2, 4])).flatmap(
    lambda pair: st.integers(0, 10 ** pair[1] - 1).map(lambda rest: f"{pair[0]}.{rest:0{pair[1]}d}")
)
CELL = st.one_of(
    FIGURE.map(lambda f: Cell(QUANTIFIED, f)),
    FIGURE.map(lambda f: Cell(QUANTIFIED, f)),
    FIGURE.map(lambda f: Cell(BELOW, f)),
    FIGURE.map(lambda f: Cell(ABOVE, f)),
    st.just(Cell(BELOW)),
    st.just(Cell(NO_RESULT)),
    st.just(Cell(None)),
)


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    names = draw(st.lists(st.sampled_from(SPECIES), min_size=1, max_size=5, unique_by=_element))
    units = [draw(st.sampled_from(UNITS)) for _ in names]
    rows = draw(st.integers(1, 6))
    body = [[draw(CELL) for _ in names] for _ in range(rows)]
    for row in body:
        if all(c.code is None for c in row):
            row[0] = Cell(QUANTIFIED, "1.5")
        # the whole sample can't be exceeded
        if sum(_mg_kg(c, n, u) for c, n, u in zip(row, names, units, strict=True)) > 1e6:
            row[:] = [Cell(QUANTIFIED, "0.25") for _ in row]
    kind = draw(st.sampled_from(["csv", "csv", "csv", "xlsx"]))
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"])) if kind == "csv" else ","
    return {
        "names": names,
        "units": units,
        "body": body,
        "kind": kind,
        "delimiter": delimiter,
        "mark": draw(st.sampled_from([".", ","])) if delimiter in ";\t|" else ".",
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        "thousands": draw(st.booleans()) and delimiter != ",",
        "long": draw(st.booleans()),
        "unit_row": draw(st.booleans()),
        "style": draw(st.sampled_from(STYLES)),
        "preamble": draw(st.integers(0, 3)),
        "newline": draw(st.sampled_from(["\n", "\r\n"])),
        "summary": draw(st.booleans()),
        "sep_line": draw(st.booleans()),
        "quick": draw(st.booleans()),
    }


def _element(species: str) -> str:
    found = parse_species(species)
    assert found is not None
    return found.element


def _mg_kg(cell: Cell, species: str, unit: str) -> float:
    known, found = parse_unit(unit), parse_species(species)
    assert known is not None
    assert found is not None
    if not cell.text or cell.code == ABOVE:
        return 0.0
    return float(cell.text) * known.to_mg_kg


def _rows(layout: Layout) -> list[list[str]]:
    names, units = layout["names"], layout["units"]

    def shown(cell: Cell) -> str:
        return cell.shown(layout["mark"], layout["thousands"])

    result = [[f"Certificate {i}"] for i in range(layout["preamble"])]
    if layout["long"]:
        result.append(["Sample", "Analyte", "Result", "Unit"])
        for i, row in enumerate(layout["body"]):
            for cell, name, unit in zip(row, names, units, strict=True):
                if cell.code is not None:
                    result.append([f"S{i}", name, shown(cell), unit])
        return result
    if layout["unit_row"]:
        result.append(["Sample", *names])
        result.append(["Units", *units])
    else:
        style = layout["style"]
        result.append(
            ["Sample"]
            + [style.format(s=s, u=u, m="ICP") for s, u in zip(names, units, strict=True)]
        )
    for i, row in enumerate(layout["body"]):
        result.append([f"S{i}", *(shown(cell) for cell in row)])
    if layout["summary"]:
        result.append(["Average", *("1" for _ in names)])
    return result


def _write(layout: Layout, folder: Path) -> Path:
    rows = _rows(layout)
    if layout["kind"] == "xlsx":
        path = folder / "t.xlsx"
        book = openpyxl.Workbook()
        for row in rows:
            # Excel keeps plain numbers as numbers
            book.active.append([_typed(c) if layout["quick"] else c or None for c in row])
        book.save(path)
        return path
    path = folder / "t.csv"
    delimiter, newline = layout["delimiter"], layout["newline"]
    text = newline.join(
        delimiter.join(f'"{c}"' if delimiter in c else c for c in row) for row in rows
    )
    if layout["sep_line"]:
        text = f"sep={delimiter}{newline}{text}"
    path.write_bytes((text + newline).encode(layout["encoding"]))
    return path


def _typed(text: str) -> float | str | None:
    try:
        return float(text)
    except ValueError:
        return text or None


@settings(
    max_examples=CASES,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    derandomize=True,
)
@given(layout=layouts())
def test_tables_are_read_back_exactly(
    layout: Layout, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delimited, "QUICK_FROM_BYTES", 0 if layout["quick"] else 1 << 40)
    path = _write(layout, tmp_path)
    table = TableSettings(kind="lab", files=("x",), cells={"decimal_mark": _told(layout)})
    (read,) = read_file(path, "t", table, zone="UTC")
    check_account(read)
    assert read.quarantine.empty, read.quarantine.to_string()
    got = in_full(read.values).to_pandas()
    ids = read.facts.column("sample_id").to_pylist()
    by_element = {a.element: a for a in read.analytes}
    for i, row in enumerate(layout["body"]):
        for cell, name, unit in zip(row, layout["names"], layout["units"], strict=True):
            if layout["long"] and cell.code is None:
                continue
            analyte = by_element[_element(name)]
            assert analyte.species == name
            places = [p for p, s in enumerate(ids) if s == f"S{i}"]
            if layout["long"]:
                places = [p for p in places if not math.isnan(got[f"{analyte.key}_q"][p])]
            (at,) = places
            code = got[f"{analyte.key}_q"][at]
            assert (cell.code is None and math.isnan(code)) or code == cell.code
            species, known = parse_species(name), parse_unit(unit)
            assert species is not None
            assert known is not None
            factor = Decimal(known.to_mg_kg) * Decimal(species.element_per_species)
            expected = float(Decimal(cell.text) * factor) if cell.text else math.nan
            value = (
                got[analyte.key][at] if cell.code == QUANTIFIED else got[f"{analyte.key}_lim"][at]
            )
            assert value == pytest.approx(expected, rel=1e-13, nan_ok=True)


def _told(layout: Layout) -> str:
    """The mark is told only where the cells can't tell it: no figure but thousands."""
    figures = [
        c for row in layout["body"] for c in row if c.text and c.code in {QUANTIFIED, BELOW, ABOVE}
    ]
    if layout["kind"] == "xlsx" and layout["thousands"]:
        return str(layout["mark"])
    return "" if figures else str(layout["mark"])


ROWS = st.lists(
    st.tuples(
        st.sampled_from(["S1", "S-2", "a b", "é", "x"]),
        st.sampled_from(["5", "<5", "<LOD", "1e3", "-2", "", " 7", "abc", ">9", "0.25", "2000000"]),
        st.sampled_from(["5", "ND", "", "1.25", "NSS", "5 %", "  "]),
    ),
    min_size=1,
    max_size=20,
)


@pytest.mark.slow
@settings(max_examples=CASES, deadline=None, derandomize=True,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(
    rows=ROWS,
    delimiter=st.sampled_from([",", ";", "\t"]),
    padded=st.booleans(),
    quoted=st.booleans(),
)
def test_the_quick_and_the_careful_way_give_the_same(
    rows: list[list[str]],
    delimiter: str,
    padded: bool,
    quoted: bool,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "t.csv"
    if quoted:
        rows = [[f'"{a}{delimiter}"', b, f'"{c}"'] for a, b, c in rows]
    lines = [["Sample", "Cu ppm", "Zn ppm"], *rows]
    join = f" {delimiter}" if padded else delimiter
    path.write_text("\n".join(join.join(row) for row in lines) + "\n", encoding="utf-8")
    table = TableSettings(kind="lab", files=("x",))
    results: list[TypedTable] = []
    for limit in (0, 1 << 40):
        monkeypatch.setattr(delimited, "QUICK_FROM_BYTES", limit)
        results += read_file(path, "t", table, zone="UTC")
    quick, careful = results
    assert quick.facts.equals(careful.facts)
    assert in_full(quick.values).equals(in_full(careful.values))
    assert quick.texts.to_pylist() == careful.texts.to_pylist()
    assert quick.quarantine.equals(careful.quarantine)
    assert quick.rows_in_file == careful.rows_in_file
    assert quick.notes == careful.notes
