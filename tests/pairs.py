"""Pair tables from known truth, for tests of evaluation, correction and verdicts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.base.methods import FieldMethod, LabMethod, Moisture
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.tables import PAIR_COLUMNS
from reconcile.base.settings.whole import Settings

STRATUM = Stratum(
    "Cu", FieldMethod("XRF", "X1", "soil 1"), LabMethod("ICP-OES", "M1", "four acids"), "soil",
    "sieved", Moisture("dry", "dry"), "split", "near-total",
)  # fmt: skip


def settings(**thresholds: object) -> Settings:
    """Settings with the two tables that must be there."""
    return Settings.model_validate(
        {
            "table": [
                {"kind": "field", "files": ["f.csv"]},
                {"kind": "lab", "files": ["l.csv"]},
            ],
            "thresholds": thresholds,
            "element": {"Cu": {"levels": [{"name": "cut-off", "value": 200}]}},
        }
    )


def pairs(lab: np.ndarray, field: np.ndarray, field_se: float | np.ndarray = 0.05) -> pd.DataFrame:
    """All pairs quantified and used; the field's standard error is a fraction of its mean."""
    n = len(lab)
    filled = {
        "stratum": STRATUM.key, "group": "", "field_n": 3, "field_spots": 3,
        "field_qualifier": "", "lab_n": 1, "lab_qualifier": "", "field_time": pd.NaT,
        "lab_time": pd.NaT, "certificate": ("C1",), "custody": "complete", "used": True,
        "reason_code": "", "reason": "",
    }  # fmt: skip
    frame = pd.DataFrame(
        {
            **{name: [value] * n for name, value in filled.items()},
            "sample_id": [f"S{i:03d}" for i in range(n)],
            "field_mean": field, "field_low": field, "field_high": field,
            "field_se": field * field_se, "field_sd": field * field_se * np.sqrt(3),
            "lab_mean": lab, "lab_low": lab, "lab_high": lab, "lab_se": np.nan,
        }
    )  # fmt: skip
    return frame[list(PAIR_COLUMNS)].assign(element="Cu")


def study(
    n: int = 40, ratio: float = 1.0, rsd: float = 0.08, offset: float = 0.0, seed: int = 1
) -> pd.DataFrame:
    """Copper over an order of magnitude, a true ratio and offset, log-normal errors."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.uniform(np.log(50), np.log(800), n))
    lab = true * np.exp(rng.normal(0, 0.02, n))
    field = (true * ratio + offset) * np.exp(rng.normal(0, rsd, n))
    return pairs(lab, field)
