"""Places of parts: which rows read which place, and the means of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.finding_codes import FindingCode
from reconcile.base.grades import Place
from reconcile.base.model.account import Finding
from reconcile.pairs.averaging import Means, Nesting, nested_means
from reconcile.pairs.sides import Key, Side
from reconcile.store.database import Store
from reconcile.store.statements import sql


@dataclass(frozen=True, slots=True)
class PlaceRows:
    """The places of all parts, in a fixed order, and the rows behind them."""

    number: NDArray[np.int64]  # of the field mean to which each place belongs, shape (places,)
    places: tuple[Place, ...]
    ordered: tuple[str, ...]  # grade that each place should be
    times: tuple[tuple[Any, Any, int], ...]  # first and last reading, and rows without a time
    source: NDArray[np.int64]  # shape (rows,)
    of_row: NDArray[np.int64]  # place of each row, rising

    def means(self, side: Side, key: Key) -> Means:
        """Means of one analyte, one per place."""
        value, code, limit, spot = side.rows_of(key, self.source)
        whole, at = np.unique(self.of_row * (spot.max(initial=0) + 1) + spot, return_inverse=True)
        order = np.argsort(at, kind="stable")
        nesting = Nesting(
            self.of_row[order], at[order].astype(np.int64),
            whole // (spot.max(initial=0) + 1), len(self.places),
        )  # fmt: skip
        return nested_means(value[order], code[order], limit[order], nesting)


def of_parts(store: Store) -> PlaceRows:
    """Every place of every part; spots where the rows of a metal part state no place.

    The rows must have their dispositions and means (``pairing.average``).
    """
    rows = store.frame(sql("places.rows"))
    stated = (
        rows["at_location"].ne("") | rows["role"].ne("") | rows["position_mm"].notna()
    ).groupby(rows["number"]).transform("any")  # fmt: skip
    name = rows["at_location"].where(stated, rows["spot_name"])
    spot = rows["spot"].where(~stated, "")
    key = pd.DataFrame(
        {
            "number": rows["number"], "name": name, "role": rows["role"],
            "position": rows["position_mm"].fillna(-1.0), "spot": spot,
        }
    )  # fmt: skip
    of_row = key.groupby(list(key.columns), sort=False).ngroup().to_numpy("int64")
    order = np.argsort(of_row, kind="stable")
    first = rows.assign(name=name, stated=stated, place=of_row).iloc[order]
    numbers, places, ordered, times = [], [], [], []
    for _, of in first.groupby("place", sort=True):
        top = of.iloc[0]
        numbers.append(int(top["number"]))
        places.append(
            Place(
                str(top["name"]), str(top["role"]), float(top["position_mm"]), bool(top["stated"])
            )
        )
        ordered.append(next((str(g) for g in of["ordered"] if g), ""))
        known = of["measured_at"].dropna()
        times.append(
            (known.min() if len(known) else None, known.max() if len(known) else None,
             int(of["measured_at"].isna().sum()))
        )  # fmt: skip
    return PlaceRows(
        np.array(numbers, dtype=np.int64), tuple(places), tuple(ordered), tuple(times),
        rows["source"].to_numpy("int64")[order], of_row[order].astype(np.int64),
    )  # fmt: skip


def facts_of(found: PlaceRows, samples: Sequence[Mapping[Any, Any]]) -> list[dict[Any, Any]]:
    """The facts of every place's field mean, with its own times and the place itself."""
    return [
        {
            **samples[number], "at_place": place, "field_time": first, "last_time": last,
            "untimed": untimed, "ordered": grade,
        }
        for number, place, grade, (first, last, untimed) in zip(
            found.number, found.places, found.ordered, found.times, strict=True
        )
    ]  # fmt: skip


def findings(store: Store) -> tuple[Finding, ...]:
    """Places of parts that the laboratory names and no reading does; rows must be placed."""
    unmet: dict[str, list[str]] = {}
    for sample, place in store.rows(sql("lab_places.unmet")):
        unmet.setdefault(str(sample), []).append(str(place))
    found = []
    for sample, many in unmet.items():
        named = ", ".join(f"'{place}'" for place in many)
        found.append(
            Finding(
                "identity", "warning", sample,
                f"The laboratory answers for {sample} at {named}, which no reading of it names: "
                "these results have no pair.",
                advice="Write the place as the readings do, or take both without a place.",
                code=FindingCode.PLACE_NOT_READ,
            )
        )  # fmt: skip
    return tuple(found)
