"""Many verdicts at once: how many acceptances may be wrong, and rules that hold that down.

A set of values is judged against what was agreed as read and, where a factor is proposed,
corrected: each judging accepts what is beyond the agreement with a chance of at most its
alpha. Nothing is supposed of how many methods are good, so that the sum of these chances is
the most that can be expected to be wrong.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from reconcile.base.model.release import EarlierResult
from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, CorrectionFactor, Verdict
from reconcile.intake.workspace import months_between
from reconcile.statistics.equality import equal_with_nan

MONTHS_OF_A_YEAR = 12


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Expected:
    """The verdicts of one period together."""

    accepted: int
    judged: int  # judgings of a set of values against what was agreed
    wrong_at_most: float  # expected number of wrong acceptances, whatever the truth


def judgings(factor: CorrectionFactor | None) -> int:
    """How many sets of values a stratum offers: as read, and corrected where there is a factor."""
    return 2 if factor is not None and factor.form != "none" else 1


def accepts(verdict: Verdict) -> bool:
    """Whether field results may be used alone, as read or corrected."""
    return verdict.decision in (ACCEPTED, ACCEPTED_CORRECTED)


def expected(verdicts: Iterable[Verdict]) -> Expected:
    """How many acceptances there are, and how many are to be expected wrong at most."""
    found = list(verdicts)
    judged = [v for v in found if v.decisions]
    accepted = sum(map(accepts, found))
    most = sum(v.wrong_at_most for v in found)
    return Expected(accepted, sum(v.decisions for v in judged), min(most, float(accepted)))


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Year:
    """The acceptances of this period and of the releases of the months before it."""

    months: int  # with a release that keeps how its verdicts were judged, this one among them
    accepted: int
    wrong_at_most: float


def over_a_year(verdicts: Iterable[Verdict], earlier: Iterable[EarlierResult], period: str) -> Year:
    """The sums of :func:`expected` over the twelve months that end with ``period`` (YYYY-MM).

    Months whose release does not say how its verdicts were judged are left out. The chances add
    up also where months share evidence: an expected number needs no independence.
    """
    this = expected(verdicts)
    by_month: dict[str, list[EarlierResult]] = {}
    for result in earlier:
        if months_between(result.period, period) < MONTHS_OF_A_YEAR:
            by_month.setdefault(result.period, []).append(result)
    months, accepted, wrong = 1, this.accepted, this.wrong_at_most
    for results in by_month.values():
        if any(math.isnan(r.wrong_at_most) for r in results):
            continue
        own = sum(r.verdict in (ACCEPTED, ACCEPTED_CORRECTED) for r in results)
        months, accepted = months + 1, accepted + own
        wrong += min(sum(r.wrong_at_most for r in results), float(own))
    return Year(months, accepted, wrong)


def level_of(
    rule: str, alpha: float, judgings: Sequence[int], accept: Callable[[int, float], bool]
) -> float:
    """The alpha at which every stratum of a period is to be judged under a rule.

    ``judgings``: how many sets of values each stratum offers (1, or 2 with a factor).
    ``accept(i, a)``: whether stratum i is accepted at alpha a. 'family-wise': Holm (1979): with
    k accepted of m judgings the rest is held against alpha/(m − k). 'false discovery':
    Benjamini & Hochberg (1995): the largest k of which at least k are accepted at k·alpha/m.
    """
    m = sum(judgings)
    if rule == "none" or not m:
        return alpha
    strata = range(len(judgings))
    if rule == "family-wise":
        accepted = 0
        while accepted < m:
            level = alpha / (m - accepted)
            now = sum(accept(i, level) for i in strata)
            if now <= accepted:
                return level
            accepted = now
        return alpha
    for k in range(len(judgings), 0, -1):
        if sum(accept(i, k * alpha / m) for i in strata) >= k:
            return k * alpha / m
    return alpha / m
