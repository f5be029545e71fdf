"""Which laboratory results stand: the cells of a run, and what was decided of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from reconcile.base.methods import joined
from reconcile.intake.tables import QUANTIFIED
from reconcile.pairs.pair_strata import lab_method
from reconcile.pairs.sides import Key
from reconcile.store.database import Store
from reconcile.store.statements import Sql, listed, quoted, sql

REISSUE = "superseded by a re-issue"

LATER = "replaced by a later certificate"

OVER_RANGE = "above the range, superseded by a re-assay"

STANDS_IN = "stands in the place of a value above the range"

BEST = "another method stands by the best-value rule"

CHECK = "check assay of another laboratory"

#: Why single results do not stand as they were given.
REASONS = (REISSUE, LATER, OVER_RANGE, STANDS_IN, BEST, CHECK)

SUPERSEDED = -1

CELL = (
    "source", "key", "code", "value", "sample_id", "element", "reason", "link", "told_with",
)  # fmt: skip

FACTS = (
    "source", "sample_id", "technique", "lab_method", "digestion", "digestion_class",
    "moisture_basis", "laboratory", "certificate", "issue", "has_newer", "placed", "place_key",
)  # fmt: skip

GROUP = [
    "sample_id", "place_key", "technique", "lab_method", "digestion", "laboratory",
    "digestion_class",
    "moisture_basis",
]  # fmt: skip


@dataclass(slots=True)
class Settled:
    """What was decided so far, cell by cell."""

    store: Store
    rows: list[tuple[Any, ...]] = field(default_factory=list)
    done: set[tuple[int, str]] = field(default_factory=set)

    def add(
        self, cell: Any, reason: str, link: str, told_with: str, value: float | None = None
    ) -> None:
        """A cell that no longer stands, or (with a value) whose limit a number replaces.

        ``told_with`` is the method of the pair that names both results; '' for none.
        """
        self.done.add((int(cell.source), cell.key))
        code = SUPERSEDED if value is None else QUANTIFIED
        self.rows.append(
            (int(cell.source), cell.key, code, value, cell.sample_id, cell.element, reason, link,
             told_with)
        )  # fmt: skip

    def write(self) -> None:
        """Put the decisions where the statements find them."""
        if not self.rows:
            return
        frame = pd.DataFrame(self.rows, columns=list(CELL)).astype({"value": "float64"})
        self.store.connection.register("incoming", frame)
        self.store.connection.execute(sql("certificates.put_settled"))
        self.store.connection.unregister("incoming")


def cells_of(store: Store, keys: Sequence[Key], condition: Sql) -> pd.DataFrame:
    """Results of chosen rows, one line each: facts, ``method``, ``code``, ``value``, ``lim``."""
    return cells_where(store, keys, condition, sql("certificates.results_only"))


def cells_where(
    store: Store, keys: Sequence[Key], condition: Sql, among: Sql, values: Sequence[Any] = ()
) -> pd.DataFrame:
    """Results of chosen rows, one line each; ``among`` compares the code of the cell."""
    facts = listed(
        sql("certificates.certificate")
        if name == "certificate"
        else sql("certificates.fact", name=quoted(name))
        for name in FACTS
    )
    frames = []
    cells = store.cells("lab")
    for key in keys:
        cell = cells.of(key.key)
        frame = store.frame(
            sql(
                "certificates.results",
                facts=facts,
                code=cell.code,
                value=cell.value,
                limit=cell.limit,
                condition=condition,
                among=among,
            ),
            values,
        )
        if len(frame):
            frame["key"], frame["element"], frame["heading"] = key.key, key.element, key.method
            frame["method"] = [
                lab_method(key, *parts).text
                for parts in zip(
                    frame["technique"],
                    frame["lab_method"],
                    frame["digestion"],
                    frame["laboratory"],
                    strict=True,
                )
            ]
            frames.append(frame)
    if not frames:
        return pd.DataFrame(columns=[*FACTS, "moment", "path", "row", "code", "value", "lim",
                                     "key", "element", "heading", "method"])  # fmt: skip
    return pd.concat(frames, ignore_index=True)


def still_standing(cells: pd.DataFrame, settled: Settled) -> pd.DataFrame:
    """The cells of which nothing was decided yet."""
    if cells.empty or not settled.done:
        return cells
    keep = [
        (int(source), key) not in settled.done
        for source, key in zip(cells["source"], cells["key"], strict=True)
    ]
    return cells.loc[keep]


def shown(cell: Any) -> str:
    """A result with its method, certificate and place, as a person would look it up."""
    mark = {1: "<", 2: ">"}.get(int(cell.code), "")
    number = cell.value if int(cell.code) == QUANTIFIED else cell.lim
    known = number is not None and number == number
    text = f"{mark}{number:.6g} mg/kg" if known else f"{mark}limit"
    if int(cell.code) not in (0, 1, 2):
        text = "no result"
    named = f"certificate {cell.certificate}" if cell.certificate else ""
    if named and cell.issue == cell.issue and cell.issue != 1:
        named += f" issue {cell.issue:g}"
    place = f"{cell.path}, row {cell.row}"
    return f"{text} ({'; '.join(part for part in (cell.method, named, place) if part)})"


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """The rows of a table as named tuples."""
    return list(frame.itertuples(index=False))


# ---- re-issues ------------------------------------------------------------------------
def identity(cell: Any) -> tuple[Any, ...]:
    """By what a result of one issue is known again in another."""
    return (cell.key, cell.technique, cell.lab_method, cell.digestion)


def names_of(cell: Any) -> set[str]:
    """Ways in which settings may name the method of a result."""
    whole = joined(cell.technique, cell.lab_method, cell.digestion)
    texts = (cell.method, whole, cell.lab_method, cell.heading, cell.technique)
    return {text.casefold() for text in texts if text}
