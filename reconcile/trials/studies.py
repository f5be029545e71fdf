"""Studies drawn from a truth: the pair table and the laboratory's duplicates."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.base.methods import FieldMethod, LabMethod, Moisture
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.tables import PAIR_COLUMNS
from reconcile.base.reasons import Exclusion, in_words
from reconcile.trials.truths import OUTLIER_SD, Array, Truth

STRATUM = Stratum(
    "Cu", FieldMethod("XRF", "X1", "soil 1"), LabMethod("ICP-OES", "M1", "four acids"), "soil",
    "sieved", Moisture("dry", "dry"), "split", "near-total",
)  # fmt: skip
_START = pd.Timestamp("2026-10-01T06:00", tz="UTC")


@dataclass(frozen=True, slots=True)
class Study:
    """What one month would have brought."""

    pairs: pd.DataFrame  # PAIR_COLUMNS and the element
    duplicates: pd.DataFrame  # as laboratory_error.lab_errors asks for them


@dataclass(frozen=True, slots=True)
class Numbers:
    """The same as arrays, mg/kg."""

    lab: Array  # (n,)
    readings: Array  # (n, spots)
    twice: Array  # (2, duplicates): both determinations

    @property
    def field(self) -> Array:
        """Means of the spots, (n,)."""
        return np.asarray(self.readings.mean(axis=1), dtype=np.float64)


def draw(truth: Truth, n: int, seed: int) -> Study:
    """One study of ``n`` samples; the same truth, ``n`` and ``seed`` give the same study."""
    drawn = numbers(truth, n, seed)
    return Study(_pairs(drawn.lab, drawn.readings, truth.limit), _duplicates(*drawn.twice))


def numbers(truth: Truth, n: int, seed: int) -> Numbers:
    """What ``draw`` puts into tables."""
    rng = np.random.default_rng([seed, n, zlib.crc32(truth.name.encode())])
    true = np.exp(rng.uniform(np.log(truth.low), np.log(truth.high), n))
    lab = true * np.exp(rng.normal(0, truth.lab_rsd, n))
    later = np.arange(n) >= n // 2
    portion = truth.reads(true, later) * np.exp(rng.normal(0, truth.between, n))
    gross = rng.random(n) < truth.outliers
    portion = portion * np.exp(np.where(gross, rng.normal(0, OUTLIER_SD, n), 0.0))
    single = truth.rsd * np.sqrt(truth.spots)
    error = np.exp(rng.normal(0, single, (n, truth.spots)))
    # the mean of the spots, not the single one, reads what the truth says: without this it would
    # lie above by half the variance within
    error *= np.exp(np.log(error).mean(axis=1, keepdims=True)) / error.mean(axis=1, keepdims=True)
    twice = true[rng.permutation(n)[: truth.duplicates]]
    both = twice * np.exp(rng.normal(0, truth.lab_rsd, (2, len(twice))))
    constant = truth.noise * np.sqrt(truth.spots) * rng.standard_normal(error.shape)
    return Numbers(lab, portion[:, None] * error + constant, both)


def _pairs(lab: Array, readings: Array, limit: float) -> pd.DataFrame:
    n, spots = readings.shape
    mean = readings.mean(axis=1)
    sd = readings.std(axis=1, ddof=1) if spots > 1 else np.full(n, np.nan)
    below = mean < limit
    code = Exclusion.FIELD_OUTSIDE_LIMITS
    frame = pd.DataFrame(
        {
            "stratum": STRATUM.key,
            "sample_id": [f"S{i:04d}" for i in range(n)],
            "group": "",
            "field_mean": np.where(below, np.nan, mean),
            "field_se": np.where(below, np.nan, sd / np.sqrt(spots)),
            "field_sd": np.where(below, np.nan, sd),
            "field_n": spots,
            "field_spots": spots,
            "field_qualifier": np.where(below, "<", ""),
            "field_low": np.where(below, 0.0, mean),
            "field_high": np.where(below, limit, mean),
            "lab_mean": lab,
            "lab_se": np.nan,
            "lab_n": 1,
            "lab_qualifier": "",
            "lab_low": lab,
            "lab_high": lab,
            "field_time": [_START + pd.Timedelta(hours=i) for i in range(n)],
            "lab_time": pd.NaT,
            "certificate": [("C1",)] * n,
            "custody": "complete",
            "used": ~below,
            "reason_code": np.where(below, code, ""),
            "reason": np.where(below, in_words(code), ""),
        }
    )
    return frame[list(PAIR_COLUMNS)].assign(element=STRATUM.element)


def _duplicates(first: Array, second: Array) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "element": STRATUM.element,
            "method": STRATUM.lab_method,
            "qualifier": "",
            "first_qualifier": "",
            "first_mg_kg": first,
            "value_mg_kg": second,
        }
    )
