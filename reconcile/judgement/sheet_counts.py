"""What a sheet comes to: calls by level, samples for the laboratory, cost of each policy."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from reconcile.judgement.results import AtLevel, Result
from reconcile.judgement.sheet_content import Costs
from reconcile.statistics.decision_unit import UnitMean, unit_mean
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.level_calls import ABOVE, BELOW, TOO_CLOSE

#: What becomes of a sample, the first that any of its results asks for.
SampleCall = Literal["act", "too close", "undecided", "no action", "no level"]
ACT: SampleCall = "act"  # a result lies on the side of a level on which someone acts
CLOSE: SampleCall = "too close"
UNDECIDED: SampleCall = "undecided"
NO_ACTION: SampleCall = "no action"
NO_LEVEL: SampleCall = "no level"
#: The few that matter first.
ORDER = (ACT, CLOSE, UNDECIDED, NO_ACTION, NO_LEVEL)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class LevelCount:
    """Calls of all results of one element at one level."""

    element: str
    name: str
    level: float  # mg/kg
    below: int
    above: int
    too_close: int
    undecided: int
    rate_above: float
    rate_below: float


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Policy:
    """What a way of deciding is expected to cost; in the currency of the settings."""

    name: Literal["laboratory", "sheet", "field alone"]
    assays: int
    wrong_calls: float  # expected
    cost: float
    assay_cost: float = math.nan  # of ``cost``, what assays cost


def acting_side(at: AtLevel) -> str:
    """The call on which someone acts."""
    return BELOW if at.acts_below else ABOVE


def by_sample(results: Sequence[Result]) -> dict[str, SampleCall]:
    """What becomes of each sample, by its id."""
    found: dict[str, SampleCall] = {}
    for r in results:
        call = _of_one(r)
        known = found.get(r.mean.sample_id, NO_LEVEL)
        found[r.mean.sample_id] = min(known, call, key=ORDER.index)
    return found


def _of_one(r: Result) -> SampleCall:
    if not r.levels:
        return NO_LEVEL
    if any(at.call == acting_side(at) for at in r.levels):
        return ACT
    if r.too_close:
        return CLOSE
    return UNDECIDED if any(not at.call for at in r.levels) else NO_ACTION


def for_laboratory(results: Sequence[Result]) -> dict[str, SampleCall]:
    """Samples with a result that is too close, or undecided, at any level."""
    found: dict[str, SampleCall] = {}
    for r in results:
        open_ = CLOSE if r.too_close else UNDECIDED if any(not a.call for a in r.levels) else None
        if open_ is not None and found.get(r.mean.sample_id) != CLOSE:
            found[r.mean.sample_id] = open_
    return found


def level_counts(results: Iterable[Result]) -> tuple[LevelCount, ...]:
    """One count for each element and level, in order of element and level."""
    groups: dict[tuple[str, float, str], list[AtLevel]] = {}
    for r in results:
        for at in r.levels:
            groups.setdefault((r.mean.element, at.level, at.name), []).append(at)
    found = []
    for (element, level, name), many in sorted(groups.items()):
        calls = [at.call for at in many]
        found.append(
            LevelCount(
                element, name, level, calls.count(BELOW), calls.count(ABOVE),
                calls.count(TOO_CLOSE), calls.count(""), many[0].rate_above, many[0].rate_below,
            )
        )  # fmt: skip
    return tuple(found)


@dataclass(frozen=True, slots=True)
class LotMean:
    """One element of one lot: calls at each level, and the mean of its samples; mg/kg."""

    lot: str
    element: str
    matrix: str
    samples: int
    without: int  # that have no value: then the lot has no limit
    mean: UnitMean
    called: tuple[tuple[str, int, int], ...]  # level, called on the acting side, called at all


def lot_means(results: Iterable[Result], level: float = 0.95) -> tuple[LotMean, ...]:
    """Every element with a decision level, lot by lot.

    The uncertainty of the factor is common to all samples of a lot; the rest is between them.
    """
    groups: dict[tuple[str, str, str], list[Result]] = {}
    for r in results:
        if r.levels:
            groups.setdefault((r.mean.lot, r.mean.element, r.mean.matrix), []).append(r)
    found = []
    for (lot, element, matrix), many in sorted(groups.items()):
        known = [r for r in many if math.isfinite(r.value)]
        without = len(many) - len(known)
        common = sum(r.parts[0] for r in known) / len(known) if known else 0.0
        mean = unit_mean([r.value for r in known], common, level)
        if without:
            mean = replace(mean, upper=math.nan, method="")
        called = []
        for i, at in enumerate(many[0].levels):
            calls = [r.levels[i].call for r in many]
            both = calls.count(ABOVE) + calls.count(BELOW)
            called.append((at.name, calls.count(acting_side(at)), both))
        found.append(LotMean(lot, element, matrix, len(many), without, mean, tuple(called)))
    return tuple(found)


def policies(results: Sequence[Result], costs: Costs) -> tuple[Policy, ...]:
    """All to the laboratory; by the sheet; by the field alone, each result as it lies.

    Costs are NaN where one that is needed was not given. The chance of a wrong call is that of
    each result (``AtLevel.other_side``, no prior knowledge of contents).
    """
    samples = {r.mean.sample_id for r in results if r.levels}
    sent = set(for_laboratory(results)) & samples
    none = {
        r.mean.sample_id for r in results if r.levels and any(not at.call for at in r.levels)
    } & samples  # fmt: skip
    return (
        Policy("laboratory", len(samples), 0.0, *[len(samples) * costs.assay] * 2),
        _policy("sheet", [r for r in results if r.mean.sample_id not in sent], len(sent), costs),
        _policy(
            "field alone", [r for r in results if r.mean.sample_id not in none], len(none), costs
        ),
    )


def _policy(
    name: Literal["sheet", "field alone"], decided: Sequence[Result], assays: int, costs: Costs
) -> Policy:
    paid = assays * costs.assay if assays else 0.0
    wrong, cost = 0.0, paid
    for r in decided:
        for at in r.levels:
            if math.isfinite(at.other_side):
                wrong += at.other_side
                lies_above = r.value >= at.level
                missed = lies_above == at.acts_below
                cost += at.other_side * (costs.missed if missed else costs.false_alarm)
    return Policy(name, assays, wrong, cost, paid)


def chosen(calls: Mapping[str, SampleCall], call: SampleCall) -> tuple[str, ...]:
    """The samples of one kind, in order of their ids."""
    return tuple(sorted(sample for sample, found in calls.items() if found == call))
