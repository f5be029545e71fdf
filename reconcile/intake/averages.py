"""Averages that an export adds below its readings: found, set aside, held against our own.

An average counts as one reading more where nobody knows it for one. It is known by a word of
a cell of facts, or by being the mean of all rows before it, group after group.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.intake.headings import Column
from reconcile.intake.result_parts import Results, key_of
from reconcile.intake.sheets import Body
from reconcile.intake.vocabulary import TIME_FACTS

#: Words of a row that sums others up (common practice, no source).
_MEAN = r"(?i)^\s*(?:the )?(?:ave|avg|average|mean)s?[ .:]*(?:[0-9]*|of [0-9]+.*)\s*$"
_SPREAD = (
    r"(?i)^\s*(?:(?:(?:std|st|s)\.?[ -]?(?:dev|d)|dev)\.?(?: \(?[123]s?\)?)?|standard deviation|"
    r"%? ?rsd ?%?|cv|median|min|minimum|max|maximum|range|sem|std)\s*$"
)
#: Facts whose cells may name a person or a material, not a kind of row.
_NAMES = frozenset(
    {"operator", "technique", "instrument", "calibration", "matrix", "specimen_form", "group",
     "laboratory", "lab_method", "digestion", "digestion_class", "moisture_basis", "certificate",
     "dispatch", "pair_type", "sample_kind", "part_role", "model", "software", "filter",
     "ordered_grade",
     "duplicate_kind", "gas_purge", "unit"}
)  # fmt: skip
#: Facts of times and durations: none of them says what a row is.
_TIMES = frozenset({"measured_at", "date", "time", "count_time_s", *TIME_FACTS})
#: Facts that number readings: a spread's word there is no name.
_NUMBERED = frozenset({"reading_no", "spot_no", "shot_no", "sample_id", "location"})
_ANALYTES = 6
_ROWS = 2  # fewest rows before a mean that numbers alone can show
_CHANCE = 1e-6  # below it rows are no means by chance


@dataclass(frozen=True, slots=True)
class Averages:
    """Rows to set aside, by position, and what is told of them."""

    means: npt.NDArray[np.int64]
    spreads: npt.NDArray[np.int64]
    notes: tuple[str, ...] = ()

    @property
    def rows(self) -> npt.NDArray[np.int64]:
        """All of them."""
        return np.sort(np.concatenate([self.means, self.spreads]))


def found(
    columns: tuple[Column, ...],
    body: Body,
    facts: Mapping[str, pa.Array],
    read: Results,
    keep: bool = False,
) -> Averages:
    """The averages of one sheet of field or laboratory results; ``keep``: none is looked for."""
    n = len(body.lines)
    empty = np.empty(0, np.int64)
    if n < 2 or keep or "_long" in facts:
        return Averages(empty, empty)
    means, spreads = _by_words(columns, body)
    group = _groups(facts, means | spreads)
    kept = means | spreads
    if not kept.any():
        means = _by_numbers(group, columns, read, n)
        spreads = np.zeros(n, bool)
        kept = means
    if not kept.any():
        return Averages(empty, empty)
    singles = np.bincount(group[~kept], minlength=int(group.max()) + 1)
    lonely = means & (singles[group] == 0)
    notes = []
    if lonely.any():
        notes.append(
            f"{int(lonely.sum())} rows are averages that the export made, and their single "
            "readings are not in the file: each counts as one reading"
        )
    means &= ~lonely
    spreads &= singles[group] > 0
    at = np.flatnonzero(means)
    if len(at):
        notes.append(_compared(at, np.flatnonzero(~kept), group, facts, read))
    return Averages(at, np.flatnonzero(spreads), tuple(notes))


def _by_words(
    columns: tuple[Column, ...], body: Body
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    n = len(body.lines)
    means, spreads = np.zeros(n, bool), np.zeros(n, bool)
    for column in columns:
        if column.species or column.role not in {"fact", "ignored", "unclear", "asked"}:
            continue
        cells = body.columns[column.index]
        if column.fact in _NAMES | _TIMES or pa.types.is_floating(cells.type):
            continue
        means |= _matching(cells, _MEAN)
        if column.fact in _NUMBERED:
            spreads |= _matching(cells, _SPREAD)
    return means, spreads & ~means


def _matching(cells: pa.Array, pattern: str) -> npt.NDArray[np.bool_]:
    hits = pc.fill_null(pc.match_substring_regex(cells, pattern), False)
    return np.asarray(hits.to_numpy(zero_copy_only=False), dtype=bool)


def _groups(facts: Mapping[str, pa.Array], aside: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """What each row is a reading of: neighbours of one sample and spot, numbered.

    An average whose own sample is not named, or is its word, belongs to the row before it; so
    does one whose spot is its word.
    """
    other = np.zeros(len(aside), bool)
    for name in ("sample_id", "location", "part_role", "position_mm", "spot_no"):
        if name not in facts:
            continue
        told = facts[name]
        text = told if pa.types.is_string(told.type) else pc.cast(told, pa.string())
        encoded = pc.fill_null(text, "").dictionary_encode()
        code = encoded.indices.to_numpy(zero_copy_only=False).astype(np.int64)
        texts = encoded.dictionary
        words = _matching(texts, _MEAN) | _matching(texts, _SPREAD)
        words |= np.asarray(pc.equal(texts, "").to_numpy(zero_copy_only=False), dtype=bool)
        for at in np.flatnonzero(aside & words[code]) if len(texts) else ():
            code[at] = code[at - 1] if at else code[at]
        other[1:] |= code[1:] != code[:-1]
    return np.cumsum(other)


def _by_numbers(
    group: npt.NDArray[np.int64], columns: tuple[Column, ...], read: Results, n: int
) -> npt.NDArray[np.bool_]:
    """The last row of a group, where it is the mean of all rows before it.

    Where every group ends so, or where a group's own cells are enough that it is no chance: a
    reading meets the mean of others with a chance of about one step of its last digit over
    their range.
    """
    nothing = np.zeros(n, bool)
    factors = _factors(columns, read)
    every = _Groups.of(np.arange(n), group)
    large = every.size > _ROWS
    if not large.any() or not factors:
        return nothing
    usable, near, _ = every.met(read.first_values(1, every.rows)[0] / factors[0])
    open_still = large & (near | ~usable)
    if not open_still.any():  # most tables hold none: the other columns need not be looked at
        return nothing
    left = _Groups.of(np.flatnonzero(np.repeat(open_still, every.size)), group)
    chance, meets = np.zeros(len(left.size)), np.ones(len(left.size), bool)
    for value, factor in zip(read.first_values(_ANALYTES, left.rows), factors, strict=False):
        usable, near, odds = left.met(value / factor)
        meets &= near | ~usable
        chance += np.where(usable & near, odds, 0.0)
    all_end_so = len(left.size) == int(large.sum()) and bool(meets.all())
    if not (all_end_so and chance.sum() < math.log(_CHANCE)):
        meets &= chance < math.log(_CHANCE / len(every.size))
    nothing[left.last[meets]] = True
    return nothing


@dataclass(frozen=True, slots=True)
class _Groups:
    """Rows in groups of neighbours: their positions, and where each group begins among them."""

    rows: npt.NDArray[np.int64]
    starts: npt.NDArray[np.int64]
    size: npt.NDArray[np.int64]

    @classmethod
    def of(cls, rows: npt.NDArray[np.int64], group: npt.NDArray[np.int64]) -> _Groups:
        """The groups of these rows, whole ones."""
        own = group[rows]
        starts = np.flatnonzero(np.r_[True, own[1:] != own[:-1]])
        return cls(rows, starts, np.diff(np.r_[starts, len(rows)]))

    @property
    def last(self) -> npt.NDArray[np.int64]:
        """The position of the last row of each group."""
        return np.asarray(self.rows[self.starts + self.size - 1], dtype=np.int64)

    def met(
        self, value: npt.NDArray[np.float64]
    ) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_], npt.NDArray[np.float64]]:
        """Group by group: whether all its rows have a value and differ, whether the last is the
        mean of the others, and the logarithm of the chance that it is so by chance."""
        last = self.starts + self.size - 1
        whole = ~np.isnan(value)
        number = np.where(whole, value, 0.0)
        with np.errstate(all="ignore"):
            mean = (np.add.reduceat(number, self.starts) - number[last]) / (self.size - 1)
        spread = np.maximum.reduceat(number, self.starts)
        spread = spread - np.minimum.reduceat(number, self.starts)
        filled = np.add.reduceat(whole.astype(np.int64), self.starts) == self.size
        usable = filled & (self.size > _ROWS) & (spread > 0)
        step = _step(number[last])
        near = np.abs(number[last] - mean) <= 0.5 * step * (1 + 1e-6) + 1e-12 * np.abs(mean)
        wide = np.where(spread > 0, spread, 1.0)
        return usable, near, np.where(usable, np.log(np.minimum(step / wide, 1.0)), 0.0)


def _factors(columns: tuple[Column, ...], read: Results) -> list[float]:
    """By analyte, what turned a number as reported into mg/kg; 1 where rows differ in it."""
    known = {
        key_of(c): c.unit.to_mg_kg * c.species.element_per_species
        for c in columns
        if c.role == "value" and c.species and c.unit is not None and not c.unit.is_solution
    }
    return [known.get(key, 1.0) for key in (list(read.plain) or list(read.values))]


def _step(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The size of one step of the last decimal that each number shows, eight at most."""
    steps = np.full(len(values), 1e-8)
    for decimals in range(8, -1, -1):
        scaled = values * 10.0**decimals
        whole = np.abs(scaled - np.rint(scaled)) <= 1e-9 + 1e-11 * np.abs(scaled)
        steps[whole] = 10.0**-decimals
    return steps


