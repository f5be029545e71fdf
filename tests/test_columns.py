"""What columns, files and settings mean, where two meanings are possible: told, never guessed."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile import terminal
from reconcile.checking import CheckReport, check

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
