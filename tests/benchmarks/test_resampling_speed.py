"""Bootstrap of a whole month at once against a plain loop over scipy and statsmodels.

Run with ``pytest -m benchmark -s tests/benchmarks/test_resampling_speed.py``.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from reconcile.statistics import resampling as r

ELEMENTS, METHOD_PAIRS, PAIRS, RESAMPLES = 40, 3, 2000, 2000
STRATA = ELEMENTS * METHOD_PAIRS
LAMBDA = 4.0
LEVEL = 60.0
FASTER = 30


def month(seed: int = 7) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    lab = rng.lognormal(4, 0.6, (PAIRS, STRATA))
    return lab, 2 + 1.05 * lab * (1 + 0.1 * rng.normal(size=lab.shape))


def everything(m: r.Moments) -> np.ndarray:
    """Mean difference, both limits, concordance, r, least-squares and Deming line, bias."""
    return np.stack(
        [
            r.mean_difference(m),
            *r.limits()(m),
            r.concordance(m),
            r.pearson(m),
            *r.ols_line(m),
            *r.deming_line(LAMBDA)(m),
            r.at_level(r.deming_line(LAMBDA), LEVEL)(m),
        ]
    )


def by_hand(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """The same ten figures for one resample, as an analyst would write them."""
    d = y - x
    mean, sd = d.mean(), d.std(ddof=1)
    z = stats.norm.ppf(0.975)
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    sxx, syy, sxy = x.var(), y.var(), np.cov(x, y, ddof=0)[0, 1]
    ccc = 2 * sxy / (sxx + syy + (x.mean() - y.mean()) ** 2)
    e = syy - LAMBDA * sxx
    b = (e + np.sqrt(e * e + 4 * LAMBDA * sxy * sxy)) / (2 * sxy)
    a = y.mean() - b * x.mean()
    return np.array(
        [
            mean,
            mean - z * sd,
            mean + z * sd,
            ccc,
            stats.pearsonr(x, y).statistic,
            fit.params[0],
            fit.params[1],
            a,
            b,
            a + (b - 1) * LEVEL,
        ]
    )


@pytest.mark.benchmark
def test_a_months_bootstrap_is_thirty_times_faster_than_a_plain_loop_at_equal_answers() -> None:
    lab, field = month()
    start = time.perf_counter()
    found = r.bootstrap(
        lab, field, everything, np.random.default_rng(1), RESAMPLES, interval="percentile"
    )
    ours = time.perf_counter() - start
    # the same draws for the loop: 2 of the 120 strata, 100 of the 2,000 resamples each
    strata, resamples = (0, STRATA - 1), 100
    counts = r.draw(np.random.default_rng(1), PAIRS, r.BLOCK)[:resamples]
    start = time.perf_counter()
    plain = np.array(
        [
            [
                by_hand(*(side[np.repeat(np.arange(PAIRS), c.astype(int)), k] for side in month_))
                for c in counts
            ]
            for k in strata
            for month_ in [(lab, field)]
        ]
    )
    loop = (time.perf_counter() - start) * (STRATA / len(strata)) * (RESAMPLES / resamples)
    ratio = loop / ours
    print(
        f"\n{STRATA} strata × {PAIRS} pairs × {RESAMPLES} resamples × 10 figures: {ours:.2f} s; "
        f"plain loop {loop:.0f} s, extrapolated from {len(strata)} strata × {resamples} "
        f"resamples: {ratio:.0f} times faster"
    )
    # equal answers: the same resamples give the same ten figures, and so does the full sample
    table, _ = r._table(lab[:, list(strata)], field[:, list(strata)], None)
    mine = everything(table.moments(counts))  # (10, resamples, strata)
    np.testing.assert_allclose(mine.transpose(2, 1, 0), plain, rtol=1e-9, atol=1e-9)
    for k in strata:
        whole = by_hand(lab[:, k], field[:, k])
        np.testing.assert_allclose(found.value[:, k], whole, rtol=1e-9)
    assert ratio >= FASTER


@pytest.mark.benchmark
def test_the_bootstrap_of_a_month_stays_below_one_gibibyte() -> None:
    lab, field = month()
    r.bootstrap(lab, field, everything, np.random.default_rng(1), RESAMPLES)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    peak_mib = peak / 1024 / (1024 if sys.platform == "darwin" else 1)
    print(f"\npeak resident memory {peak_mib:.0f} MiB")
    assert peak_mib < 1024
