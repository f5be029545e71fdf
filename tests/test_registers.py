"""Registers of instruments and laboratories, and the conditions that an export states."""

from __future__ import annotations

import io
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


@pytest.mark.slow
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


PEOPLE = """id,full name,role,authorised for,authorised until
P1,Ana Lima,analyst,read xrf;issue,2026-09-30
P2,Ben Osei,analyst,read libs,
P3,Kofi Mensah,helper,,
"""
LIMITED = f'{SETTINGS}[[table]]\nkind = "evidence"\nfiles = ["papers/*"]\nrequired = false\n'


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Three persons read; the calibration was due and the scope ended in the middle."""
    folder = tmp_path / "w"
    folder.mkdir()
    (folder / "reconcile.toml").write_text(LIMITED, "utf-8")
    (folder / "people.csv").write_text(PEOPLE, "utf-8")
    who = ("Lima Ana", "Ben Osei", "Kofi Mensah", "Not Registered")
    rows = "".join(
        f"S{i},2026-{9 if i < 10 else 10}-{5 + i // 4:02d} 10:{i:02d},{who[i % 4]},{50 + i}\n"
        for i in range(20)
    )
    (folder / "field.csv").write_text("Sample,Date Time,Operator,Cu\n" + rows, "utf-8")
    lab = "".join(f"S{i},2026-{10 if i < 10 else 11}-20,{50.5 + i}\n" for i in range(20))
    (folder / "lab.csv").write_text("Sample,Analysed,Cu\n" + lab, "utf-8")
    (folder / "instruments.csv").write_text(
        "Serial,Maker,Model,Calibration due,Licence\nX1,Made up,M-1,2026-09-30,L-7\n", "utf-8"
    )
    (folder / "laboratories.csv").write_text(
        "Laboratory,Method,Scope,Accreditation,Valid until\nNorth,M1,Cu in soil,A-12,2026-10-31\n",
        "utf-8",
    )
    return folder


@pytest.mark.slow
def test_readings_by_somebody_who_may_not_or_no_longer_may_are_told(site: Path) -> None:
    told = {(f.code, f.subject) for f in reconcile.run_period(site, "all").reconciliation.findings}
    assert ("reader no longer authorised", "Ana Lima") in told
    assert ("reader not authorised", "Ben Osei") in told
    assert not [code for code, subject in told if subject == "Kofi Mensah"]


@pytest.mark.slow
def test_nobody_is_told_of_where_the_register_does_not_speak_of_reading(site: Path) -> None:
    plain = (
        PEOPLE.replace("read xrf;", "").replace("read libs", "approve").replace("2026-09-30", "")
    )
    (site / "people.csv").write_text(plain, "utf-8")
    codes = {f.code for f in reconcile.run_period(site, "all").reconciliation.findings}
    assert not codes & {"reader no longer authorised", "reader not authorised"}


def test_check_story_pairs_report_and_workbook_hold_what_registers_say(site: Path) -> None:
    from openpyxl import load_workbook

    from reconcile.commands import storytelling
    from reconcile.reporting.document import registers, workbook

    report = reconcile.check(site, "all")
    codes = {f.code for f in report.findings}
    assert {"calibration overdue", "scope ended", "reader not authorised"} <= codes
    assert report.registers.instrument("X1")
    r = reconcile.run_period(site, "all").reconciliation
    # the story
    lines = [x.what for x in storytelling.story_of(site, "S0").lines if x.kind == "registers"]
    (of_instrument,) = [x for x in lines if x.startswith("instrument X1")]
    assert "calibration due: 2026-09-30" in of_instrument
    assert any(x.startswith("laboratory North") and "A-12" in x for x in lines)
    assert any(x.startswith("person Ana Lima") and "2026-09-30" in x for x in lines)
    # pairs: S0 was read before the calibration was due and answered before the scope ended
    doubts = reconcile.pair_frame(r).set_index("sample_id")["doubts"]
    assert doubts["S0"] == ""
    assert doubts["S12"] == "calibration overdue; scope ended; reader no longer authorised"
    assert doubts["S1"] == "reader not authorised"
    # report and workbook
    (section,) = registers.section(r)
    text = str(section.blocks)
    for told in ("Made up", "A-12", "Ana Lima", "authorised until: 2026-09-30"):
        assert told in text
    book = load_workbook(io.BytesIO(workbook.workbook(r)))
    cells = {str(c.value) for row in book["Registers"].iter_rows() for c in row}
    assert {"X1", "North", "Ana Lima", "2026-09-30", "A-12"} <= cells
