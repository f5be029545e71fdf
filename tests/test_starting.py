"""Settings proposed from tables that nobody has described: right or asked, never wrong unseen."""

from __future__ import annotations

import contextlib
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.cli import app
from reconcile.commands import starting
from reconcile.commands.checking import check
from reconcile.intake.read import read_file
from reconcile.intake.workspace import load_workspace
from reconcile.proposing import answering
from reconcile.proposing.because import Because
from reconcile.proposing.proposal import Proposal, propose
from reconcile.proposing.questions import Ask, Question
from reconcile.proposing.table import Table

pytestmark = pytest.mark.usefixtures("data_alone")

LAB = "sample_id,certificate,Cu (mg/kg),Zn (mg/kg)\n" + "".join(
    f"S-{i:02d},C1,{100 + 10 * i},{50 + 5 * i}\n" for i in range(1, 13)
)
FIELD = "sample_id,reading_no,Cu (mg/kg),Zn (mg/kg)\n" + "".join(
    f"S-{i:02d},{k},{(100 + 10 * i) * 1.05:.1f},{(50 + 5 * i) * 0.95:.1f}\n"
    for i in range(1, 13) for k in (1, 2)
)  # fmt: skip
#: Answers that a person may give, by what is asked.
ANSWERS = {
    Ask.KIND: "field", Ask.TECHNIQUE: "XRF", Ask.LAB_TECHNIQUE: "ICP-OES", Ask.INSTRUMENT: "X1",
    Ask.CALIBRATION: "soil 1", Ask.LABORATORY: "Laboratory A", Ask.DIGESTION: "four acids",
    Ask.DIGESTION_CLASS: "near-total", Ask.MOISTURE: "dry", Ask.UNIT: "mg/kg",
    Ask.UNIT_AGAIN: "mg/kg", Ask.ZERO: "below limit", Ask.LIMIT: "error column", Ask.SIGMA: "2",
    Ask.COLUMN: "ignore", Ask.MASS: "sample_mass_g", Ask.VOLUME: "100", Ask.TIME: "measured_at",
    Ask.SECONDS: "count_time_s",
    Ask.ROW_KIND: "reference material", Ask.ELEMENT: "Cu", Ask.SAMPLE: "syenite",
    Ask.USE: "screening", Ask.MARGIN: "0.10",
}  # fmt: skip


