"""All figures of one stratum: which statistics are computed, on which pairs, on which scale.

The statistics themselves live in ``reconcile.statistics``; here they are chosen by the
written rules and gathered into one value.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.model.figures import (
    Agreement,
    Bias,
    Censored,
    Fits,
    PointErrors,
    StratumStatistics,
)
from reconcile.base.model.further import Further, Key
from reconcile.base.model.stratum import LevelBias, Stratum
from reconcile.base.quantities import display_factor
from reconcile.base.reasons import CENSORED, Exclusion
from reconcile.base.settings.thresholds import ErrorSettings
from reconcile.base.settings.whole import Settings
from reconcile.figures import further, registry
from reconcile.figures.definition import Studied
from reconcile.pairs import clusters
from reconcile.statistics import agreement, bias, censoring, decisions, error_model, lines
from reconcile.statistics.clusters import judged
from reconcile.statistics.error_model import ErrorModel, Known
from reconcile.statistics.result import Estimate, not_estimable

Array = NDArray[np.float64]

_FEWEST_DUPLICATES = 3
_NEAR = 1.25  # duplicates up to this factor outside the range of the pairs still count


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


@dataclass(frozen=True)
class Evaluated:
    """One stratum's pairs and all that was computed from them."""

    pairs: pd.DataFrame
    statistics: StratumStatistics
    thirds: tuple[int, int, int]  # used pairs in each third of the range
    margin: float  # the bias margin that holds for this element
    notes: tuple[str, ...] = ()
    lab_relative_variance: float = math.nan  # error of a pair's lab mean; NaN where not known
    groupings: tuple[clusters.Codes, ...] = ()  # of the used pairs: what may make them alike
    decides: bool = False  # like strata, where there are any, are part of what is judged
    lab_error: LabError | None = None  # of one determination, where it is known

    @cached_property
    def used(self) -> pd.DataFrame:
        """The pairs that entered the statistics."""
        return self.pairs.loc[self.pairs["used"].astype(bool)]

    @property
    def effective(self) -> float:
        """So many independent pairs would know the bias as well as the used ones."""
        found = self.statistics.further.get(Further.CLUSTERS)
        own = float(self.statistics.n_used) if found is None else found.effective
        return own / self.like[1]

    @property
    def like(self) -> tuple[float, float]:
        """Shift of the bias, and share of its variance, beside like strata; (0, 1) without."""
        found = self.statistics.further.get(Further.PARTLY_POOLED) if self.decides else None
        if found is None or not found.gain > found.own.n:
            return 0.0, 1.0
        return found.shift, found.own.n / found.gain


@dataclass(frozen=True, slots=True)
class DisplayUnit:
    """The reader's unit of one element."""

    name: str
    per_mg_kg: float


def unit_of(stratum: Stratum, settings: Settings) -> DisplayUnit:
    """The unit that the settings ask for, else mg/kg."""
    element = settings.of(stratum.element, stratum.matrix)
    name = element.unit if element else "mg/kg"
    return DisplayUnit(name, display_factor(name))


def levels_of(stratum: Stratum, settings: Settings) -> tuple[tuple[str, float], ...]:
    """Decision levels of the element: name and mg/kg."""
    element = settings.of(stratum.element, stratum.matrix)
    if element is None:
        return ()
    factor = display_factor(element.unit)
    return tuple((level.name, level.value / factor) for level in element.levels)


