"""The figures of one stratum, computed from its pairs."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from reconcile.base.model.figures import (
    Agreement,
    Bias,
    Censored,
    Fits,
    StratumStatistics,
)
from reconcile.base.model.further import Further
from reconcile.base.model.stratum import Stratum
from reconcile.base.settings.whole import Settings
from reconcile.figures import further, registry
from reconcile.figures.definition import Array, Studied
from reconcile.figures.laboratory_error import (
    LabError,
    lab_error_of,
    lab_error_sd,
    lab_relative_variance,
    splits_known,
)
from reconcile.figures.pair_errors import (
    difference_scale,
    field_error,
    line_of_logs,
    of_laboratory,
    point_errors,
    ratio_source,
    without_interval,
)
from reconcile.figures.put_back import censor_only, censored_ratio, put_back, that_may_count
from reconcile.figures.shown_notes import notes
from reconcile.figures.shown_unit import levels
from reconcile.pairs import clusters
from reconcile.statistics import agreement, bias, censoring, decisions, error_model, lines
from reconcile.statistics.clusters import judged
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.error_model import Known
from reconcile.statistics.rank_parts import passing_bablok_of_parts

T = TypeVar("T")


@equal_with_nan
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
    _kept: dict[str, tuple[tuple[object, ...], Any]] = field(
        default_factory=dict, repr=False, compare=False
    )

    def once(self, what: str, of: tuple[object, ...], make: Callable[[], T]) -> T:
        """What ``make`` gives, made once for the very objects ``of``.

        A value with further results, as ``replace`` makes it, still has what was made.
        """
        before = self._kept.get(what)
        if before is None or any(a is not b for a, b in zip(before[0], of, strict=True)):
            before = self._kept[what] = of, make()
        found: T = before[1]
        return found

    @property
    def used(self) -> pd.DataFrame:
        """The pairs that entered the statistics."""
        pairs = self.pairs
        return self.once("used", (pairs,), lambda: pairs.loc[pairs["used"].to_numpy(bool)])

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


def evaluate(
    stratum: Stratum,
    pairs: pd.DataFrame,
    lab_error: LabError | None,
    settings: Settings,
    shown: bool = True,
) -> Evaluated:
    """Compute everything for one stratum from its pair table (PAIR_COLUMNS).

    ``shown``: with the results that are only shown; of these a decision takes the data-quality
    level alone, and the rest grows with the pairs.
    """
    t = settings.thresholds
    level = t.confidence
    used = pairs.loc[pairs["used"].to_numpy(bool)]
    lab, field = (used[name].to_numpy("float64") for name in ("lab_mean", "field_mean"))
    positive = bool(len(lab)) and bool(np.all(lab > 0) and np.all(field > 0))
    element = settings.of(stratum.element, stratum.matrix)
    margin = (element.margin if element else None) or t.bias_margin

    relative_field, absolute_field, freedom = field_error(used, settings.errors)
    replicates = further.replicate_structure(used, level)
    scale, scale_rule = difference_scale(lab, field, replicates)
    by_level = scale == "log ratio"
    errors = point_errors(used, replicates, scale, lab_error)
    york = further.york_line(lab, field, errors, level) if errors and positive else None
    model = error_model.error_model(
        lab, field, of_laboratory(used, lab_error, scale),
        Known(relative_field if by_level else absolute_field, freedom),
        "proportional" if by_level else "constant", level,
        split_known=lab_error is not None and splits_known(lab_error),
    )  # fmt: skip
    ratio, source = model.lam, ratio_source(model, lab_error, used)
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
        fits["deming"] = without_interval(fits["deming"])
    if york is not None:
        fits["york"] = york
    mixed = replicates.structure == "mixed"
    headline = lines.choose_headline(
        structure="mixed" if mixed else "constant CV" if by_level else "constant SD",
        lam=lam,
        n=len(lab),
        point_uncertainties=york is not None and not york.reason,
        lab_error_sd=lab_error_sd(used, lab_error),
        lab_sd=float(np.std(lab, ddof=1)) if len(lab) >= 2 else math.nan,
        most_lab_error=t.lab_error_ratio_flag,
    )
    best = fits.get(headline.method, fits["passing-bablok"])
    log_line, log_r2 = line_of_logs(lab, field, positive, level)
    statistics = StratumStatistics(
        n_pairs=len(pairs),
        n_used=len(used),
        n_excluded=int((~censor_only(pairs) & ~pairs["used"].to_numpy(bool)).sum()),
        censored=_censored(pairs),
        lab_range=_range(lab),
        field_range=_range(field),
        bias=Bias(
            mean_difference=bias.mean_difference(lab, field, level),
            geometric_mean_ratio=bias.geometric_mean_ratio(lab, field, level),
            equivalence=bias.equivalence_ratio(lab, field, margin, t.equivalence_alpha),
            censored_ratio=censored_ratio(pairs, level) if shown else None,
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
        levels=levels(stratum, pairs, lab, best, settings),
        point_errors=errors,
        error_model=model,
        computed=registry.compute(Studied(used, lab, field, level, t.share_margin))
        if shown
        else {},
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
    made = Evaluated(
        pairs, statistics, thirds(lab), margin, notes(stratum, pairs, statistics, scale_rule),
        lab_relative_variance(used, lab_error), groupings, lab_error=lab_error,
    )  # fmt: skip
    made.once("used", (pairs,), lambda: used)
    return made


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
    return passing_bablok_of_parts(lab, field, present)


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


def _censored(pairs: pd.DataFrame) -> Censored:
    field, lab = (
        np.array([mark != "" for mark in pairs[f"{side}_qualifier"].tolist()], dtype=np.bool_)
        for side in ("field", "lab")
    )
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
    found += put_back(pairs, len(used), level)
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
    eligible = that_may_count(pairs)
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


def _range(values: Array) -> tuple[float, float]:
    return (float(values.min()), float(values.max())) if len(values) else (math.nan, math.nan)


def thirds(lab: Array) -> tuple[int, int, int]:
    """Used pairs in each third of the range (of the logarithms above one order of magnitude)."""
    if len(lab) < 2 or np.ptp(lab) == 0:
        return (len(lab), 0, 0)
    scale = np.log(lab) if lab.min() > 0 and lab.max() > 10 * lab.min() else lab
    edges = np.linspace(scale.min(), scale.max(), 4)
    first, second, third = np.histogram(scale, edges)[0]
    return int(first), int(second), int(third)


def adjust_p_values(
    evaluated: tuple[tuple[Stratum, Evaluated], ...],
) -> tuple[tuple[Stratum, Evaluated], ...]:
    """Benjamini-Hochberg adjusted p values of 'no bias' over all strata of the period."""
    from reconcile.statistics import distributions as stats

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
