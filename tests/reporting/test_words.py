"""Sentences: plain, right, and digit for digit those of the table."""

import dataclasses
import math
import re
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from reconcile.base.model.figures import StratumStatistics
from reconcile.base.model.further import Further, Results
from reconcile.base.model.release import StratumResult
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import ACCEPTED, INSUFFICIENT, LABORATORY_ONLY, Verdict
from reconcile.reporting import sentences as written
from reconcile.reporting.figures import by_key, figures_of
from reconcile.statistics.result import Estimate, not_estimable
from tests.reporting import builder

SPACE = "\N{NO-BREAK SPACE}"
NUMBER = re.compile(rf"\d[\d{SPACE}]*(?:\.\d+)?")


def numbers_in(text: str) -> list[str]:
    return [n.strip(SPACE) for n in NUMBER.findall(text.replace(f"{SPACE}%", " %"))]


def table_numbers(result: StratumResult) -> set[str]:
    found: set[str] = set()
    for figure in figures_of(result.statistics):
        for text in figure.texts(result.per_mg_kg):
            found |= set(numbers_in(text))
        found.add(str(figure.n))
    verdict = written.range_of(result.verdict, result.unit, result.per_mg_kg)
    return found | set(numbers_in(verdict)) | {"95"}


@pytest.mark.parametrize("make", [builder.ordinary, builder.absolute, builder.censored])
def test_every_number_in_a_sentence_stands_in_the_table(make: Callable[[], StratumResult]) -> None:
    result = make()
    known = table_numbers(result)
    plain = dataclasses.replace(result.verdict, next_step="", reason="", valid_until="")
    sentences = written.sentences_for(
        result.stratum, result.statistics, None, plain, result.unit, result.per_mg_kg,
        result.pairs,
    )  # fmt: skip
    found = [n for s in sentences for n in numbers_in(s.replace("mean of 3 spots", ""))]
    assert len(found) >= 8
    assert set(found) <= known


def with_ratio(statistics: StratumStatistics, ratio: Estimate) -> StratumStatistics:
    bias = dataclasses.replace(statistics.bias, geometric_mean_ratio=ratio)
    return dataclasses.replace(statistics, bias=bias)


def shaped(
    statistics: StratumStatistics,
    ratio: float,
    scale: str = "log ratio",
    low: float | None = None,
    high: float | None = None,
) -> StratumStatistics:
    estimate = Estimate(ratio, 0.02, low or ratio - 0.04, high or ratio + 0.04, 41)
    return dataclasses.replace(with_ratio(statistics, estimate), difference_scale=scale)


@pytest.fixture(scope="module")
def ordinary() -> StratumResult:
    return builder.ordinary()


def sentences(
    result: StratumResult,
    statistics: StratumStatistics | None = None,
    verdict: Verdict | None = None,
    stratum: Stratum | None = None,
    pairs: pd.DataFrame | None = None,
) -> list[str]:
    return [
        s.replace(SPACE, " ")
        for s in written.sentences_for(
            stratum or result.stratum,
            statistics or result.statistics,
            result.factor,
            verdict or result.verdict,
            result.unit,
            result.per_mg_kg,
            result.pairs if pairs is None else pairs,
        )
    ]


def test_a_field_result_above_the_laboratory_is_said_in_per_cent_with_its_interval(
    ordinary: StratumResult,
) -> None:
    first = sentences(ordinary, shaped(ordinary.statistics, 1.12))[0]
    assert first == (
        "On 41 soil samples the XRF copper result was on average 12 % above the laboratory's "
        "(95 % interval 8 to 16 % above)."
    )


def test_a_field_result_below_the_laboratory_has_its_interval_in_rising_size(
    ordinary: StratumResult,
) -> None:
    first = sentences(ordinary, shaped(ordinary.statistics, 0.88))[0]
    assert "12 % below the laboratory's (95 % interval 8 to 16 % below)" in first


def test_an_interval_on_both_sides_says_both(ordinary: StratumResult) -> None:
    first = sentences(ordinary, shaped(ordinary.statistics, 1.01, low=0.88, high=1.14))[0]
    assert "(95 % interval 12 % below to 14 % above)" in first


def test_a_difference_that_rounds_to_nothing_is_not_called_agreement(
    ordinary: StratumResult,
) -> None:
    first = sentences(ordinary, shaped(ordinary.statistics, 1.0001, low=0.9, high=1.1))[0]
    assert "about level with the laboratory's (95 % interval 10 % below to 10 % above)" in first
    assert "agree" not in first


def test_a_large_ratio_is_said_as_times(ordinary: StratumResult) -> None:
    first = sentences(ordinary, shaped(ordinary.statistics, 5.2, low=4.8, high=5.7))[0]
    assert "5.2 times the laboratory's (95 % interval 4.8 to 5.7)" in first


