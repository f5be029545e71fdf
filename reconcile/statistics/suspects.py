"""Which instrument, laboratory or operator explains that results differ between sites.

Every line is one bias (of one element, method and material at one site) with what it was made
with. A candidate, such as a laboratory, is held against all lines of the same comparison that
were made without it; the others alone say how far lines differ anyway. Its comparisons are
combined by Cauchy's combination (Liu & Xie 2020), which holds however they hang together, and the
candidates go through the false discovery rule (Benjamini & Hochberg 1995). What one explains is
taken off its lines before the next is looked at, so that the instruments of a laboratory that is
wrong are not suspected for its sake.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import Booleans, Floats, quiet, same_length, vector
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.multiplicity import benjamini_hochberg
from reconcile.statistics.random_effects import between_variance

#: Lines that were made without a candidate and say how far lines differ anyway, at least.
FEWEST_OTHERS = 3
#: Candidates that are taken off one after the other, at most.
MOST = 8


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Contrast:
    """A candidate against the others in one comparison, in the unit of the values."""

    comparison: str
    difference: float
    low: float  # of the difference
    high: float
    se: float
    df: int
    p: float
    lines: int  # made with it
    others: int


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Suspect:
    """One candidate where what the named ones explain is taken off."""

    kind: str
    name: str
    contrasts: tuple[Contrast, ...]
    p: float
    p_adjusted: float
    named: bool  # differs after the false discovery rule
    #: Other candidates that stand for the same lines: nothing tells them apart.
    alike: tuple[tuple[str, str], ...] = field(default=())


@quiet
def suspects(
    values: ArrayLike,
    variances: ArrayLike,
    comparisons: Sequence[str],
    made_with: Mapping[str, Sequence[str]],
    rate: float = 0.05,
    level: float = 0.95,
) -> tuple[Suspect, ...]:
    """The candidates, those that are named first, then by p.

    ``values``, ``variances``: of each line. ``comparisons``: what each line is comparable within.
    ``made_with``: by kind of candidate its name on each line, '' where none is known. ``rate``: of
    false discoveries among those that are named. ``level``: of the intervals. Candidates that no
    comparison can tell of (fewer than FEWEST_OTHERS lines without them) are left out.
    """
    y, v = vector(values), vector(variances, "variances")
    same_length(y, v, names=("values", "variances"))
    known = np.isfinite(y) & (v > 0) & np.isfinite(v)
    groups = np.asarray(comparisons, dtype=object)
    # by their lines; what stands first in the order of kinds names those that stand for the same
    candidates: dict[bytes, list[tuple[str, str]]] = {}
    members: dict[bytes, Booleans] = {}
    for kind, names in made_with.items():
        column = np.asarray(names, dtype=object)
        for name in sorted({n for n in names if n}):
            lines = (column == name) & known
            key = lines.tobytes()
            members[key] = lines
            candidates.setdefault(key, []).append((kind, name))
    searched = _Search(y, v, groups, known, members, level)
    picked = searched.picked(rate)
    effects = searched.fitted(picked)
    tried = {key: c for key in members if (c := searched.contrasts(effects, key))}
    p = {key: combined([c.p for c in contrasts]) for key, contrasts in tried.items()}
    adjusted = dict(zip(p, benjamini_hochberg(list(p.values())), strict=True))
    return tuple(
        Suspect(
            *candidates[key][0], tried[key], p[key], float(adjusted[key]),
            key in picked and bool(adjusted[key] <= rate), tuple(candidates[key][1:]),
        )
        for key in sorted(p, key=lambda key: (key not in picked, p[key], candidates[key]))
    )  # fmt: skip


_Effects = dict[bytes, tuple[Contrast, ...]]


@equal_with_nan
@dataclass(frozen=True, slots=True)
class _Search:
    """The lines, and the lines of each candidate."""

    y: Floats
    v: Floats
    groups: np.ndarray
    known: Booleans
    members: Mapping[bytes, Booleans]
    level: float

    def picked(self, rate: float) -> tuple[bytes, ...]:
        """The candidates that differ, found as by the generalised test of Rosner (1983).

        One after the other is taken off, telling or not, and what stands up to the last telling one
        is picked: two faults hide each other, for each makes the others' spread look large. A step
        is telling by Bonferroni over the candidates that are left.
        """
        taken: list[bytes] = []
        telling = 0
        for _ in range(min(MOST, len(self.members) // 4)):
            effects = self.fitted(tuple(taken), rounds=1)
            left = {
                key: combined([c.p for c in contrasts])
                for key in self.members
                if key not in taken and (contrasts := self.contrasts(effects, key))
            }
            if not left:
                break
            best = min(left, key=lambda key: (left[key], key))
            taken.append(best)
            if left[best] * len(left) <= rate:
                telling = len(taken)
        return tuple(taken[:telling])

    def fitted(self, picked: tuple[bytes, ...], rounds: int = 5) -> _Effects:
        """What each of them does where the others' doings are taken off, by turns."""
        effects: _Effects = {}
        for _ in range(rounds):
            for key in picked:
                effects[key] = self.contrasts(effects, key)
        return effects

    def contrasts(self, effects: _Effects, key: bytes) -> tuple[Contrast, ...]:
        """The candidate in each comparison that can tell of it, the effects of others taken off.

        What an effect was taken off says less of how far lines differ anyway, for it was fitted to
        them: such lines are none of the others, where enough are left.
        """
        y, plain = self.y.copy(), self.known.copy()
        for other, contrasts in effects.items():
            if other != key:
                plain &= ~self.members[other]
                for c in contrasts:
                    y[self.members[other] & (self.groups == c.comparison)] -= c.difference
        made = []
        for comparison in sorted(set(self.groups[self.members[key]])):
            here = self.known & (self.groups == comparison)
            mine, others = here & self.members[key], here & ~self.members[key]
            if (others & plain).sum() >= FEWEST_OTHERS:
                others &= plain
            if others.sum() >= FEWEST_OTHERS:
                made.append(self._contrast(comparison, y, mine, others))
        return tuple(made)

    def _contrast(self, comparison: str, y: Floats, mine: Booleans, others: Booleans) -> Contrast:
        tau2 = between_variance(y[others], self.v[others])
        w, w_others = 1 / (self.v[mine] + tau2), 1 / (self.v[others] + tau2)
        mean = float(np.sum(w_others * y[others]) / np.sum(w_others))
        difference = float(np.sum(w * y[mine]) / np.sum(w)) - mean
        se = math.sqrt(1 / float(np.sum(w)) + 1 / float(np.sum(w_others)))
        df = int(others.sum()) - 1
        half = float(stats.t.ppf((1 + self.level) / 2, df)) * se
        return Contrast(
            comparison, difference, difference - half, difference + half, se, df,
            float(2 * stats.t.sf(abs(difference) / se, df)), int(mine.sum()), int(others.sum()),
        )  # fmt: skip


def combined(p_values: Sequence[float]) -> float:
    """Cauchy's combination of p values with equal weights; holds under any dependence."""
    p = np.clip(np.array(p_values), 1e-300, 1 - 1e-15)
    parts = np.where(p < 1e-15, 1 / (p * np.pi), np.tan((0.5 - p) * np.pi))
    return float(stats.cauchy.sf(np.mean(parts)))
