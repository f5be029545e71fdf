"""Spectral overlap that makes a single value unusable."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile import techniques
from reconcile.base.model.tables import EXCLUSION_COLUMNS
from reconcile.base.settings.thresholds import Thresholds
from reconcile.techniques import Judged


def interference_flags(readings: pd.DataFrame, thresholds: Thresholds) -> pd.DataFrame:
    """XRF arsenic values that lead overlaps, one row per sample and method (EXCLUSION_COLUMNS).

    ``readings`` wide: sample_id, technique, optionally method, ``Pb`` and ``As`` (mg/kg) and,
    where arsenic is below its limit, ``As_limit``. At Pb:As of ``lead_to_arsenic`` (10) and
    above arsenic can't be calculated efficiently (US EPA Method 6200, section 4.7). Where
    arsenic is below its limit the ratio is at least Pb over that limit.
    """
    if not {"sample_id", "technique", "Pb"} <= set(readings.columns):
        return pd.DataFrame(columns=list(EXCLUSION_COLUMNS))
    names = readings["technique"].astype("str").str.upper()
    overlapped = techniques.named(Judged.OVERLAPS)
    frame = readings.loc[names.isin({name.upper() for name in overlapped})].copy()
    for name in ("Pb", "As", "As_limit"):
        cells = frame[name] if name in frame.columns else np.nan
        frame[name] = pd.to_numeric(pd.Series(cells, index=frame.index), errors="coerce").astype(
            "float64"
        )
    if "method" not in frame.columns:
        frame["method"] = ""
    means = frame.groupby(["sample_id", "method"], sort=True)[["Pb", "As", "As_limit"]].mean()
    rows = []
    for (sample, method), lead, arsenic, limit in zip(
        means.index, means["Pb"], means["As"], means["As_limit"], strict=True
    ):
        bound = arsenic if np.isfinite(arsenic) else limit
        if not (np.isfinite(lead) and np.isfinite(bound) and bound > 0):
            continue
        ratio = lead / bound
        if ratio >= thresholds.lead_to_arsenic:
            word = "is" if np.isfinite(arsenic) else "is at least"
            rows.append(
                (
                    "reading", str(sample), "As", "", "lead overlaps arsenic (XRF)",
                    f"Pb:As {word} {ratio:.1f}, limit {thresholds.lead_to_arsenic:g}"
                    + (f" ({method})" if method else ""),
                    "Take the laboratory's arsenic for this sample.",
                )
            )  # fmt: skip
    return pd.DataFrame(rows, columns=list(EXCLUSION_COLUMNS))
