"""The long table of controls, made whole: every column there, every cell of its type."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

TEXTS = (
    "sample_kind", "reference_code", "sample_id", "duplicate_of", "duplicate_kind", "side",
    "technique", "method", "element", "batch", "qualifier", "first_qualifier", "digestion_class",
)  # fmt: skip
NUMBERS = ("value_mg_kg", "limit_mg_kg", "se", "first_mg_kg", "first_limit_mg_kg")

#: Quantitation over detection: 10 SD over 3 SD (US EPA Method 6200, section 9.6). Below this
#: multiple of the lower limit a result is detected but not quantified.
QUANTIFIED_FROM = 10 / 3
#: The same from the stated error (one standard deviation) of a reading.
QUANTIFIED_FROM_ERROR = 10.0


def whole(controls: pd.DataFrame) -> pd.DataFrame:
    """A copy with all columns; texts '' and numbers NaN where missing; infinities become NaN.

    Where ``batch`` is empty the day (UTC) of ``at`` stands for it. ``position`` keeps the
    order of the rows.
    """
    frame = pd.DataFrame(index=range(len(controls)))
    for name in TEXTS:
        if name in controls.columns:
            cells = controls[name].astype("object").reset_index(drop=True)
            frame[name] = cells.where(cells.notna(), "").map(lambda c: str(c).strip())
        else:
            frame[name] = ""
    for name in NUMBERS:
        if name in controls.columns:
            numbers = pd.to_numeric(controls[name], errors="coerce").astype("float64")
            values = numbers.to_numpy(dtype="float64", na_value=np.nan)
            frame[name] = np.where(np.isfinite(values), values, np.nan)
        else:
            frame[name] = np.nan
    if "at" in controls.columns:
        times = pd.to_datetime(controls["at"].reset_index(drop=True), utc=True, errors="coerce")
    else:
        times = pd.Series(pd.NaT, index=frame.index, dtype="datetime64[us, UTC]")
    frame["at"] = times
    days = times.dt.strftime("%Y-%m-%d").fillna("")
    frame["batch"] = frame["batch"].where(frame["batch"].ne(""), days)
    frame["position"] = range(len(frame))
    return frame.astype(dict.fromkeys(TEXTS, "str"))


def groups(frame: pd.DataFrame, *keys: str) -> Iterator[tuple[tuple[str, ...], pd.DataFrame]]:
    """Groups in the order of their keys, rows in order of time, then of the table."""
    if frame.empty:
        return
    ordered = frame.sort_values(["at", "position"], kind="stable")
    for key, rows in ordered.groupby(list(keys), sort=True):
        yield tuple(str(part) for part in key), rows


def iso(times: pd.Series) -> str:
    """The first known time as ISO 8601 UTC, or ''."""
    known = times.dropna()
    if known.empty:
        return ""
    first: pd.Timestamp = known.min()
    return first.tz_convert("UTC").tz_localize(None).isoformat(timespec="seconds") + "Z"


def number(value: float, digits: int = 4) -> str:
    """A figure for a sentence, without exponent where that is short."""
    if not np.isfinite(value):
        return "not known"
    rounded = float(f"{value:.{digits}g}")
    return f"{rounded:,.10g}".replace(",", " ") if abs(rounded) < 1e9 else f"{value:.3e}"