def lab_errors(duplicates: pd.DataFrame, errors: ErrorSettings) -> dict[tuple[str, str], LabError]:
    """Error of a lab determination per (element, lab method), from duplicates.

    ``duplicates`` as from ``eligibility.lab_duplicates``. Where ``errors.lab_rsd`` is set it
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


def evaluate(
    stratum: Stratum,
    pairs: pd.DataFrame,
    lab_error: LabError | None,
    settings: Settings,
    shown: bool = True,
) -> Evaluated:
    """Compute everything for one stratum from its pair table (model.PAIR_COLUMNS).

    ``shown``: with the results that are only shown; of these a decision takes the data-quality
    level alone, and the rest grows with the pairs.
    """
    t = settings.thresholds
    level = t.confidence
    used = pairs.loc[pairs["used"].astype(bool)]
    lab = used["lab_mean"].to_numpy("float64")
    field = used["field_mean"].to_numpy("float64")
    positive = bool(len(lab)) and bool(np.all(lab > 0) and np.all(field > 0))
    element = settings.of(stratum.element, stratum.matrix)
    margin = (element.margin if element else None) or t.bias_margin

    relative_field, absolute_field, freedom = _field_error(used, settings.errors)
    replicates = further.replicate_structure(used, level)
    scale, scale_rule = difference_scale(lab, field, replicates)
    by_level = scale == "log ratio"
    errors = _point_errors(used, replicates, scale, lab_error)
    york = further.york_line(lab, field, errors, level) if errors and positive else None
    model = error_model.error_model(
        lab, field, _of_laboratory(used, lab_error, scale),
        Known(relative_field if by_level else absolute_field, freedom),
        "proportional" if by_level else "constant", level,
        split_known=lab_error is not None and _splits_known(lab_error),
    )  # fmt: skip
    ratio, source = model.lam, _ratio_source(model, lab_error, used)
    lam = ratio.value if model.usable else math.nan
    # the line of the model, whose interval knows that λ was estimated, where there is one
    own = {"weighted deming" if by_level else "deming": model.line} if model.usable else {}
    fits = {
        "ols": lines.ols(lab, field, level, "any" if by_level else "constant"),
        "deming": own.get("deming") or lines.deming(lab, field, lam, level=level),
        "weighted deming": own.get("weighted deming")
        or lines.weighted_deming(lab, field, lam, level=level),
        "passing-bablok": lines.passing_bablok(lab, field, level),
    }
    if by_level:
        fits["deming"] = _without_interval(fits["deming"])
    if york is not None:
        fits["york"] = york
    mixed = replicates.structure == "mixed"
    headline = lines.choose_headline(
        structure="mixed" if mixed else "constant CV" if by_level else "constant SD",
        lam=lam,
        n=len(lab),
        point_uncertainties=york is not None and not york.reason,
        lab_error_sd=_lab_error_sd(used, lab_error),
        lab_sd=float(np.std(lab, ddof=1)) if len(lab) >= 2 else math.nan,
        most_lab_error=t.lab_error_ratio_flag,
    )
    best = fits.get(headline.method, fits["passing-bablok"])
    log_line, log_r2 = _log_line(lab, field, positive, level)
    statistics = StratumStatistics(
        n_pairs=len(pairs),
        n_used=len(used),
        n_excluded=int((~_censor_only(pairs) & ~pairs["used"].astype(bool)).sum()),
        censored=_censored(pairs),
        lab_range=_range(lab),
        field_range=_range(field),
        bias=Bias(
            mean_difference=bias.mean_difference(lab, field, level),
            geometric_mean_ratio=bias.geometric_mean_ratio(lab, field, level),
            equivalence=bias.equivalence_ratio(lab, field, margin, t.equivalence_alpha),
            censored_ratio=_censored_ratio(pairs, level),
        ),
        agreement=Agreement(
            limits_absolute=agreement.limits_of_agreement(lab, field, "absolute", level),
            limits_relative=agreement.limits_of_agreement(lab, field, "relative", level),
            limits_log_ratio=agreement.limits_of_agreement(lab, field, "log ratio", level),
            concordance=agreement.concordance(lab, field, level),
            correlation=agreement.correlation(lab, field, level),
            share_margin=t.share_margin,
        ),
        fits=Fits(
            ols=fits["ols"],
            log=log_line,
            log_r_squared=log_r2,
            deming=fits["deming"],
            weighted_deming=fits["weighted deming"],
            passing_bablok=fits["passing-bablok"],
            lab_on_field=lines.ols(field, lab, level, "any" if by_level else "constant"),
        ),
        error_ratio=ratio,
        error_ratio_source=source,
        headline=headline,
        headline_line=best,
        difference_scale=scale,
        levels=_levels(stratum, pairs, lab, best, settings),
        point_errors=errors,
        error_model=model,
        computed=registry.compute(Studied(used, lab, field, level, t.share_margin)),
    )

    def refit(x: Array, y: Array) -> lines.Line:
        return headline_line(statistics, x, y, level)

    found = (
        _further(pairs, used, statistics, replicates, york, refit, stratum.element, level)
        if shown
        else tuple(further.quality_level(used, statistics, stratum.element))
    )
    groupings = clusters.groupings(used, settings.pairs)
    together = judged(np.log(field / lab) if by_level else field - lab, groupings, level=level)
    if together is not None:
        found = (*found, (Further.CLUSTERS, together))
    statistics = replace(
        statistics, further=statistics.further.having((Further.ERROR_MODEL, model), *found)
    )
    return Evaluated(
        pairs, statistics, thirds(lab), margin, _notes(stratum, pairs, statistics, scale_rule),
        lab_relative_variance(used, lab_error), groupings, lab_error=lab_error,
    )  # fmt: skip


def with_further(e: Evaluated, *found: further.Item) -> Evaluated:
    """The same with further results."""
    return replace(e, statistics=replace(e.statistics, further=e.statistics.further.having(*found)))


def with_three_methods(
    evaluated: tuple[tuple[Stratum, Evaluated], ...],
    errors: Mapping[tuple[str, str], LabError],
    settings: Settings,
) -> tuple[tuple[Stratum, Evaluated], ...]:
    """Adds the errors of LIBS, XRF and laboratory where all three met on the same samples."""
    sides = []
    for stratum, e in evaluated:
        error, used = lab_error_of(errors, stratum), e.used
        variance = lab_relative_variance(used, error)
        sides.append(further.Side(stratum, used, e.statistics.difference_scale, variance))
    found = further.three_methods(sides, settings.thresholds.confidence)
    return tuple(
        (stratum, with_further(e, (Further.THREE_METHODS, found[stratum.key])))
        if stratum.key in found
        else (stratum, e)
        for stratum, e in evaluated
    )


def structural_lines(
    statistics: StratumStatistics, lab: Array, field: Array, present: lines.Booleans
) -> tuple[Array, Array]:
    """Intercepts and slopes of the headline method for parts of these pairs, shape (rows,).

    ``present``: which pairs each part has, shape (rows, n). The ratio of error variances is
    found again from each part: nothing of the other pairs enters.
    """
    method = statistics.headline.method
    if method in ("deming", "weighted deming") and statistics.error_model is not None:
        return error_model.refitted_points(statistics.error_model, lab, field, present)[:2]
    if method == "york" and statistics.point_errors is not None:
        return further.york_lines(lab, field, statistics.point_errors, present)
    found = [lines.passing_bablok(lab[part], field[part], interval=False) for part in present]
    return (
        np.array([line.intercept.value for line in found]),
        np.array([line.slope.value for line in found]),
    )


def headline_line(
    statistics: StratumStatistics, lab: Array, field: Array, level: float
) -> lines.Line:
    """The headline method, with intervals, fitted to other pairs of the same stratum."""
    method = statistics.headline.method
    if method in ("deming", "weighted deming") and statistics.error_model is not None:
        return error_model.refitted(statistics.error_model, lab, field, level).line
    if method == "york" and statistics.point_errors is not None:
        return further.york_line(lab, field, statistics.point_errors, level)
    return lines.passing_bablok(lab, field, level)


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
    from scipy import stats

    rank = agreement.correlation((lab + field) / 2, np.abs(field - lab)).spearman
    n = len(lab)
    with np.errstate(divide="ignore"):
        t = rank * math.sqrt((n - 2) / max(1 - rank * rank, 1e-12))
    return bool(rank > 0 and stats.t.sf(t, n - 2) < 0.05)


def near_pairs(lab_error: LabError, used: pd.DataFrame) -> LabError:
    """The lab's error from duplicates at the levels of these pairs."""
    lab = used["lab_mean"]
    return lab_error.near(float(lab.min()) / _NEAR, float(lab.max()) * _NEAR)


