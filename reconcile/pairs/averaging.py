"""Sample means: shots within a spot, spots within a sample, every column in one pass.

Plain numpy over rows that are sorted by sample and spot; sums run in row order, so the
same rows give the same last digit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reconcile.intake.tables import ABOVE, BELOW, QUANTIFIED

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]
_Sum = Callable[[Floats], Floats]

#: Rows averaged at a time: what is reckoned from them stays in the processor's cache.
_ROWS = 65_536


@dataclass(frozen=True, slots=True)
class _Part:
    """Some whole samples of a nesting, their spots and rows."""

    samples: slice
    rows: slice
    spot_of_row: Integers  # from 0 within the part
    group_of_spot: Integers
    spots_of_group: Floats
    per_spot: _Sum  # sums rows into spots
    per_group: _Sum  # sums spots into samples


@dataclass(frozen=True, slots=True)
class Nesting:
    """Which sample and spot every row belongs to; both ids sorted, from 0 without gaps."""

    group: Integers  # per row
    spot: Integers  # per row
    group_of_spot: Integers  # per spot
    groups: int
    parts: tuple[_Part, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Divide the rows into parts of whole samples."""
        object.__setattr__(self, "parts", tuple(_parts(self)))

    @property
    def single(self) -> bool:
        """True where every sample has exactly one row."""
        return len(self.group) == self.groups

    @property
    def readings(self) -> bool:
        """True where every row is its own spot."""
        return len(self.group) == len(self.group_of_spot)


def _parts(nesting: Nesting) -> Iterator[_Part]:
    row_of_spot = _starts(nesting.spot, len(nesting.group_of_spot))
    spot_of_group = _starts(nesting.group_of_spot, nesting.groups)
    row_of_group = row_of_spot[spot_of_group]
    first = 0
    while first < nesting.groups:
        wanted = row_of_group[first] + _ROWS
        last = max(first + 1, int(np.searchsorted(row_of_group, wanted, side="right")) - 1)
        rows = slice(int(row_of_group[first]), int(row_of_group[last]))
        spots = slice(int(spot_of_group[first]), int(spot_of_group[last]))
        yield _Part(
            slice(first, last),
            rows,
            nesting.spot[rows] - spots.start,
            nesting.group_of_spot[spots] - first,
            np.diff(spot_of_group[first : last + 1]).astype(np.float64),
            _summing(row_of_spot[spots.start : spots.stop + 1] - rows.start),
            _summing(spot_of_group[first : last + 1] - spots.start),
        )
        first = last


def _starts(of: Integers, groups: int) -> Integers:
    """Where each group begins in ``of``, and where the last one ends."""
    numbers = np.arange(groups + 1)
    return numbers if len(of) == groups else np.searchsorted(of, numbers)


def _summing(starts: Integers) -> _Sum:
    """Sum of neighbours, in their order; entry i adds those from starts[i] on."""
    many = int(starts[-1])
    if many == len(starts) - 1:
        return lambda values: values
    from scipy.sparse import csr_array  # loads slowly, and only reading needs it

    matrix = csr_array(
        (np.ones(many), np.arange(many, dtype=np.int32), starts.astype(np.int32)),
        shape=(len(starts) - 1, many),
    )
    return lambda values: matrix @ values


@dataclass(frozen=True, slots=True)
class Means:
    """Per sample; mg/kg. ``low`` and ``high`` bound the mean, equal where nothing is censored."""

    n: Integers  # shots with a result
    spots: Integers
    censored: Integers  # shots below or above a limit
    low: Floats
    high: Floats
    se: Floats  # of the mean; NaN where one shot, or where censored
    sd: Floats  # of single shots within a spot, else of spots
    zero: Booleans | None = None  # rests on a zero of unstated meaning; None: no mean does


@dataclass(frozen=True, slots=True)
class _Bounds:
    """What each row says: its value lies between low and high; both 0 where it says nothing."""

    low: Floats
    high: Floats
    valid: Booleans
    censored: Booleans


def nested_means(
    value: Floats, code: NDArray[np.signedinteger], limit: Floats, nesting: Nesting
) -> Means:
    """Average one analyte. Shapes: (rows,) each.

    ``code`` holds the qualifiers of ``intake.tables`` and -1 for an empty cell; ``value``
    counts where quantified, ``limit`` where below or above (NaN: limit not known). A value
    below its limit lies between 0 and the limit, one above between the limit and infinity.
    """

    def bounds(rows: slice) -> _Bounds:
        return _of_codes(value[rows], code[rows], limit[rows])

    return _means(bounds, nesting)


def nested_means_signed(signed: Floats, nesting: Nesting) -> Means:
    """Average one analyte, quantified or below a limit. Shape: (rows,).

    A number with the sign bit set is the limit that the value lies below; NaN is an empty
    cell.
    """
    return _means(lambda rows: _of_signs(signed[rows]), nesting)


