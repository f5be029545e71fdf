"""What a valid row is, one module per table; each check carries its reason in plain words."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from . import (
    alias,
    correction,
    custody_event,
    determination,
    field_reading,
    instrument,
    instrument_check,
    laboratory,
    pair,
    reference_material,
    sample,
    specification_limit,
)
from .common import LARGEST_SUM_PCT, SUM_COLUMN, Failure, contract, run

__all__ = ["SUM_COLUMN", "Failure", "fact_failures", "pair", "validate"]

_Check = Callable[[pd.DataFrame, pd.DataFrame | None, bool, float], list[Failure]]
_BY_KIND: dict[str, _Check] = {
    "field": field_reading.failures,
    "lab": determination.failures,
    "sample register": sample.failures,
    "custody": custody_event.failures,
    "reference materials": reference_material.failures,
    "aliases": alias.failures,
    "corrections": correction.failures,
    "specification limits": specification_limit.failures,
    "instrument checks": instrument_check.failures,
    "instruments": instrument.failures,
    "laboratories": laboratory.failures,
}


_SCHEMAS = {
    "field": field_reading.SCHEMA,
    "lab": determination.SCHEMA,
    "sample register": sample.SCHEMA,
    "custody": custody_event.SCHEMA,
    "reference materials": reference_material.SCHEMA,
    "aliases": alias.SCHEMA,
    "corrections": correction.SCHEMA,
    "specification limits": specification_limit.SCHEMA,
    "instrument checks": instrument_check.SCHEMA,
    "instruments": instrument.SCHEMA,
    "laboratories": laboratory.SCHEMA,
}
_OF_MANY_ROWS = {kind: _SCHEMAS[kind] for kind in ("field", "lab")}


def looks_at(kind: str, fact: str, empty: bool) -> bool:
    """Whether ``validate`` needs this fact; ``empty``: no row states it."""
    schema = _OF_MANY_ROWS.get(kind)
    if schema is None:
        return True
    found = schema.columns.get(fact)
    return found is not None and not (empty and all(check.ignore_na for check in found))


def fact_failures(kind: str, fact: str, value: str | float) -> list[Failure]:
    """Why no row of this kind may hold this fact; for facts that hold for a whole table."""
    rule = _SCHEMAS[kind].columns.get(fact)
    if rule is None:
        return []
    frame = pd.DataFrame({fact: [value]})
    return run(contract({fact: rule}, "fixed fact"), frame, whole_row=False)


def validate(
    kind: str,
    facts: pd.DataFrame,
    values: pd.DataFrame | None = None,
    *,
    negative_allowed: bool = True,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Every way in which rows break the contract of their kind of table.

    ``facts`` and ``values`` share the index 0..n-1; of the facts, those suffice that it looks
    at. ``values`` holds one float column (mg/kg,
    NaN where not quantified) per analyte key, and may hold ``SUM_COLUMN`` with the row's sum as
    reported. An empty list means that every row is valid; nothing is changed.
    """
    return _BY_KIND[kind](facts, values, negative_allowed, largest_sum_pct)
