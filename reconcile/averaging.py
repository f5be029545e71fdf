"""Sample means: shots within a spot, spots within a sample, every column in one pass.

Plain numpy over rows that are sorted by sample and spot; sums run in row order, so the
same rows give the same last digit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from reconcile.intake.tables import ABOVE, BELOW, QUANTIFIED

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]

#: Rows averaged at a time: what is reckoned from them stays in the processor's cache.
_ROWS = 16_384


@dataclass(frozen=True, slots=True)
class _Part:
    """Some whole samples of a nesting, their spots and rows."""

    rows: slice
    spot_of_row: Integers  # from 0 within the part
    group_of_spot: Integers
    spots: csr_array | None  # sums rows into spots; None where every row is its own spot
    groups: csr_array  # sums spots into samples


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
        parts = [] if self.single else _parts(self)
        object.__setattr__(self, "parts", tuple(parts))

    @property
    def single(self) -> bool:
        """True where every sample has exactly one row."""
        return len(self.group) == self.groups


def _parts(nesting: Nesting) -> list[_Part]:
    row_of_spot = np.searchsorted(nesting.spot, np.arange(len(nesting.group_of_spot) + 1))
    spot_of_group = np.searchsorted(nesting.group_of_spot, np.arange(nesting.groups + 1))
    row_of_group = row_of_spot[spot_of_group]
    parts = []
    first = 0
    while first < nesting.groups:
        wanted = row_of_group[first] + _ROWS
        last = max(first + 1, int(np.searchsorted(row_of_group, wanted, side="right")) - 1)
        rows = slice(int(row_of_group[first]), int(row_of_group[last]))
        spots = slice(int(spot_of_group[first]), int(spot_of_group[last]))
        row_starts = row_of_spot[spots.start : spots.stop + 1] - rows.start
        parts.append(
            _Part(
                rows,
                nesting.spot[rows] - spots.start,
                nesting.group_of_spot[spots] - first,
                None if len(row_starts) - 1 == row_starts[-1] else _summing(row_starts),
                _summing(spot_of_group[first : last + 1] - spots.start),
            )
        )
        first = last
    return parts


def _summing(starts: Integers) -> csr_array:
    """Matrix that sums neighbours, in their order; entry i adds those from starts[i] on."""
    many = int(starts[-1])
    return csr_array(
        (np.ones(many), np.arange(many, dtype=np.int32), starts.astype(np.int32)),
        shape=(len(starts) - 1, many),
    )


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
    low = np.fmax(signed, 0.0) + 0.0  # '<0' is -0.0 here: its lower bound is plain 0
    return _Bounds(low, np.fmax(np.abs(signed), 0.0), valid, np.signbit(signed) & valid)


def _means(bounds: Callable[[slice], _Bounds], nesting: Nesting) -> Means:
    if nesting.single:
        all_rows = bounds(slice(None))
        n = all_rows.valid.astype(np.int64)
        nothing = np.full(nesting.groups, np.nan)
        for column in (all_rows.low, all_rows.high):
            column[~all_rows.valid] = np.nan
        return Means(
            n, n, all_rows.censored.astype(np.int64), all_rows.low, all_rows.high, nothing, nothing
        )
    with np.errstate(all="ignore"):
        found = [_nested(bounds(part.rows), part) for part in nesting.parts]
    n, spots, censored, low, high, se, sd = (
        np.concatenate(columns) for columns in zip(*found, strict=True)
    )
    return Means(
        n.astype(np.int64), spots.astype(np.int64), censored.astype(np.int64), low, high, se, sd
    )


def _nested(rows: _Bounds, part: _Part) -> tuple[Floats, ...]:
    """Columns of ``Means`` for one part, all as floats."""
    valid = rows.valid.astype(np.float64)
    some_censored = bool(rows.censored.any())
    if part.spots is None:
        shots, low, high = valid, rows.low, rows.high
        seen = valid
        freedom, squares = np.zeros(1), np.zeros(1)
    else:
        shots = part.spots @ valid
        low = part.spots @ rows.low / shots
        high = part.spots @ rows.high / shots if some_censored else low
        quantified = valid - rows.censored
        read = part.spots @ quantified
        mean = low
        if some_censored:
            mean = part.spots @ np.where(rows.censored, 0.0, rows.low) / read
        within = np.where(quantified > 0, (rows.low - mean[part.spot_of_row]) ** 2, 0.0)
        squares = part.groups @ (part.spots @ within)
        freedom = part.groups @ np.maximum(read - 1, 0.0)
        seen = (shots > 0).astype(np.float64)
        low, high = (np.where(seen > 0, column, 0.0) for column in (low, high))
    n = part.groups @ shots
    count = n if seen is shots else part.groups @ seen
    mean_low = part.groups @ low / count
    mean_high, censored = mean_low, np.zeros(len(n))
    if some_censored:
        mean_high = part.groups @ high / count
        each = rows.censored.astype(np.float64)
        censored = part.groups @ (each if part.spots is None else part.spots @ each)
    apart = low - mean_low[part.group_of_spot]
    apart *= apart
    apart *= seen
    spot_sd = np.sqrt(part.groups @ apart / (count - 1))
    shot_sd = np.sqrt(squares / freedom)

    whole = censored == 0
    se = np.where(
        count >= 2, spot_sd / np.sqrt(count), np.where(n >= 2, shot_sd / np.sqrt(n), np.nan)
    )
    sd = np.where(freedom > 0, shot_sd, np.where(count >= 2, spot_sd, np.nan))
    return (
        n, count, censored, mean_low, mean_high,
        np.where(whole, se, np.nan), np.where(whole, sd, np.nan),
    )  # fmt: skip
