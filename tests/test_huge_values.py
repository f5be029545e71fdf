"""A number that no material has, wherever it stands in a file, ends in a release that says so."""

from pathlib import Path

import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from tests import small
from tests.sizes import cases

HUGE = ("1e300", "<1e300", ">1e300", "9" * 300, "1e-300")


def with_cell(folder: Path, file: str, row: int, column: int, text: str) -> Path:
    path = small.build(folder) / file
    lines = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    lines[row][column] = text
    path.write_text("\n".join(map(",".join, lines)) + "\n", encoding="utf-8")
    return folder


PLACES = (("lab.csv", 1), ("field.csv", 3))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("file", "column", "text"),
    [
        (*place, text)
        for i, text in enumerate(HUGE)
        for place in cases(PLACES, (PLACES[i % 2],) if i < 2 else ())
    ],
)
def test_a_result_that_no_material_has_does_not_stop_the_month(
    tmp_path: Path, file: str, column: int, text: str
) -> None:
    folder = with_cell(tmp_path / "site", file, 3, column, text)
    outcome = reconcile.run_period(folder, "2026-10")
    for name in ("report.pdf", "report.html", "workbook.xlsx"):
        assert (outcome.release_folder / name).stat().st_size > 10_000
    assert all(step.balance == 0 for step in outcome.reconciliation.waterfall)


def test_a_decision_level_that_no_material_has_is_told_when_the_settings_are_read(
    tmp_path: Path,
) -> None:
    folder = small.build(tmp_path / "site")
    settings = folder / "reconcile.toml"
    text = settings.read_text(encoding="utf-8").replace("value = 300", "value = 1e300")
    settings.write_text(text, encoding="utf-8")
    with pytest.raises(ReconcileError, match=r"element\.Cu\.levels"):
        reconcile.run_period(folder, "2026-10")
