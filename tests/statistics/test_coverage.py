"""Every interval that a report prints, on 2,000 invented studies of known truth each.

A nominal 95 % interval must hold the truth in 93 to 97 % of the studies, for 20, 40 and 100
pairs, with errors of constant SD and of constant CV. Where an interval is known to hold it
more often (counts are discrete; some intervals are made conservative) only the lower bound
is asked, and the combinations that miss it are named with what was measured.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pytest

from reconcile.statistics import agreement, bias, components, lines
from reconcile.statistics.result import Estimate
from tests.sizes import cases

pytestmark = pytest.mark.slow

STUDIES = cases(2000, 1000)
SIZES = cases((20, 40, 100), (40,))
PROMISED = (0.93, 0.97)
POPULATION = 1_000_000

Array = np.ndarray


@dataclass(frozen=True)
class Setting:
    """How true levels and both methods' results arise; arrays of any shape."""

    name: str
    levels: Callable[[np.random.Generator, tuple[int, ...]], Array]
    lab: Callable[[np.random.Generator, Array], Array]
    field: Callable[[np.random.Generator, Array], Array]
    #: a second field method as precise as the lab and without bias, for the rank line
    equal: Callable[[np.random.Generator, Array], Array]
    #: a field method against which the lab has no error, for least squares
    exact: Callable[[np.random.Generator, Array], Array]
    #: a field method whose differences are normal on ``scale``, for limits of agreement
    plain: Callable[[np.random.Generator, Array], Array]
    scale: agreement.Scale


def _normal(rng: np.random.Generator, like: Array) -> Array:
    return rng.normal(size=like.shape)


CONSTANT_SD = Setting(
    "constant SD: levels uniform over 20 to 100, lab SD 2, field SD 5, field = 3 + 0.95·level",
    lambda rng, shape: rng.uniform(20, 100, shape),
    lambda rng, t: t + 2 * _normal(rng, t),
    lambda rng, t: 3 + 0.95 * t + 5 * _normal(rng, t),
    lambda rng, t: t + 4 * _normal(rng, t),
    lambda rng, t: 3 + 0.95 * t + 5 * _normal(rng, t),
    lambda rng, t: 3 + t + 5 * _normal(rng, t),
    "absolute",
)
CONSTANT_CV = Setting(
    "constant CV: levels log-uniform over 10 to 200, lab CV 3 %, field CV 10 %, ratio 1.05",
    lambda rng, shape: np.exp(rng.uniform(math.log(10), math.log(200), shape)),
    lambda rng, t: t * (1 + 0.03 * _normal(rng, t)),
    lambda rng, t: 1.05 * t * (1 + 0.10 * _normal(rng, t)),
    lambda rng, t: t * (1 + 0.07 * _normal(rng, t)),
    lambda rng, t: 1.05 * t * (1 + 0.10 * _normal(rng, t)),
    lambda rng, t: 1.05 * t * np.exp(0.10 * _normal(rng, t)),
    "log ratio",
)


def _moments(x: Array, y: Array) -> dict[str, float]:
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = np.mean(dx * dx), np.mean(dy * dy), np.mean(dx * dy)
    shift = y.mean() - x.mean()
    return {
        "concordance": 2 * sxy / (sxx + syy + shift**2),
        "Pearson correlation": sxy / math.sqrt(sxx * syy),
    }


@lru_cache(maxsize=2)
def _population(setting: Setting) -> tuple[Array, Array]:
    rng = np.random.default_rng(77)
    t = setting.levels(rng, (POPULATION,))
    return setting.lab(rng, t), setting.field(rng, t)


def _pseudo_median(d: Array) -> float:
    """Median of the averages of two differences, over random partners."""
    rng = np.random.default_rng(78)
    return float(np.median(np.concatenate([(d + rng.permutation(d)) / 2 for _ in range(5)])))