def _lab_replicates(used: pd.DataFrame) -> float:
    return max(float(used["lab_n"].mean()), 1.0) if len(used) else 1.0


def lab_relative_variance(used: pd.DataFrame, lab_error: LabError | None) -> float:
    """Relative error variance of a pair's lab mean; NaN where not known."""
    if lab_error is None or not len(used):
        return math.nan
    return near_pairs(lab_error, used).of_pair(_lab_replicates(used))


def _point_errors(
    used: pd.DataFrame, replicates: lines.ErrorStructure, scale: str, lab_error: LabError | None
) -> PointErrors | None:
    if lab_error is None or not len(used):
        return None
    near = near_pairs(lab_error, used)
    relative = math.sqrt(near.of_pair(_lab_replicates(used)))
    middle = float(used["lab_mean"].median())
    return further.point_errors(replicates, scale, relative, middle, near.source)


def _lab_error_sd(used: pd.DataFrame, lab_error: LabError | None) -> float:
    """Error SD of the lab over these pairs, mg/kg (root mean square); NaN where unknown."""
    if lab_error is None or not len(used):
        return math.nan
    square = float(np.mean(used["lab_mean"].to_numpy("float64") ** 2))
    relative = near_pairs(lab_error, used).of_pair(_lab_replicates(used))
    return math.sqrt(relative * square)


