"""Exchanged labels: found where they matter, and hardly ever invented. All by simulation."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.evidence import diagnosis

IDS = [f"s{i:03d}" for i in range(40)]


def _study(
    rng: np.random.Generator,
    swap: tuple[int, int] | None = None,
    elements: int = 6,
    spread: float = 0.5,
    shared: float = 0.0,
    gross: float = 0.0,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Field (20 % error) and lab (3 %) of 40 samples; ``shared`` of the error variance is
    common to a sample's elements, a share ``gross`` of results is wrong by a factor of 4.5.
    """
    n = len(IDS)
    true = rng.normal(0, spread, (n, elements))
    error = np.sqrt(1 - shared) * rng.normal(0, 0.2, (n, elements))
    error += np.sqrt(shared) * rng.normal(0, 0.2, (n, 1))
    error += np.where(rng.random((n, elements)) < gross, rng.normal(0, 1.5, (n, elements)), 0)
    field = true + error + rng.normal(0, 0.2, elements)
    lab = true + rng.normal(0, 0.03, (n, elements))
    labels = list(IDS)
    if swap:
        labels[swap[0]], labels[swap[1]] = labels[swap[1]], labels[swap[0]]
    columns = [f"E{i}" for i in range(elements)]
    return (
        pd.DataFrame(np.exp(field), index=IDS, columns=columns),
        pd.DataFrame(np.exp(lab), index=labels, columns=columns),
    )


def _alarms(studies: int, seed: int, **how: Any) -> float:
    rng = np.random.default_rng(seed)
    return sum(bool(diagnosis.suspected_swaps(*_study(rng, **how))) for _ in range(studies)) / (
        studies
    )


@pytest.mark.slow
@pytest.mark.parametrize("how", [{}, {"shared": 0.8}, {"elements": 4}, {"gross": 0.05}])
def test_a_false_alarm_is_raised_in_no_more_than_one_study_of_a_hundred(
    how: dict[str, Any],
) -> None:
    assert _alarms(400, 21, **how) <= 0.01


@pytest.mark.slow
@pytest.mark.parametrize(
    ("how", "least"), [({}, 0.8), ({"shared": 0.5}, 0.74), ({"gross": 0.05}, 0.5)]
)
def test_most_exchanged_labels_are_found_and_named(how: dict[str, Any], least: float) -> None:
    rng = np.random.default_rng(22)
    found = 0
    for _ in range(200):
        findings = diagnosis.suspected_swaps(*_study(rng, swap=(3, 17), **how))
        found += [f.subject for f in findings] == ["s003 / s017"]
    assert found / 200 >= least


def test_samples_that_differ_clearly_are_found_every_time_with_both_distances() -> None:
    rng = np.random.default_rng(23)
    for _ in range(40):
        field, lab = _study(rng)
        rich = rng.uniform(1.2, 2.0, field.shape[1])
        field.loc["s005"] *= np.exp(rich)
        lab.loc["s005"] *= np.exp(rich)
        swapped = lab.rename(index={"s005": "s030", "s030": "s005"})
        (finding,) = diagnosis.suspected_swaps(field, swapped)
        assert finding.subject == "s005 / s030"
        assert finding.severity == "serious"
        assert "as labelled" in finding.evidence
        assert "exchanged" in finding.evidence
        assert "Nothing was exchanged" in finding.advice


def test_two_exchanged_pairs_are_named_apart() -> None:
    rng = np.random.default_rng(24)
    field, lab = _study(rng, spread=1.0)
    lab = lab.rename(index={"s001": "s002", "s002": "s001", "s008": "s020", "s020": "s008"})
    assert {f.subject for f in diagnosis.suspected_swaps(field, lab)} == {
        "s001 / s002", "s008 / s020",
    }  # fmt: skip


def test_fewer_than_four_elements_or_eight_samples_tell_nothing() -> None:
    rng = np.random.default_rng(25)
    field, lab = _study(rng, swap=(3, 17), spread=1.0)
    assert diagnosis.suspected_swaps(field.iloc[:, :3], lab.iloc[:, :3]) == ()
    assert diagnosis.suspected_swaps(field.iloc[:7], lab.iloc[:7]) == ()


def test_missing_elements_of_a_sample_leave_the_others_to_speak() -> None:
    rng = np.random.default_rng(26)
    field, lab = _study(rng, swap=(3, 17), spread=1.0)
    field.iloc[3, 0] = np.nan
    lab.iloc[17, 1] = 0.0
    assert [f.subject for f in diagnosis.suspected_swaps(field, lab)] == ["s003 / s017"]


def test_the_order_of_rows_and_columns_does_not_matter() -> None:
    rng = np.random.default_rng(27)
    field, lab = _study(rng, swap=(3, 17), spread=1.0)
    mixed = lab.sample(frac=1, random_state=1).iloc[:, ::-1]
    assert diagnosis.suspected_swaps(field, lab) == diagnosis.suspected_swaps(field, mixed)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_any_numbers_at_all_are_read(data: st.DataObject) -> None:
    values = st.lists(st.lists(st.floats(), min_size=5, max_size=5), min_size=9, max_size=9)
    field = pd.DataFrame(data.draw(values), index=[f"a{i}" for i in range(9)])
    lab = pd.DataFrame(data.draw(values), index=[f"a{i}" for i in range(9)])
    with np.errstate(all="ignore"):
        diagnosis.suspected_swaps(field, lab)
