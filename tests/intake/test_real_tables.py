"""Public tables that nobody here wrote, read by settings alone (see real_tables/*.toml)."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from pathlib import Path

import pytest

from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file
from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, QUANTIFIED, TypedTable
from tests.intake.cell_account import account_of
from tests.intake.conftest import check_account, real_data

DATA = real_data()
pytestmark = pytest.mark.skipif(DATA is None, reason="the public real tables are not here")


@lru_cache
def tables(name: str) -> dict[str, TypedTable]:
    """The tables of one fixture, by kind and file name."""
    assert DATA is not None
    text = (Path(__file__).parent / "real_tables" / f"{name}.toml").read_text(encoding="utf-8")
    register = None
    result = {}
    for settings in tomllib.loads(text)["table"]:
        table = TableSettings.model_validate(settings)
        (file,) = table.files
        (read,) = read_file(DATA / file, file, table, zone="UTC", register=register)
        check_account(read)
        if table.kind == "sample register":
            register = read.facts.to_pandas()
        result[f"{table.kind} {Path(file).name}"] = read
    return result


def row_of(table: TypedTable, **facts: str) -> dict:
    frame = table.facts.to_pandas()
    for name, value in facts.items():
        frame = frame[frame[name] == value]
    assert len(frame) == 1
    return table.values.to_pandas().iloc[frame.index[0]].to_dict()


def test_pottery_shots_keep_limits_from_the_error_column_at_one_sigma() -> None:
    read = tables("pottery")["field field_xrf_shots.csv"]
    assert (read.rows_in_file, read.facts.num_rows, len(read.quarantine)) == (60, 60, 0)
    assert len(read.analytes) == 46
    assert not [c for c in read.columns if c.role == "unclear"]
    shot = row_of(read, reading_no="3")
    assert shot["Fe"] == 34151.1
    assert shot["Fe_err"] == pytest.approx(224.13 / 2)
    assert (shot["U_q"], shot["U_lim"]) == (BELOW, 4.85)
    assert {c.sigma for c in read.columns if c.role == "error"} == {2.0}
    times = read.facts.column("measured_at").to_pylist()
    assert times[0].isoformat() == "2017-08-28T11:45:00+00:00"
    assert read.texts.num_rows == sum(
        read.values.column(f"{a.key}_q").to_pylist().count(BELOW) for a in read.analytes
    )


def test_pottery_laboratory_headings_are_element_and_method() -> None:
    read = tables("pottery")["lab lab_wdxrf.csv"]
    assert (read.rows_in_file, read.facts.num_rows) == (32, 32)
    assert [a.key for a in read.analytes][:2] == ["Si@WDXRF", "Ti@WDXRF"]
    assert row_of(read, sample_id="H006")["Fe@WDXRF"] == 35664


def test_core_register_has_two_heading_rows_built_ids_and_controls() -> None:
    read = tables("core_register")["sample register register.xlsx"]
    facts = read.facts.to_pandas()
    assert (read.rows_in_file, len(facts)) == (68, 68)
    kinds = facts["sample_kind"].value_counts().to_dict()
    assert kinds == {"reference material": 3, "duplicate": 3, "blank": 2}
    assert facts.loc[0, ["sample_id", "lab_id", "row"]].tolist() == ["cd166-326", "A1", 3]
    duplicate = facts[facts["lab_id"] == "B21"].iloc[0]
    assert (duplicate["sample_id"], duplicate["duplicate_of"]) == ("cd166-326", "cd166-326")
    materials = facts[facts["sample_kind"] == "reference material"]
    assert materials["reference_code"].nunique() == 1  # one material, three tubes
    assert any("Sheet2" in note for note in read.notes)


def test_core_digests_become_mass_fractions_through_the_register() -> None:
    read = tables("core_register")["lab lab_icp.xlsx"]
    assert (read.rows_in_file, read.facts.num_rows, len(read.analytes)) == (80, 66, 31)
    reasons = read.quarantine["reason"].str.replace(r"'B\d+'", "'B..'", regex=True)
    assert reasons.value_counts().to_dict() == {
        "lab id 'B..' is not in the sample register": 12,
        "mg/L can't become mg/kg without a sample mass above zero": 2,
    }
    digest = row_of(read, lab_id="A1")
    # the register's own rule: mg/L * 100 / mass in g
    assert digest["Fe@238.204 nm"] == pytest.approx(34.1450032408663 * 100 / 0.2396)
    assert digest["Mo@202.031 nm"] == pytest.approx(0.0179505890719077 * 100 / 0.2396)
    assert digest["Bi@223.061 nm"] < 0
    assert set(read.facts.column("sample_kind").drop_null().to_pylist()) == {
        "duplicate",
        "reference material",
    }


def test_core_hand_held_readings_come_from_a_workbook() -> None:
    read = tables("core_register")["field field_xrf.xlsx"]
    assert (read.rows_in_file, read.facts.num_rows, len(read.analytes)) == (60, 60, 42)
    assert "Bal" not in {a.element for a in read.analytes}
    reading = row_of(read, sample_id="cd166-33")
    assert (reading["U_q"], reading["U_lim"]) == (BELOW, 8.99)
    assert reading["Mo_err"] == pytest.approx(3.17 / 2)


def test_core_benchtop_mixes_units_by_a_second_heading_row() -> None:
    read = tables("core_register")["field lab_xrf_benchtop.csv"]
    assert (read.rows_in_file, read.facts.num_rows, len(read.analytes)) == (57, 57, 82)
    row = row_of(read, sample_id="cd166-33")
    assert row["Fe"] == pytest.approx(12200)
    assert row["Cu"] == 23.5
    assert row["Ar_q"] == BELOW
    assert row_of(read, sample_id="cd166-327")["Cu_lim"] == 0.0001
    times = read.facts.column("measured_at").to_pylist()
    assert times[0].isoformat() == "2024-12-03T13:35:00+00:00"
    assert times[-1].isoformat() == "2025-01-24T16:19:00+00:00"


def test_libs_targets_are_one_file_read_twice() -> None:
    both = tables("libs_targets")
    field = both["field libs_vs_known_oxides.csv"]
    known = both["lab libs_vs_known_oxides.csv"]
    assert [a.species for a in field.analytes] == [a.species for a in known.analytes]
    assert (field.facts.num_rows, known.facts.num_rows) == (8, 7)
    assert known.quarantine["reason"].tolist() == [
        "the results of the row add up to more than 102 %"
    ]
    measured, actual = (row_of(t, sample_id="Macusanite") for t in (field, known))
    assert measured["Si"] / actual["Si"] == pytest.approx(70.4125 / 73.75)
    assert measured["Al_err"] / measured["Al"] == pytest.approx(3.7962387400463338 / 16.2)


def test_standards_export_starts_with_its_delimiter_and_has_names_in_a_note_column() -> None:
    read = tables("xrf_standards")["field field_xrf_export.csv"]
    assert (read.rows_in_file, read.facts.num_rows, len(read.analytes)) == (16, 15, 35)
    assert read.quarantine[["row", "column"]].to_numpy().tolist() == [[3, ""]]
    kinds = read.facts.column("sample_kind").to_pylist()
    assert (kinds.count("blank"), kinds.count("reference material")) == (1, 14)
    reading = row_of(read, sample_id="srm2781")
    assert (reading["Al"], reading["Al_err"], reading["Si_q"]) == (8089, 342, QUANTIFIED)
    assert reading["Mg_q"] == BELOW
    compounds = [c for c in read.columns if "Compound" in c.heading]
    assert len(compounds) == 3 * 36
    assert {c.role for c in compounds} == {"ignored"}
    assert not [c for c in read.columns if c.role == "unclear"]


def test_benchtop_export_has_grouped_headings_and_summary_lines() -> None:
    read = tables("xrf_standards")["field benchtop_export.txt"]
    assert (read.rows_in_file, read.facts.num_rows, len(read.analytes)) == (26, 24, 41)
    assert read.rows_set_aside == (("summary line", 2),)
    assert row_of(read, reading_no="1")["Mg"] == 1959.45
    # read as a field XRF, which can't report sodium: refused, with the text found
    assert set(read.quarantine["column"]) == {"Na C"}
    assert read.quarantine["found"].iloc[0] == "4071.117"
    ignored = [c.heading for c in read.columns if c.role == "ignored"]
    assert "Na Iraw" in ignored
    assert read.facts.column("sample_id").to_pylist()[0] == "poc-18-1 12cm"


NAMES = ["pottery", "core_register", "libs_targets", "xrf_standards", "replicates"]


def test_replicates_name_no_element_and_no_sample_but_the_settings_do() -> None:
    read = tables("replicates")
    nickel, copper = read["lab abbey.csv"], read["lab chem.csv"]
    assert (nickel.rows_in_file, nickel.facts.num_rows) == (31, 31)
    assert (copper.rows_in_file, copper.facts.num_rows) == (24, 24)
    assert max(nickel.values.column("Ni").to_pylist()) == 125.0  # the outlier stays
    assert max(copper.values.column("Cu").to_pylist()) == 28.95
    assert set(copper.facts.column("sample_id").to_pylist()) == {"wholemeal flour"}


def test_every_file_of_the_folder_is_read() -> None:
    assert DATA is not None
    there = {p.relative_to(DATA).as_posix() for p in DATA.rglob("*.*") if p.name != "README.md"}
    read = {t.path for name in NAMES for t in tables(name).values()}
    assert read == there


@pytest.mark.parametrize("name", NAMES)
def test_every_cell_is_accounted_for(name: str) -> None:
    assert DATA is not None
    for read in tables(name).values():
        account = account_of(DATA / read.path, read)
        assert account.balance == 0, (read.path, account)
        rows = account.rows
        assert rows["data rows"] == rows["accepted"] + rows["refused"] + rows["set aside"]


@pytest.mark.parametrize("name", NAMES)
def test_every_quarantined_row_says_why_and_what_to_do(name: str) -> None:
    for read in tables(name).values():
        for column in ("file", "reason", "advice"):
            assert (read.quarantine[column] != "").all()
        for analyte in read.analytes:
            codes = set(read.values.column(f"{analyte.key}_q").drop_null().to_pylist())
            assert codes <= {QUANTIFIED, BELOW, ABOVE, NO_RESULT}
