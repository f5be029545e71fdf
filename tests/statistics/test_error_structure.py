"""How the scatter of replicates depends on the level."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest
from scipy import optimize, stats

from reconcile.statistics.lines import ErrorStructure, error_structure
from tests.statistics.degenerate_inputs import PAIRS, check_sound


def replicates(
    s0: float, theta: float, samples: int = 30, seed: int = 1
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levels, SDs and numbers of normal replicates."""
    rng = np.random.default_rng(seed)
    level = rng.lognormal(3, 1, samples)
    n_rep = rng.integers(3, 7, samples)
    sigma = np.hypot(s0, theta * level)
    return level, sigma * np.sqrt(rng.chisquare(n_rep - 1) / (n_rep - 1)), n_rep


@pytest.mark.parametrize(
    ("s0", "theta", "structure"),
    [(2.0, 0.0, "constant SD"), (0.0, 0.1, "constant CV"), (2.0, 0.1, "mixed")],
)
def test_the_structure_that_made_the_replicates_is_found(
    s0: float, theta: float, structure: str
) -> None:
    found = [error_structure(*replicates(s0, theta, seed=k)) for k in range(60)]
    right = sum(f.structure == structure for f in found)
    assert right >= 54, [f.structure for f in found]


def _minus_log_likelihood(
    parameters: np.ndarray, level: np.ndarray, sd: np.ndarray, n_rep: np.ndarray
) -> float:
    # s² is gamma distributed with shape df/2 and mean σ²; scipy's own density
    df = n_rep - 1
    variance = math.exp(parameters[0]) + math.exp(parameters[1]) * level**2
    return -float(np.sum(stats.gamma.logpdf(sd**2, df / 2, scale=2 * variance / df)))


@pytest.mark.parametrize("seed", range(5))
def test_the_fit_is_the_maximum_of_the_gamma_likelihood(seed: int) -> None:
    data = replicates(2.0, 0.1, 40, seed)
    found = error_structure(*data)
    best = optimize.minimize(
        _minus_log_likelihood, [1.0, -4.0], args=data, method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 5000},
    )  # fmt: skip
    # the share is found on a grid of steps of 0.05 % in its odds
    assert found.s0.value == pytest.approx(math.exp(best.x[0] / 2), rel=5e-4)
    assert found.theta.value == pytest.approx(math.exp(best.x[1] / 2), rel=5e-4)
    ours = np.log([found.s0.value**2, found.theta.value**2])
    assert _minus_log_likelihood(ours, *data) == pytest.approx(float(best.fun), abs=1e-5)


def test_ten_thousand_samples_take_little_memory() -> None:
    data = replicates(2.0, 0.1, 10_000)
    tracemalloc.start()
    found = error_structure(*data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 120 * 2**20
    assert found.structure == "mixed"
    assert found.s0.value == pytest.approx(2.0, rel=0.05)
    assert found.theta.value == pytest.approx(0.1, rel=0.03)


def test_one_level_gives_the_pooled_sd_and_no_structure() -> None:
    level, sd, n_rep = np.full(12, 50.0), np.linspace(1, 2, 12), np.full(12, 4)
    found = error_structure(level, sd, n_rep)
    assert found.structure == "unknown"
    assert "factor" in found.reason
    assert float(found.sd_at(50.0)[0]) == pytest.approx(math.sqrt(np.mean(sd**2)), rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize(("s0", "theta"), [(2.0, 0.0), (0.0, 0.1), (2.0, 0.1)])
def test_both_intervals_hold_the_truth_in_at_least_93_of_100_studies(
    s0: float, theta: float
) -> None:
    studies = 2000
    held = np.zeros(2)
    for k in range(studies):
        found = error_structure(*replicates(s0, theta, seed=k))
        held += [
            found.s0.low <= s0 <= found.s0.high,
            found.theta.low <= theta <= found.theta.high,
        ]
    share = held / studies
    print(f"s0 {s0}, theta {theta}: {share}")
    assert np.all(share >= 0.93)
    # a part that is truly zero lies on the boundary, where the interval holds it more often
    for value, one in zip((s0, theta), share, strict=True):
        assert one <= (0.97 if value > 0 else 1.0)


def test_replicates_wilder_than_normal_widen_the_intervals() -> None:
    rng = np.random.default_rng(3)
    level, sd, n_rep = replicates(2.0, 0.1, 60)
    calm = error_structure(level, sd, n_rep)
    wild = error_structure(level, sd * rng.lognormal(0, 0.8, 60), n_rep)
    assert calm.dispersion < 2 < wild.dispersion

    def width(f: ErrorStructure) -> float:
        return math.log(f.theta.high / max(f.theta.low, 1e-3))

    assert width(wild) > width(calm)


def test_scale_of_the_unit_does_not_matter() -> None:
    level, sd, n_rep = replicates(2.0, 0.1)
    one, two = error_structure(level, sd, n_rep), error_structure(1e4 * level, 1e4 * sd, n_rep)
    assert two.structure == one.structure
    assert two.s0.value == pytest.approx(1e4 * one.s0.value, rel=1e-9)
    assert two.theta.value == pytest.approx(one.theta.value, rel=1e-9)
    assert two.p_constant_sd == pytest.approx(one.p_constant_sd, rel=1e-6)


def test_too_few_samples_are_unknown_and_say_so() -> None:
    found = error_structure([10.0, 20.0, 40.0], [1.0, 2.1, 3.9], [3, 3, 3])
    assert found.structure == "unknown"
    assert "fewer than 5 samples" in found.sentence("mg/kg")


@pytest.mark.parametrize("name", PAIRS)
def test_nothing_breaks_on_degenerate_replicates(name: str) -> None:
    level, sd = PAIRS[name]
    for n_rep in (np.full(len(level), 3.0), np.zeros(len(level)), np.full(len(level), np.nan)):
        check_sound(error_structure(level, sd, n_rep))


@pytest.mark.parametrize(("s0", "theta"), [(2.0, 0.0), (0.0, 0.1), (2.0, 0.1)])
def test_the_sentence_names_the_part_that_counts(s0: float, theta: float) -> None:
    text = error_structure(*replicates(s0, theta, 60, seed=11)).sentence("mg/kg")
    assert ("mg/kg" in text) == (s0 > 0)
    assert ("%" in text.split("(")[0]) == (theta > 0 and s0 == 0) or s0 * theta > 0