def _compared(
    at: npt.NDArray[np.int64],
    singles: npt.NDArray[np.int64],
    group: npt.NDArray[np.int64],
    facts: Mapping[str, pa.Array],
    read: Results,
) -> str:
    """What is told: how many, and the largest difference from our own mean of the same rows."""
    worst, where = 0.0, ""
    names = [a.element for a in read.analytes][:_ANALYTES]
    n_groups = int(group.max()) + 1
    own_values = read.first_values(_ANALYTES, singles)
    told_values = read.first_values(_ANALYTES, at)
    for name, own, told in zip(names, own_values, told_values, strict=False):
        known = ~np.isnan(own)
        sums = np.bincount(group[singles][known], own[known], minlength=n_groups)
        count = np.bincount(group[singles][known], minlength=n_groups)
        with np.errstate(all="ignore"):
            apart = told / (sums / count)[group[at]] - 1
        apart = np.where(np.isfinite(apart), np.abs(apart), 0.0)
        if len(apart) and apart.max() > worst:
            here = int(np.argmax(apart))
            worst, where = float(apart[here]), f"{name} of {facts['sample_id'][int(at[here])]}"
    rows = "1 row is an average" if len(at) == 1 else f"{len(at)} rows are averages"
    own_text = (
        f"the largest difference from our own mean of the same rows is {worst:.2%} ({where})"
        if worst
        else "they are our own means of the same rows"
    )
    return f"{rows} that the export made, and set aside: {own_text}"