@lru_cache(maxsize=2)
def _differences(setting: Setting) -> dict[str, tuple[Array, Callable[[float], float]]]:
    """Differences on the scale that suits, with normal errors on it and with others."""
    rng = np.random.default_rng(79)
    t = setting.levels(rng, (POPULATION,))
    x, y = _population(setting)
    z = setting.plain(rng, t)
    back: Callable[[float], float]
    if setting is CONSTANT_SD:
        suits, other, back = z - t, y - x, float
    else:
        suits, other, back = np.log(z / t), np.log(y / x), math.exp
    return {"normal": (np.sort(suits), back), "not quite normal": (np.sort(other), back)}


@lru_cache(maxsize=2)
def _truths(setting: Setting) -> dict[str, float]:
    x, y = _population(setting)
    d = y - x
    truths = _moments(x, y) | {
        "mean difference": d.mean(),
        "mean relative difference": np.mean(d / x),
        "geometric mean ratio": math.exp(np.mean(np.log(y / x))),
        "Hodges-Lehmann": _pseudo_median(d),
        "share within 20 %": np.mean(np.abs(d) <= 0.2 * x),
        "Passing-Bablok slope": 1.0,
        "Passing-Bablok intercept": 0.0,
        "Passing-Bablok intercept, centred": 0.0,
        "Passing-Bablok bias at a level": 0.0,
    }
    z = 1.959963984540054
    for kind, (values, back) in _differences(setting).items():
        truths[f"lower limit, {kind}"] = back(values.mean() - z * values.std())
        truths[f"upper limit, {kind}"] = back(values.mean() + z * values.std())
    spread = z * (5 if setting is CONSTANT_SD else 6.5)
    truths["lower limit by level"], truths["upper limit by level"] = -spread, spread
    truths["content of the tolerance interval"] = 1.0
    truths["equivalence claimed at the margin"] = 1.0
    constant = setting is CONSTANT_SD
    if not constant:
        truths["concordance of logarithms"] = _moments(np.log(x), np.log(y))["concordance"]
        truths["log-log slope"], truths["log-log intercept"] = 1.0, math.log10(1.05)
    slope, intercept = (0.95, 3.0) if constant else (1.05, 0.0)
    for kind in (
        "Deming",
        "York",
        "York by curves",
        "York from replicates",
        "least squares",
        "least squares, any scatter",
        "weighted Deming",
    ):
        truths[f"{kind} slope"], truths[f"{kind} intercept"] = slope, intercept
        truths[f"{kind} bias at a level"] = intercept + (slope - 1) * 60.0
    truths |= _truths_of_replicates(setting)
    return truths


def _line(name: str, line: lines.Line) -> Iterator[tuple[str, Estimate]]:
    yield f"{name} slope", line.slope
    yield f"{name} intercept", line.intercept
    yield f"{name} bias at a level", bias.bias_at(line, 60.0)


def _event(good: bool) -> Estimate:
    """Something that must happen in 95 % of studies, as an interval that holds 1 or 0."""
    return Estimate(1.0, 0.0, 0.0 if good else 2.0, 1.0 if good else 3.0, STUDIES)


def _content(setting: Setting, limits: agreement.LimitsOfAgreement) -> Estimate:
    """Whether the tolerance interval really holds 95 % of the differences."""
    values, _ = _differences(setting)["normal"]
    ends = limits.tolerance_low, limits.tolerance_high
    if setting is CONSTANT_CV:
        ends = math.log(ends[0]), math.log(ends[1])
    low, high = np.searchsorted(values, ends)
    return _event((high - low) / values.size >= 0.95)


def _claim(t: Array, z: Array) -> Estimate:
    """With the margin exactly at the true bias, equivalence may be claimed in 5 % of studies."""
    return _event(not bias.equivalence_ratio(t, z, 0.05).equivalent)


