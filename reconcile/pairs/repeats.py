"""Rows that repeat: one laboratory determination, or one pair, under the ids of several samples.

Values are rounded, so that two samples can have equal results in one element by chance. A
laboratory row repeats another where all results of both agree, and where no more than
``repeat_chance`` such agreements are to be expected by chance among the month's rows by that
method: the number of pairs of different rows times, for each quantified element, how often two
different rows agree in it, as if elements were independent. One element alone is never enough,
for the rows themselves show at least about one agreement to be expected. Where the laboratory
names its own numbers, rows of one number and certificate that agree are one determination
whatever the chance.

A pair repeats another where both rows agree and the chance of both is as small. Of the field
elements those count that the laboratory has too, each by how often field results agree among
neighbours in the laboratory's: samples alike in the one are alike in the other.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.reasons import CENSORED, Exclusion, in_words
from reconcile.base.settings.pairs import PairSettings
from reconcile.pairs.clusters import BOTH_ROWS, LAB_ROW, REPEAT_OF
from reconcile.pairs.sides import Key, Side, keys_of
from reconcile.store.database import Store

Floats = NDArray[np.float64]
Marks = NDArray[np.uint64]

#: Rows from which it is taken how often results agree; of more, these many, evenly spaced.
MOST_ROWS = 4000
_NEIGHBOURS = 5
_NAMED = 3  # samples that a finding names
_METHODS = (
    "technique", "instrument", "calibration", "laboratory", "lab_technique", "lab_method",
    "digestion", "digestion_class", "lab_basis",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Rows:
    """One side of all pairs: a mark of each row, and its results by element, mg/kg.

    ``values``: shape (elements, pairs), NaN where not quantified.
    """

    mark: Marks
    keys: tuple[Key, ...]
    values: list[Floats]


def marked(
    store: Store, sides: tuple[Side, Side], pairs: pd.DataFrame, chance: float
) -> pd.DataFrame:
    """``pairs`` (the rows of pair_facts) with LAB_ROW and BOTH_ROWS, marks of 16 characters.

    '' where a row tells too little to know it again.
    """
    field, lab = (
        _rows(side, keys_of(store, name, ()), pairs[f"{name}_number"].to_numpy("int64"))
        for name, side in zip(("field", "lab"), sides, strict=True)
    )
    number = _numbered_by_laboratory(pairs)
    own = _mixed(lab.mark ^ _seeds(number))  # known by the laboratory's number
    both = _mixed(lab.mark ^ _mixed(field.mark))
    lab_row, both_rows = (np.full(len(pairs), "", dtype=object) for _ in range(2))
    methods = [pairs[name].fillna("").astype("str") for name in _METHODS]
    for places in pairs.groupby(methods, sort=True).indices.values():
        at = np.asarray(places)
        telling, pair_telling = _telling(lab, field, both, at, chance)
        named = ~telling & (number[at] != "")
        lab_row[at[telling]] = _texts(lab.mark[at[telling]])
        lab_row[at[named]] = _texts(own[at[named]])
        known = at[pair_telling | telling | named]
        both_rows[known] = _texts(both[known])
    return pairs.assign(**{LAB_ROW: lab_row.astype(str), BOTH_ROWS: both_rows.astype(str)})


def _numbered_by_laboratory(pairs: pd.DataFrame) -> NDArray[np.object_]:
    """The laboratory's own number of each determination with its certificate; '' without both."""
    return np.array(
        [
            f"{number}\x1f{many[0]}" if number and len(many) == 1 and many[0] else ""
            for number, many in zip(
                pairs["lab_id"].fillna("").astype("str"), pairs["certificate"], strict=True
            )
        ],
        dtype=object,
    )


def _rows(side: Side, keys: Sequence[Key], numbers: NDArray[np.int64]) -> _Rows:
    mark = np.zeros(len(numbers), dtype=np.uint64)
    values = []
    for key in keys:
        means = side.of(key)
        there = means.n[numbers] > 0
        low, high = (np.where(there, end[numbers], np.nan) for end in (means.low, means.high))
        seed = _seed(key.key.lower())
        one = _mixed(_bits(low) ^ seed) + _mixed(_bits(high) + seed)
        mark += np.where(there, _mixed(one), np.uint64(0))
        values.append(np.where(means.censored[numbers] == 0, low, np.nan))
    return _Rows(mark, tuple(keys), values)


