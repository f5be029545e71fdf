"""What a valid row is, one module per table; each check carries its reason in plain words."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from schemas import (
    alias,
    correction,
    custody_event,
    determination,
    field_reading,
    pair,
    reference_material,
    sample,
    specification_limit,
)
from schemas.common import LARGEST_SUM_PCT, SUM_COLUMN, Failure

__all__ = ["SUM_COLUMN", "Failure", "pair", "validate"]

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
}


_OF_MANY_ROWS = {"field": field_reading.SCHEMA, "lab": determination.SCHEMA}


def looks_at(kind: str, fact: str, empty: bool) -> bool:
    """Whether ``validate`` needs this fact; ``empty``: no row states it."""
    schema = _OF_MANY_ROWS.get(kind)
    if schema is None:
        return True
    found = schema.columns.get(fact)
    return found is not None and not (empty and all(check.ignore_na for check in found.checks))


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
