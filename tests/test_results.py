"""What is decided on one field-only result: by what it rests, and never without it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, INSUFFICIENT, LABORATORY_ONLY
from reconcile.judgement.decision import LevelTerms
from reconcile.judgement.field_values import FieldMean
from reconcile.judgement.results import Ground, Reason, Rules, Why, decide
from reconcile.statistics.level_calls import ABOVE, BELOW, TOO_CLOSE
from tests.pairs import STRATUM
from tests.test_applying import FACTOR, GOOD, LIFE, life_of

LEVEL = LevelTerms("action level", 250.0, missed=0.05, false_alarms=0.10)
RULES = Rules({("Cu", STRATUM.matrix): (LEVEL,)}, 0.5, {}, {})
GROUND = Ground(STRATUM, "2026-10-r1-0", "2026-10", ACCEPTED_CORRECTED, 60.0, 700.0, "2027-01-31")
SCATTER = replace(
    FACTOR, factor_id="", form="none", intercept=0.0, slope=1.0, covariance=((0, 0), (0, 0)),
    low=50.0, high=900.0, residual_sd=0.08,
)  # fmt: skip
AS_READ = replace(GROUND, decision=ACCEPTED, scatter=SCATTER, biases=((250.0, 0.03, 0.01),))


def read(value: float, **change: object) -> FieldMean:
    return replace(GOOD, low=value, high=value, **change)  # type: ignore[arg-type]


def call_of(value: float, ground: Ground = GROUND, **change: object) -> str:
    return decide(read(value, **change), [ground], [LIFE], RULES).levels[0].call


def test_a_corrected_value_is_called_below_above_or_too_close() -> None:
    slope = FACTOR.slope
    assert [call_of(x * slope) for x in (120, 250, 420)] == [BELOW, TOO_CLOSE, ABOVE]


def test_the_uncertainty_holds_the_factor_the_split_and_the_spots() -> None:
    found = decide(GOOD, [GROUND], [LIFE], RULES)
    assert found.u == pytest.approx(math.sqrt(sum(p**2 for p in found.parts)))
    assert all(p >= 0 for p in found.parts)
    fewer = decide(replace(GOOD, spots=2), [GROUND], [LIFE], RULES)
    assert fewer.u > found.u
    assert fewer.levels[0].above_from > found.levels[0].above_from


def test_a_value_that_the_verdict_accepts_stands_as_read_and_its_bias_guards_one_side() -> None:
    found = decide(GOOD, [AS_READ], [], RULES)
    assert (found.kind, found.value, found.factor_id) == ("as read", GOOD.low, "")
    unbiased = decide(GOOD, [replace(AS_READ, biases=((250.0, 0.0, 0.01),))], [], RULES)
    assert found.levels[0].above_from == pytest.approx(unbiased.levels[0].above_from * 1.03)
    assert found.levels[0].below_up_to == pytest.approx(unbiased.levels[0].below_up_to)


def test_where_someone_acts_below_the_rates_change_sides() -> None:
    rules = replace(RULES, levels={("Cu", "soil"): (replace(LEVEL, below=True),)})
    at = decide(GOOD, [GROUND], [LIFE], rules).levels[0]
    assert (at.rate_above, at.rate_below) == (0.05, 0.10)
    other = decide(GOOD, [GROUND], [LIFE], RULES).levels[0]
    assert (other.rate_above, other.rate_below) == (0.10, 0.05)


@pytest.mark.parametrize(
    ("mean", "ground", "code"),
    [
        (read(300), replace(GROUND, decision=LABORATORY_ONLY), Why.LABORATORY_ONLY),
        (read(300), replace(GROUND, decision=INSUFFICIENT), Why.INSUFFICIENT),
        (read(300), replace(GROUND, doubted=(FACTOR.factor_id,)), Why.FACTOR_DOUBTED),
        (read(5000), GROUND, "outside the range"),
        (read(70), GROUND, "outside the range"),
        (read(300, last_day="2027-02-01"), GROUND, "expired"),
        (read(300, last_day="2027-02-01"), AS_READ, Why.VERDICT_OVER),
        (read(300, matrix="rock"), GROUND, "other matrix"),
        (read(300, matrix="rock"), AS_READ, "other matrix"),
        (read(300, qualifier="<"), AS_READ, "censored"),
        (read(300, last_day=""), AS_READ, "no time of measurement"),
        (read(300, interference="Pb:As is 12"), AS_READ, "interference"),
        (read(300, spots=1), GROUND, Why.FEW_SPOTS),
        (read(300, element="Zn"), GROUND, Why.NO_EVIDENCE),
        (read(5000), AS_READ, "outside the range"),
        (read(300), replace(AS_READ, scatter=None), "not estimable"),
    ],
)  # fmt: skip
def test_each_reason_leaves_the_value_undecided(mean: FieldMean, ground: Ground, code: str) -> None:
    found = decide(mean, [ground], [LIFE], RULES)
    assert code in [r.code for r in found.reasons]
    assert found.kind == "no value"
    assert math.isnan(found.value)
    assert found.calls == ()


@pytest.mark.parametrize("state", ["withdrawn", "proposed", "superseded", "expired"])
def test_only_a_factor_in_force_decides(state: str) -> None:
    found = decide(GOOD, [GROUND], [life_of(FACTOR, state)], RULES)
    assert found.calls == ()
    assert [r.code for r in found.reasons] == [state if state != "proposed" else "not approved"]


def test_a_failed_control_of_the_day_and_a_persons_entry_are_told_with_every_other_reason() -> None:
    failed = {("2026-11-05", GOOD.field_method, "Cu"): "reference material RM-1"}
    rules = replace(RULES, failed=failed, left_out={"S1": "wet bag"})
    found = decide(read(5000), [GROUND], [LIFE], rules)
    assert [r.code for r in found.reasons] == [
        Why.LEFT_OUT, Why.CONTROL_FAILED, "outside the range",
    ]  # fmt: skip
    other_day = replace(rules, failed={("2026-11-06", *k[1:]): v for k, v in failed.items()})
    assert decide(GOOD, [GROUND], [LIFE], replace(other_day, left_out={})).calls


def test_a_level_outside_the_evidence_is_not_decided_and_the_value_stands() -> None:
    high = replace(LEVEL, name="high", value=2500.0)
    rules = replace(RULES, levels={("Cu", "soil"): (LEVEL, high)})
    found = decide(GOOD, [GROUND], [LIFE], rules)
    assert [at.call for at in found.levels] == [found.levels[0].call, ""]
    assert found.levels[1].reasons[0].code == Why.LEVEL_OUTSIDE
    assert math.isfinite(found.value)


def test_two_laboratory_methods_need_a_person_to_name_one() -> None:
    other = replace(STRATUM, determined_by=replace(STRATUM.determined_by, code="M2"))
    both = [GROUND, replace(GROUND, stratum=other)]
    found = decide(GOOD, both, [LIFE], RULES)
    assert found.reasons == (
        Reason(Why.SEVERAL_METHODS, f"{STRATUM.lab_method}; {other.lab_method}"),
    )
    assert decide(GOOD, both, [LIFE], RULES, STRATUM.lab_method).calls


def test_both_rates_are_kept_at_the_level_through_a_real_factor() -> None:
    rng = np.random.default_rng(2)
    n, calls = 1500, []
    for value in 250.0 * FACTOR.slope * np.exp(rng.normal(0, FACTOR.residual_sd, n)):
        calls.append(call_of(float(value), spots=3))
    for side, rate in ((ABOVE, 0.10), (BELOW, 0.05)):
        assert calls.count(side) / n < rate + 3 * math.sqrt(rate * (1 - rate) / n)
