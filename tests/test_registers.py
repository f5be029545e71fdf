"""Registers of instruments and laboratories, and the conditions that an export states."""

from __future__ import annotations

from pathlib import Path

import pytest

import reconcile
from reconcile.reporting.document import statements

pytestmark = pytest.mark.usefixtures("data_alone")

SETTINGS = """[workspace]
assign_rows_by = "nothing"
[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = { technique = "XRF", instrument = "X1", calibration = "soil", matrix = "soil", moisture_basis = "dry" }
[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = { technique = "ICP-OES", laboratory = "North", lab_method = "M1", moisture_basis = "dry" }
[[table]]
kind = "instruments"
files = ["instruments.csv"]
[[table]]
kind = "laboratories"
files = ["laboratories.csv"]
"""  # noqa: E501


def test_what_registers_and_exports_state_fills_the_text_and_what_ran_out_is_told(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "w"
    folder.mkdir()
    (folder / "reconcile.toml").write_text(SETTINGS, "utf-8")
    field = "".join(
        f"S{i},2026-10-05 10:{i:02d},4.1.0,{20 + i % 2},Ti,12.5,-3.25,{50 + i}\n" for i in range(20)
    )
    heading = "Sample,Date Time,Firmware,Temperature,Filter,Latitude,Longitude,Cu\n"
    (folder / "field.csv").write_text(heading + field, "utf-8")
    lab = "".join(f"S{i},2026-11-20,{50.5 + i}\n" for i in range(20))
    (folder / "lab.csv").write_text("Sample,Analysed,Cu\n" + lab, "utf-8")
    (folder / "instruments.csv").write_text(
        "Serial,Maker,Model,Calibration due,Licence\nX1,Made up,M-1,2026-09-30,L-7\n", "utf-8"
    )
    (folder / "laboratories.csv").write_text(
        "Laboratory,Method,Scope,Accreditation,Valid until\nNorth,M1,Cu in soil,A-12,2026-10-31\n",
        "utf-8",
    )
    r = reconcile.run_period(folder, "all").reconciliation
    text = " ".join(line for _, lines in statements.mineral_statement(r) for line in lines)
    for told in (
        "Made up M-1", "software: 4.1.0", "temperature: 20; 21", "filter: Ti", "12.5 to 12.5",
        "calibration due: 2026-09-30", "licence: L-7", "Laboratory: North", "accreditation: A-12",
        "scope: Cu in soil",
    ):  # fmt: skip
        assert told in text
    assert "atmosphere: [state]" in text
    codes = {f.code: f.text for f in r.findings}
    assert "2026-10-05" in codes["calibration overdue"]
    assert "2026-10-31" in codes["scope ended"]