def folder_of(tmp_path: Path, **files: str | bytes) -> Path:
    """A folder with these files; a double underscore stands for the dot of the name."""
    folder = tmp_path / "unsorted"
    for name, content in files.items():
        path = folder / name.replace("__", ".").replace("_IN_", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    return folder


def of_kind(proposal: Proposal, kind: str) -> Table:
    (found,) = [t for t in proposal.tables if t.kind == kind]
    return found


def value(table: Table, *key: str) -> Any:
    found = [line.value for line in table.lines if line.key == key]
    return found[0] if found else None


def asked(table: Table) -> set[Ask]:
    values = [line.value for line in table.lines]
    values += [x for v in values if isinstance(v, dict) for x in v.values()]
    return {v.ask for v in values if isinstance(v, Question)}


def answer_all(site: Path, **other: str) -> None:
    """Put an answer in the place of every open question."""

    def prompt(told: str, choices: Any, default: str, empty: bool) -> str:
        (first, *_) = answering.still_open((site / "reconcile.toml").read_text("utf-8"))
        ask = answering.asks(first, (site / "reconcile.toml").read_text("utf-8"))
        return other.get(ask.name, ANSWERS[ask])

    starting.ask_open(site, prompt)


# ---- what each table is ------------------------------------------------------------------


def test_the_sides_are_told_apart_and_ids_meet(tmp_path: Path) -> None:
    found = propose(folder_of(tmp_path, a__csv=FIELD, b__csv=LAB))
    assert [t.kind for t in found.tables] == ["field", "lab"]
    assert found.meeting is not None
    assert (found.meeting.met, found.meeting.of) == (12, 12)
    assert set(found.elements) == {"Cu", "Zn"}
    assert of_kind(found, "field").read.rows == 24


def test_chemistry_is_always_asked(tmp_path: Path) -> None:
    found = propose(folder_of(tmp_path, pxrf__csv=FIELD, icp_four_acid__csv=LAB))
    assert {Ask.DIGESTION, Ask.DIGESTION_CLASS, Ask.MOISTURE} <= asked(of_kind(found, "lab"))
    assert {Ask.CALIBRATION, Ask.INSTRUMENT} <= asked(of_kind(found, "field"))
    assert value(of_kind(found, "field"), "fixed", "technique") == "XRF"


def test_a_table_that_may_be_either_is_asked_about(tmp_path: Path) -> None:
    plain = "sample_id,Cu (mg/kg),Zn (mg/kg)\nA-1,1,2\nA-2,3,4\n"
    folder = folder_of(tmp_path, one__csv=plain)
    (table,) = propose(folder).tables
    assert asked(table) == {Ask.KIND}
    (said,) = propose(folder, {"one.csv": "lab"}).tables
    assert said.kind == "lab"
    assert Ask.KIND not in asked(said)


def test_files_of_months_become_a_pattern(tmp_path: Path) -> None:
    found = propose(
        folder_of(
            tmp_path, field_2026_10__csv=FIELD,
            **{"field_2026-09__csv": FIELD, "field_2026-10__csv": FIELD},
        )
    )  # fmt: skip
    patterns = {tuple(sorted(name for _, name in t.files)) for t in found.tables}
    assert patterns == {("field_2026-09.csv", "field_2026-10.csv", "field_2026_10.csv")}
    folder = tmp_path / "unsorted"
    (folder / "field_2026_10.csv").unlink()
    started = starting.start_from(tmp_path / "site", folder)
    raw = tomllib.loads(started.settings.read_text("utf-8"))
    assert raw["table"][0]["files"] == ["tables/field_{period}.csv"]


UNSORTED = Path(__file__).parents[1] / "demo_inputs" / "unsorted"


@pytest.fixture(scope="module")
def unsorted() -> Proposal:
    return propose(UNSORTED)


@pytest.mark.slow
def test_registers_custody_and_limits_are_known(unsorted: Proposal) -> None:
    kinds = {seen.shown: t.kind for t in unsorted.tables for seen in t.seen}
    assert kinds["sample list.csv"] == "sample register"
    assert kinds["handovers.csv"] == "custody"
    assert kinds["certified values.csv"] == "reference materials"
    assert kinds["grades.csv"] == "specification limits"
    assert kinds["settled ids.csv"] == "aliases"
    of_field = {name for name, kind in kinds.items() if kind == "field"}
    assert of_field == {
        "soil, xrf export.csv", "xrf pulps.csv", "xrf steel.csv", "libs faces.csv",
        "LIBS steel.csv",
    }  # fmt: skip
    assert sum(kind == "lab" for kind in kinds.values()) == 4
    assert all(t.read.rows == t.read.rows_in_files for t in unsorted.tables)


def table_of(proposal: Proposal, name: str) -> Table:
    return next(t for t in proposal.tables if t.files[0][1] == name)


def test_codes_of_certified_values_name_the_reference_materials(unsorted: Proposal) -> None:
    rules = value(table_of(unsorted, "xrf steel.csv"), "kind_rules")
    assert {"column": "sample_id", "pattern": "RM-A1|RM-A2", "kind": "reference material"} in rules


def test_a_column_of_words_for_kinds_of_rows_gives_rules(unsorted: Proposal) -> None:
    rules = value(table_of(unsorted, "certificates soil.csv"), "kind_rules")
    assert {(r["column"], r["pattern"], r["kind"]) for r in rules} == {
        ("QC", "method blank", "blank"), ("QC", "repeat", "duplicate"),
    }  # fmt: skip


def test_each_method_of_a_laboratory_is_asked_for_its_own_digestion(unsorted: Proposal) -> None:
    rock = [t for t in unsorted.tables if t.files[0][1] == "certificate rock 1.xlsx"]
    assert [value(t, "only") for t in rock] == [["Li", "Fe"], ["Cu", "Zn", "Pb", "As"], ["Au"]]
    assert all(Ask.DIGESTION in asked(t) for t in rock)


def test_a_limit_beside_words_for_below_is_asked_about(unsorted: Proposal) -> None:
    assert Ask.LIMIT in asked(table_of(unsorted, "xrf steel.csv"))


# ---- tables of other shapes --------------------------------------------------------------

BOTH = "Name,Cu_pXRF,Zn_pXRF,Cu_ICP,Zn_ICP\n" + "".join(
    f"P{i},{10 * i},{20 * i},{11 * i},{19 * i}\n" for i in range(1, 10)
)


def test_both_sides_in_one_table_are_seen_as_such(tmp_path: Path) -> None:
    found = propose(folder_of(tmp_path, all__csv=BOTH))
    assert value(of_kind(found, "field"), "take") == ["*_pXRF"]
    assert value(of_kind(found, "lab"), "take") == ["*_ICP"]
    assert found.meeting is not None
    assert found.meeting.met == 9


def test_a_plain_side_beside_a_marked_one_needs_one_line(tmp_path: Path) -> None:
    text = BOTH.replace("_pXRF", "")
    found = propose(folder_of(tmp_path, readings__csv=text))
    field = of_kind(found, "field")
    assert value(field, "columns", "*_ICP") == "ignore"
    assert value(of_kind(found, "lab"), "take") == ["*_ICP"]
    assert [a.element for a in field.read.tables[0].analytes] == ["Cu", "Zn"]


def test_two_methods_of_one_side_are_not_two_sides(tmp_path: Path) -> None:
    text = BOTH.replace("_pXRF", "_AAS").replace("Name", "sample_id")
    found = propose(folder_of(tmp_path, lab__csv=text))
    assert [t.kind for t in found.tables] == ["lab"]


def test_isotopes_as_headings_are_read(tmp_path: Path) -> None:
    text = "sample_id,63Cu (mg/kg),66Zn (mg/kg)\nA,1,2\nB,3,4\n"
    found = propose(folder_of(tmp_path, lab_ms__csv=text))
    (table,) = found.tables
    assert {a.element for a in table.read.tables[0].analytes} == {"Cu", "Zn"}


def test_a_preamble_is_passed_over(tmp_path: Path) -> None:
    text = "Laboratory report\nPrepared for: someone\n\n" + LAB
    (table,) = propose(folder_of(tmp_path, lab__csv=text)).tables
    assert table.read.rows == 12


def test_ids_inside_file_names_meet_by_a_rule(tmp_path: Path) -> None:
    rows = "".join(f"export/spectrum_S-{i:02d}.dat,{i}\n" for i in range(1, 13))
    field = "sample_id,Cu (mg/kg)\n" + rows.replace("spectrum_", "")
    found = propose(folder_of(tmp_path, pxrf_readings__csv=field, lab__csv=LAB))
    (rule,) = value(of_kind(found, "field"), "sample_id_rules")
    assert found.meeting is not None
    assert found.meeting.met == 12
    assert rule["replace"] == ""


def test_ids_with_a_mark_before_them_meet_by_a_rule(tmp_path: Path) -> None:
    field = FIELD.replace("S-", "site7 ")
    found = propose(folder_of(tmp_path, pxrf__csv=field, lab__csv=LAB))
    assert found.meeting is not None
    assert found.meeting.met == 12
    assert value(of_kind(found, "field"), "sample_id_rules")


def test_no_rule_is_proposed_that_makes_two_ids_one(tmp_path: Path) -> None:
    field = "sample_id,reading_no,Cu (mg/kg)\n" + "".join(
        f"{hole}-{i:02d},1,{i}\n" for hole in ("A", "B") for i in range(1, 13)
    )
    lab = LAB.replace("S-", "")
    found = propose(folder_of(tmp_path, pxrf__csv=field, lab__csv=lab))
    assert value(of_kind(found, "field"), "sample_id_rules") is None
    assert found.meeting is not None
    assert found.meeting.met == 0


def test_a_unit_that_nothing_states_is_asked_with_what_the_sizes_say(tmp_path: Path) -> None:
    lab = LAB.replace(" (mg/kg)", "")
    question = value(
        of_kind(propose(folder_of(tmp_path, p__csv=FIELD, lab__csv=lab)), "lab"), "unit"
    )
    assert isinstance(question, Question)
    assert question.found is not None
    assert question.found.code is Because.UNIT_RATIO
    assert question.found.values[2] == "mg/kg"


def test_results_that_add_up_to_a_hundred_say_so(tmp_path: Path) -> None:
    text = "sample_id,SiO2,Al2O3,CaO\n" + "".join(f"R{i},{60 + i},25,{12 - i}\n" for i in range(8))
    (table,) = propose(folder_of(tmp_path, lab_fusion__csv=text)).tables
    question = value(table, "unit")
    assert question.found.code is Because.UNIT_PERCENT


def test_a_ratio_of_ten_thousand_is_asked_before_the_first_run(tmp_path: Path) -> None:
    field = "sample_id,reading_no,Cu (mg/kg)\n" + "".join(
        f"S-{i:02d},1,{(100 + 10 * i) / 1e4:.5f}\n" for i in range(1, 13)
    )
    found = propose(folder_of(tmp_path, p__csv=field, lab__csv=LAB))
    question = value(of_kind(found, "field"), "columns", "Cu (mg/kg)")["unit"]
    assert question.ask is Ask.UNIT_AGAIN
    assert question.found.code is Because.UNIT_OFF


def test_ratios_that_are_the_factors_of_oxides_are_asked_about(tmp_path: Path) -> None:
    factors = {"Si": 2.139, "Al": 1.889, "Ca": 1.399, "Fe": 1.430}
    head = ",".join(f"{e} (%)" for e in factors)
    rows = [f"R{i}," + ",".join(f"{5 + i}" for _ in factors) for i in range(8)]
    lab = f"sample_id,certificate,{head}\n" + "\n".join(r.replace(",", ",C1,", 1) for r in rows)
    field = f"sample_id,reading_no,{head}\n" + "\n".join(
        f"R{i},1," + ",".join(f"{(5 + i) * f:.3f}" for f in factors.values()) for i in range(8)
    )
    found = propose(folder_of(tmp_path, p__csv=field, lab__csv=lab + "\n"))
    codes = {
        v["unit"].found.code
        for line in of_kind(found, "field").lines
        if isinstance(v := line.value, dict) and "unit" in v
    }
    assert codes == {Because.OXIDE}


def test_noughts_are_counted_and_asked_about(tmp_path: Path) -> None:
    text = FIELD.replace("S-01,1,115.5", "S-01,1,0").replace("S-01,2,115.5", "S-01,2,0")
    question = value(
        of_kind(propose(folder_of(tmp_path, p__csv=text, lab__csv=LAB)), "field"), "cells", "zero"
    )
    assert question.ask is Ask.ZERO
    assert question.found.values == ("Cu 2",)


def test_a_table_on_its_side_is_named_with_what_to_do(tmp_path: Path) -> None:
    text = "Element,M-1,M-2,M-3\nCu,1,2,3\nZn,2,3,4\nPb,3,4,5\nNi,1,1,1\n"
    found = propose(folder_of(tmp_path, certified__csv=text, lab__csv=LAB))
    (unread,) = found.unread
    assert "lies on its side" in unread.why


def test_a_label_and_a_sample_id_are_told_apart_by_the_other_side(tmp_path: Path) -> None:
    text = "Sample name,Sample ID,reading_no,Cu (mg/kg)\n" + "".join(
        f"run {i},S-{i:02d},1,{100 + 10 * i}\n" for i in range(1, 13)
    )
    found = propose(folder_of(tmp_path, pxrf__csv=text, lab__csv=LAB))
    assert found.meeting is not None
    assert found.meeting.met == 12


def test_errors_below_a_short_heading_are_asked_for_their_sigma(tmp_path: Path) -> None:
    text = "sample_id,reading_no,Cu ppm,Cu +/-,Zn ppm,Zn +/-\nS-01,1,100,5,50,3\nS-02,1,90,5,40,3\n"
    found = propose(folder_of(tmp_path, pxrf__csv=text))
    assert Ask.SIGMA in asked(found.tables[0])


def test_limits_that_stand_in_the_error_column_are_asked_about(tmp_path: Path) -> None:
    text = (
        "sample_id,reading_no,Cu ppm,Cu error 1s\nS-01,1,<LOD,5\nS-02,1,90,4\nS-03,1,<LOD,6\n"
    )  # fmt: skip
    (table,) = propose(folder_of(tmp_path, pxrf__csv=text)).tables
    question = value(table, "cells", "limit_from")
    assert question.found.values == ("2",)


def test_two_rows_of_headings_are_read(tmp_path: Path) -> None:
    text = "sample_id,Cu,Zn\n,mg/kg,mg/kg\nA,1,2\nB,3,4\n"
    (table,) = propose(folder_of(tmp_path, lab__csv=text)).tables
    assert table.read.rows == 2
    assert Ask.UNIT not in asked(table)


@pytest.mark.parametrize(
    "head", ["Probe;Kupfer (mg/kg);Zink (mg/kg)", "Échantillon;Cuivre (mg/kg);Zinc (mg/kg)"]
)
def test_foreign_headings_semicolons_and_marks_are_right_or_asked(
    tmp_path: Path, head: str
) -> None:
    rows = "".join(f"S-{i:02d};{100 + 10 * i},5;{50 + 5 * i},5\n" for i in range(1, 13))
    found = propose(
        folder_of(tmp_path, labor__csv=b"\xef\xbb\xbf" + f"{head}\n{rows}".encode(), p__csv=FIELD)
    )
    lab = [t for t in found.tables if "labor" in t.seen[0].shown]
    if not lab:  # not known for a table of results: it is named, nothing is read wrong
        assert any("labor" in u.shown for u in found.unread)
        return
    assert value(lab[0], "columns", head.split(";")[0]) == "sample_id"
    assert found.meeting is not None
    assert found.meeting.met == 12


# ---- registers and tables whose headings say nothing ------------------------------------

TUBES = [(f"T{i}", 30 + 7 * i) for i in range(1, 13)]
CORE_FIELD = "Reading No,SAMPLE,Cu (mg/kg)\n" + "".join(
    f"{i},core9-{depth},{100 + i}\n" for i, (_, depth) in enumerate(TUBES)
)
CORE_LAB = "Sample Id,Cu 327.393 (mg/L)\n" + "".join(
    f"{tube},{0.2 + 0.01 * i:.3f}\n" for i, (tube, _) in enumerate([*TUBES, ("T13", 0), ("T14", 0)])
)
CORE_LIST = "top,batch,ID,weight\n" + "".join(
    f"{top},{'A' if i < 7 else 'B'},{tube},0.2{i:02d}\n"
    for i, (tube, top) in enumerate([*TUBES, ("T13", "BLANK"), ("T14", "QX-4")])
)


def core(tmp_path: Path) -> Proposal:
    return propose(
        folder_of(tmp_path, field__csv=CORE_FIELD, lab_icp__csv=CORE_LAB, tubes__csv=CORE_LIST)
    )


def test_a_list_that_holds_the_laboratorys_numbers_is_the_register(tmp_path: Path) -> None:
    found = core(tmp_path)
    register = of_kind(found, "sample register")
    assert value(register, "columns", "ID") == "lab_id"
    assert value(register, "sample_id_template") == "core9-{top}"
    assert value(of_kind(found, "lab"), "look_up") == "lab_id"
    assert register.read.rows == 14


def test_the_mass_of_what_was_digested_is_asked_and_never_taken(tmp_path: Path) -> None:
    found = core(tmp_path)
    question = value(of_kind(found, "sample register"), "columns", "weight")
    assert question.ask is Ask.MASS
    assert Ask.VOLUME in asked(of_kind(found, "lab"))


def test_rows_of_a_register_that_are_no_numbers_are_blanks_or_asked_about(tmp_path: Path) -> None:
    rules = value(of_kind(core(tmp_path), "sample register"), "kind_rules")
    assert [(r["column"], r["pattern"]) for r in rules] == [("top", "BLANK"), ("top", "QX-4")]
    assert rules[0]["kind"] == "blank"
    assert rules[1]["kind"].ask is Ask.ROW_KIND


def test_answered_registers_are_read_to_the_end(tmp_path: Path) -> None:
    site = started(tmp_path, field__csv=CORE_FIELD, lab_icp__csv=CORE_LAB, tubes__csv=CORE_LIST)
    answer_all(site)
    table = {t.kind: t for t in load_workspace(site).settings.table}
    assert table["sample register"].kind_rules[1].kind == "reference material"
    assert table["lab"].fixed["digest_volume_ml"] == 100


def test_names_below_groups_that_repeat_are_headings_and_no_row(tmp_path: Path) -> None:
    text = (
        ",,Cu,,,Zn,,,Pb,,\nRun,Ident,Iraw,C,Unit,Iraw,C,Unit,Iraw,C,Unit\n"
        "1,S-01,7,100,ppm,8,50,ppm,9,20,ppm\n2,S-02,7,120,ppm,8,60,ppm,9,25,ppm\n"
    )
    (table,) = propose(folder_of(tmp_path, pxrf__csv=text)).tables
    assert value(table, "columns", "Ident") == "sample_id"
    assert table.read.rows == 2
    assert table.read.means()["Cu"] == {"S-01": 100.0, "S-02": 120.0}


def test_a_row_of_words_below_groups_is_no_row_of_headings(tmp_path: Path) -> None:
    text = "sample_id,Cu,,Zn,,Pb,\nS-1,<LOD,<LOD,<LOD,<LOD,<LOD,<LOD\nS-2,1,0.1,2,0.1,3,0.1\n"
    (table,) = propose(folder_of(tmp_path, pxrf__csv=text)).tables
    assert table.read.rows_in_files == 2


def test_times_below_no_heading_are_asked_about(tmp_path: Path) -> None:
    rows = "".join(f"S-{i:02d},2026-10-{i:02d} 10:00,{i}\n" for i in range(1, 13))
    found = propose(folder_of(tmp_path, pxrf__csv=f",,Cu (mg/kg)\n{rows}", lab__csv=LAB))
    field = of_kind(found, "field")
    assert value(field, "columns", "column 1") == "sample_id"
    assert value(field, "columns", "column 2").ask is Ask.TIME


def test_a_column_that_only_counts_rows_is_the_number_of_the_reading(tmp_path: Path) -> None:
    rows = "".join(f"{i},S-{i:02d},{i}\n" for i in range(1, 13))
    found = propose(folder_of(tmp_path, pxrf__csv=f"Nr,Name,Cu (mg/kg)\n{rows}", lab__csv=LAB))
    field = of_kind(found, "field")
    assert value(field, "columns", "Nr") == "reading_no"
    assert value(field, "columns", "Name") == "sample_id" or field.read.ids()


def test_a_duration_without_a_unit_is_asked_about(tmp_path: Path) -> None:
    rows = "".join(f"S-{i:02d},60.5,{i}\n" for i in range(1, 13))
    text = f"sample_id,Duration,Cu (mg/kg)\n{rows}"
    found = propose(folder_of(tmp_path, pxrf__csv=text, lab__csv=LAB))
    assert value(of_kind(found, "field"), "columns", "Duration").ask is Ask.SECONDS


def test_a_table_whose_headings_say_nothing_is_asked_about_where_no_other_is(
    tmp_path: Path,
) -> None:
    folder = folder_of(tmp_path, counts__csv="row,dat\n1,5.2\n2,6.5\n3,6.9\n")
    (table,) = propose(folder).tables
    assert value(table, "columns", "row") == "ignore"
    assert value(table, "columns", "dat")["element"].ask is Ask.ELEMENT
    assert value(table, "fixed", "sample_id").ask is Ask.SAMPLE
    site = tmp_path / "site"
    starting.start_from(site, folder, {"counts.csv": "lab"})
    answer_all(site)
    (raw,) = tomllib.loads((site / "reconcile.toml").read_text("utf-8"))["table"]
    read = TableSettings.model_validate(raw)
    (only,) = read_file(site / "tables" / "counts.csv", "counts.csv", read, zone="UTC")
    assert only.rows_accepted == 3


# ---- what is written ---------------------------------------------------------------------


def started(tmp_path: Path, **files: str) -> Path:
    site = tmp_path / "site"
    starting.start_from(site, folder_of(tmp_path, **files))
    return site


def test_open_questions_stop_every_command_by_their_number_and_line(tmp_path: Path) -> None:
    site = started(tmp_path, pxrf__csv=FIELD, lab__csv=LAB)
    with pytest.raises(ReconcileError, match="nobody has answered") as told:
        load_workspace(site)
    lines = (site / "reconcile.toml").read_text("utf-8").splitlines()
    numbered = [(i, line) for i, line in enumerate(lines, 1) if '"<1: ' in line]
    assert f"  - 1, line {numbered[0][0]}: " in told.value.message


def test_answered_settings_are_read_and_check_reads_what_was_proposed(tmp_path: Path) -> None:
    site = started(tmp_path, pxrf__csv=FIELD, lab__csv=LAB)
    answer_all(site)
    found = load_workspace(site).settings
    assert found.thresholds.bias_margin == 0.10
    assert found.table[1].fixed["digestion"] == "four acids"
    report = check(site, "2026-10")
    assert report.files["accepted"].tolist() == [24, 12]


def test_each_table_says_from_what_its_kind_was_seen(tmp_path: Path) -> None:
    site = started(tmp_path, pxrf__csv=FIELD, lab__csv=LAB)
    kinds = [
        line
        for line in (site / "reconcile.toml").read_text("utf-8").splitlines()
        if line.startswith("kind")
    ]
    assert kinds[0].startswith('kind = "field"   # by the file\'s name; by the columns reading_no')
    assert "by the columns certificate" in kinds[1]


def test_an_empty_answer_takes_the_entry_out(tmp_path: Path) -> None:
    site = started(tmp_path, pxrf__csv=FIELD, lab__csv=LAB)
    answer_all(site, INSTRUMENT="")
    field, _ = load_workspace(site).settings.table
    assert "instrument" not in field.fixed


def test_tables_inside_the_workspace_are_pointed_at_and_others_copied(tmp_path: Path) -> None:
    site = started(tmp_path, pxrf__csv=FIELD, lab__csv=LAB)
    assert (site / "tables" / "lab.csv").read_text() == LAB
    inside = tmp_path / "inside"
    (inside / "raw").mkdir(parents=True)
    (inside / "raw" / "lab.csv").write_text(LAB)
    made = starting.start_from(inside, inside / "raw")
    assert made.copied == 0
    assert 'files = ["raw/lab.csv"]' in made.settings.read_text("utf-8")


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    site = started(tmp_path, pxrf__csv=FIELD, lab__csv=LAB)
    with pytest.raises(ReconcileError, match="is there already"):
        starting.start_from(site, tmp_path / "unsorted")


def test_the_terminal_says_it_in_a_dozen_lines_and_asks_one_by_one(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, pxrf__csv=FIELD, lab__csv=LAB)
    site = tmp_path / "site"
    run = CliRunner()
    told = run.invoke(app, ["start", str(site), "--from", str(folder)])
    assert told.exit_code == 0
    assert len(told.output.splitlines()) <= 14
    assert "12 of 12 sample ids stand on both sides" in told.output
    answers = ["", "0.2", "X1", "soil 1", "Laboratory A", "ICP-OES", "four acids", "wrong",
               "near-total", "dry"]  # fmt: skip
    done = run.invoke(app, ["start", str(site), "--ask"], input="\n".join(answers) + "\n")
    assert done.exit_code == 0, done.output
    assert "Write one of: partial, near-total, total." in done.output
    found = load_workspace(site).settings
    assert (found.report.use, found.thresholds.bias_margin) == ("screening", 0.2)


def test_a_folder_without_tables_says_so(tmp_path: Path) -> None:
    with pytest.raises(ReconcileError, match="No table that can be read"):
        starting.start_from(tmp_path / "site", folder_of(tmp_path, photo__jpg=b"\xff\xd8\xff"))


# ---- whatever is proposed can be read ------------------------------------------------------

HEADINGS = st.sampled_from(
    ["Cu (mg/kg)", "Zn ppm", "Fe %", "Pb", "As_icp", "pXRF_Ni", "SiO2 (%)", "Cr +/-", "63Cu ppb",
     "Operator", "Zone", "Flags", "Note", "Depth", "Date", "Laboratory", "QC", "Kupfer", ""]
)  # fmt: skip
CELLS = st.sampled_from(
    ["1", "2.5", "<3", "0", "", "n.a.", "12,5", "<LOD", "x", "-1", "2026-10-05"]
)


@st.composite
def tables(draw: st.DrawFn, own: str) -> str:
    """A table as somebody might have it: an id column under any name, and columns of all sorts."""
    columns = [own, *draw(st.lists(HEADINGS, min_size=1, max_size=5, unique=True))]
    name = draw(st.sampled_from(["sample_id", "Name", "Probe", "Sample", ""]))
    row = st.lists(CELLS, min_size=len(columns), max_size=len(columns))
    rows = draw(st.lists(row, min_size=1, max_size=5))
    mark = ";" if any("," in c for row in rows for c in row) else ","
    lines = [mark.join([name, *columns])]
    lines += [mark.join([f"S-{i}", *row]) for i, row in enumerate(rows)]
    return "\n".join(lines) + "\n"


@pytest.mark.slow
@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(tables("reading_no"), tables("certificate"))
def test_whatever_is_proposed_is_taken_by_the_settings_and_read_the_same(
    tmp_path_factory: pytest.TempPathFactory, first: str, second: str
) -> None:
    tmp = tmp_path_factory.mktemp("start")
    folder = folder_of(tmp, pxrf_a__csv=first, lab_b__csv=second)
    proposal = propose(folder)
    kinds = {t.kind for t in proposal.tables if not asked(t) & {Ask.KIND}}
    if not {"field", "lab"} <= kinds:  # told; a person says which file is what
        return
    made = starting.start_from(tmp / "site", folder)
    answer_all(tmp / "site")
    workspace = load_workspace(tmp / "site")
    for table, proposed in zip(workspace.settings.table, made.proposal.tables, strict=True):
        read = 0
        for pattern in table.files:
            with contextlib.suppress(ReconcileError):
                path = tmp / "site" / pattern
                read += sum(
                    t.rows_accepted for t in read_file(path, pattern, table, zone="UTC")
                )  # fmt: skip
        # an answer may take rows in or out (a nought, a unit, a column that is ignored)
        if not any(isinstance(line.value, Question) and line.key[0] in {"cells", "columns", "unit"}
                   for line in proposed.lines):  # fmt: skip
            assert read == proposed.read.rows