def test_results_are_said_as_means_with_the_intervals_of_their_limits(
    ordinary: StratumResult,
) -> None:
    second = sentences(ordinary)[1]
    f = by_key(ordinary.statistics)
    low, high = f["limits_log_ratio_lower"].texts(1)[0], f["limits_log_ratio_upper"].texts(1)[0]
    assert second.startswith(
        f"Nineteen of twenty field results (each the mean of 3 spots, median) lie between {low} "
        f"and {high} times"
    )
    assert f"n = {ordinary.statistics.n_used}" in second


@pytest.mark.parametrize(
    ("spots", "readings", "said"),
    [
        (3, 9, "field results (each the mean of 3 spots, median) lie"),
        (1, 4, "field results (each the mean of 4 readings, median) lie"),
        (1, 1, "field results (each of one reading, median) lie"),
        (math.nan, math.nan, "field results lie"),
    ],
)
def test_what_one_result_is_the_mean_of_is_said(
    ordinary: StratumResult, spots: float, readings: float, said: str
) -> None:
    used = ordinary.pairs["used"].astype(bool)
    pairs = ordinary.pairs.assign(  # what is not used counts for nothing
        field_spots=np.where(used, spots, 99.0), field_n=np.where(used, readings, 99.0)
    )
    assert f"Nineteen of twenty {said}" in sentences(ordinary, pairs=pairs)[1]


def test_what_one_spot_gives_is_said_where_its_variance_is_known(ordinary: StratumResult) -> None:
    f = by_key(ordinary.statistics)
    low, high = f["single_lower"].texts(1)[0], f["single_upper"].texts(1)[0]
    expected = (
        f"Nineteen of twenty results of one spot lie between {low} and {high} times that of one "
        "laboratory result."
    )
    assert sentences(ordinary)[2] == expected.replace(SPACE, " ")
    rest = Results(tuple(x for x in ordinary.statistics.further if x[0] != Further.SCATTER))
    without = dataclasses.replace(ordinary.statistics, further=rest)
    assert not [s for s in sentences(ordinary, without) if "one spot" in s]


def test_censored_pairs_are_counted_and_kept() -> None:
    text = " ".join(sentences(builder.censored()))
    s = builder.censored().statistics
    censored = s.censored.field + s.censored.lab - s.censored.both
    assert f"{censored} of {s.n_pairs} pairs have a result below or above a limit" in text


def test_too_few_pairs_give_their_reason(ordinary: StratumResult) -> None:
    statistics = with_ratio(ordinary.statistics, not_estimable(1, "fewer than two pairs"))
    assert sentences(ordinary, statistics)[0] == (
        "1 usable pair of XRF and laboratory copper results can't show the bias "
        "(fewer than two pairs)."
    )


def test_nothing_estimable_gives_a_reason_instead_of_a_number(ordinary: StratumResult) -> None:
    none = not_estimable(0, "no pair has two quantified values")
    statistics = with_ratio(ordinary.statistics, none)
    first = sentences(ordinary, statistics)[0]
    assert first.startswith("There is no usable pair of XRF and laboratory copper results")
    assert not re.search(r"nan", first, re.IGNORECASE)


@pytest.mark.parametrize(
    ("decision", "start"),
    [
        (ACCEPTED, "Field results may be used alone between 20 and 800 mg/kg until 2027-01-31."),
        (LABORATORY_ONLY, "Laboratory only: too wide."),
        (INSUFFICIENT, "No verdict can be given yet: too wide."),
    ],
)
def test_the_last_sentence_says_what_to_do(
    ordinary: StratumResult, decision: str, start: str
) -> None:
    usable = decision == ACCEPTED
    verdict = Verdict(
        decision,
        "Too wide.",
        20.0 if usable else math.nan,
        800.0 if usable else math.nan,
        "2027-01-31" if usable else "",
        next_step="Then do this",
    )
    last = sentences(ordinary, verdict=verdict)[-1]
    assert last == f"{start} Then do this."


def test_one_sample_is_singular_and_an_odd_matrix_is_set_apart(ordinary: StratumResult) -> None:
    one = with_ratio(ordinary.statistics, Estimate(1.1, 0.1, 0.9, 1.3, 1))
    odd = dataclasses.replace(ordinary.stratum, matrix="<b>x</b>")
    assert sentences(ordinary, one)[0].startswith("On 1 soil sample the")
    assert sentences(ordinary, one, stratum=odd)[0].startswith("On 1 sample (matrix <b>x</b>) the")


def test_elements_have_their_names() -> None:
    assert written.element_name("Cu") == "copper"
    assert written.element_name("Al") == "aluminium"
    assert written.element_name("CaO+X") == "CaO+X"
