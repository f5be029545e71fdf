"""The long table of controls, made whole: every column there, every cell of its type."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from reconcile.base.settings.thresholds import Thresholds

TEXTS = (
    "sample_kind", "reference_code", "sample_id", "duplicate_of", "duplicate_kind", "side",
    "technique", "method", "element", "batch", "qualifier", "first_qualifier", "digestion_class",
    "set_up", "moisture_basis", "matrix",
)  # fmt: skip
NUMBERS = ("value_mg_kg", "limit_mg_kg", "se", "first_mg_kg", "first_limit_mg_kg")
CONTROLS = ("reference material", "check standard")

#: Quantitation over detection: 10 SD over 3 SD (US EPA Method 6200, section 9.6). Below this
#: multiple of the lower limit a result is detected but not quantified.
QUANTIFIED_FROM = 10 / 3
#: The same from the stated error (one standard deviation) of a reading.
QUANTIFIED_FROM_ERROR = 10.0

Column = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Rows:
    """Columns as plain arrays of one length: thousands of small groups need nothing slower.

    Texts are objects ('' where missing), numbers float64 (NaN), ``at`` datetime64[us] in UTC
    (NaT).
    """

    columns: dict[str, Column]

    def __getitem__(self, name: str) -> Column:
        return self.columns[name]

    def __len__(self) -> int:
        return len(self.columns["sample_kind"])

    def take(self, chosen: npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> Rows:
        """These rows only, by mask or positions."""
        return Rows({name: column[chosen] for name, column in self.columns.items()})

    def put(self, **columns: Column) -> Rows:
        """With these columns added or replaced."""
        return Rows({**self.columns, **columns})

    def code(self) -> Column:
        """The reference code, else the sample id."""
        named = self["reference_code"]
        return np.where(named != "", named, self["sample_id"])


def whole(controls: pd.DataFrame) -> Rows:
    """All columns, typed; infinities become NaN; where ``batch`` is empty the day of ``at``."""
    columns: dict[str, Column] = {}
    for name in TEXTS:
        if name in controls.columns:
            cells = controls[name].astype("object")
            texts = [str(c).strip() for c in cells.where(cells.notna(), "")]
        else:
            texts = [""] * len(controls)
        columns[name] = np.array(texts, dtype=object)
    for name in NUMBERS:
        if name in controls.columns:
            numbers = pd.to_numeric(controls[name], errors="coerce").astype("float64")
            values = numbers.to_numpy(dtype="float64", na_value=np.nan)
            columns[name] = np.where(np.isfinite(values), values, np.nan)
        else:
            columns[name] = np.full(len(controls), np.nan)
    if "at" in controls.columns:
        times = pd.to_datetime(controls["at"], utc=True, errors="coerce")
        at = times.dt.tz_localize(None).to_numpy().astype("datetime64[us]")
    else:
        at = np.full(len(controls), np.datetime64("NaT"), dtype="datetime64[us]")
    days = np.where(np.isnat(at), "", np.datetime_as_string(at, unit="D")).astype(object)
    columns["at"] = at
    # without a method that a heading names, the set-up is all there is of the method
    columns["set_up"] = np.where(columns["set_up"] != "", columns["set_up"], columns["method"])
    columns["batch"] = np.where(columns["batch"] != "", columns["batch"], days)
    return Rows(columns)


#: The limits that hold for an element, a matrix, and whether it is metal.
LimitsOf = Callable[[str, str, bool], Thresholds]


def is_metal(rows: Rows) -> bool:
    """True where every row is of a solid without moisture."""
    return bool(len(rows)) and bool(np.all(rows["moisture_basis"] == "not applicable"))


def by_limits(
    rows: Rows, element: str, limits_of: LimitsOf | None, thresholds: Thresholds
) -> Iterator[tuple[str, Thresholds, Rows]]:
    """The rows by the limits that hold for their material, with the materials' names.

    '' where all materials have the same limits: rows of several are then judged together.
    """
    if limits_of is None or not len(rows):
        yield "", thresholds, rows
        return
    of_matrix = {m: limits_of(element, m, is_metal(rows)) for m in dict.fromkeys(rows["matrix"])}
    alike: dict[str, list[str]] = {}
    for matrix, limits in of_matrix.items():
        alike.setdefault(limits.model_dump_json(), []).append(matrix)
    for names in alike.values():
        told = ", ".join(name for name in names if name) if len(alike) > 1 else ""
        yield told, of_matrix[names[0]], rows.take(np.isin(rows["matrix"], names))


def groups(rows: Rows, *keys: str) -> Iterator[tuple[tuple[str, ...], Rows]]:
    """Groups in the order of their keys; rows in order of time (unknown last), then as given."""
    found: dict[tuple[str, ...], list[int]] = {}
    order = np.argsort(rows["at"], kind="stable")
    parts = [rows[key] for key in keys]
    for position in order:
        found.setdefault(tuple(part[position] for part in parts), []).append(int(position))
    for key in sorted(found):
        yield key, rows.take(np.array(found[key], dtype=np.intp))


def usual_limits(rows: Rows) -> dict[tuple[str, str, str], float]:
    """The median lower limit that rows of one side, method and element name."""
    return {
        (key[0], key[1], key[2]): float(np.median(limits))
        for key, group in groups(rows, "side", "method", "element")
        if (limits := finite(group["limit_mg_kg"])).size
    }


def finite(values: Column) -> npt.NDArray[np.float64]:
    """Those that are numbers."""
    return np.asarray(values[np.isfinite(values)], dtype=np.float64)


def iso(times: Column) -> str:
    """The first known time as ISO 8601 UTC, or ''."""
    known = times[~np.isnat(times)]
    return f"{np.datetime_as_string(known.min(), unit='s')}Z" if known.size else ""


def number(value: float, digits: int = 4) -> str:
    """A figure for a sentence, without exponent where that is short."""
    if not np.isfinite(value):
        return "not known"
    rounded = float(f"{value:.{digits}g}")
    return f"{rounded:,.10g}".replace(",", " ") if abs(rounded) < 1e9 else f"{value:.3e}"