def _telling(
    lab: _Rows, field: _Rows, both: Marks, at: NDArray[np.int64], chance: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether the laboratory row, and both rows, of the pairs ``at`` tell themselves apart."""
    different = np.unique(lab.mark[at]).size
    total = math.log10(max(different * (different - 1) / 2, 1))
    some = at[:: -(-len(at) // MOST_ROWS)]
    rows, pairs = (some[np.unique(m[some], return_index=True)[1]] for m in (lab.mark, both))
    by_lab, by_both = np.full(len(at), total), np.zeros(len(at))
    first = {key.element: v for key, v in reversed(list(zip(lab.keys, lab.values, strict=True)))}
    for values in lab.values:
        by_lab += np.where(np.isfinite(values[at]), math.log10(_agreeing(values[rows])), 0.0)
    for key, values in zip(field.keys, field.values, strict=True):
        if (beside := first.get(key.element)) is not None:
            met = math.log10(_agreeing_nearby(values[pairs], beside[pairs]))
            by_both += np.where(np.isfinite(values[at]), met, 0.0)
    most = math.log10(chance)
    return by_lab <= most, by_lab + by_both <= most


def _agreeing(values: Floats) -> float:
    """How often two different rows agree in one element: one agreement more than was seen."""
    there = values[np.isfinite(values)]
    counts = np.unique(there, return_counts=True)[1].astype(np.float64)
    pairs = there.size * (there.size - 1) / 2
    return (float(np.sum(counts * (counts - 1))) / 2 + 1) / (pairs + 1)


def _agreeing_nearby(values: Floats, beside: Floats) -> float:
    """The same of field results among the next neighbours in the laboratory's."""
    there = np.isfinite(values) & np.isfinite(beside)
    ordered = values[there][np.argsort(beside[there], kind="stable")]
    steps = range(1, min(_NEIGHBOURS, ordered.size - 1) + 1)
    met = sum(int(np.sum(ordered[k:] == ordered[:-k])) for k in steps)
    return (met + 1) / (sum(ordered.size - k for k in steps) + 1)


# ---- marks: the same on every machine ----------------------------------------------------


def _seed(text: str) -> np.uint64:
    return np.uint64(int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big"))


def _seeds(texts: NDArray[np.object_]) -> Marks:
    codes, different = pd.factorize(texts)
    return np.array([_seed(text) for text in different], dtype=np.uint64)[codes]


def _bits(values: Floats) -> Marks:
    return np.ascontiguousarray(values + 0.0, dtype=np.float64).view(np.uint64)


def _mixed(marks: Marks) -> Marks:
    """Every bit of the answer hangs on every bit given (Steele, Lea & Flood 2014, SplitMix)."""
    z = marks + np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(z ^ (z >> np.uint64(31)), dtype=np.uint64)


def _texts(marks: Marks) -> list[str]:
    return [f"{int(mark):016x}" for mark in marks]


# ---- what follows ------------------------------------------------------------------------


def counted_once(pairs: pd.DataFrame, settings: PairSettings, latest: str = "") -> pd.DataFrame:
    """The pairs with those that repeat another of their stratum left out, pointing at it.

    Of pairs that nothing else keeps out, or a limit alone. The first by sample id counts; with
    ``latest``, a column, the first of its last value. A repeat has its reason, and in REPEAT_OF
    the sample whose pair counts.
    """
    if BOTH_ROWS not in pairs or not len(pairs):
        return pairs
    if REPEAT_OF not in pairs:
        pairs = pairs.assign(**{REPEAT_OF: ""})
    if settings.repeats == "count each":
        return pairs
    both, reasons = pairs[BOTH_ROWS].tolist(), pairs["reason_code"].tolist()
    samples = pairs["sample_id"].tolist()
    free = [
        mark != "" and (why == "" or why in CENSORED)
        for mark, why in zip(both, reasons, strict=True)
    ]
    groups: dict[tuple[str, str], list[int]] = {}
    for place, key in enumerate(zip(pairs["stratum"].tolist(), both, strict=True)):
        if free[place]:
            groups.setdefault(key, []).append(place)
    if not any(len(places) > 1 for places in groups.values()):
        return pairs
    last = pairs[latest].tolist() if latest else [""] * len(pairs)
    counting: dict[int, str] = {}  # the sample that counts, by the place of each repeat
    for places in groups.values():
        newest = max(last[place] for place in places)
        first = min(samples[place] for place in places if last[place] == newest)
        counting |= {place: first for place in places if samples[place] != first}
    if not counting:
        return pairs
    repeat = pd.Series(False, index=pairs.index)
    repeat.iloc[list(counting)] = True
    counts = pd.Series([counting.get(place) for place in range(len(pairs))], index=pairs.index)
    told = in_words(Exclusion.REPEATED)
    return pairs.assign(
        **{
            "used": pairs["used"].astype(bool) & ~repeat,
            "reason_code": pairs["reason_code"].where(~repeat, Exclusion.REPEATED.value),
            "reason": pairs["reason"].where(~repeat, told),
            REPEAT_OF: pairs[REPEAT_OF].where(~repeat, counts),
        }
    )


def findings(marks: pd.DataFrame, settings: PairSettings) -> tuple[Finding, ...]:
    """What is told of the pairs of samples that repeat, and of laboratory rows shared by several.

    ``marks``: as :func:`marked` gives them.
    """
    samples = marks.drop_duplicates(["sample_id", BOTH_ROWS, LAB_ROW])
    whole = samples.loc[samples[BOTH_ROWS].ne("")].sort_values("sample_id", kind="stable")
    first = whole.groupby(BOTH_ROWS, sort=False)["sample_id"].transform("first")
    again = whole["sample_id"].ne(first)
    found = []
    if again.any():
        found.append(_repeated(whole.loc[again, "sample_id"], first[again], settings))
    once = whole.loc[~again & whole[LAB_ROW].ne("")]
    several = once.loc[once.duplicated(LAB_ROW, keep=False)]
    if len(several):
        found.append(_shared(several, settings))
    return tuple(found)


def _repeated(again: pd.Series, first: pd.Series, settings: PairSettings) -> Finding:
    n = len(again)
    named = [f"{a} (as {b})" for a, b in zip(again[:_NAMED], first[:_NAMED], strict=True)]
    more = f" and {n - _NAMED} more" if n > _NAMED else ""
    once = settings.repeats == "count once"
    return Finding(
        "intake", "warning", f"{n} {'sample' if n == 1 else 'samples'}",
        f"Laboratory and field rows repeat those of another sample, result for result: "
        f"{', '.join(named)}{more}. "
        + ("One pair counts; the others point at it." if once else
           "Each counts as a pair, as 'repeats' under [pairs] says."),
        advice="Where the rows are copies (one interval under several ids), nothing is to be "
        "done; where samples were truly measured alike, say repeats = \"count each\" under "
        "[pairs].",
        code=FindingCode.PAIRS_REPEATED,
    )  # fmt: skip


def _shared(several: pd.DataFrame, settings: PairSettings) -> Finding:
    n, rows = several["sample_id"].nunique(), several[LAB_ROW].nunique()
    names = sorted(several["sample_id"].unique())
    named = ", ".join(names[:_NAMED]) + (f" and {n - _NAMED} more" if n > _NAMED else "")
    judged = "determination" in settings.clusters
    return Finding(
        "intake", "warning", f"{n} samples",
        f"{rows} laboratory {'row stands' if rows == 1 else 'rows stand'} behind the field "
        f"readings of {n} samples: {named}. "
        + ("They are judged as clusters: their number is not that of independent pairs."
           if judged else "They are judged as independent, as 'clusters' under [pairs] says."),
        advice="Where each sample has a laboratory result of its own, correct the table.",
        code=FindingCode.LAB_ROW_SHARED,
    )  # fmt: skip