def _study(setting: Setting, rng: np.random.Generator, t: Array) -> Iterator[tuple[str, Estimate]]:
    x, y = setting.lab(rng, t), setting.field(rng, t)
    yield "mean difference", bias.mean_difference(x, y)
    yield "mean relative difference", bias.mean_relative_difference(x, y)
    yield "geometric mean ratio", bias.geometric_mean_ratio(x, y)
    yield "Hodges-Lehmann", bias.hodges_lehmann(x, y)
    yield "share within 20 %", agreement.share_within(x, y, 0.2)
    yield "concordance", agreement.concordance(x, y).ccc
    yield "Pearson correlation", agreement.correlation(x, y).r
    z = setting.plain(rng, t)
    for kind, pair in (("normal", (t, z)), ("not quite normal", (x, y))):
        limits = agreement.limits_of_agreement(pair[0], pair[1], setting.scale)
        yield f"lower limit, {kind}", limits.lower
        yield f"upper limit, {kind}", limits.upper
        if kind == "normal":
            yield "content of the tolerance interval", _content(setting, limits)
    if setting is CONSTANT_CV:
        yield "equivalence claimed at the margin", _claim(t, z)
    one, two = setting.equal(rng, t), setting.equal(rng, t)
    line = lines.passing_bablok(one, two)
    yield from _line("Passing-Bablok", line)
    yield "Passing-Bablok intercept, centred", lines.passing_bablok(one - 60, two - 60).intercept
    exact = setting.exact(rng, t)
    if setting is CONSTANT_SD:
        yield from _line("Deming", lines.deming(x, y, 6.25))
        yield from _line("York", lines.york(x, y, np.full(t.size, 2.0), np.full(t.size, 5.0)))
        yield from _line("least squares", lines.ols(t, exact))
    else:
        yield "concordance of logarithms", agreement.concordance(x, y, scale="log").ccc
        log_line = lines.ols(np.log10(t), np.log10(z))
        yield "log-log slope", log_line.slope
        yield "log-log intercept", log_line.intercept
        yield from _line("weighted Deming", lines.weighted_deming(x, y, (0.10 / 0.03) ** 2))
        yield from _line("York", lines.york(x, y, 0.03 * t, 0.105 * t))
    yield from _line("least squares, any scatter", lines.ols(t, exact, errors="any"))
    yield from _by_level(setting, rng, t)
    # a stream of its own, so that the other intervals see the studies that they always saw
    yield from _replicates(setting, rng.spawn(1)[0], t)


SPOTS = 3


def _truths_of_replicates(setting: Setting) -> dict[str, float]:
    z = 1.959963984540054
    if setting is CONSTANT_SD:
        parts, centre, sd = (5.0, 0.0), 3.0, math.hypot(2, 5)
    else:
        parts, centre, sd = (0.0, 0.1), math.log(1.05), math.hypot(0.03, 0.1)
    return {
        "constant part of the error": parts[0],
        "proportional part of the error": parts[1],
        "lower limit of one spot": centre - z * sd,
        "upper limit of one spot": centre + z * sd,
        "SD of one spot": 5.0 if setting is CONSTANT_SD else 0.1,
    }


