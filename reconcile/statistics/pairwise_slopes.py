"""Order statistics of all pairwise slopes, exact, without listing the n(n − 1)/2 slopes.

How many slopes lie below t is the number of inversions of the points sorted by y − t·x
against their order by x; a few such counts close in on the slope of a wanted rank, after
which only the slopes that are left are listed (Cole, Salowe, Steiger & Szemerédi 1989;
Matoušek 1991; Dillencourt, Mount & Netanyahu 1992). Time grows as n log n, memory as n.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reconcile.statistics._values import Floats, Integers

Ranks = NDArray[np.int32]

#: Slopes that are listed at once; below this many pairs everything is listed.
LISTED = 1 << 16
_SPLIT = 134217729.0  # 2^27 + 1, Veltkamp's splitting of a double
_LARGEST_WHOLE = 2.0**51


def decimals(x: Floats, y: Floats) -> tuple[Floats, Floats, bool]:
    """Both vectors as whole multiples of one power of ten, where they are such.

    Values written with few decimals are not exact in binary: 0.3 − 0.1 differs from 0.2.
    Multiplied to whole numbers their differences are exact, so that ties and slopes of
    exactly −1 are seen as reported. Slopes stay the same. The flag says if it was done.
    """
    for k in range(10):
        power = 10.0**k
        whole_x, whole_y = np.rint(x * power), np.rint(y * power)
        if not (np.abs(whole_x).max() < _LARGEST_WHOLE and np.abs(whole_y).max() < _LARGEST_WHOLE):
            break
        if np.array_equal(whole_x / power, x) and np.array_equal(whole_y / power, y):
            return whole_x, whole_y, True
    return x, y, False


def _levels(n: int) -> int:
    return max(int(n - 1).bit_length(), 1)


def _padded(ranks: Ranks) -> tuple[Ranks, int]:
    """Ranks followed by still larger ones in order, up to a power of two."""
    top = _levels(ranks.size)
    return np.concatenate([ranks, np.arange(ranks.size, 1 << top, dtype=np.int32)]), top


def _partition(a: Ranks, bit: NDArray[np.bool_], half: int) -> Ranks:
    """Each group of 2·half values: first those whose bit is 0, then those with 1, in order."""
    out = np.empty_like(a).reshape(-1, 2, half)
    out[:, 0] = a[~bit].reshape(-1, half)
    out[:, 1] = a[bit].reshape(-1, half)
    return out.reshape(-1)


def inversions(ranks: Ranks) -> int:
    """Pairs i < j with ranks[i] > ranks[j]; ``ranks`` is a permutation of 0 … n − 1.

    Bit by bit from the top: within each group of equal leading bits, every value whose bit
    is 0 counts those before it whose bit is 1; then the group is split, keeping the order.
    """
    a, top = _padded(ranks)
    total = 0
    for level in range(top - 1, -1, -1):
        half = 1 << level
        bit = (a & half) != 0
        before = np.cumsum(bit, dtype=np.int32)
        # every group holds ``half`` ones, so the ones before a group are known
        groups = a.size // (2 * half)
        total += int(np.sum(before[~bit], dtype=np.int64)) - half * half * (
            groups * (groups - 1) // 2
        )
        if level:
            a = _partition(a, bit, half)
    return total


def inversions_of_each(ranks: Ranks) -> Integers:
    """For every rank, in how many inversions it takes part; shape (n,), indexed by rank."""
    a, top = _padded(ranks)
    found = np.zeros(a.size, dtype=np.int64)
    for level in range(top - 1, -1, -1):
        half = 1 << level
        bit = (a & half) != 0
        place = np.arange(a.size, dtype=np.int32)
        group = place >> (level + 1)
        ones = np.cumsum(bit, dtype=np.int32) - group * half
        zero = ~bit
        found[a[zero]] += ones[zero]
        # zeros after a one: all of the group's zeros less those before it
        inside = place - (group << (level + 1))
        found[a[bit]] += half - (inside[bit] + 1 - ones[bit])
        if level:
            a = _partition(a, bit, half)
    return found[: ranks.size]


def list_inversions(ranks: Ranks) -> tuple[Integers, Integers]:
    """All inversions as two arrays of ranks: the larger, which comes first, and the smaller."""
    a, top = _padded(ranks)
    first: list[Integers] = []
    second: list[Integers] = []
    for level in range(top - 1, -1, -1):
        half = 1 << level
        bit = (a & half) != 0
        zero = np.flatnonzero(~bit)
        group = zero >> (level + 1)
        count = np.cumsum(bit, dtype=np.int64)[zero] - group * half
        busy = count > 0
        if busy.any():
            count, start = count[busy], group[busy] * half
            ones = a[bit]
            ends = np.cumsum(count)
            steps = np.arange(int(ends[-1])) - np.repeat(ends - count, count)
            first.append(ones[np.repeat(start, count) + steps].astype(np.int64))
            second.append(np.repeat(a[zero[busy]], count).astype(np.int64))
        if level:
            a = _partition(a, bit, half)
    if not first:
        none = np.zeros(0, dtype=np.int64)
        return none, none
    return np.concatenate(first), np.concatenate(second)


def _ordinal(value: float) -> int:
    """Place of a double among all doubles, so that halving goes over their exponents too."""
    bits = int(np.float64(value).view(np.int64))
    return bits if bits >= 0 else -(bits & 0x7FFFFFFFFFFFFFFF)


def _double(ordinal: int) -> float:
    bits = ordinal if ordinal >= 0 else -ordinal | (1 << 63)
    return float(np.uint64(bits).view(np.float64))


class PairwiseSlopes:
    """All slopes (y_j − y_i)/(x_j − x_i), i < j; pairs of identical points have none.

    Vertical pairs count as +∞. ``x`` and ``y`` are finite vectors of the same length.
    """

    def __init__(self, x: Floats, y: Floats, listed: int = LISTED) -> None:
        x, y, _ = decimals(x, y)
        order = np.lexsort((y, x))
        self.x, self.y = x[order], y[order]
        self.n = int(x.size)
        self.listed = listed
        same_x = np.concatenate([[True], self.x[1:] != self.x[:-1]])
        same_point = same_x | np.concatenate([[True], self.y[1:] != self.y[:-1]])
        pairs = self.n * (self.n - 1) // 2
        self.identical = self._pairs_within(same_point)
        #: number of slopes, vertical ones included
        self.total = pairs - self.identical
        self.finite = pairs - self._pairs_within(same_x)
        # ends are known without counting: nothing lies below −∞, all finite slopes below +∞
        self._known: dict[float, int] = {-math.inf: 0, math.inf: self.finite}
        self._sample: Floats | None = None
        self._all: Floats | None = None

    @staticmethod
    def _pairs_within(starts: NDArray[np.bool_]) -> int:
        sizes = np.diff(np.concatenate([np.flatnonzero(starts), [starts.size]]))
        return int(np.sum(sizes * (sizes - 1) // 2))

    def _heights(self, t: float) -> tuple[Floats, Floats]:
        """y − t·x as a sum of two doubles, exact to about 32 digits (Dekker 1971)."""
        x, y = self.x, self.y
        p = t * x
        c = _SPLIT * t
        t_high = c - (c - t)
        t_low = t - t_high
        d = _SPLIT * x
        x_high = d - (d - x)
        x_low = x - x_high
        p_error = ((t_high * x_high - p) + t_high * x_low + t_low * x_high) + t_low * x_low
        s = y - p
        b = s - y
        low = ((y - (s - b)) - (p + b)) - p_error
        low = np.where(np.isfinite(low), low, 0.0)
        high = s + low
        return high, low - (high - s)

    def _order(self, t: float, ties_reversed: bool = False) -> Integers:
        """Points by y − t·x; equal heights in the order of x, or against it."""
        if math.isinf(t):
            n = np.arange(self.n)
            if t < 0:
                return n
            # falling x; vertical pairs keep their order
            return np.lexsort((n, -self.x)).astype(np.int64)
        high, low = self._heights(t)
        if ties_reversed:
            high, low = high[::-1], low[::-1]
        order = np.argsort(high, kind="stable")
        sorted_high = high[order]
        if np.any(sorted_high[1:] == sorted_high[:-1]):
            order = np.lexsort((low, high))
        return self.n - 1 - order if ties_reversed else order

    def _count(self, t: float, ties_reversed: bool = False) -> int:
        ranks = np.empty(self.n, dtype=np.int32)
        ranks[self._order(t, ties_reversed)] = np.arange(self.n, dtype=np.int32)
        return inversions(ranks)

    def below(self, t: float) -> int:
        """How many slopes are smaller than ``t``."""
        if t not in self._known:
            if self._all is not None:
                self._known[t] = int(np.searchsorted(self._all, t, side="left"))
            else:
                self._known[t] = self._count(t)
        return self._known[t]

    def equal(self, t: float) -> int:
        """How many slopes equal ``t`` exactly."""
        return self._count(t, ties_reversed=True) - self.identical - self._count(t)

    def _slopes(self, i: Any, j: Any) -> Floats:
        return np.asarray((self.y[j] - self.y[i]) / (self.x[j] - self.x[i]), dtype=np.float64)

    def _list_all(self) -> Floats:
        i, j = np.triu_indices(self.n, 1)
        dx = self.x[j] - self.x[i]
        keep = dx != 0
        return np.sort((self.y[j][keep] - self.y[i][keep]) / dx[keep])

    def _drawn(self) -> Floats:
        """Sorted slopes of random pairs: a guide for the search that no result depends on."""
        if self._sample is None:
            rng = np.random.default_rng(0)
            size = 8 * self.n
            i, j = rng.integers(0, self.n, size), rng.integers(0, self.n, size)
            keep = self.x[i] != self.x[j]
            self._sample = np.sort(self._slopes(i[keep], j[keep]))
        return self._sample

    def _between(self, low: float, high: float) -> Floats:
        """The slopes in [low, high), sorted."""
        start, end = self._order(low), self._order(high)
        place = np.empty(self.n, dtype=np.int32)
        place[end] = np.arange(self.n, dtype=np.int32)
        first, second = list_inversions(place[start])
        return np.sort(self._slopes(end[second], end[first]))

    def _bracket(self, rank: int) -> tuple[float, float]:
        low = max(t for t, c in self._known.items() if c < rank)
        high = min(t for t, c in self._known.items() if c >= rank)
        return low, high

    def select(self, rank: int) -> float:
        """The slope of a rank (1 = smallest); +∞ for vertical pairs."""
        if not 1 <= rank <= self.total:
            raise ValueError(f"rank must lie between 1 and {self.total}, got {rank}")
        if rank > self.finite:
            return math.inf
        if self._all is None and self.n * (self.n - 1) // 2 <= self.listed:
            self._all = self._list_all()
        if self._all is not None:
            return float(self._all[rank - 1])
        low, high = self._bracket(rank)
        margin = self.listed // 4
        turn = 0
        while self.below(high) - self.below(low) > self.listed:
            first, last = _ordinal(low), _ordinal(high)
            if last - first <= 2:
                # many equal slopes between neighbouring doubles: any of them will do
                return self._one_between(low, high)
            self._narrow(rank, low, high, margin, turn)
            low, high = self._bracket(rank)
            turn += 1
        return float(self._between(low, high)[rank - self.below(low) - 1])

    def _narrow(self, rank: int, low: float, high: float, margin: int, turn: int) -> None:
        """Count below one or two slopes that should enclose the wanted one closely."""
        sample = self._drawn()
        inside = sample[np.searchsorted(sample, low, "left") : np.searchsorted(sample, high)]
        c_low, c_high = self.below(low), self.below(high)
        guesses: list[float] = []
        if turn < 6 and inside.size >= 2:
            share = (rank - c_low) / (c_high - c_low)
            spread = 3.5 * math.sqrt(share * (1 - share) / inside.size) if turn == 0 else 0.0
            spread = max(spread, margin / (c_high - c_low))
            for target in (share - spread, share + spread):
                guesses.append(float(np.quantile(inside, min(max(target, 0.0), 1.0))))
            middle = float(np.quantile(inside, share))
            if guesses[0] == guesses[1]:
                # one slope stands out: enclose it alone
                guesses = [math.nextafter(middle, -math.inf), math.nextafter(middle, math.inf)]
        else:
            guesses.append(_double((_ordinal(low) + _ordinal(high)) // 2))
        moved = False
        for t in guesses:
            if low < t < high:
                self.below(t)
                moved = True
        if not moved:
            self.below(_double((_ordinal(low) + _ordinal(high)) // 2))

    def _one_between(self, low: float, high: float) -> float:
        start, end = self._order(low), self._order(high)
        place = np.empty(self.n, dtype=np.int64)
        place[end] = np.arange(self.n)
        sequence = place[start]
        at = int(np.flatnonzero(sequence[:-1] > sequence[1:])[0])
        return float(self._slopes(start[at], start[at + 1]))


def kendall_pulls(first: Floats, second: Floats) -> Floats:
    """For each point, its concordant less its discordant pairs with all others; shape (n,).

    Their sum is twice Kendall's score. Pairs tied on either side count nothing.
    """
    n = first.size
    order = np.lexsort((second, first))
    a, b = first[order], second[order]
    ranks = np.empty(n, dtype=np.int32)
    by_b = np.argsort(b, kind="stable")
    ranks[by_b] = np.arange(n, dtype=np.int32)
    discordant = inversions_of_each(ranks)[ranks]

    def tied(starts: NDArray[np.bool_]) -> Integers:
        begin = np.flatnonzero(starts)
        sizes = np.diff(np.concatenate([begin, [n]]))
        return np.repeat(sizes, sizes) - 1

    new_a = np.concatenate([[True], a[1:] != a[:-1]])
    new_both = new_a | np.concatenate([[True], b[1:] != b[:-1]])
    sorted_b = b[by_b]
    in_b = np.empty(n, dtype=np.int64)
    in_b[by_b] = tied(np.concatenate([[True], sorted_b[1:] != sorted_b[:-1]]))
    ties = tied(new_a) + in_b - tied(new_both)
    out = np.empty(n)
    out[order] = (n - 1) - 2 * discordant - ties
    return out
