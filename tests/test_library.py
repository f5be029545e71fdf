"""The library in a notebook: open a workspace, run a month, tables as frames, a figure."""

from __future__ import annotations

import csv
import importlib.metadata
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pandas as pd
import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.run import releasing
from tests import small
from tests.test_cli import reconcile as command

PERIOD = "2026-10"


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> reconcile.RunOutcome:
    folder = small.build(tmp_path_factory.mktemp("library") / "site", samples=20)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(releasing, "write_release", small.data_alone)
        return reconcile.run_period(str(folder), PERIOD)


def header(month: reconcile.RunOutcome, file: str) -> list[str]:
    with (month.release_folder / file).open(encoding="utf-8", newline="") as stream:
        return next(csv.reader(stream))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("frame", "file"),
    [
        (reconcile.pair_frame, "pairs.csv"),
        (reconcile.statistic_frame, "statistics.csv"),
        (reconcile.verdict_frame, "verdicts.csv"),
        (reconcile.factor_frame, "factors.csv"),
    ],
)
def test_a_frame_holds_what_the_file_of_the_release_holds(
    month: reconcile.RunOutcome, frame: Callable[[reconcile.RunOutcome], pd.DataFrame], file: str
) -> None:
    made = frame(month)
    written = pd.read_csv(month.release_folder / file)
    assert list(made.columns) == header(month, file)
    assert len(made) == len(written) > 0
    for column in made.select_dtypes("float"):
        pd.testing.assert_series_equal(
            made[column], written[column], check_dtype=False, rtol=0, atol=0
        )


def test_numbers_are_numbers_and_units_stand_in_the_heading(month: reconcile.RunOutcome) -> None:
    pairs = reconcile.pair_frame(month.reconciliation)
    assert pd.api.types.is_float_dtype(pairs["field_mean_mg_kg"])
    used = pairs[pairs["used"].astype(bool)]
    iron = used[used["stratum"].str.startswith("Fe")]
    ratio = (iron["field_mean_mg_kg"] / iron["lab_mean_mg_kg"]).median()
    assert 0.9 < ratio < 1.1  # the invented truth of tests.small


@pytest.mark.parametrize("kind", ["methods", "differences"])
def test_a_figure_shows_itself_as_svg(month: reconcile.RunOutcome, kind: Any) -> None:
    figure = reconcile.element_figure(month, "Cu", kind=kind)
    root = ElementTree.fromstring(figure._repr_svg_())
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert len(list(root.iter())) > 20
    assert "Cu" in figure.title


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        ({"element": "cu"}, "did you mean 'Cu'?"),
        ({"element": "Zn"}, "It has"),
        ({"element": "Cu", "technique": "LIBS"}, "Name technique and material of one of: Cu"),
        ({"element": "Cu", "kind": "pie"}, "Use one of: methods, differences, months"),
    ],
)
def test_what_can_not_be_drawn_is_told(
    month: reconcile.RunOutcome, wanted: dict[str, Any], told: str
) -> None:
    with pytest.raises(ReconcileError) as raised:
        reconcile.element_figure(month, **wanted)
    assert told in str(raised.value)


def test_a_workspace_is_opened_by_text_or_path(month: reconcile.RunOutcome) -> None:
    folder = month.release_folder.parents[3]
    assert reconcile.load_workspace(str(folder)) == reconcile.load_workspace(Path(folder))
    assert reconcile.check(str(folder), PERIOD).period == PERIOD
    assert reconcile.story_of(str(folder), "S001").sample_id == "S001"


def test_every_public_name_is_there_and_says_what_it_is() -> None:
    for name in reconcile.__all__:
        value = getattr(reconcile, name)
        assert name in dir(reconcile)
        assert name == "__version__" or value.__doc__, name
        assert name == "__version__" or not value.__doc__.startswith(f"{name}("), name


def test_the_version_is_that_of_the_distribution() -> None:
    version = importlib.metadata.version("reconcile-field-lab")
    assert reconcile.__version__ == version
    assert command("--version")[:2] == (0, f"reconcile {version}\n")


def test_the_module_is_the_command() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "reconcile", "--help"], capture_output=True, text=True, timeout=60,
        check=True,
    )  # fmt: skip
    assert "--install-completion" in done.stdout
    assert "check" in done.stdout
