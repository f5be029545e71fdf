"""What columns, files and settings mean, where two meanings are possible: told, never guessed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.commands import checked, terminal
from reconcile.commands.checking import CheckReport, check

pytestmark = pytest.mark.usefixtures("data_alone")

FIELD = 'kind = "field"\nunit = "mg/kg"\nfixed = { technique = "XRF", instrument = "X1", calibration = "c", matrix = "soil", moisture_basis = "dry" }'  # noqa: E501
LAB = 'kind = "lab"\nunit = "mg/kg"\nfixed = { technique = "ICP-OES", moisture_basis = "dry" }'


def site(folder: Path, *tables: str, top: str = "", **files: str) -> Path:
    """A workspace of these [[table]] parts and files (named by keyword, '|' ends a line)."""
    folder.mkdir(exist_ok=True)
    parts = "\n\n".join(f"[[table]]\n{table}" for table in tables)
    (folder / "reconcile.toml").write_text(
        f'[workspace]\nassign_rows_by = "nothing"\n{top}\n\n{parts}\n', encoding="utf-8"
    )
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text.replace("|", "\n") + "\n", encoding="utf-8")
    return folder


def shown(report: CheckReport, capsys: pytest.CaptureFixture[str]) -> str:
    """What the terminal says of it, on one line."""
    checked.show_check(report)
    return " ".join(capsys.readouterr().out.split())


# ---- readings told apart -----------------------------------------------------------------


def test_check_tells_what_told_readings_apart(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [f"S1,{n},2026-10-0{day} 09:{n:02d},{n}" for day in (1, 2) for n in range(5)]
    folder = site(
        tmp_path / "s",
        f'files = ["field.csv"]\n{FIELD}',
        f'files = ["other.csv"]\n{FIELD}',
        f'files = ["shots.csv"]\n{FIELD.replace("XRF", "LIBS")}',
        f'files = ["lab.csv"]\n{LAB}',
        field="Sample,Reading No,Time,Cu|" + "|".join(rows),
        other="Sample,Cu|S1,3|S2,4",
        shots="Sample,Reading No,Shot,Time,Operator,Cu|S3,1,1,2026-10-01 09:00,a,5|"
        "S3,1,2,2026-10-01 09:01,a,6|S3,1,1,2026-10-02 09:01,a,6",
        lab="Sample,Cu|S1,3|S2,5",
    )
    report = check(folder, "a")
    first, second, third = report.readings
    assert (first.rows, first.samples, first.readings, first.numbers) == (10, 1, 10, 5)
    assert first.by == ("reading_no", "measured_at")
    assert first.restarted
    assert (second.by, second.readings, second.restarted) == (("row",), 2, False)
    assert (third.by, third.rows, third.readings) == (("reading_no", "day", "operator"), 3, 2)
    out = shown(report, capsys)
    assert "file, sheet and reading number, time (5 numbers: some come again)" in out
    assert "row: no number is stated" in out


# ---- which elements are compared -----------------------------------------------------------

TWO = {
    "field": "Sample,Cu,Fe,Zn,As|" + "|".join(f"S{i},{i}0,2{i},3{i},9" for i in "123"),
    "lab": "Sample,Cu,Fe,Zn,Pb|" + "|".join(f"S{i},{i}1,2{i},3{i},8" for i in "123"),
}  # fmt: skip
TABLES = (f'files = ["field.csv"]\n{FIELD}', f'files = ["lab.csv"]\n{LAB}')


def compared(outcome: reconcile.RunOutcome) -> list[str]:
    """The elements that have pairs."""
    return [result.stratum.element for result in outcome.reconciliation.results]


@pytest.mark.slow
def test_setting_the_unit_of_one_element_drops_no_other(tmp_path: Path) -> None:
    folder = site(tmp_path / "s", *TABLES, top='[element.Fe]\nunit = "%"', **TWO)
    outcome = reconcile.run_period(folder, "a")
    assert compared(outcome) == ["Cu", "Fe", "Zn"]
    assert {r.stratum.element: r.unit for r in outcome.reconciliation.results}["Fe"] == "%"


@pytest.mark.slow
def test_elements_that_the_list_leaves_out_are_told_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    top = 'elements = ["Fe", "Pb"]\n[element.Cu]\nunit = "%"'
    folder = site(tmp_path / "s", *TABLES, top=top, **TWO)
    outcome = reconcile.run_period(folder, "a")
    assert compared(outcome) == ["Fe"]
    terminal.show_outcome(outcome)
    out = " ".join(capsys.readouterr().out.split())
    assert out.count("Both sides report Cu, Zn; 'elements' leaves them out.") == 1
    assert out.count("'elements' names Pb, which not both sides report.") == 1
    assert out.count("leaves out Cu, of which [element] speaks") == 1
    assert "Both sides report Cu, Zn" in shown(check(folder, "a"), capsys)


def test_elements_are_symbols(tmp_path: Path) -> None:
    folder = site(tmp_path / "s", *TABLES, top='elements = ["copper"]', **TWO)
    with pytest.raises(ReconcileError, match=r"workspace\.elements: copper: no symbol"):
        check(folder, "a")


# ---- a field compared with itself ------------------------------------------------------------


OWN = 'columns = { "Cu %s" = { means = "value", element = "Cu" }, "Cu %s" = "ignore" }'


def refused_twice(outcome: reconcile.RunOutcome) -> list[str]:
    """Files of the release that were refused for cells read as field and as laboratory."""
    return [
        f.subject
        for f in outcome.reconciliation.findings
        if f.severity == "serious" and "read the same cells" in f.text
    ]


@pytest.mark.slow
def test_a_table_read_as_both_sides_gives_no_pair(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    both = (f'files = ["a*.csv", "f*.csv"]\n{FIELD}', f'files = ["a*.csv", "b*.csv"]\n{LAB}')
    rows = "|".join(f"S{i},{10 + i},{20 + i}" for i in range(30))
    a, other = "Sample,Cu,Fe|" + rows, "Sample,Cu,Fe|" + rows.replace("S", "T")
    alone = site(tmp_path / "alone", *both, a1=a)
    with pytest.raises(ReconcileError) as stopped:
        reconcile.run_period(alone, "a")
    assert "entries 1 (field) and 2 (lab) read the same cells, 30 rows of 'Cu', 'Fe'" in str(
        stopped.value.message
    )
    # the other files go on: neither side of the refused one stands in their means
    more = site(tmp_path / "more", *both, a1=a, a2=other, f="Sample,Cu|S1,9", b="Sample,Cu|S1,8")
    outcome = reconcile.run_period(more, "a")
    assert refused_twice(outcome) == ["a1.csv", "a2.csv"]
    (result,) = outcome.reconciliation.results
    assert result.pairs[["field_mean", "field_n", "lab_mean", "lab_n"]].values.tolist() == [
        [9.0, 1.0, 8.0, 1.0]
    ]
    again = reconcile.run_period(more, "a")
    assert not again.new_release
    out = shown(check(more, "a"), capsys)
    assert "neither reading was used" in out


@pytest.mark.slow
def test_the_same_bytes_under_two_names_are_found(tmp_path: Path) -> None:
    rows = "Sample,Cu|" + "|".join(f"S{i},{10 + i}" for i in range(9))
    folder = site(
        tmp_path / "s", f'files = ["field*.csv"]\n{FIELD}', f'files = ["lab*.csv"]\n{LAB}',
        field=rows, lab=rows, lab2="Sample,Cu|T1,9", field2="Sample,Cu|T1,8",
    )  # fmt: skip
    outcome = reconcile.run_period(folder, "a")
    assert refused_twice(outcome) == ["field.csv and lab.csv"]
    (result,) = outcome.reconciliation.results
    assert list(result.pairs["sample_id"]) == ["T1"]
    accounts = {(f.path, s.kept) for f in outcome.reconciliation.account_of_files for s in f.steps}
    assert ("field.csv", 9) not in accounts


@pytest.mark.slow
def test_one_sheet_may_hold_both_sides_in_columns_or_rows_of_their_own(tmp_path: Path) -> None:
    columns = site(
        tmp_path / "columns",
        f'files = ["both.csv"]\n{FIELD}\n{OWN % ("field", "lab")}',
        f'files = ["both.csv"]\n{LAB}\n{OWN % ("lab", "field")}',
        both="Sample,Cu field,Cu lab|S1,10,11|S2,12,13",
    )
    outcome = reconcile.run_period(columns, "a")
    assert refused_twice(outcome) == []
    assert compared(outcome) == ["Cu"]
    rules = 'kind_rules = [{ column = "Side", pattern = "%s", kind = "leave out" }]'
    rows = site(
        tmp_path / "rows",
        f'files = ["both.csv"]\n{FIELD}\n{rules % "lab"}',
        f'files = ["both.csv"]\n{LAB}\n{rules % "field"}',
        both="Sample,Side,Cu|S1,field,10|S1,lab,11|S2,field,12|S2,lab,13",
    )
    outcome = reconcile.run_period(rows, "a")
    assert refused_twice(outcome) == []
    assert compared(outcome) == ["Cu"]


def test_columns_that_only_some_share_are_named(tmp_path: Path) -> None:
    folder = site(
        tmp_path / "s",
        f'files = ["*.csv"]\n{FIELD}\n{OWN % ("field", "lab")}',
        f'files = ["*.csv"]\n{LAB}\n{OWN % ("lab", "field")}',
        both="Sample,Cu field,Cu lab,Zn|S1,10,11,5|S2,12,13,5",
    )
    with pytest.raises(ReconcileError) as stopped:
        reconcile.run_period(folder, "a")
    assert "2 rows of 'Zn'." in stopped.value.message


# ---- settings that no file can meet ------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (
            'fixed = { digestion_class = "4 acid" }',
            "table.2.fixed.digestion_class: the digestion class is none of: partial, near-total, "
            "total (found '4 acid')",
        ),
        ('fixed = { moisture_basis = "damp" }', "none of: dry, as received, wet, not applicable"),
        ('fixed = { moisture_pct = 140 }', "the moisture is outside 0 to 100 % (found 140.0)"),
        ('fixed = { sample_mass_g = "half" }', "sample_mass_g: no number (found 'half')"),
        ('fixed = { analysed_at = "soon" }', "table.2.fixed.analysed_at: "),
        ('fixed = { digestoin = "four acids" }', "fixed.digestoin: no fact of a lab table"),
        ('columns = { "Sample" = "smaple_id" }', 'columns."Sample": no known meaning'),
    ],
)  # fmt: skip
def test_a_fact_that_no_row_may_hold_is_told_once_at_load(
    tmp_path: Path, line: str, told: str
) -> None:
    lab = f'files = ["lab.csv"]\nkind = "lab"\nunit = "mg/kg"\n{line}'
    folder = site(tmp_path / "s", TABLES[0], lab, **TWO)
    with pytest.raises(ReconcileError) as stopped:
        check(folder, "a")
    assert told in stopped.value.message
    assert "has 1 entry that no file can meet" in stopped.value.message


def test_usual_spellings_of_a_fixed_fact_stand(tmp_path: Path) -> None:
    lab = (
        'files = ["lab.csv"]\nkind = "lab"\nunit = "mg/kg"\nfixed = { digestion_class = "Near '
        'total", moisture_basis = "oven-dry", blank_mass_g = 0.2, reported_at = "2026-10-03" }'
    )
    report = check(site(tmp_path / "s", TABLES[0], lab, **TWO), "a")
    assert len(report.quarantine) == 0


@pytest.mark.slow
def test_a_heading_mistyped_in_the_settings_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    field = f'files = ["field*.csv"]\n{FIELD}\ncolumns = {{ "Redaing" = "reading_no" }}'
    files = {"field": "Sample,Reading,Cu|S1,1,5", "field2": "Sample,Reading No,Cu|S2,1,6"}
    lab = {"lab": "Sample,Cu|S1,5|S2,6"}
    folder = site(tmp_path / "s", field, TABLES[1], **files, **lab)
    report = check(folder, "a")
    (finding,) = [f for f in report.findings if f.severity == "warning"]
    assert finding.subject == "table.1.columns"
    assert "'Redaing'" in finding.text
    assert "field.csv, field2.csv" in finding.text
    assert "nearest: 'Reading'" in finding.text
    assert report.needs_a_person
    assert "Redaing absent no heading of this table; nearest: 'Reading'" in shown(report, capsys)
    # a heading that one of the files has is no mistake, nor is a second name for what is met
    two = field.replace('"Redaing"', '"Reading" = "reading_no", "Redaing"')
    report = check(site(tmp_path / "two", two, TABLES[1], **files, **lab), "a")
    assert {f.severity for f in report.findings} == {"note"}
    assert any("'Redaing'" in f.text for f in report.findings)
    one = field.replace("Redaing", "Reading No")
    report = check(site(tmp_path / "one", one, TABLES[1], **files, **lab), "a")
    assert [f for f in report.findings if f.severity == "warning"] == []


def test_a_file_refused_for_a_mistyped_heading_says_so(tmp_path: Path) -> None:
    field = f'files = ["field.csv"]\n{FIELD}\ncolumns = {{ "Probee" = "sample_id" }}'
    folder = site(tmp_path / "s", field, TABLES[1], field="Probe,Cu|S1,5", lab=TWO["lab"])
    with pytest.raises(ReconcileError) as stopped:
        check(folder, "a")
    assert "no column holds the sample id" in stopped.value.message
    assert "Mistyped in 'columns'? 'Probee' no heading of this table; nearest: 'Probe'." in str(
        stopped.value.message
    )


# ---- several columns that may hold the ids -------------------------------------------------------

LABELS = "Sample Name,Sample ID,Reading No,Time,Cu|" + "|".join(
    f"spot {n},S{n // 4:02d},{n},2026-10-01 09:{n:02d},{n}.5" for n in range(40)
)


def ids_taken(report: CheckReport, path: str) -> dict[str, str]:
    """Role of each column that may hold the ids of a file."""
    rows = report.columns[report.columns["path"].eq(path) & report.columns["key"].eq("sample_id")]
    return dict(zip(rows["heading"], rows["role"], strict=True))


@pytest.mark.slow
@pytest.mark.parametrize("known_by", ["register", "lab", "labels on both sides"])
def test_the_column_whose_ids_meet_the_other_side_is_taken(tmp_path: Path, known_by: str) -> None:
    ids = [f"s-{n:02d}" for n in range(10)]
    files = {"lab": "Sample,Cu|" + "|".join(f"{i},3" for i in ids), "field": LABELS}
    tables = list(TABLES)
    if known_by == "register":
        tables.append('kind = "sample register"\nfiles = ["register.csv"]')
        files["register"] = "Sample|" + "|".join(ids)
        files["lab"] = "Sample,Cu|S01,3"
    if known_by == "labels on both sides":
        # the same two words stand on both sides, but ten ids do
        files["field"] = re.sub(r"spot \d+", lambda m: ("soil", "rock")[len(m[0]) % 2], LABELS)
        files["lab"] = "Client ID,Sample ID,Cu|" + "|".join(
            f"{('soil', 'rock')[n % 2]},{i},3" for n, i in enumerate(ids)
        )
    folder = site(tmp_path / "s", *tables, **files)
    report = check(folder, "a")
    assert ids_taken(report, "field.csv")["Sample ID"] == "fact"
    assert len(report.quarantine) == 0


@pytest.mark.slow
def test_the_choice_of_the_id_column_is_told_and_a_line_turns_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab = "Sample,Cu|S01,3|S02,4|S03,4"
    report = check(site(tmp_path / "s", *TABLES, field=LABELS, lab=lab), "a")
    assert ids_taken(report, "field.csv") == {"Sample Name": "ignored", "Sample ID": "fact"}
    assert not report.needs_a_person
    line = 'columns = { "Sample Name" = "sample_id" }'
    told = (
        "'Sample ID' and 'Sample Name' may both hold the sample id; 'Sample ID' was taken, for 3 "
        "of its 10 ids stand on the other side, 0 of the 40 of 'Sample Name'. To take the other: "
    )
    assert told + line in shown(report, capsys)
    other = lab.replace("S0", "spot ")
    turned = site(tmp_path / "t", f"{TABLES[0]}\n{line}", TABLES[1], field=LABELS, lab=other)
    report = check(turned, "a")
    assert ids_taken(report, "field.csv") == {"Sample Name": "fact"}
    assert not report.needs_a_person
    assert "may both hold" not in shown(report, capsys)


def test_without_evidence_a_person_is_asked_which_column_holds_the_ids(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = check(site(tmp_path / "s", *TABLES, field=LABELS, lab="Sample,Cu|Z1,3"), "a")
    assert ids_taken(report, "field.csv") == {"Sample Name": "fact", "Sample ID": "unclear"}
    assert report.needs_a_person
    assert 'columns = { "Sample ID" = "sample_id" }' in shown(report, capsys)


@pytest.mark.slow
def test_a_new_certificate_turns_the_choice_of_the_id_column(tmp_path: Path) -> None:
    lab = f'files = ["lab*.csv"]\n{LAB}'
    folder = site(tmp_path / "s", TABLES[0], lab, field=LABELS, lab="Sample,Cu|spot 1,3")
    assert ids_taken(check(folder, "a"), "field.csv")["Sample Name"] == "fact"
    (folder / "lab2.csv").write_text("Sample,Cu\nS01,3\nS02,4\nS03,4\n", encoding="utf-8")
    assert ids_taken(check(folder, "a"), "field.csv")["Sample ID"] == "fact"
