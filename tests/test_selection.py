"""How samples were chosen: extremes alone show no bias, known chances weigh."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import reconcile
from reconcile.base.model.verdict import ACCEPTED, Ask
from reconcile.commands import storytelling
from reconcile.reporting.document import selection as pages

pytestmark = pytest.mark.usefixtures("data_alone")

SETTINGS = """[workspace]
assign_rows_by = "nothing"
[thresholds]
controls_required = false
[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = { technique = "XRF", instrument = "X1", calibration = "c", matrix = "soil", specimen_form = "pulp", moisture_basis = "dry", pair_type = "split" }
[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = { technique = "ICP-OES", digestion = "four acids", digestion_class = "near-total", moisture_basis = "dry" }
[[table]]
kind = "sample register"
files = ["register.csv"]
"""  # noqa: E501


def site(folder: Path, chosen: list[str], chance: list[str]) -> Path:
    """80 samples read, of which 40 went to the laboratory; unbiased."""
    folder.mkdir()
    (folder / "reconcile.toml").write_text(SETTINGS, "utf-8")
    rng = np.random.default_rng(6)
    field, lab = ["Sample,Spot,Cu"], ["Sample,Cu"]
    register = ["Sample,Selection,Inclusion probability"]
    for i in range(80):
        true = 100.0 * 1.02**i
        field += [f"S{i:02d},{k},{true * np.exp(rng.normal(0, 0.02)):.2f}" for k in range(2)]
        if i < 40:
            lab.append(f"S{i:02d},{true * np.exp(rng.normal(0, 0.01)):.2f}")
            register.append(f"S{i:02d},{chosen[i % len(chosen)]},{chance[i % len(chance)]}")
    for name, rows in (("field", field), ("lab", lab), ("register", register)):
        (folder / f"{name}.csv").write_text("\n".join(rows) + "\n", "utf-8")
    return folder


@pytest.mark.slow
def test_where_only_extremes_went_no_mean_bias_is_claimed(tmp_path: Path) -> None:
    folder = site(tmp_path / "w", ["Highest", "suspect"], [""])
    outcome = reconcile.run_period(folder, "all")
    r = outcome.reconciliation
    (of_copper,) = r.selection.strata
    assert of_copper.only_ends
    assert dict(of_copper.counts) == {"extreme": 20, "suspicion": 20}
    (result,) = r.results
    (asked,) = [c for c in result.verdict.criteria if c.ask is Ask.SELECTION]
    assert asked.outcome == "not shown"
    assert result.verdict.decision != ACCEPTED
    assert "no mean bias is claimed" in {f.code: f.text for f in r.findings}["only ends sent"]
    (section,) = pages.section(r)
    assert "no mean bias is claimed" in str(section.blocks)
    pairs = pd.read_csv(outcome.release_folder / "pairs.csv")
    assert set(pairs["selection"]) == {"extreme", "suspicion"}
    story = storytelling.story_of(folder, "S00")
    assert any("selection: extreme" in line.what for line in story.lines)


@pytest.mark.slow
def test_known_chances_weigh_and_the_share_sent_stands_beside_the_planned_one(
    tmp_path: Path,
) -> None:
    outcome = reconcile.run_period(site(tmp_path / "w", ["random"], ["0.2", "0.8"]), "all")
    r = outcome.reconciliation
    (s,) = r.selection.strata
    assert s.weighted.estimable
    assert s.with_chance == 40
    assert s.weighted.value != s.plain.value
    assert not s.only_ends
    assert s.rpd.value < s.most_rpd == 0.35
    (sent,) = r.selection.sent
    assert (sent.read, sent.answered, sent.share, sent.planned) == (80, 40, 0.5, 0.10)
    table = pd.read_csv(outcome.release_folder / "selection.csv")
    assert {"bias_weighted", "mean_relative_difference_abs", "share_sent"} <= set(table["figure"])
    (result,) = r.results
    (asked,) = [c for c in result.verdict.criteria if c.ask is Ask.SELECTION]
    assert asked.outcome == "told, not asked for"
