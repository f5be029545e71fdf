"""What columns, files and settings mean, where two meanings are possible: told, never guessed."""

from __future__ import annotations

from pathlib import Path

import pytest

import reconcile
from reconcile import terminal
from reconcile.checking import CheckReport, check
from reconcile.errors import ReconcileError

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
    terminal.show_check(report)
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
        lab="Sample,Cu|S1,3|S2,4",
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
    "field": "Sample,Cu,Fe,Zn,As|" + "|".join(f"S{i},{10 + i},{20 + i},{30 + i},9" for i in range(6)),
    "lab": "Sample,Cu,Fe,Zn,Pb|" + "|".join(f"S{i},{11 + i},{19 + i},{33 + i},8" for i in range(6)),
}  # fmt: skip
TABLES = (f'files = ["field.csv"]\n{FIELD}', f'files = ["lab.csv"]\n{LAB}')


def compared(outcome: reconcile.RunOutcome) -> list[str]:
    """The elements that have pairs."""
    return [result.stratum.element for result in outcome.reconciliation.results]


def test_setting_the_unit_of_one_element_drops_no_other(tmp_path: Path) -> None:
    folder = site(tmp_path / "s", *TABLES, top='[element.Fe]\nunit = "%"', **TWO)
    outcome = reconcile.run_period(folder, "a")
    assert compared(outcome) == ["Cu", "Fe", "Zn"]
    assert {r.stratum.element: r.unit for r in outcome.reconciliation.results}["Fe"] == "%"


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
