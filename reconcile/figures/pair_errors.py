"""What is known of the errors of both sides of the pairs, and the scale of differences."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd

from reconcile.base.model.figures import (
    PointErrors,
)
from reconcile.base.settings.thresholds import ErrorSettings
from reconcile.figures import further
from reconcile.figures.definition import Array
from reconcile.figures.laboratory_error import LabError, lab_replicates, near_pairs
from reconcile.statistics import agreement, error_model, lines
from reconcile.statistics.error_model import ErrorModel, Known


# ---- the written rules ---------------------------------------------------------------
def difference_scale(
    lab: Array, field: Array, replicates: lines.ErrorStructure | None = None
) -> tuple[str, str]:
    """'absolute' or 'log ratio', and the rule in words.

    Ratios need values above zero. They are used where the replicates of the field show an SD
    in proportion to the level, or where the differences grow with the level (rank correlation
    of their size with the mean above zero at the 5 % level). Differences are used where the
    replicates show a constant SD. Where the replicates don't tell, a range of more than one
    order of magnitude asks for ratios (US EPA Method 6200, section 9.7, from memory:
    log-transform above one order of magnitude), a narrower one for differences.
    """
    if len(lab) < 3 or not (np.all(lab > 0) and np.all(field > 0)):
        return "absolute", "differences: values at or below zero, or fewer than 3 pairs"
    structure = replicates.structure if replicates is not None else "unknown"
    if structure == "constant CV":
        return "log ratio", (
            "ratios: the SD of the field replicates grows in proportion to the level "
            "(likelihood-ratio test, 5 %)"
        )
    span = float(lab.max() / lab.min())
    if structure != "constant SD" and span > 10:
        return "log ratio", "ratios: the laboratory values span more than one order of magnitude"
    if _grows(lab, field):
        return "log ratio", "ratios: the differences grow with the level (rank test, 5 %)"
    if structure == "constant SD":
        return "absolute", (
            "differences: the SD of the field replicates is the same at every level, and the "
            "size of the differences does not grow with it (likelihood-ratio and rank tests, 5 %)"
        )
    return "absolute", "differences: their size does not grow with the level (rank test, 5 %)"


def _grows(lab: Array, field: Array) -> bool:
    """Whether the size of the differences rises with the mean (one-sided rank test, 5 %)."""
    from reconcile.statistics import distributions as stats

    rank = agreement.correlation((lab + field) / 2, np.abs(field - lab)).spearman
    n = len(lab)
    with np.errstate(divide="ignore"):
        t = rank * math.sqrt((n - 2) / max(1 - rank * rank, 1e-12))
    return bool(rank > 0 and stats.t.sf(t, n - 2) < 0.05)


def point_errors(
    used: pd.DataFrame, replicates: lines.ErrorStructure, scale: str, lab_error: LabError | None
) -> PointErrors | None:
    """SDs of both sides by level, where they are known; None where they are not."""
    if lab_error is None or not len(used):
        return None
    near = near_pairs(lab_error, used)
    relative = math.sqrt(near.of_pair(lab_replicates(used)))
    middle = float(used["lab_mean"].median())
    return further.point_errors(replicates, scale, relative, middle, near.source)


def field_error(used: pd.DataFrame, errors: ErrorSettings) -> tuple[float, float, float]:
    """Relative and absolute variance of a field mean from its replicates, and their count."""
    se = used["field_se"].to_numpy("float64")
    mean = used["field_mean"].to_numpy("float64")
    spots = used["field_spots"].to_numpy("float64")
    shots = used["field_n"].to_numpy("float64")
    freedom = np.where(spots >= 2, spots - 1, shots - 1)
    keep = np.isfinite(se) & (mean > 0) & (freedom >= 1)
    if keep.any() and float(np.sum(se[keep])) > 0:
        weight = freedom[keep]
        relative = float(np.sum(weight * (se[keep] / mean[keep]) ** 2) / np.sum(weight))
        absolute = float(np.sum(weight * se[keep] ** 2) / np.sum(weight))
        return relative, absolute, float(np.sum(weight))
    if errors.field_rsd is not None and len(mean):
        variance = errors.field_rsd**2
        return variance, variance * float(np.median(mean)) ** 2, math.inf
    return math.nan, math.nan, 0.0


def of_laboratory(used: pd.DataFrame, lab_error: LabError | None, scale: str) -> Known:
    """Variance of a pair's laboratory value on the scale of the page, with its freedom."""
    if lab_error is None or not len(used):
        return error_model.UNKNOWN
    near = near_pairs(lab_error, used)
    variance = near.of_pair(lab_replicates(used))
    if scale == "absolute":
        variance *= float(used["lab_mean"].median()) ** 2
    least = min(
        near.degrees_of_freedom, near.splits.degrees_of_freedom if near.splits else math.inf
    )
    return Known(variance, least)


def ratio_source(model: ErrorModel, lab_error: LabError | None, used: pd.DataFrame) -> str:
    """Whence the ratio of error variances comes, or why it is not known."""
    if lab_error is None:
        return "not known: no laboratory duplicates and no stated laboratory error"
    if not model.usable:
        return f"not known: {model.reason or model.line.reason}"
    near = near_pairs(lab_error, used)
    sources = [near.source, *([near.splits.source] if near.splits is not None else [])]
    return f"scatter of the pairs about the line against {' and '.join(sources)}"


#: Plain Deming over three decades: its 95 % interval of the slope held in 80 to 91 % of studies.
_NO_INTERVAL = "no interval is claimed, as the errors grow with the level"


def without_interval(line: lines.Line) -> lines.Line:
    """The same line as a point: where errors grow with the level its interval falls short."""
    bare = [
        replace(e, se=math.nan, low=math.nan, high=math.nan, reason=_NO_INTERVAL)
        if e.estimable
        else e
        for e in (line.intercept, line.slope)
    ]
    return replace(line, intercept=bare[0], slope=bare[1], covariance=lines.NO_COVARIANCE)


def line_of_logs(
    lab: Array, field: Array, positive: bool, level: float
) -> tuple[lines.Line, float]:
    """Least squares of log10 field on log10 lab, and r squared; no line unless all are above 0."""
    if not positive:
        empty = np.array([], dtype=np.float64)
        return lines.ols(empty, empty, level), math.nan
    x, y = np.log10(lab), np.log10(field)
    return lines.ols(x, y, level), agreement.correlation(x, y, level).r_squared