def _of_codes(value: Floats, code: NDArray[np.signedinteger], limit: Floats) -> _Bounds:
    quantified, above = code == QUANTIFIED, code == ABOVE
    censored = above | (code == BELOW)
    low = np.where(quantified, value, 0.0)
    high = low
    if censored.any():
        high = np.where(censored, limit, low)
        if above.any():
            low = np.where(above, limit, low)
            high[above] = np.inf
    return _Bounds(low, high, quantified | censored, censored)


def _of_signs(signed: Floats) -> _Bounds:
    valid = ~np.isnan(signed)
    low, high = np.fmax(signed, 0.0), np.abs(signed)
    low += 0.0  # '<0' is -0.0 here: its lower bound is plain 0
    if not valid.all():
        high = np.fmax(high, 0.0)
    return _Bounds(low, high, valid, np.signbit(signed) & valid)


def _means(bounds: Callable[[slice], _Bounds], nesting: Nesting) -> Means:
    n, censored, spots = (np.empty(nesting.groups, dtype=np.int64) for _ in range(3))
    low, high, se, sd = (np.empty(nesting.groups) for _ in range(4))
    if nesting.single:  # no mean of one number has an error
        se = sd = np.broadcast_to(np.nan, nesting.groups)
    if nesting.readings:
        spots = n
    with np.errstate(all="ignore"):
        for part in nesting.parts:
            rows, here = bounds(part.rows), part.samples
            if nesting.single:
                n[here], censored[here], low[here], high[here] = _alone(rows)
            elif nesting.readings:
                n[here], censored[here], low[here], high[here], se[here], sd[here] = _of_readings(
                    rows, part
                )
            else:
                found = _of_shots(rows, part)
                n[here], spots[here], censored[here], low[here], high[here] = found[:5]
                se[here], sd[here] = found[5:]
    return Means(n, spots, censored, low, high, se, sd)


def _alone(rows: _Bounds) -> tuple[NDArray[Any], ...]:
    """n, censored, low, high of samples of one row each."""
    nothing = ~rows.valid
    if nothing.any():
        for column in (rows.low, rows.high):
            column[nothing] = np.nan
    return rows.valid, rows.censored, rows.low, rows.high


def _of_readings(rows: _Bounds, part: _Part) -> tuple[Floats, ...]:
    """n, censored, low, high, se, sd of samples where every row is its own spot.

    One reading has no scatter: 0 squares over 0 degrees of freedom are NaN.
    """
    every = bool(rows.valid.all())
    n = part.spots_of_group if every else part.per_group(rows.valid.astype(np.float64))
    low = part.per_group(rows.low) / n
    high, censored = low, np.zeros(len(n))
    freedom = n - 1
    if rows.censored.any():
        high = part.per_group(rows.high) / n
        censored = part.per_group(rows.censored.astype(np.float64))
        freedom[censored > 0] = np.nan
    apart = rows.low - low[part.group_of_spot]
    apart *= apart
    if not every:
        apart *= rows.valid
    sd = np.sqrt(part.per_group(apart) / freedom)
    return n, censored, low, high, sd / np.sqrt(n), sd


def _of_shots(rows: _Bounds, part: _Part) -> tuple[Floats, ...]:
    """n, spots, censored, low, high, se, sd of samples with shots in spots."""
    each = rows.censored.astype(np.float64)
    shots = part.per_spot(rows.valid.astype(np.float64))
    read = shots - part.per_spot(each)
    seen = shots > 0
    spot_mean = part.per_spot(np.where(rows.censored, 0.0, rows.low)) / read
    squares = np.where(
        rows.valid & ~rows.censored, (rows.low - spot_mean[part.spot_of_row]) ** 2, 0.0
    )
    spot_low, spot_high = (
        np.where(seen, part.per_spot(column) / shots, 0.0) for column in (rows.low, rows.high)
    )

    n = part.per_group(shots)
    censored = part.per_group(shots - read)
    count = part.per_group(seen.astype(np.float64))
    low = part.per_group(spot_low) / count
    high = part.per_group(spot_high) / count
    apart = np.where(seen, (spot_low - low[part.group_of_spot]) ** 2, 0.0)
    spot_sd = np.sqrt(part.per_group(apart) / (count - 1))
    freedom = part.per_group(np.maximum(read - 1, 0.0))
    shot_sd = np.sqrt(part.per_group(part.per_spot(squares)) / freedom)

    se = np.where(
        count >= 2, spot_sd / np.sqrt(count), np.where(n >= 2, shot_sd / np.sqrt(n), np.nan)
    )
    sd = np.where(freedom > 0, shot_sd, np.where(count >= 2, spot_sd, np.nan))
    whole = censored == 0
    return (
        n, count, censored, low, high,
        np.where(whole, se, np.nan), np.where(whole, sd, np.nan),
    )  # fmt: skip
