"""One table that holds the field's and the laboratory's results: each side reads its own."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file
from reconcile.intake.tables import TypedTable
from tests.intake.conftest import check_account


def read(folder: Path, text: str, kind: str, take: tuple[str, ...], **more: object) -> TypedTable:
    path = folder / "both.csv"
    path.write_text(text, "utf-8")
    fixed = {"technique": "XRF"} if kind == "field" else {"technique": "ICP-OES"}
    table = TableSettings(kind=kind, files=("x",), unit="mg/kg", take=take, fixed=fixed, **more)
    (found,) = read_file(path, "both.csv", table, zone="UTC")
    check_account(found)
    return found


SUFFIX = """\
sample_id,Cu_xrf,Zn_xrf,Cu_icp,Zn_icp
A-1,10,20,11,21
A-2,30,40,,
A-3,,,33,43
"""
PREFIX = SUFFIX.replace("Cu_xrf,Zn_xrf,Cu_icp,Zn_icp", "pXRF_Cu,pXRF_Zn,Assay Cu,Assay Zn")
UNKNOWN = SUFFIX.replace("Cu_xrf,Zn_xrf,Cu_icp,Zn_icp", "Cu_here,Zn_here,Cu_actual,Zn_actual")
GROUPED = (
    SUFFIX.replace("sample_id,Cu_xrf,Zn_xrf,Cu_icp,Zn_icp", "sample_id,Cu,Zn,Cu,Zn")
    .replace("sample_id", ",Handheld,,Laboratory,\nsample_id", 1)
)  # fmt: skip


@pytest.mark.parametrize(
    ("text", "field", "lab"),
    [
        (SUFFIX, "*_xrf", "*_icp"),
        (PREFIX, "pXRF_*", "Assay *"),
        (UNKNOWN, "*_here", "*_actual"),
        (GROUPED, "Handheld *", "Laboratory *"),
    ],
    ids=["suffix", "prefix", "words that nobody knows", "a heading row above"],
)
def test_each_side_reads_its_own_columns(tmp_path: Path, text: str, field: str, lab: str) -> None:
    here = read(tmp_path, text, "field", (field,))
    there = read(tmp_path, text, "lab", (lab,))
    assert [a.element for a in here.analytes] == ["Cu", "Zn"]
    assert [a.element for a in there.analytes] == ["Cu", "Zn"]
    assert here.facts["sample_id"].to_pylist() == ["A-1", "A-2"]
    assert there.facts["sample_id"].to_pylist() == ["A-1", "A-3"]


def test_rows_of_the_other_side_are_set_aside_and_not_refused(tmp_path: Path) -> None:
    here = read(tmp_path, SUFFIX, "field", ("*_xrf",))
    assert here.quarantine.empty
    assert here.rows_set_aside == (("no result of this side", 1),)
    assert here.balances


def test_an_error_column_goes_with_its_side(tmp_path: Path) -> None:
    text = "sample_id,Cu_mean,Cu_std,Cu_actual\nA-1,10,2,11\n"
    here = read(
        tmp_path, text, "field", ("*_mean", "*_std"), cells={"error_sigma": 1}
    )  # fmt: skip
    assert [c.role for c in here.columns] == ["fact", "value", "error", "ignored"]
    assert here.columns[3].why == "not among the results in 'take'"


def test_units_beside_the_mark_are_read(tmp_path: Path) -> None:
    text = "sample_id,Cu % lab,Cu ppm field\nA-1,1,10500\n"
    there = read(tmp_path, text, "lab", ("* lab",))
    here = read(tmp_path, text, "field", ("* field",))
    assert there.columns[1].to_mg_kg == 10_000
    assert here.columns[2].to_mg_kg == 1


def test_a_status_column_is_still_asked_about(tmp_path: Path) -> None:
    text = SUFFIX.replace("sample_id,", "sample_id,Flags,").replace("A-1,", "A-1,x,")
    text = text.replace("A-2,", "A-2,x,").replace("A-3,", "A-3,x,")
    here = read(tmp_path, text, "field", ("*_xrf",))
    assert here.columns[1].role == "asked"


@pytest.mark.parametrize("pattern", ["Cu", "*", "*_*"])
def test_a_pattern_needs_one_star_and_a_mark(pattern: str) -> None:
    with pytest.raises(ValidationError):
        TableSettings(kind="field", files=("x",), take=(pattern,))
