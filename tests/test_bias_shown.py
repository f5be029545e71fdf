"""The terminal says a bias as a ratio, else as a difference with its unit, else why not."""

from __future__ import annotations

from pathlib import Path

import pytest

import reconcile
from reconcile.base.model.release import StratumResult
from reconcile.commands import terminal
from reconcile.commands.bias_shown import bias_cells, released_bias
from reconcile.commands.shows import Show
from reconcile.run import releasing
from tests import small

FIELD = 'technique = "XRF", instrument = "X1", calibration = "c", matrix = "soil", moisture_basis = "dry"'  # noqa: E501
SETTINGS = f"""
[workspace]
assign_rows_by = "nothing"
[element.Cu]
unit = "g/t"
[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = {{ {FIELD} }}
cells = {{ zero = "measured" }}
[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = {{ technique = "ICP-OES", moisture_basis = "dry" }}
cells = {{ zero = "measured" }}
"""


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> reconcile.RunOutcome:
    """Cu by ratio; Zn with results of nought and below it; Pb by limits; Ni one pair; As none."""
    folder = tmp_path_factory.mktemp("bias") / "site"
    folder.mkdir()
    field, lab = ["Sample,Cu,Zn,Pb,Ni,As"], ["Sample,Cu,Zn,Pb,Ni,As"]
    for n in range(1, 26):
        low = n <= 12
        field.append(f"S{n},{n * 11},{n - 5},{'<20' if low else n * 3},{'7' if n == 1 else ''},<5")
        lab.append(
            f"S{n},{n * 10 + n % 3},{n - 6 - n % 2},{n * 3 + n % 2},{'6' if n == 1 else ''},<1"
        )
    (folder / "field.csv").write_text("\n".join(field) + "\n", encoding="utf-8")
    (folder / "lab.csv").write_text("\n".join(lab) + "\n", encoding="utf-8")
    (folder / "reconcile.toml").write_text(SETTINGS, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(releasing, "write_release", small.data_alone)
        return reconcile.run_period(folder, "all")


def of(outcome: reconcile.RunOutcome, element: str) -> StratumResult:
    (found,) = [x for x in outcome.reconciliation.results if x.stratum.element == element]
    return found


@pytest.mark.slow
def test_a_ratio_stands_with_its_interval(outcome: reconcile.RunOutcome) -> None:
    text, interval = bias_cells(of(outcome, "Cu"))
    assert 1.0 < float(text) < 1.15
    assert " to " in interval


def test_where_no_ratio_can_be_given_the_difference_stands_with_its_unit(
    outcome: reconcile.RunOutcome,
) -> None:
    text, interval = bias_cells(of(outcome, "Zn"))
    assert text.startswith("field - lab: ")
    assert text.endswith(" mg/kg")
    assert interval.endswith(" mg/kg")


def test_no_cell_of_the_verdicts_is_a_bare_dash(
    outcome: reconcile.RunOutcome, capsys: pytest.CaptureFixture[str]
) -> None:
    for x in outcome.reconciliation.results:
        for cell in bias_cells(x):
            assert cell.strip("-–— "), x.stratum.label
    terminal.show_outcome(outcome, [Show.VERDICTS])
    told = capsys.readouterr().out
    assert "field/lab, else" in told
    assert not [line for line in told.splitlines() if {"-", "–"} & set(line.split("  "))]


def test_why_nothing_can_be_given_is_said(outcome: reconcile.RunOutcome) -> None:
    text, interval = bias_cells(of(outcome, "As"))
    assert text == "no pair with a number on both sides"
    assert interval == "none"


def test_a_release_says_the_same_from_its_own_files(outcome: reconcile.RunOutcome) -> None:
    told = released_bias(Path(outcome.release_folder))
    zinc = told[of(outcome, "Zn").stratum.key]
    assert zinc.startswith("field - lab: ")
    assert zinc.endswith("mg/kg")
    assert told[of(outcome, "As").stratum.key] == "no pair with a number on both sides"
    assert float(told[of(outcome, "Cu").stratum.key]) > 1
