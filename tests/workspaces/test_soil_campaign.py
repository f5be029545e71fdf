"""A published campaign of field XRF against a laboratory, with the figures it printed.

Source: field study report DEMO-X, phase 5 (October 2009, in Dutch), appendices: 160 soils
by field XRF, 120 of them by a laboratory; printed regressions of log10(field) on log10(lab)
with 95 % intervals and r squared, to two decimals. The rule that gives its figures: pairs
above both limits, the samples that it names left out element by element, ordinary least
squares. For lead it prints 108 pairs and its own tables hold 106. Minus signs that the
stored text had lost were restored.
"""

from __future__ import annotations

import math

import pandas as pd
import pytest

import reconcile
from reconcile.base.model.release import StratumResult
from reconcile.statistics import precision
from tests.workspaces import PUBLISHED
from tests.workspaces.conftest import Reconciled

pytestmark = pytest.mark.slow

PRINTED = pd.read_csv(
    PUBLISHED / "soil_xrf_campaign_2009_published.csv", comment="#", index_col="element"
)
#: One unit in the last printed digit, and a little for the rounding of the printed data.
TOLERANCE = 0.007
#: Relative repeatability in % and pairs as printed. For V the printed figures can't be got
#: from the printed duplicates (4 pairs above both limits, 7 printed); it is left out here.
PRECISION = {
    "Zn": (8.9, 35), "Ni": (20, 12), "Cr": (21, 7), "Ba": (12, 34), "Cd": (13, 6), "Hg": (13, 5),
    "Sb": (24, 19), "As": (18, 19), "Cu": (20, 27), "Sn": (23, 30), "Pb": (14, 34),
}  # fmt: skip
#: Pairs found where they differ from the printed number by one.
FOUND = {"As": 20, "Cu": 28, "Sn": 29, "Pb": 33}


@pytest.fixture
def campaign(reconciled: Reconciled) -> reconcile.RunOutcome:
    return reconciled("soil_campaign")


@pytest.fixture
def duplicates(reconciled: Reconciled) -> reconcile.RunOutcome:
    return reconciled("soil_duplicates")


def result_of(outcome: reconcile.RunOutcome, element: str) -> StratumResult:
    found = [r for r in outcome.reconciliation.results if r.stratum.element == element]
    assert len(found) == 1
    return found[0]


@pytest.mark.slow
@pytest.mark.parametrize("symbol", PRINTED.index)
def test_every_printed_figure_of_the_regression_comes_out(
    campaign: reconcile.RunOutcome, symbol: str
) -> None:
    printed = PRINTED.loc[symbol]
    statistics = result_of(campaign, symbol.capitalize()).statistics
    line = statistics.fits.log
    found = {
        "intercept": line.intercept.value,
        "intercept_lo": line.intercept.low,
        "intercept_hi": line.intercept.high,
        "slope": line.slope.value,
        "slope_lo": line.slope.low,
        "slope_hi": line.slope.high,
        "r2": statistics.fits.log_r_squared,
    }
    off = {k: (v, printed[k]) for k, v in found.items() if not abs(v - printed[k]) <= TOLERANCE}
    assert off == {}
    pairs = 106 if symbol == "pb" else int(str(printed["n"]))
    assert statistics.n_used == line.slope.n == pairs


def test_zinc_is_the_campaigns_good_case(campaign: reconcile.RunOutcome) -> None:
    statistics = result_of(campaign, "Zn").statistics
    assert round(statistics.fits.log.slope.value, 2) == 1.00
    assert round(statistics.fits.log.intercept.value, 2) == 0.11
    assert round(statistics.fits.log_r_squared, 2) == 0.94
    assert statistics.n_used == 115


def test_samples_that_the_report_left_out_stay_visible(campaign: reconcile.RunOutcome) -> None:
    for symbol, text in PRINTED["samples_excluded"].dropna().items():
        pairs = result_of(campaign, str(symbol).capitalize()).pairs.set_index("sample_id")
        for sample in str(text).split():
            if sample not in pairs.index:  # the report names samples that no laboratory saw
                continue
            assert not pairs.loc[sample, "used"]
            assert "published report" in str(pairs.loc[sample, "reason"])


def test_forty_soils_without_a_laboratory_result_are_listed(
    campaign: reconcile.RunOutcome,
) -> None:
    assert len(campaign.reconciliation.field_only) == 40
    assert campaign.reconciliation.lab_only == ()


def test_nickel_below_its_limit_is_kept_as_censored(campaign: reconcile.RunOutcome) -> None:
    table = pd.read_csv(PUBLISHED / "soil_xrf_campaign_2009.csv", comment="#", dtype=str)
    table = table.loc[table["ni_lab"].notna()]
    field, lab = (table[f"ni_{side}"].str.startswith("<") for side in ("field", "lab"))
    statistics = result_of(campaign, "Ni").statistics
    assert statistics.n_pairs == len(table) == 120
    assert statistics.censored.both == (field & lab).sum()
    assert statistics.n_used == (~field & ~lab).sum()
    pairs = result_of(campaign, "Ni").pairs.set_index("sample_id")
    limits = table.set_index("sample")["ni_field"].str.removeprefix("<").astype(float)
    censored = pairs.loc[pairs["field_qualifier"].eq("<")]
    assert len(censored) == field.sum()
    assert (censored["field_high"] == limits.reindex(censored.index)).all()


@pytest.mark.slow
@pytest.mark.parametrize("element", PRECISION)
def test_duplicate_precision_is_the_printed_one(
    duplicates: reconcile.RunOutcome, element: str
) -> None:
    printed, n = PRECISION[element]
    pairs = result_of(duplicates, element).pairs
    used = pairs.loc[pairs["used"]]
    found = precision.duplicate_cv(
        used["lab_mean"].to_numpy("float64"), used["field_mean"].to_numpy("float64")
    )
    differences = used["lab_mean"] - used["field_mean"]
    means = (used["lab_mean"] + used["field_mean"]) / 2
    by_hand = math.sqrt(((differences / means) ** 2).sum() / (2 * len(used)))
    assert found.value == pytest.approx(by_hand, rel=1e-9)
    assert found.n == len(used) == FOUND.get(element, n)
    # Printed to two digits; where the number of pairs differs by one, to one unit of them.
    assert abs(100 * found.value - printed) < (1.0 if element in FOUND else 0.6)