def _replicates(
    setting: Setting, rng: np.random.Generator, t: Array
) -> Iterator[tuple[str, Estimate]]:
    """What comes from three spots of each sample and, for the lab, from 20 duplicates."""
    n = t.size
    sample = np.repeat(np.arange(n), SPOTS)
    if setting is CONSTANT_SD:
        x, spots = t + 2 * _normal(rng, t), 3 + 0.95 * t + 5 * rng.normal(size=(SPOTS, n))
        one = t + 3 + 5 * rng.normal(size=(SPOTS, n))
        constant = 2 * math.sqrt(rng.chisquare(20) / 20)
        curves: tuple[Callable[[Array], Array], Callable[[Array], Array]] = (
            lambda c: 2 + 0 * c,
            lambda c: 5 / math.sqrt(SPOTS) + 0 * c,
        )
        found = constant, 0.0
        values = x, one.T.ravel()
    else:
        x = t * (1 + 0.03 * _normal(rng, t))
        spots = 1.05 * t * (1 + 0.10 * rng.normal(size=(SPOTS, n)))
        one = np.log(1.05 * t) + 0.10 * rng.normal(size=(SPOTS, n))
        curves = (lambda c: 0.03 * c, lambda c: 0.1 / math.sqrt(SPOTS) * c)
        found = 0.0, 0.03 * math.sqrt(rng.chisquare(20) / 20)
        values = np.log(t) + 0.03 * _normal(rng, t), one.T.ravel()
    y, sd = spots.mean(axis=0), spots.std(axis=0, ddof=1)
    yield from _line(
        "York by curves", lines.york_with_excess(x, y, curves[0], curves[1], None).line
    )
    structure = lines.error_structure(y, sd / math.sqrt(SPOTS), np.full(n, SPOTS))
    root = math.sqrt(SPOTS)
    for name, part in (("constant", structure.s0), ("proportional", structure.theta)):
        yield (
            f"{name} part of the error",
            Estimate(part.value * root, part.se, part.low * root, part.high * root, n),
        )
    own = structure.s0.value, structure.theta.value
    line = lines.york_with_excess(
        x, y, lambda c: np.hypot(found[0], found[1] * c), lambda c: np.hypot(own[0], own[1] * c),
        None,
    ).line  # fmt: skip
    yield from _line("York from replicates", line)
    limits = agreement.limits_with_replicates(values[0], np.arange(n), values[1], sample)
    yield "lower limit of one spot", limits.lower
    yield "upper limit of one spot", limits.upper
    yield "SD of one spot", components.replicate_sd(values[1], sample)


def _by_level(
    setting: Setting, rng: np.random.Generator, t: Array
) -> Iterator[tuple[str, Estimate]]:
    """Limits that follow the level, where differences are normal at each level of the mean."""
    mean, d = t, _normal(rng, t) * (5 if setting is CONSTANT_SD else 0.1 * t)
    if t.max() < 70 or t.min() > 60:
        return
    _, lower, upper = agreement.level_dependent_limits(mean - d / 2, mean + d / 2).at(65.0)
    yield "lower limit by level", lower
    yield "upper limit by level", upper


@lru_cache(maxsize=6)
def _coverage(setting: Setting, n: int) -> dict[str, float]:
    """Share of studies whose interval holds the truth; without an interval it does not."""
    truths = _truths(setting)
    rng = np.random.default_rng([20260, n, setting is CONSTANT_CV])
    levels = setting.levels(rng, (STUDIES, n))
    held: dict[str, list[bool]] = {}
    for t in levels:
        for name, item in _study(setting, rng, t):
            held.setdefault(name, []).append(item.low <= truths[name] <= item.high)
    return {name: float(np.mean(found)) for name, found in held.items()}


#: Conservative by construction: counts are discrete; York's errors are never scaled down; a
#: part of the error that is zero lies on the boundary of what it can be.
AT_LEAST = ("share within", "York")
ON_THE_BOUNDARY = {
    "constant SD": "proportional part of the error",
    "constant CV": "constant part of the error",
}

#: What was measured to miss 93 %, and how far at the worst; none leads a verdict.
KNOWN_TO_MISS = {
    # r rests on the few highest samples at constant CV
    ("constant CV", 20, "Pearson correlation"): 0.91,
    # relative errors that are normal make ratios slightly skewed: at a CV of 10 % the lower
    # limit of the ratios misses by half a per cent
    ("constant CV", 20, "lower limit, not quite normal"): 0.91,
    ("constant CV", 40, "lower limit, not quite normal"): 0.91,
    ("constant CV", 100, "lower limit, not quite normal"): 0.91,
    # two regressions on 20 pairs, for levels that few of them are near
    ("constant CV", 20, "lower limit by level"): 0.90,
}


