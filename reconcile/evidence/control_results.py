"""Single results of controls, and of what stands beside them, as the store holds them.

Long: one row per row of a table and element.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.methods import FieldMethod, LabMethod
from reconcile.base.settings.whole import Settings
from reconcile.pairs.pair_strata import field_method, lab_method
from reconcile.pairs.sides import Key
from reconcile.samples import identity
from reconcile.store.database import Store
from reconcile.store.statements import Sql, listed, quoted, sql

CONTROL_COLUMNS = (
    "sample_kind", "reference_code", "sample_id", "duplicate_of", "duplicate_kind", "side",
    "technique", "method", "element", "batch", "at", "value_mg_kg", "qualifier",
    "limit_mg_kg", "se", "digestion_class", "set_up", "moisture_basis",
    "matrix",
)  # fmt: skip

#: Facts that name the method of a row.
_METHOD = {
    "field": ("technique", "instrument", "calibration"),
    "lab": ("technique", "lab_method", "digestion", "laboratory"),
}
_METHOD_OF: Mapping[str, Callable[..., FieldMethod | LabMethod]] = {
    "field": field_method, "lab": lab_method,
}  # fmt: skip
_QUALIFIERS = ("", "<", ">")  # by code


def control_rows(store: Store, side: str, keys: Sequence[Key], zone: str = "UTC") -> pd.DataFrame:
    """Every control of one side, long: one row per control row and element (CONTROL_COLUMNS).

    A lab batch is a certificate, a field batch a day as the calendar of ``zone`` has it.
    """
    return _long(store, side, keys, sql("eligibility.controls"), zone=zone)


def set_up(technique: str, instrument: str, calibration: str) -> str:
    """How a row was read, as named where the days of instruments are judged."""
    return " · ".join(part or "-" for part in (technique, instrument, calibration))


def days_of(moments: pd.Series, zone: str) -> pd.Series:
    """The day of each moment in the calendar of a place; '' where there is none."""
    days = moments.dt.tz_convert(zone).dt.strftime("%Y-%m-%d").astype("object")
    days = days.where(moments.notna(), "")
    return pd.Series(days, dtype="str")


def control_history(
    store: Store, side: str, keys: Sequence[Key], finish: datetime | None, zone: str = "UTC"
) -> pd.DataFrame:
    """Controls of this and earlier periods in the run's files (CONTROL_COLUMNS).

    Only files that bear on this period are asked, for these alone a release lists as its
    inputs. ``finish``: end of the period, UTC without a zone.
    """
    condition = sql(
        "eligibility.controls_of_files", at=sql(f"eligibility.{side}_time"),
        rows=quoted(f"{side}_row"),
    )  # fmt: skip
    bound = {"finish": finish or datetime(9999, 1, 1)}  # noqa: DTZ001 - stored as UTC
    return _long(store, side, keys, condition, bound, zone)


def lab_duplicates(store: Store, keys: Sequence[Key], controls: pd.DataFrame) -> pd.DataFrame:
    """Lab duplicates with the first determination of the same sample beside them.

    ``controls``: those of the laboratory. Columns: CONTROL_COLUMNS of the duplicate plus
    ``first_mg_kg``, ``first_qualifier`` and ``first_limit_mg_kg``: of the sample's ordinary
    determination, by the same method.
    """
    duplicates = controls.loc[controls["sample_kind"].eq("duplicate")].reset_index(drop=True)
    if duplicates.empty:
        return duplicates.assign(first_mg_kg=[], first_qualifier=[], first_limit_mg_kg=[])
    duplicates["pair_id"] = duplicates["duplicate_of"].where(
        duplicates["duplicate_of"].fillna("").ne(""), duplicates["sample_id"]
    )
    originals = _long(
        store, "lab", keys, sql("eligibility.of_samples"),
        {"samples": sorted({*duplicates["pair_id"]})},
    )  # fmt: skip
    # a duplicate that the register does not name is of the material of its sample
    originals["first_matrix"] = originals["matrix"]
    first = originals.drop_duplicates(["sample_id", "method", "element"]).rename(
        columns={
            "sample_id": "pair_id",
            "value_mg_kg": "first_mg_kg",
            "qualifier": "first_qualifier",
            "limit_mg_kg": "first_limit_mg_kg",
        }
    )[
        ["pair_id", "method", "element", "first_mg_kg", "first_qualifier", "first_limit_mg_kg",
         "first_matrix"]
    ]  # fmt: skip
    both = duplicates.merge(first, on=["pair_id", "method", "element"], how="inner")
    both["matrix"] = both["matrix"].where(both["matrix"].ne(""), both["first_matrix"])
    return both.drop(columns=["pair_id", "first_matrix"])


def own_holding(
    store: Store, keys: Sequence[Key], settings: Settings
) -> dict[tuple[str, str], list[tuple[str, int]]]:
    """By sample and certificate, the elements whose holding time is not the general one."""
    stated = {
        element
        for element, own in settings.element.items()
        if own.holding_days is not None
        or any(m.holding_days is not None for m in own.matrix.values())
    }
    found: dict[tuple[str, str], list[tuple[str, int]]] = {}
    if not (wanted := [key for key in keys if key.element in stated]):
        return found
    rows = _long(store, "lab", wanted, sql("eligibility.samples"))
    named = rows[["sample_id", "batch", "element", "matrix"]].drop_duplicates()
    for sample, certificate, element, matrix in named.itertuples(index=False):
        days = settings.limits_of(str(element), str(matrix)).holding_days
        if days != settings.thresholds.holding_days:
            key = identity.comparison_form(str(sample)), str(certificate)
            found.setdefault(key, []).append((str(element), days))
    return found


def _long(
    store: Store,
    side: str,
    keys: Sequence[Key],
    condition: Sql,
    bound: Mapping[str, Any] | None = None,
    zone: str = "UTC",
) -> pd.DataFrame:
    """Of the rows of one side that ``condition`` holds for, every result, element by element.

    ``bound``: what ``condition`` asks for.
    """
    facts = store.frame(sql(f"eligibility.{side}_facts", condition=condition), bound or {})
    if facts.empty or not keys:
        return pd.DataFrame({name: [] for name in CONTROL_COLUMNS})
    facts["at"] = pd.to_datetime(facts["at"], utc=True)
    if side == "field":
        facts["batch"] = days_of(facts["at"], zone)
    parts = list(zip(*(facts[name].fillna("") for name in _METHOD[side]), strict=True))
    facts["set_up"] = pd.Series(
        [set_up(*each) if side == "field" else "" for each in parts], dtype="str"
    )
    facts["technique"] = facts["technique"].fillna("")
    results = _results(store, side, keys, facts["source"].to_numpy())
    of_key = [np.flatnonzero((each["code"] >= 0) & (each["code"] <= 2)) for each in results]
    taken = np.concatenate(of_key)
    if not len(taken):
        return pd.DataFrame({name: [] for name in CONTROL_COLUMNS})
    long = facts.take(taken).reset_index(drop=True)

    def each_part(name: str) -> NDArray[Any]:
        return np.concatenate([r[name][at] for r, at in zip(results, of_key, strict=True)])

    places = {each: place for place, each in enumerate(dict.fromkeys(parts))}
    place = np.array([places[each] for each in parts])
    methods = [
        pd.Series([_METHOD_OF[side](key, *each).text for each in places], dtype="str").take(
            place[at]
        )
        for key, at in zip(keys, of_key, strict=True)
    ]
    counts = [len(at) for at in of_key]
    long["method"] = pd.concat(methods, ignore_index=True)
    long["element"] = pd.Series([key.element for key in keys], dtype="str").repeat(counts).array
    long["value_mg_kg"] = each_part("value")
    long["qualifier"] = (
        pd.Series(_QUALIFIERS, dtype="str").take(each_part("code").astype(np.int64)).array
    )
    long["limit_mg_kg"] = each_part("limit")
    long["se"] = each_part("error")
    long["side"] = pd.Series([side] * len(long), dtype="str")
    return long[list(CONTROL_COLUMNS)]


def _results(
    store: Store, side: str, keys: Sequence[Key], sources: NDArray[np.int64]
) -> list[dict[str, NDArray[np.float64]]]:
    """Of each analyte value, code, limit and error of the rows ``sources``, NaN for an empty cell.

    Results that do not stand as the laboratory gave them count as empty.
    """
    cells = store.cells(side)
    columns = [
        (f"{name} {place}", of)
        for place, key in enumerate(keys)
        for name, of in cells.of(key.key).parts().items()
    ]
    found = store.frame(
        sql(
            "eligibility.results",
            columns=listed(
                sql("eligibility.number", of=of, name=quoted(name)) for name, of in columns
            ),
            rows=quoted(side),
        ),
        {"sources": sources.tolist()},
    ).set_index("source")
    at = found.index.get_indexer(pd.Index(sources))
    values = {name: found[name].to_numpy("float64")[at] for name, _ in columns}
    results = [
        {part: values[f"{part} {place}"] for part in ("value", "code", "limit", "error")}
        for place in range(len(keys))
    ]
    if side == "lab":
        taken_back = {source: place for place, source in enumerate(sources.tolist())}
        of_key = {key.key: result for key, result in zip(keys, results, strict=True)}
        for source, key in store.rows(sql("eligibility.superseded")):
            if source in taken_back and key in of_key:
                of_key[key]["code"][taken_back[source]] = np.nan
    return results
