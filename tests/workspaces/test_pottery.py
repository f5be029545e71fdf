"""Field XRF on ceramics against laboratory WD-XRF: published tables, GPL-3.

Source of the tables: MunichProcedure repository, companion article Data in Brief 53:109914.
The acceptance figures were recomputed from the tables with pandas and scipy. The rule:
every shot counts alike within a sample (30 samples: 26 with two shots, two with three, two
with one), the field value is their mean; a sample with any shot below its limit takes no
part in means; ordinary least squares of the laboratory on the field mean.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from scipy import stats

import reconcile
from reconcile.base.model.release import StratumResult
from tests import volumes
from tests.workspaces.conftest import Reconciled, data_or_skip

#: element: slope, r, pairs
FIGURES = {
    "Fe": (1.10, 0.97, 30),
    "Ca": (1.06, 0.99, 30),
    "Sr": (0.98, 0.99, 30),
    "Rb": (1.08, 0.99, 30),
}


@pytest.fixture
def outcome(reconciled: Reconciled) -> reconcile.RunOutcome:
    return reconciled("pottery")


def result_of(outcome: reconcile.RunOutcome, element: str) -> StratumResult:
    found = [r for r in outcome.reconciliation.results if r.stratum.element == element]
    assert len(found) == 1
    return found[0]


def by_hand(element: str) -> pd.DataFrame:
    """Field mean and laboratory value per sample, straight from the files, mg/kg."""
    data = data_or_skip("pottery")
    shots = pd.read_csv(data / "field_xrf_shots.csv")
    lab = pd.read_csv(data / "lab_wdxrf.csv").set_index("Sample")[f"{element}.WDXRF"]
    values = pd.to_numeric(shots[element], errors="coerce")
    groups = values.groupby(shots["Sample"])
    means = groups.mean()[groups.apply(lambda v: v.notna().all())]
    return pd.DataFrame({"field": means, "lab": lab}).dropna()


@pytest.mark.slow
@pytest.mark.parametrize("element", FIGURES)
def test_the_line_of_lab_on_field_mean_is_the_one_computed_by_hand(
    outcome: reconcile.RunOutcome, element: str
) -> None:
    slope, r, pairs = FIGURES[element]
    statistics = result_of(outcome, element).statistics
    hand = by_hand(element)
    line = stats.linregress(hand["field"], hand["lab"])
    assert statistics.n_used == len(hand) == pairs
    assert statistics.fits.lab_on_field.slope.value == pytest.approx(line.slope, rel=1e-9)
    assert statistics.fits.lab_on_field.intercept.value == pytest.approx(line.intercept, rel=1e-7)
    assert statistics.agreement.correlation.r.value == pytest.approx(line.rvalue, rel=1e-9)
    assert abs(line.slope - slope) < 0.0055
    assert abs(line.rvalue - r) < 0.0055


def test_two_samples_without_a_field_reading_are_listed(outcome: reconcile.RunOutcome) -> None:
    assert outcome.reconciliation.lab_only == ("H014", "H071")
    assert outcome.reconciliation.field_only == ()


def test_sulfur_below_its_limit_is_counted_with_the_limit_from_the_error_column(
    outcome: reconcile.RunOutcome,
) -> None:
    shots = pd.read_csv(data_or_skip("pottery") / "field_xrf_shots.csv")
    below = shots["S"].eq("<LOD")
    samples = sorted(shots.loc[below, "Sample"].unique())
    assert (below.sum(), len(samples)) == (5, 4)
    result = result_of(outcome, "S")
    assert result.statistics.n_pairs == 30
    assert result.statistics.n_used == 26
    assert result.statistics.censored.field == 4
    pairs = result.pairs.set_index("sample_id")
    censored = pairs.loc[pairs["field_qualifier"].ne("")]
    assert sorted(censored.index) == samples
    assert censored["field_mean"].isna().all()
    high = pd.to_numeric(shots["S"], errors="coerce").fillna(shots["S Error"])
    low = pd.to_numeric(shots["S"], errors="coerce").fillna(0.0)
    for name in samples:
        mine = shots["Sample"].eq(name)
        assert censored.loc[name, "field_high"] == pytest.approx(high[mine].mean(), rel=1e-9)
        assert censored.loc[name, "field_low"] == pytest.approx(low[mine].mean(), rel=1e-9)


def test_the_spread_of_the_shots_gives_each_mean_its_standard_error(
    outcome: reconcile.RunOutcome,
) -> None:
    shots = pd.read_csv(data_or_skip("pottery") / "field_xrf_shots.csv")
    groups = shots["Fe"].groupby(shots["Sample"])
    pairs = result_of(outcome, "Fe").pairs.set_index("sample_id")
    sizes = groups.size()
    assert (pairs["field_n"] == sizes).all()
    several = sizes[sizes > 1].index
    expected: npt.NDArray[np.float64] = (
        (groups.std(ddof=1) / np.sqrt(sizes)).loc[several].to_numpy("float64")
    )
    assert np.allclose(pairs.loc[several, "field_se"], expected, rtol=1e-9)
    assert pairs.loc[sizes[sizes == 1].index, "field_se"].isna().all()


def test_the_account_balances_and_nothing_is_quarantined(outcome: reconcile.RunOutcome) -> None:
    assert [step.name for step in outcome.reconciliation.waterfall if step.balance] == []
    assert len(outcome.reconciliation.quarantine) == 0


@pytest.mark.slow
def test_the_report_names_the_lonely_samples(outcome: reconcile.RunOutcome) -> None:
    text = "".join(p.extract_text() for p in volumes.pages_of(outcome.release_folder))
    assert "H014" in text
    assert "H071" in text
