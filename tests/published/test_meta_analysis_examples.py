"""Random-effects means against a published worked example and another implementation.

The 13 trials of the BCG vaccine against tuberculosis: Colditz et al. (1994), JAMA 271, 698-702,
as tabulated by Berkey, Hoaglin, Mosteller & Colditz (1995), Statistics in Medicine 14, 395-411, and
worked through by Viechtbauer (2010), Journal of Statistical Software 36(3), sections 3 and 4: log
relative risks, Q = 152.2330 with 12 degrees of freedom. Table and Q from memory: that all 52 counts
give this Q to 4 decimals confirms both. Tau² by Paule & Mandel and all that follows from it are
held against statsmodels, which has them by an algorithm of its own.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from reconcile.statistics.random_effects import apart_from_peers, random_effects

#: Cases and others among the vaccinated, cases and others among the controls.
TRIALS = (
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
    (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619),
    (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
    (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
)  # fmt: skip


def log_risks() -> tuple[list[float], list[float]]:
    values, variances = [], []
    for a, b, c, d in TRIALS:
        values.append(math.log((a / (a + b)) / (c / (c + d))))
        variances.append(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))
    return values, variances


def test_the_published_heterogeneity_of_the_vaccine_trials_is_found() -> None:
    found = random_effects(*log_risks())
    assert found.n == 13
    assert found.q == pytest.approx(152.2330, abs=5e-5)
    assert found.q_p < 1e-4
    assert found.i2 == pytest.approx((152.2330 - 12) / 152.2330, abs=1e-6)


def test_mean_interval_and_spread_are_those_of_another_implementation() -> None:
    values, variances = log_risks()
    found = random_effects(values, variances)
    other = combine_effects(
        np.array(values), np.array(variances), method_re="iterated", use_t=True, atol=1e-14
    )
    assert found.tau2 == pytest.approx(other.tau2, rel=1e-6)
    assert found.mean == pytest.approx(other.mean_effect_re, rel=1e-8)
    assert found.se == pytest.approx(other.sd_eff_w_re_hksj, rel=1e-6)
    assert found.q == pytest.approx(other.q, rel=1e-12)
    low, high = other.summary_frame().loc["random effect wls", ["ci_low", "ci_upp"]]
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-6)


def test_the_prediction_interval_is_that_of_its_definition() -> None:
    found = random_effects(*log_risks())
    half = stats.t.ppf(0.975, 11) * math.hypot(math.sqrt(found.tau2), found.se)
    assert (found.predicted_low, found.predicted_high) == pytest.approx(
        (found.mean - half, found.mean + half), rel=1e-12
    )


def test_one_trial_against_its_peers_is_what_leaving_it_out_gives() -> None:
    values, variances = log_risks()
    for i, apart in enumerate(apart_from_peers(values, variances)):
        others = random_effects(values[:i] + values[i + 1 :], variances[:i] + variances[i + 1 :])
        assert apart.difference == pytest.approx(values[i] - others.mean)
        spread = math.sqrt(variances[i] + others.tau2 + others.se**2)
        assert apart.t == pytest.approx(apart.difference / spread)
        assert apart.p == pytest.approx(2 * stats.t.sf(abs(apart.t), 11))
