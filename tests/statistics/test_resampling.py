"""Resampling of many elements at once against one at a time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from reconcile.statistics import agreement, bias, lines
from reconcile.statistics import resampling as r
from tests.statistics.degenerate_inputs import PAIRS, check_sound


def invented(n: int = 60, elements: int = 3, seed: int = 4) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    truth = rng.lognormal(3, 0.6, (n, elements))
    return truth * (1 + 0.05 * rng.normal(size=truth.shape)), 1 + 1.1 * truth * (
        1 + 0.1 * rng.normal(size=truth.shape)
    )


STATISTICS = {
    "mean difference": (r.mean_difference, lambda x, y: np.mean(y - x)),
    "SD of differences": (r.difference_sd, lambda x, y: np.std(y - x, ddof=1)),
    "ratio of means": (r.ratio_of_means, lambda x, y: y.mean() / x.mean()),
    "Pearson": (r.pearson, lambda x, y: stats.pearsonr(x, y).statistic),
    "concordance": (r.concordance, lambda x, y: agreement.concordance(x, y).ccc.value),
    "least squares": (r.ols_line, lambda x, y: stats.linregress(x, y)[1::-1]),
    "Deming": (r.deming_line(3.0), lambda x, y: lines.deming_point(x, y, 3.0)),
    "limits": (
        r.limits(),
        lambda x, y: [
            e.value
            for limits in [agreement.limits_of_agreement(x, y)]
            for e in (limits.lower, limits.upper)
        ],
    ),
    "bias at a level": (
        r.at_level(r.deming_line(3.0), 20.0),
        lambda x, y: bias.bias_at(lines.deming(x, y, 3.0), 20.0).value,
    ),
}


@pytest.mark.parametrize("name", STATISTICS)
def test_every_resample_gives_what_the_resampled_pairs_give_when_computed_alone(name: str) -> None:
    statistic, alone = STATISTICS[name]
    x, y = invented()
    table, _ = r._table(x, y, None)
    counts = r.draw(np.random.default_rng(0), x.shape[0], 5)
    found = np.atleast_3d(statistic(table.moments(counts)))
    if found.shape[:2] == (5, 3):
        found = found[:, :, 0][None]
    for k, row in enumerate(counts.astype(int)):
        pick = np.repeat(np.arange(x.shape[0]), row)
        for e in range(3):
            np.testing.assert_allclose(
                found[:, k, e], np.atleast_1d(alone(x[pick, e], y[pick, e])), rtol=1e-9
            )


@pytest.mark.parametrize("name", STATISTICS)
def test_the_value_is_that_of_the_sample_itself(name: str) -> None:
    statistic, alone = STATISTICS[name]
    x, y = invented()
    found = r.bootstrap(x, y, statistic, np.random.default_rng(0), resamples=20)
    for e in range(3):
        np.testing.assert_allclose(found.value[..., e], alone(x[:, e], y[:, e]), rtol=1e-10)


def test_missing_pairs_are_left_out_of_their_element_only() -> None:
    x, y = invented()
    x[3, 0], y[10:20, 1] = np.nan, np.inf
    found = r.bootstrap(x, y, r.mean_difference, np.random.default_rng(0), resamples=200)
    assert found.n.tolist() == [59, 50, 60]
    keep = np.delete(np.arange(60), 3)
    assert found.value[0] == pytest.approx(np.mean(y[keep, 0] - x[keep, 0]), rel=1e-12)
    assert np.all(np.isfinite(found.low))


def test_the_jackknife_equals_leaving_out_one_pair_after_the_other() -> None:
    x, y = invented()
    found = r.jackknife(x, y, r.deming_line(3.0))
    for e in range(3):
        line = lines.deming(x[:, e], y[:, e], 3.0)
        assert found.part(1).se[e] == pytest.approx(line.slope.se, rel=1e-8)
        assert found.part(0).se[e] == pytest.approx(line.intercept.se, rel=1e-8)


def test_the_jackknife_of_a_mean_is_its_textbook_standard_error() -> None:
    x, y = invented()
    found = r.jackknife(x, y, r.mean_difference)
    for e in range(3):
        plain = bias.mean_difference(x[:, e], y[:, e])
        assert found.se[e] == pytest.approx(plain.se, rel=1e-10)
        assert found.low[e] == pytest.approx(plain.low, rel=1e-9)


def test_groups_of_equal_size_are_left_out_whole() -> None:
    x, y = invented()
    group = np.repeat([f"hole {k}" for k in range(12)], 5)
    found = r.jackknife(x, y, r.mean_difference, group=group)
    means = (y - x).reshape(12, 5, 3).mean(axis=1)
    np.testing.assert_allclose(found.se, means.std(axis=0, ddof=1) / math.sqrt(12), rtol=1e-10)
    assert found.units == 12


def test_pairs_that_move_together_need_the_group_to_be_told() -> None:
    rng = np.random.default_rng(5)
    group = np.repeat(np.arange(40), 10)
    x = rng.normal(100, 20, 400)
    y = x + rng.normal(0, 3, 40)[group] + rng.normal(0, 1, 400)
    blind = r.bootstrap(x, y, r.mean_difference, np.random.default_rng(0))
    told = r.bootstrap(x, y, r.mean_difference, np.random.default_rng(0), group=group)
    expected = np.std([np.mean((y - x)[group == g]) for g in range(40)], ddof=1) / math.sqrt(40)
    assert told.se[0] == pytest.approx(expected, rel=0.08)
    assert told.se[0] > 2 * blind.se[0]


@pytest.mark.parametrize("method", ["BCa", "percentile"])
def test_intervals_agree_with_scipys_bootstrap_within_resampling_noise(method: str) -> None:
    # scipy.stats.bootstrap draws other resamples; ends agree to a few of their errors
    x, y = (side[:, 0] for side in invented(80))
    ours = r.bootstrap(
        x, y, r.pearson, np.random.default_rng(0), 20_000, interval=method, expanded=False
    )
    theirs = stats.bootstrap(
        (x, y),
        lambda a, b, axis: stats.pearsonr(a, b, axis=axis).statistic,
        paired=True,
        vectorized=True,
        n_resamples=20_000,
        method=method,
        rng=np.random.default_rng(1),
    )
    se = float(ours.se[0])
    assert ours.low[0] == pytest.approx(theirs.confidence_interval.low, abs=0.08 * se)
    assert ours.high[0] == pytest.approx(theirs.confidence_interval.high, abs=0.08 * se)
    assert se == pytest.approx(theirs.standard_error, rel=0.03)


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
def test_bootstrap_intervals_hold_the_truth_in_93_to_97_of_100_studies(n: int) -> None:
    # 2,000 studies as 2,000 elements: independent pairs, the same draws
    rng = np.random.default_rng(n)

    def draw(*shape: int) -> tuple[np.ndarray, np.ndarray]:
        truth = rng.uniform(20, 100, shape)
        return truth + rng.normal(0, 2, shape), 3 + 0.95 * truth + rng.normal(0, 5, shape)

    population = draw(2_000_000)
    x, y = draw(n, 2000)
    for statistic, part, truth in (
        (r.mean_difference, None, np.mean(population[1] - population[0])),
        (r.deming_line(6.25), 1, 0.95),
        (r.deming_line(6.25), 0, 3.0),
        (r.concordance, None, agreement.concordance(*population).ccc.value),
    ):
        found = r.bootstrap(x, y, statistic, np.random.default_rng(1))
        found = found if part is None else found.part(part)
        held = np.mean((found.low <= truth) & (truth <= found.high))
        assert 0.93 <= held <= 0.97, (statistic, held)


def test_the_same_generator_gives_the_same_intervals() -> None:
    x, y = invented()
    one, two = (r.bootstrap(x, y, r.pearson, np.random.default_rng(9), 300) for _ in range(2))
    assert one.low.tolist() == two.low.tolist()
    assert one.high.tolist() == two.high.tolist()


@pytest.mark.parametrize("name", PAIRS)
@pytest.mark.parametrize("statistic", STATISTICS)
def test_nothing_breaks_on_degenerate_pairs(name: str, statistic: str) -> None:
    x, y = (np.array(side) for side in PAIRS[name])
    chosen = STATISTICS[statistic][0]
    results = [
        r.bootstrap(x, y, chosen, np.random.default_rng(0), 50),
        r.jackknife(x, y, chosen),
    ]
    for found in results:
        parts = [found] if found.value.ndim == 1 else [found.part(k) for k in range(2)]
        for part in parts:
            for item in part.estimates():
                check_sound(item)
                if item.n < 3:
                    assert not item.estimable


def test_wrong_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match="samples, elements"):
        r.bootstrap(np.ones(4), np.ones(5), r.pearson, np.random.default_rng(0))
    with pytest.raises(ValueError, match="group"):
        r.jackknife(np.ones(4), np.ones(4), r.pearson, group=["a"])
    with pytest.raises(ValueError, match="resamples"):
        r.bootstrap(np.ones(4), np.ones(4), r.pearson, np.random.default_rng(0), resamples=1)
