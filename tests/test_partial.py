"""A stratum beside like ones: its bias drawn towards theirs, as a general mixed model has it."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from reconcile.base.methods import LabMethod, Moisture
from reconcile.base.model.further import Further, Results
from reconcile.base.model.singles import PartlyPooled
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import ACCEPTED, INSUFFICIENT, Verdict
from reconcile.figures import evaluation, partial
from reconcile.figures.evaluation import Evaluated
from reconcile.judgement import verdicts
from reconcile.judgement.factor_proposal import Proposal
from reconcile.reporting import further
from reconcile.reporting.figures import by_key
from tests.pairs import STRATUM, settings, study
from tests.reporting import builder

SETTINGS = settings()


def like(number: int) -> Stratum:
    return replace(STRATUM, matrix=f"material {number}")


def evaluated(
    counts: list[int], biases: list[float], rsd: float = 0.08
) -> tuple[list[Stratum], dict[str, Evaluated]]:
    """Strata of several materials with so many pairs each, and what was computed of them."""
    strata = [like(i) for i in range(len(counts))]
    found = {}
    for i, (stratum, n, bias) in enumerate(zip(strata, counts, biases, strict=True)):
        pairs = study(n, 1 + bias, rsd, seed=100 + i).assign(stratum=stratum.key)
        found[stratum.key] = evaluation.evaluate(stratum, pairs, None, SETTINGS, shown=False)
    return strata, found


COUNTS, BIASES = [4, 6, 9, 15, 40], [0.05, 0.02, 0.08, 0.04, 0.06]


def pooled(counts: list[int] = COUNTS, biases: list[float] = BIASES) -> list[PartlyPooled]:
    strata, found = evaluated(counts, biases)
    return list(partial.partly_pooled(strata, found, SETTINGS).values())


@pytest.mark.parametrize("biases", [[0.05, -0.1, 0.2, 0.0, 0.1], [0.3, 0.1, 0.2, -0.2, 0.0]])
def test_the_bias_is_that_of_a_general_mixed_model(biases: list[float]) -> None:
    strata, found = evaluated(COUNTS, biases)
    second = partial.partly_pooled(strata, found, SETTINGS)
    y = np.concatenate(
        [np.log(e.used["field_mean"] / e.used["lab_mean"]) for e in found.values()]
    )  # fmt: skip
    owner = np.repeat(range(len(COUNTS)), COUNTS)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its optimiser, at its last digits
        reference = sm.MixedLM(y, np.ones(y.size), owner).fit(
            reml=True, method=["bfgs", "nm"], maxiter=5000, xtol=1e-14, ftol=1e-14, gtol=1e-10
        )
    for number, one in enumerate(second.values()):
        blup = reference.params[0] + float(np.ravel(reference.random_effects[number])[0])
        assert math.log1p(one.seen.value) == pytest.approx(blup, rel=1e-6)
        assert one.between.value**2 == pytest.approx(float(reference.cov_re[0, 0]), rel=1e-6)


def test_few_pairs_gain_most_from_like_strata() -> None:
    found = pooled()
    assert [one.own.n for one in found] == COUNTS
    gains = [one.gain / one.own.n for one in found]
    assert gains[0] > gains[-1]
    assert gains[0] > 1.2
    assert all(abs(one.seen.value - one.common.value) <= abs(one.own.value - one.common.value)
               for one in found)  # fmt: skip


def test_strata_that_differ_much_say_little_of_each_other() -> None:
    found = pooled(biases=[0.5, -0.4, 0.2, -0.2, 0.0])
    assert all(one.gain / one.own.n < 1.3 for one in found)


@pytest.mark.slow
@pytest.mark.parametrize(
    "other",
    [
        {"element": "Zn"},
        {"read_by": replace(STRATUM.read_by, technique="LIBS")},
        {"read_by": replace(STRATUM.read_by, calibration="alloy")},
        {"determined_by": LabMethod("ICP-OES", "M2", "four acids")},
        {"determined_by": replace(STRATUM.determined_by, laboratory="another laboratory")},
        {"digestion_class": "partial"},
        {"specimen_form": "pressed"},
        {"moisture": Moisture("as received", "dry")},
        {"pair_type": "same cup"},
    ],
)
def test_never_across_what_makes_results_of_another_kind(other: dict[str, Any]) -> None:
    strata, found = evaluated(COUNTS, BIASES)
    changed = replace(strata[0], **other)
    found[changed.key] = found.pop(strata[0].key)
    second = partial.partly_pooled([changed, *strata[1:]], found, SETTINGS)
    assert changed.key not in second
    assert {one.strata for one in second.values()} == {4}


def test_instruments_of_one_technique_are_like() -> None:
    other = replace(STRATUM.read_by, instrument="X2")
    assert partial.family(replace(STRATUM, read_by=other)) == partial.family(STRATUM)


def test_two_strata_show_too_little_of_how_strata_differ() -> None:
    assert pooled([10, 20], [0.0, 0.05]) == []


def test_strata_of_another_scatter_are_not_pooled() -> None:
    strata, found = evaluated([30, 30, 30], [0.0, 0.0, 0.0])
    wide = study(30, 1.0, 0.3, seed=7).assign(stratum=strata[0].key)
    found[strata[0].key] = evaluation.evaluate(strata[0], wide, None, SETTINGS, shown=False)
    assert partial.partly_pooled(strata, found, SETTINGS) == {}


def test_the_second_opinion_is_told_with_its_gain() -> None:
    strata, found = evaluated(COUNTS, BIASES)
    second = partial.partly_pooled(strata, found, SETTINGS)[strata[0].key]
    result = builder.ordinary()
    others = tuple(x for x in result.statistics.further if x[0] != Further.PARTLY_POOLED)
    statistics = replace(
        result.statistics, further=Results((*others, (Further.PARTLY_POOLED, second)))
    )
    result = replace(result, statistics=statistics)
    assert by_key(statistics)["beside_like_bias"].value == second.seen.value
    (said,) = [s for s in further.sentences(result) if "like strata" in s]
    assert "decides only where" in said
    assert f"instead of {COUNTS[0]}" in said


@pytest.mark.slow
def test_intervals_hold_the_bias_of_each_stratum_over_many_draws() -> None:
    held = total = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        biases = np.expm1(rng.normal(0.02, 0.05, 5))
        strata = [like(i) for i in range(5)]
        found = {}
        for i, (stratum, n) in enumerate(zip(strata, COUNTS, strict=True)):
            pairs = study(n, 1 + biases[i], 0.08, seed=1000 * seed + i)
            ratios = pairs.assign(stratum=stratum.key)
            found[stratum.key] = Evaluated(ratios, None, (0, 0, 0), 0.1)  # type: ignore[arg-type]
        for bias, one in zip(
            biases, partial.partly_pooled(strata, found, SETTINGS).values(), strict=False
        ):
            held += one.seen.low <= bias <= one.seen.high
            total += 1
    assert total > 200
    assert held / total > 0.92


def verdict_of(n: int, decides: bool, bias: float = 0.0) -> Verdict:
    """The verdict on a material with few pairs beside six with many and no bias."""
    strata, found = evaluated([n, *[40] * 6], [bias, *[0.0] * 6], 0.06)
    second = partial.partly_pooled(strata, found, SETTINGS)[strata[0].key]
    own = evaluation.with_further(found[strata[0].key], (Further.PARTLY_POOLED, second))
    own = replace(own, decides=decides)
    proposal = Proposal(None, None, "")
    return verdicts.judge(strata[0], own, proposal, WITHOUT_LEVEL, None, "")


WITHOUT_LEVEL = SETTINGS.model_copy(update={"element": {}})


def test_it_decides_only_where_the_settings_say_so() -> None:
    told, decided = verdict_of(16, False), verdict_of(16, True)
    assert told.decision == INSUFFICIENT
    assert "16 pairs" in told.reason
    assert decided.decision == ACCEPTED
    assert "beside that of like strata" in decided.reason
    asked = [[c.ask for c in v.criteria] for v in (told, decided)]
    assert asked[0] == asked[1]


def test_a_material_that_reads_otherwise_is_not_accepted_for_its_like() -> None:
    assert verdict_of(16, True, bias=0.25).decision != ACCEPTED
    assert verdict_of(40, True, bias=0.15).decision != ACCEPTED
