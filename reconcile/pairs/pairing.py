"""Rows are placed and joined: every pair of the run with its stratum and whence it came."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.model.figures import Readings
from reconcile.base.model.stratum import ReadAs, Stratum
from reconcile.base.model.tables import PAIR_COLUMNS
from reconcile.base.strata import told_apart
from reconcile.pairs.averaging import Means
from reconcile.pairs.clusters import BOTH_ROWS, LAB_ROW
from reconcile.pairs.pair_limits import holds_zero
from reconcile.pairs.pair_strata import POOLED, as_pairs, facts_of, prepared, strata_of
from reconcile.pairs.sides import Key, Side
from reconcile.store.database import Store
from reconcile.store.statements import quoted, sql


@dataclass(frozen=True, slots=True)
class RunFile:
    """One file of the run: its number in the store and its place in the order of reading."""

    file_id: int
    place: int
    of_period: bool
    zero_unstated: bool = True  # nobody has said what a zero in it means


@dataclass(frozen=True, slots=True)
class Source:
    """Where pairs of one stratum come from: two analytes, and the numbers of their means."""

    field_key: Key
    lab_key: Key
    sample: NDArray[np.object_]  # id of each pair, shape (pairs,)
    field_number: NDArray[np.int64]
    lab_number: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Joined:
    """All pairs of the run, before anything is judged."""

    strata: tuple[Stratum, ...]
    pairs: pd.DataFrame  # PAIR_COLUMNS + "element"
    field_only: tuple[str, ...]
    lab_only: tuple[str, ...]
    sides: tuple[Side, Side] | None = None
    sources: dict[str, list[Source]] = dataclass_field(default_factory=dict)  # by Stratum.key
    together: dict[str, str] = dataclass_field(default_factory=dict)
    """Key of each stratum as it stands apart -> key of the one into which the setting pools it."""

    def readings(self, stratum: Stratum, samples: Iterable[str]) -> Readings:
        """The single results behind the pairs of these samples, both sides."""
        assert self.sides is not None
        number = {sample: i for i, sample in enumerate(samples)}
        parts: dict[str, list[tuple[NDArray[Any], ...]]] = {"field": [], "lab": []}
        for source in self.sources[stratum.key]:
            code = np.array([number.get(name, -1) for name in source.sample], dtype=np.int64)
            kept = code >= 0
            for name, side, key, at in (
                ("field", self.sides[0], source.field_key, source.field_number),
                ("lab", self.sides[1], source.lab_key, source.lab_number),
            ):
                parts[name].append(side.single(key, at[kept], code[kept]))
        field, field_sample, field_spot = _joined_arrays(parts["field"])
        lab, lab_sample, _ = _joined_arrays(parts["lab"])
        return Readings(field, field_sample, field_spot, lab, lab_sample)


def _joined_arrays(
    parts: list[tuple[NDArray[Any], ...]],
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """Values, samples and spots of several sources; spots of different sources stay apart."""
    values, samples, spots = [], [], []
    first = 0
    for value, sample, spot in parts:
        values.append(value)
        samples.append(sample)
        spots.append(spot + first)
        first += int(spot.max()) + 1 if len(spot) else 0
    empty: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
    return (
        np.concatenate(values) if values else empty.astype(np.float64),
        np.concatenate(samples) if samples else empty,
        np.concatenate(spots) if spots else empty,
    )


def begin(store: Store, files: Sequence[RunFile], identities: pd.DataFrame) -> None:
    """Put the run's files and identities where the statements find them.

    ``identities`` has the columns written_id and sample_id.
    """
    con = store.connection
    frame = pd.DataFrame(
        [(f.file_id, f.place, f.of_period, f.zero_unstated) for f in files],
        columns=["file_id", "file_place", "of_period", "zero_unstated"],
    ).astype(
        {"file_id": "int64", "file_place": "int64", "of_period": "bool", "zero_unstated": "bool"}
    )
    con.register("incoming", frame)
    con.execute(sql("pairing.begin_files"))
    con.unregister("incoming")
    con.register("incoming", identities[["written_id", "sample_id"]].astype("str"))
    con.execute(sql("pairing.begin_identities"))
    con.unregister("incoming")
    con.execute(sql("register_rows"))


def written_ids(store: Store, files: Sequence[RunFile], table: str) -> list[str]:
    """The distinct ids as written in the rows of one kind, in order of first sight."""
    numbers = [f.file_id for f in files]
    rows = store.rows(
        sql("pairing.written_ids", rows=quoted(table)),
        [numbers],
    )
    return sorted(row[0] for row in rows)


def place_rows(
    store: Store,
    assign_by: str,
    bounds: tuple[datetime, datetime] | None,
    zone: str = "UTC",
) -> None:
    """Give every field and lab row of the run its one disposition, and a field row its spot.

    ``zone`` says when a day begins where the rows were read.
    """
    begins = (bounds[0] if bounds else datetime(2000, 1, 1)).replace(tzinfo=ZoneInfo(zone))  # noqa: DTZ001
    ahead = begins.utcoffset() or timedelta()
    start, finish = (
        (edge.astimezone(UTC).replace(tzinfo=None) for edge in bounds)
        if bounds
        else (datetime(1, 1, 1), datetime(9999, 1, 1))  # noqa: DTZ001 - stored as UTC
    )
    store.connection.execute(
        sql("field_rows"),
        {
            "by_time": assign_by == "field time",
            "start": start,
            "finish": finish,
            "ahead_us": ahead // timedelta(microseconds=1),
        },
    )
    store.connection.execute(
        sql("lab_rows"),
        {
            "by_lab_time": assign_by == "lab time",
            "by_field_time": assign_by == "field time",
            "start": start,
            "finish": finish,
        },
    )
    store.connection.execute(sql("lab_cell"))
    store.connection.execute(sql("lab_places.stated"))
    if store.rows(sql("lab_places.count"))[0][0]:
        store.connection.execute(sql("lab_places.mark_field"))
        store.connection.execute(sql("lab_places.mark_lab"))


def means_of_pairs(
    sides: tuple[Side, Side], field_keys: Sequence[Key], lab_keys: Sequence[Key]
) -> Iterator[tuple[Key, Key, Means, Means]]:
    """Means of both sides for each pair of analytes of one element, in the order of the keys.

    The sides are averaged at the same time, and ahead of the pair that is asked for.
    """
    pairs = [(f, x) for f in field_keys for x in lab_keys if f.element == x.element]
    with ThreadPoolExecutor(2) as pool:
        ahead: Future[Means] | None = None
        waiting: list[tuple[Key, Key, Future[Means], Future[Means]]] = []
        for at, (field_key, lab_key) in enumerate(pairs):
            if ahead is None or field_key != pairs[at - 1][0]:
                ahead = pool.submit(sides[0].of, field_key)
            waiting.append((field_key, lab_key, ahead, pool.submit(sides[1].of, lab_key)))
            if len(waiting) > 1:
                yield _ready(waiting.pop(0))
        yield from map(_ready, waiting)


def _ready(
    pair: tuple[Key, Key, Future[Means], Future[Means]],
) -> tuple[Key, Key, Means, Means]:
    return pair[0], pair[1], pair[2].result(), pair[3].result()


_DESCRIBING = (
    "sample_id", "group", "field_time", "field_times", "operator", "places", "several_roles",
    "set_up", "lab_time", "certificate", "technique", "instrument", "calibration",
    "matrix", "specimen_form", "field_basis", "pair_type", "lab_technique",
    "laboratory", "lab_method", "digestion", "digestion_class", "lab_basis",
)  # fmt: skip


def join(
    store: Store,
    sides: tuple[Side, Side],
    field_keys: Sequence[Key],
    lab_keys: Sequence[Key],
    pool: Sequence[str],
    apart: frozenset[str] = frozenset(),
    marks: pd.DataFrame | None = None,
) -> Joined:
    """Every pair, element by element, with its stratum. ``average`` gives ``sides``.

    ``pool``: facts that do not divide strata, but for the pooled strata whose keys are in
    ``apart``: their pairs stay in the strata that the facts divide. ``marks``: the rows of
    pair_facts with marks of theirs (``repeats.marked``), which the pairs then carry.
    """
    pairs_of_samples = prepared(store.frame(sql("pair_facts")) if marks is None else marks)
    of_stratum = facts_of(pairs_of_samples)
    facts = ("technique", "instrument", "calibration")
    pairs_of_samples["set_up"] = list(
        zip(*(pairs_of_samples[name].fillna("") for name in facts), strict=True)
    )
    pooled = {POOLED[name]: "pooled" for name in pool}
    field_number = pairs_of_samples["field_number"].to_numpy("int64")
    lab_number = pairs_of_samples["lab_number"].to_numpy("int64")
    frames: list[pd.DataFrame] = []
    strata: dict[str, Stratum] = {}
    sources: dict[str, list[Source]] = {}
    together: dict[str, str] = {}
    for field_key, lab_key, field, lab in means_of_pairs(sides, field_keys, lab_keys):
        rows = np.flatnonzero((field.n[field_number] > 0) & (lab.n[lab_number] > 0))
        if not len(rows):
            continue
        frame = _element_pairs(pairs_of_samples, field, lab, rows)
        keys = strata_of(of_stratum, rows, field_key, lab_key, pooled, apart, strata, together)
        sample = frame["sample_id"].to_numpy(object)
        for name, at in keys.groupby(keys, sort=True).indices.items():
            source = Source(
                field_key, lab_key, sample[at],
                field_number[rows[at]], lab_number[rows[at]],
            )  # fmt: skip
            sources.setdefault(str(name), []).append(source)
        frames.append(as_pairs(frame, keys, field_key))
    pairs = (
        pd.concat(frames, ignore_index=True)
        if frames
        else pd.DataFrame({name: [] for name in (*PAIR_COLUMNS, "element")})
    )
    pairs = pairs.sort_values(["stratum", "sample_id"], kind="stable", ignore_index=True)
    field_only, lab_only = (_without_pair(store, f"{side}_sample") for side in ("field", "lab"))
    ordered = told_apart([strata[key] for key in sorted(strata)])
    return Joined(ordered, pairs, field_only, lab_only, sides, sources, together)


def read_as(store: Store, joined: Joined) -> dict[str, tuple[ReadAs, ReadAs]]:
    """By stratum key, how the columns of field and lab were read in the run's files."""
    known: dict[tuple[str, str], list[tuple[str, str, int]]] = {}
    for kind, key, species, unit, isotope in store.rows(sql("pairing.read_as")):
        known.setdefault((kind, key), []).append((species, unit, isotope))

    def of(side: str, element: str, keys: Iterable[Key]) -> ReadAs:
        columns = [c for key in keys for c in known.get((side, key.key.lower()), ())]
        return ReadAs(
            frozenset(species for species, _, _ in columns),
            frozenset(unit for _, unit, _ in columns if unit),
            frozenset(isotope for _, _, isotope in columns if isotope),
            bool(columns) and all(species != element for species, _, _ in columns),
        )

    return {
        stratum.key: (
            of("field", stratum.element, (s.field_key for s in joined.sources[stratum.key])),
            of("lab", stratum.element, (s.lab_key for s in joined.sources[stratum.key])),
        )
        for stratum in joined.strata
    }


def _element_pairs(
    samples: pd.DataFrame, field: Means, lab: Means, rows: NDArray[np.int64]
) -> pd.DataFrame:
    """These rows of the pairs of samples, with the results of both sides."""
    f, x = (samples[f"{side}_number"].to_numpy("int64")[rows] for side in ("field", "lab"))
    describing = [*_DESCRIBING, *(name for name in (LAB_ROW, BOTH_ROWS) if name in samples)]
    frame = samples[describing].take(rows).reset_index(drop=True)
    return frame.assign(
        field_number=f, lab_number=x,
        field_n=field.n[f], field_spots=field.spots[f], field_censored=field.censored[f],
        field_low=field.low[f], field_high=field.high[f], field_se=field.se[f],
        field_sd=field.sd[f], lab_n=lab.n[x], lab_censored=lab.censored[x],
        lab_low=lab.low[x], lab_high=lab.high[x], lab_se=lab.se[x],
        field_zero=holds_zero(field, f), lab_zero=holds_zero(lab, x),
    )  # fmt: skip


def _without_pair(store: Store, here: str) -> tuple[str, ...]:
    rows = store.rows(sql("pairing.without_pair", here=quoted(here)))
    return tuple(row[0] for row in rows)
