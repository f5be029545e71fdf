"""A month's results for a notebook: tables as pandas frames, an element's figure as SVG.

The columns are those of the release's CSV files (``reporting.render.tables``), the values as
numbers, not as text; mass fractions are in mg/kg where the heading says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

from reconcile.base.errors import ReconcileError
from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.nearest import meant
from reconcile.reporting import words
from reconcile.reporting.plots.kinds import Kind
from reconcile.reporting.plots.stratum import difference_plot_of, method_plot_of, trend_plot_of
from reconcile.reporting.plots.svg import svg
from reconcile.reporting.render import tables
from reconcile.run.pipeline import RunOutcome

_SVG = 'xmlns="http://www.w3.org/2000/svg" '


@dataclass(frozen=True, slots=True)
class Figure:
    """One drawing; a notebook shows it by itself."""

    title: str
    svg: str

    def _repr_svg_(self) -> str:
        return self.svg


def _of(of: RunOutcome | Reconciliation) -> Reconciliation:
    return of if isinstance(of, Reconciliation) else of.reconciliation


def pair_frame(of: RunOutcome | Reconciliation) -> pd.DataFrame:
    """Every pair of every stratum, used or not; one row each.

    Columns of ``pairs.csv``: stratum, sample, both means with their standard errors (mg/kg),
    limits, custody, whether it is used and why not.
    """
    r = _of(of)
    columns = tables.pair_columns(r)
    frames = [result.pairs.reindex(columns=columns) for result in r.results if len(result.pairs)]
    whole = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)
    return whole.rename(columns=tables.pair_heading)


def statistic_frame(of: RunOutcome | Reconciliation) -> pd.DataFrame:
    """Every figure of every stratum: value, interval, standard error, unit, n, confidence, method.

    Columns of ``statistics.csv``; NaN with a ``reason`` where a figure can't be given.
    """
    r = _of(of)
    return pd.DataFrame(tables.statistic_rows(r), columns=list(tables.STATISTIC_COLUMNS))


def verdict_frame(of: RunOutcome | Reconciliation) -> pd.DataFrame:
    """What may be done with field-only results, one row per stratum; columns of ``verdicts.csv``.

    A verdict supports, and does not replace, the judgement of a competent person.
    """
    r = _of(of)
    return pd.DataFrame(tables.verdict_rows(r), columns=list(tables.VERDICT_COLUMNS))


def factor_frame(of: RunOutcome | Reconciliation) -> pd.DataFrame:
    """The correction factors of the month, one row each; columns of ``factors.csv``."""
    r = _of(of)
    return pd.DataFrame(tables.factor_rows(r), columns=list(tables.FACTOR_COLUMNS))


def element_figure(
    of: RunOutcome | Reconciliation,
    element: str,
    *,
    technique: str = "",
    material: str = "",
    kind: Literal["methods", "differences", "months"] = "methods",
) -> Figure:
    """The figure of an element: field against laboratory, their differences, or the months.

    ``technique`` (LIBS, XRF) and ``material`` choose among several strata of the element.
    Raises ReconcileError where no stratum is meant, or more than one, or nothing can be drawn.
    """
    r = _of(of)
    result = _meant(r, element, technique, material)
    plots: dict[str, tuple[str, Any]] = {
        "methods": (words.PLOT_METHODS, method_plot_of),
        "differences": (words.PLOT_RATIO, difference_plot_of),
        "months": (words.PLOT_TREND, lambda x: trend_plot_of(r, x)),
    }
    if kind not in plots:
        raise ReconcileError(f"'{kind}' is no kind of figure.", f"Use one of: {', '.join(plots)}.")
    title, draw = plots[kind]
    plot: Kind | None = draw(result)
    if plot is None:
        raise ReconcileError(
            f"There is nothing to draw of {result.stratum.label} as '{kind}'.",
            "Use another kind of figure.",
        )
    if kind == "differences" and not getattr(plot, "ratio", True):
        title = words.PLOT_DIFFERENCE
    title = f"{title}: {result.stratum.label}"
    return Figure(title, svg(plot, title).replace("<svg", f"<svg {_SVG.rstrip()}", 1))


def _meant(r: Reconciliation, element: str, technique: str, material: str) -> StratumResult:
    """The one stratum that is meant."""
    of_element = [x for x in r.results if x.stratum.element == element]
    if not of_element:
        known = list(dict.fromkeys(x.stratum.element for x in r.results))
        raise ReconcileError(
            f"{r.period} has no results of '{element}'{meant(element, known)}.",
            f"It has {', '.join(known) or 'none'}.",
        )
    found = [
        x
        for x in of_element
        if technique in ("", x.stratum.technique) and material in ("", x.stratum.matrix)
    ]
    if len(found) == 1:
        return found[0]
    labels = "; ".join(x.stratum.label for x in of_element)
    raise ReconcileError(
        f"{len(found)} comparisons of {element} are meant by this.",
        f"Name technique and material of one of: {labels}.",
    )