def _field_error(used: pd.DataFrame, errors: ErrorSettings) -> tuple[float, float, float]:
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


def _splits_known(error: LabError) -> bool:
    return error.of_splits or error.splits is not None


def _of_laboratory(used: pd.DataFrame, lab_error: LabError | None, scale: str) -> Known:
    """Variance of a pair's laboratory value on the scale of the page, with its freedom."""
    if lab_error is None or not len(used):
        return error_model.UNKNOWN
    near = near_pairs(lab_error, used)
    variance = near.of_pair(_lab_replicates(used))
    if scale == "absolute":
        variance *= float(used["lab_mean"].median()) ** 2
    least = min(
        near.degrees_of_freedom, near.splits.degrees_of_freedom if near.splits else math.inf
    )
    return Known(variance, least)


def _ratio_source(model: ErrorModel, lab_error: LabError | None, used: pd.DataFrame) -> str:
    if lab_error is None:
        return "not known: no laboratory duplicates and no stated laboratory error"
    if not model.usable:
        return f"not known: {model.reason or model.line.reason}"
    near = near_pairs(lab_error, used)
    sources = [near.source, *([near.splits.source] if near.splits is not None else [])]
    return f"scatter of the pairs about the line against {' and '.join(sources)}"


#: Plain Deming over three decades: its 95 % interval of the slope held in 80 to 91 % of studies.
_NO_INTERVAL = "no interval is claimed, as the errors grow with the level"


def _without_interval(line: lines.Line) -> lines.Line:
    """The same line as a point: where errors grow with the level its interval falls short."""
    bare = [
        replace(e, se=math.nan, low=math.nan, high=math.nan, reason=_NO_INTERVAL)
        if e.estimable
        else e
        for e in (line.intercept, line.slope)
    ]
    return replace(line, intercept=bare[0], slope=bare[1], covariance=lines.NO_COVARIANCE)


def _log_line(lab: Array, field: Array, positive: bool, level: float) -> tuple[lines.Line, float]:
    if not positive:
        empty = np.array([], dtype=np.float64)
        return lines.ols(empty, empty, level), math.nan
    x, y = np.log10(lab), np.log10(field)
    return lines.ols(x, y, level), agreement.correlation(x, y, level).r_squared


def _levels(
    stratum: Stratum, pairs: pd.DataFrame, lab: Array, line: lines.Line, settings: Settings
) -> tuple[LevelBias, ...]:
    """Bias and wrong calls; a censored result counts where its limit leaves no doubt."""
    found = []
    columns = ["lab_low", "lab_high", "field_low", "field_high"]
    eligible = _eligible(pairs)[columns].to_numpy("float64")
    lab_low, lab_high, field_low, field_high = eligible[~np.isnan(eligible).any(axis=1)].T
    element = settings.of(stratum.element, stratum.matrix)
    sides = [level.acts for level in element.levels] if element else []
    for (name, value), acts in zip(levels_of(stratum, settings), sides, strict=True):
        table = decisions.decision_table_censored(
            lab_low, lab_high, field_low, field_high, value, settings.thresholds.confidence
        )
        inside = bool(len(lab)) and lab.min() <= value <= lab.max()
        at = (
            bias.bias_at(line, value)
            if inside
            else not_estimable(len(lab), "the level lies outside the range of the pairs")
        )
        found.append(
            LevelBias(
                value, name, at, table.lab_above, table.field_above,
                table.false_negative, table.false_positive, acts,
            )
        )  # fmt: skip
    return tuple(found)


