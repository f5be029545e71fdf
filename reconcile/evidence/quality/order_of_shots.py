"""Whether the shots of a spot drift, by the rank test of Kendall summed over spots."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.quality.of_reading import Column, Floats, by_method, warning

#: Longer series are thinned to this many shots, evenly, before they are ranked.
_MOST_SHOTS = 60


# ---- shots ----------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Series:
    """Shots sorted by method, sample, spot and number, as positions in ``facts``."""

    order: npt.NDArray[np.intp]
    spot: npt.NDArray[np.int64]  # running number of the spot of each sorted shot
    sample_of_spot: npt.NDArray[np.int64]
    samples: tuple[tuple[str, str], ...]  # method, sample_id

    @classmethod
    def of(cls, facts: pd.DataFrame, chosen: npt.NDArray[np.bool_]) -> Series:
        """The chosen rows in the order of their shots, spot by spot."""
        places = np.flatnonzero(chosen)
        rows = facts.iloc[places]
        shot = pd.to_numeric(rows["shot_no"], errors="coerce").to_numpy(dtype="float64")
        keyed = rows[["method", "sample_id", "spot"]].astype("str")
        keyed = keyed.assign(shot=np.where(np.isfinite(shot), shot, math.inf), place=places)
        keyed = keyed.sort_values(["method", "sample_id", "spot", "shot", "place"])
        spot = keyed.groupby(["method", "sample_id", "spot"], sort=False).ngroup().to_numpy()
        sample = keyed.groupby(["method", "sample_id"], sort=False).ngroup().to_numpy()
        first = np.r_[True, spot[1:] != spot[:-1]] if len(spot) else np.zeros(0, dtype=bool)
        names = keyed[["method", "sample_id"]].drop_duplicates()
        return cls(
            keyed["place"].to_numpy(dtype=np.intp), spot.astype(np.int64),
            sample[first].astype(np.int64),
            tuple(zip(names["method"], names["sample_id"], strict=True)),
        )  # fmt: skip


def kendall_sums(
    values: Floats, group: npt.NDArray[np.int64], groups: int
) -> tuple[Floats, Floats]:
    """Kendall's S of each group's values in their order, and its variance with ties.

    S = sum of sign(later - earlier); variance [n(n-1)(2n+5) - sum t(t-1)(2t+5)]/18 (Kendall
    1975). Sums of S and of variances over groups give the test of Hirsch, Slack & Smith (1982,
    Water Resour. Res. 18:107), from memory.
    """
    s = np.zeros(groups)
    for lag in range(1, _MOST_SHOTS):
        if lag >= len(values):
            break
        same = group[lag:] == group[:-lag]
        if not same.any():
            break
        sign = np.sign(values[lag:] - values[:-lag])
        s += np.bincount(group[lag:][same], weights=sign[same], minlength=groups)
    n = np.bincount(group, minlength=groups).astype(np.float64)
    order = np.lexsort((values, group))
    new = np.ones(len(values), dtype=bool)
    sorted_values, sorted_group = values[order], group[order]
    new[1:] = (sorted_values[1:] != sorted_values[:-1]) | (sorted_group[1:] != sorted_group[:-1])
    ties = np.bincount(np.cumsum(new) - 1).astype(np.float64) if len(values) else np.zeros(0)
    lost = np.bincount(
        sorted_group[new], weights=ties * (ties - 1) * (2 * ties + 5), minlength=groups
    )
    return s, (n * (n - 1) * (2 * n + 5) - lost) / 18


def _thinned(group: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """At most ``_MOST_SHOTS`` of each group (sorted), evenly chosen."""
    if not len(group):
        return np.zeros(0, dtype=bool)
    start = np.flatnonzero(np.r_[True, group[1:] != group[:-1]])
    size = np.diff(np.r_[start, len(group)])
    place = np.arange(len(group)) - np.repeat(start, size)
    step = np.maximum(1, -(-size // _MOST_SHOTS))
    return np.asarray(place % np.repeat(step, size) == 0)


def trends(
    facts: pd.DataFrame, shots: Series, column: Column, thresholds: Thresholds
) -> list[Finding]:
    """Shots that rise or fall within the spots, sample by sample and for a method as a whole."""
    values = column.value[shots.order]
    known = np.isfinite(values)
    if not known.any():
        return []
    values, spot = values[known], shots.spot[known]
    few = _thinned(spot)
    values, spot = values[few], spot[few]
    spots = len(shots.sample_of_spot)
    s, variance = kendall_sums(values, spot, spots)
    first, last = _ends(values, spot, spots)
    frame = pd.DataFrame(
        {"sample": shots.sample_of_spot, "s": s, "variance": variance, "first": first, "last": last}
    ).groupby("sample").sum()  # fmt: skip
    frame["method"] = [shots.samples[i][0] for i in frame.index]
    frame["name"] = [shots.samples[i][1] for i in frame.index]
    frame = frame.loc[frame["variance"].gt(0)]
    found: list[Finding] = []
    for method, rows in by_method(frame):
        level = thresholds.shot_trend_level / max(len(rows), 1)
        p, size = _p_values(rows), (rows["last"] / rows["first"] - 1).to_numpy()
        size = np.where(np.isfinite(size), size, 0.0)
        own = (p < level) & (np.abs(size) >= thresholds.shot_trend_size)
        whole = rows[["s", "variance", "first", "last"]].sum().to_frame().T
        change = float(whole["last"].iloc[0] / whole["first"].iloc[0] - 1)
        together = float(_p_values(whole)[0])
        rule = (
            f"rank test within spots (Kendall), level {thresholds.shot_trend_level:g} over "
            f"{len(rows)} sample(s), change from {thresholds.shot_trend_size:.0%} on"
        )
        advice = (
            "Compare single shots: a skin, dust or oxide shows in the first ones. Use more "
            "cleaning shots, or leave the first shots out and read again."
        )
        for name, own_p, own_size in zip(rows["name"][own], p[own], size[own], strict=True):
            found.append(
                warning(
                    [str(name)],
                    f"Shots trend within the spots: {column.element}, {method}.",
                    f"last shots {own_size:+.0%} against the first, p = {own_p:.1g}; {rule}",
                    advice,
                    code=FindingCode.TREND_IN_SPOTS,
                )
            )
        enough = abs(change) >= thresholds.shot_trend_size
        if together < thresholds.shot_trend_level and enough and len(rows) > 1:
            found.append(
                warning(
                    [method],
                    f"Shots trend within the spots of this method: {column.element}, {method}.",
                    f"last shots {change:+.0%} against the first over {len(rows)} samples, "
                    f"p = {together:.1g}; {rule}",
                    advice,
                    code=FindingCode.TREND_OF_METHOD,
                )
            )
    return found


def _p_values(rows: pd.DataFrame) -> Floats:
    s, variance = rows["s"].to_numpy("float64"), rows["variance"].to_numpy("float64")
    z = np.maximum(np.abs(s) - 1, 0) / np.sqrt(variance)
    return np.asarray(2 * special.ndtr(-z), dtype=np.float64)


def _ends(values: Floats, spot: npt.NDArray[np.int64], spots: int) -> tuple[Floats, Floats]:
    """Mean of the first and of the last third of each spot's shots."""
    size = np.bincount(spot, minlength=spots)
    start = np.cumsum(size) - size
    place = np.arange(len(values)) - start[spot]
    third = np.maximum(1, size // 3)
    with np.errstate(invalid="ignore", divide="ignore"):
        parts = [
            np.bincount(spot[part], weights=values[part], minlength=spots) / third
            for part in (place < third[spot], place >= (size - third)[spot])
        ]
    alone = size < 2
    return np.where(alone, 0.0, parts[0]), np.where(alone, 0.0, parts[1])