@pytest.mark.parametrize("n", SIZES)
@pytest.mark.parametrize("setting", [CONSTANT_SD, CONSTANT_CV], ids=["constant SD", "constant CV"])
def test_nominal_95_per_cent_intervals_hold_the_truth_in_93_to_97_per_cent(
    setting: Setting, n: int
) -> None:
    structure = "constant SD" if setting is CONSTANT_SD else "constant CV"
    wrong = {}
    for name, share in _coverage(setting, n).items():
        low = KNOWN_TO_MISS.get((structure, n, name), PROMISED[0])
        wide = name.startswith(AT_LEAST) or name == ON_THE_BOUNDARY[structure]
        high = 1.0 if wide else PROMISED[1]
        if not low <= share <= high:
            wrong[name] = share
    assert not wrong


# ---- what the docstrings say of published intervals that fall short -------------------------


def _share(rng: np.random.Generator, truth: float, items: Iterator[Estimate]) -> float:
    return float(np.mean([e.low <= truth <= e.high for e in items]))


def test_the_published_rank_interval_of_the_intercept_fails_where_zero_lies_in_the_data() -> None:
    rng = np.random.default_rng(1983)
    t = rng.uniform(-40, 40, (400, 40))
    x, y = t + 4 * _normal(rng, t), t + 4 * _normal(rng, t)
    rows = list(zip(x, y, strict=True))
    published = [lines.passing_bablok(u, v, interval="1983").intercept for u, v in rows]
    ours = [lines.passing_bablok(u, v).intercept for u, v in rows]
    assert _share(rng, 0.0, iter(published)) < 0.40
    assert _share(rng, 0.0, iter(ours)) > 0.92


def test_the_published_rank_interval_of_the_slope_is_too_narrow_at_constant_cv() -> None:
    rng = np.random.default_rng(1984)
    t = CONSTANT_CV.levels(rng, (800, 100))
    rows = list(zip(CONSTANT_CV.equal(rng, t), CONSTANT_CV.equal(rng, t), strict=True))
    published = [lines.passing_bablok(u, v, interval="1983").slope for u, v in rows]
    assert 0.86 < _share(rng, 1.0, iter(published)) < 0.93


def test_textbook_least_squares_and_concordance_are_too_narrow_at_constant_cv() -> None:
    rng = np.random.default_rng(1985)
    t = CONSTANT_CV.levels(rng, (800, 40))
    x, y = CONSTANT_CV.lab(rng, t), CONSTANT_CV.field(rng, t)
    plain = (lines.ols(u, v).slope for u, v in zip(t, y, strict=True))
    assert _share(rng, 1.05, plain) < 0.90
    normal = (agreement.concordance(u, v, interval="normal").ccc for u, v in zip(x, y, strict=True))
    assert _share(rng, _truths(CONSTANT_CV)["concordance"], normal) < 0.92


def test_a_wrong_ratio_of_error_variances_biases_the_rank_line() -> None:
    # field errors 2.5 times the lab's, while the rank line takes them as equal
    rng = np.random.default_rng(1986)
    t = CONSTANT_SD.levels(rng, (300, 100))
    x, y = CONSTANT_SD.lab(rng, t), CONSTANT_SD.field(rng, t)
    slopes = [lines.passing_bablok(u, v).slope.value for u, v in zip(x, y, strict=True)]
    deming = [lines.deming(u, v, 6.25).slope.value for u, v in zip(x, y, strict=True)]
    assert 1.01 < np.mean(slopes) / 0.95 < 1.03
    assert np.mean(deming) / 0.95 == pytest.approx(1.0, abs=0.003)


if __name__ == "__main__":
    for setting in (CONSTANT_SD, CONSTANT_CV):
        found = {n: _coverage(setting, n) for n in SIZES}
        print(setting.name)
        for name in found[20]:
            row = [found[n][name] for n in SIZES]
            mark = "" if all(0.93 <= v <= 0.97 for v in row) else "  <----"
            print(f"  {name:42s}", "  ".join(f"{100 * v:5.1f}" for v in row), mark)