def _censor_only(pairs: pd.DataFrame) -> pd.Series:
    return pairs["reason_code"].isin(CENSORED)


def _eligible(pairs: pd.DataFrame) -> pd.DataFrame:
    """Used pairs and those that only a limit keeps out."""
    return pairs.loc[pairs["used"].astype(bool) | _censor_only(pairs)]


def _censored_ratio(pairs: pd.DataFrame, level: float) -> Estimate | None:
    """Bias with censored pairs kept, where there are any (maximum likelihood)."""
    eligible = _eligible(pairs)
    if not _censor_only(eligible).any():
        return None
    bounds = eligible[["lab_low", "lab_high", "field_low", "field_high"]].to_numpy("float64")
    bounds = bounds[~np.isnan(bounds).any(axis=1)]
    lab_low, lab_high, field_low, field_high = bounds.T
    return censoring.censored_log_ratio_bias(
        lab_low, lab_high, field_low, field_high, level=level
    ).ratio


def _censored(pairs: pd.DataFrame) -> Censored:
    field, lab = pairs["field_qualifier"].ne(""), pairs["lab_qualifier"].ne("")
    return Censored(int(field.sum()), int(lab.sum()), int((field & lab).sum()))


def _further(
    pairs: pd.DataFrame,
    used: pd.DataFrame,
    s: StratumStatistics,
    replicates: lines.ErrorStructure,
    york: lines.Line | None,
    refit: Callable[[Array, Array], lines.Line],
    element: str,
    level: float,
) -> tuple[further.Item, ...]:
    found: list[further.Item] = []
    found += _put_back(pairs, len(used), level)
    seen = None

    def slopes(present: lines.Booleans) -> Array:
        lab, field = (used[f"{side}_mean"].to_numpy("float64") for side in ("lab", "field"))
        return structural_lines(s, lab, field, present)[1]

    if len(used) >= 3:
        seen = lines.diagnostics(
            used["lab_mean"].to_numpy("float64"),
            used["field_mean"].to_numpy("float64"),
            s.headline_line,
            refit if s.headline.method == "york" else None,
            slopes if s.headline.method == "york" else None,
        )
        found.append((Further.DIAGNOSTICS, seen))
    found += further.of_pairs(used, s, replicates, york, seen, refit, level)
    found += further.quality_level(used, s, element)
    eligible = _eligible(pairs)
    if len(eligible):
        found.append(
            (
                Further.DETECTION,
                censoring.detect_table(
                    eligible["lab_qualifier"].ne("<").to_numpy(),
                    eligible["field_qualifier"].ne("<").to_numpy(),
                ),
            )
        )
    found += further.of_censored(eligible, level)
    return tuple(found)


#: What may be put back, and the reasons of those pairs.
_PUT_BACK: tuple[tuple[Key[Estimate], frozenset[str]], ...] = (
    (
        Further.BATCHES_BACK,
        frozenset({Exclusion.BATCH_FAILED, Exclusion.OPEN_TO_CONTAMINATION}),
    ),
    (Further.CUSTODY_BACK, frozenset({Exclusion.CUSTODY_BROKEN})),
    (Further.ALL_BACK, frozenset(Exclusion) - {Exclusion.REPEATED}),
)


def _put_back(pairs: pd.DataFrame, used: int, level: float) -> list[further.Item]:
    """The geometric mean ratio with pairs put back that a reason keeps out; only where any is."""
    both = pairs.loc[pairs["lab_mean"].notna() & pairs["field_mean"].notna()]
    found: list[further.Item] = []
    for key, codes in _PUT_BACK:
        taken = both.loc[both["used"].astype(bool) | both["reason_code"].isin(codes)]
        if len(taken) > used:
            ratio = bias.geometric_mean_ratio(
                taken["lab_mean"].to_numpy("float64"),
                taken["field_mean"].to_numpy("float64"),
                level,
            )
            found.append((key, ratio))
    return found


def _range(values: Array) -> tuple[float, float]:
    return (float(values.min()), float(values.max())) if len(values) else (math.nan, math.nan)


def _plain(ratio: float) -> str:
    """Two digits without a power of ten; what no measurement tells apart is not spelt out."""
    if ratio >= 1000:
        return "above 1000"
    if ratio < 0.001:
        return "below 0.001"
    return f"{float(f'{ratio:.2g}'):.6f}".rstrip("0").rstrip(".")


