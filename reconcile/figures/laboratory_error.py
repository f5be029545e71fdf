"""The error of a laboratory's result: from its duplicates, or as stated."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from reconcile.base.model.stratum import Stratum
from reconcile.base.settings.thresholds import ErrorSettings
from reconcile.figures.definition import Array
from reconcile.statistics.equality import equal_with_nan

_FEWEST_DUPLICATES = 3

_NEAR = 1.25  # duplicates up to this factor outside the range of the pairs still count


@equal_with_nan
@dataclass(frozen=True, slots=True)
class LabError:
    """Error of one lab determination, from duplicates or from the settings."""

    relative_variance: float
    degrees_of_freedom: float  # inf where stated, not measured
    source: str
    levels: tuple[float, ...] = ()  # mean of each pair of duplicates, mg/kg
    differences: tuple[float, ...] = ()  # of each pair, mg/kg
    of_splits: bool = False  # the duplicates are splits, so that their unevenness is in it
    splits: LabError | None = None  # the same method's duplicates of splits, where there are any

    def near(self, low: float, high: float) -> LabError:
        """The same from the duplicates between two levels, where there are enough of them.

        Duplicates of other material, at other levels, say little of the size of an error.
        """
        level, difference = np.array(self.levels), np.array(self.differences)
        inside = (level >= low) & (level <= high)
        splits = self.splits.near(low, high) if self.splits is not None else None
        if int(inside.sum()) < _FEWEST_DUPLICATES:
            return replace(self, splits=splits)
        found = _from_duplicates(level[inside], difference[inside], self.of_splits)
        return replace(found, splits=splits)

    def of_pair(self, replicates: float) -> float:
        """Relative variance of a pair's laboratory value, the mean of so many results.

        Repeats of one split lower what repeats show; what separates two splits stays whole.
        """
        single = self.relative_variance
        if self.of_splits:
            return single
        between = max(self.splits.relative_variance - single, 0.0) if self.splits else 0.0
        return single / replicates + between


def _from_duplicates(level: Array, difference: Array, of_splits: bool = False) -> LabError:
    n = len(level)
    return LabError(
        float(np.mean((difference / level) ** 2) / 2),
        float(n),
        f"{n} pairs of {'duplicate splits' if of_splits else 'laboratory duplicates'}",
        tuple(map(float, level)),
        tuple(map(float, difference)),
        of_splits,
    )


def lab_errors(duplicates: pd.DataFrame, errors: ErrorSettings) -> dict[tuple[str, str], LabError]:
    """Error of a lab determination per (element, lab method), from duplicates.

    ``duplicates`` as from ``control_results.lab_duplicates``. Where ``errors.lab_rsd`` is set it
    stands under the key ("", "") for every method without duplicates.
    """
    found: dict[tuple[str, str], LabError] = {}
    if len(duplicates):
        both = duplicates.loc[duplicates["qualifier"].eq("") & duplicates["first_qualifier"].eq("")]
        for key, rows in both.groupby(["element", "method"], sort=True):
            error = _of_duplicates(rows)
            if error is not None:
                found[(str(key[0]), str(key[1]))] = error
    if errors.lab_rsd is not None:
        found[("", "")] = LabError(
            errors.lab_rsd**2, math.inf,
            f"relative SD of {errors.lab_rsd:.1%} stated in the settings",
        )  # fmt: skip
    return found


#: Kinds of duplicates that are splits of one sample, the nearer to the laboratory first.
_SPLITS = ("coarse", "field")


def _of_duplicates(rows: pd.DataFrame) -> LabError | None:
    """The error of one method from its duplicates: repeats, and splits apart where there are."""
    kind = rows["duplicate_kind"] if "duplicate_kind" in rows else pd.Series("", index=rows.index)

    def of(part: pd.DataFrame, of_splits: bool) -> LabError | None:
        a = part["first_mg_kg"].to_numpy("float64")
        b = part["value_mg_kg"].to_numpy("float64")
        mean = (a + b) / 2
        if len(a) < _FEWEST_DUPLICATES or np.any(mean <= 0):
            return None
        return _from_duplicates(mean, a - b, of_splits)

    repeats = of(rows.loc[~kind.isin(_SPLITS)], False)
    splits = next((e for k in _SPLITS if (e := of(rows.loc[kind.eq(k)], True)) is not None), None)
    return splits if repeats is None else replace(repeats, splits=splits)


def lab_error_of(errors: Mapping[tuple[str, str], LabError], stratum: Stratum) -> LabError | None:
    """The lab error that holds for a stratum: measured before stated."""
    return errors.get((stratum.element, stratum.lab_method)) or errors.get(("", ""))


def near_pairs(lab_error: LabError, used: pd.DataFrame) -> LabError:
    """The lab's error from duplicates at the levels of these pairs."""
    return near_values(lab_error, used["lab_mean"].to_numpy("float64"))


def near_values(lab_error: LabError, lab: Array) -> LabError:
    """The same of laboratory values, mg/kg, shape (n,)."""
    if not lab.size:
        return lab_error.near(math.nan, math.nan)
    return lab_error.near(float(np.nanmin(lab)) / _NEAR, float(np.nanmax(lab)) * _NEAR)


def lab_replicates(used: pd.DataFrame) -> float:
    """Results behind a laboratory value, in the mean; at least 1."""
    return max(float(used["lab_n"].to_numpy("float64").mean()), 1.0) if len(used) else 1.0


def lab_relative_variance(used: pd.DataFrame, lab_error: LabError | None) -> float:
    """Relative error variance of a pair's lab mean; NaN where not known."""
    if lab_error is None or not len(used):
        return math.nan
    return near_pairs(lab_error, used).of_pair(lab_replicates(used))


def lab_error_sd(used: pd.DataFrame, lab_error: LabError | None) -> float:
    """Error SD of the lab over these pairs, mg/kg (root mean square); NaN where unknown."""
    if lab_error is None or not len(used):
        return math.nan
    square = float(np.mean(used["lab_mean"].to_numpy("float64") ** 2))
    relative = near_pairs(lab_error, used).of_pair(lab_replicates(used))
    return math.sqrt(relative * square)


def splits_known(error: LabError) -> bool:
    """Whether what separates two splits of a sample is known."""
    return error.of_splits or error.splits is not None
