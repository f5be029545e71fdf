"""What the rows say against the settings, and what the technique can't tell, is said."""

from __future__ import annotations

from pathlib import Path

from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file


def test_a_method_column_that_contradicts_a_fixed_fact_is_told(tmp_path: Path) -> None:
    path = tmp_path / "lab.csv"
    path.write_text("Sample,Method,Cu\nS1,M1,1\nS2,FA-25,2\nS3,m1,3\n", "utf-8")
    table = TableSettings(kind="lab", files=("x",), unit="mg/kg", fixed={"lab_method": "M1"})
    (found,) = read_file(path, "lab.csv", table, zone="UTC")
    (note,) = [n for n in found.notes if "settings fix" in n]
    assert note == (
        "the column 'Method' says 'FA-25' where the settings fix lab_method = 'M1' (1 row); what "
        "the column says holds there"
    )
    assert found.facts["lab_method"].to_pylist() == ["M1", "FA-25", "m1"]


def test_sodium_by_a_field_xrf_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "field.csv"
    path.write_text("Sample,Na,Cu\nS1,900,1\nS2,800,2\n", "utf-8")
    table = TableSettings(kind="field", files=("x",), unit="mg/kg", fixed={"technique": "XRF"})
    (found,) = read_file(path, "field.csv", table, zone="UTC")
    assert found.rows_accepted == 2
    assert set(found.quarantine["column"]) == {"Na"}
    assert "can't report this element" in found.quarantine["reason"].iloc[0]