def thirds(lab: Array) -> tuple[int, int, int]:
    """Used pairs in each third of the range (of the logarithms above one order of magnitude)."""
    if len(lab) < 2 or np.ptp(lab) == 0:
        return (len(lab), 0, 0)
    scale = np.log(lab) if lab.min() > 0 and lab.max() > 10 * lab.min() else lab
    edges = np.linspace(scale.min(), scale.max(), 4)
    first, second, third = np.histogram(scale, edges)[0]
    return int(first), int(second), int(third)


def _notes(
    stratum: Stratum, pairs: pd.DataFrame, s: StratumStatistics, scale_rule: str
) -> tuple[str, ...]:
    notes = [f"The page leads with {scale_rule}."]
    if stratum.digestion_class == "partial":
        notes.append(
            "The laboratory's digestion is partial: it leaves part of the element undissolved, so "
            "laboratory results below field results are expected and are no calibration fault of "
            "the field instrument. Any factor is to that basis, not to the total."
        )
    if stratum.moisture.differs:
        notes.append(
            f"The two sides do not share a moisture basis ({stratum.moisture_basis}); nothing was "
            "recalculated."
        )
    if "re_assay" in pairs and (stood_in := int(pairs["re_assay"].sum())) > 0:
        notes.append(
            f"{stood_in} laboratory {'value is' if stood_in == 1 else 'values are'} re-assays of "
            "results above the range of this method; the pair table names both."
        )
    if (partly := int(pairs["field_qualifier"].eq("~").sum())) > 0:
        notes.append(
            f"In {partly} {'sample' if partly == 1 else 'samples'} only some shots were above "
            "their limit; the mean is known between two bounds and is treated as censored."
        )
    used = pairs.loc[pairs["used"].astype(bool)]
    no_ratio = int((used[["field_mean", "lab_mean"]] <= 0).any(axis=1).sum())
    if no_ratio:
        notes.append(
            f"{no_ratio} of {len(used)} pairs {'has' if no_ratio == 1 else 'have'} a result of "
            "zero or below, and so no ratio: differences speak of all pairs, ratios of none."
        )
    broken = int(pairs["custody"].eq("broken").sum())
    if broken:
        notes.append(
            f"Custody of {broken} {'sample' if broken == 1 else 'samples'} is broken; left out, "
            "and shown with and without."
        )
    if s.error_ratio.estimable:
        notes.append(
            f"Ratio of error variances, field to laboratory: {_plain(s.error_ratio.value)} "
            f"({s.error_ratio_source})."
        )
    else:
        notes.append(f"Ratio of error variances {s.error_ratio_source}; it is never assumed.")
    return tuple(notes)


def adjust_p_values(
    evaluated: tuple[tuple[Stratum, Evaluated], ...],
) -> tuple[tuple[Stratum, Evaluated], ...]:
    """Benjamini-Hochberg adjusted p values of 'no bias' over all strata of the period."""
    from scipy import stats

    raw = []
    for _, e in evaluated:
        used = e.used
        lab = used["lab_mean"].to_numpy("float64")
        field = used["field_mean"].to_numpy("float64")
        difference = (
            np.log(field / lab) if e.statistics.difference_scale == "log ratio" else field - lab
        )
        n = len(difference)
        sd = float(np.std(difference, ddof=1)) if n >= 2 else 0.0
        raw.append(
            2 * float(stats.t.sf(abs(float(np.mean(difference))) / sd * math.sqrt(n), n - 1))
            if sd > 0
            else math.nan
        )
    p = np.array(raw, dtype=np.float64)
    known = np.isfinite(p)
    adjusted = np.full(len(p), np.nan)
    if known.any():
        adjusted[known] = decisions.benjamini_hochberg(p[known])
    return tuple(
        (stratum, _with_p_values(e, float(single), float(q)))
        for (stratum, e), single, q in zip(evaluated, p, adjusted, strict=True)
    )


def _with_p_values(e: Evaluated, single: float, adjusted: float) -> Evaluated:
    found = replace(e.statistics.bias, p_value=single, p_value_adjusted=adjusted)
    return replace(e, statistics=replace(e.statistics, bias=found))
