"""What plots show: marks, lines, rules and levels in the reader's units, for every medium."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.base.model.controls import ControlChart

Array = NDArray[np.float64]

#: Marks in the order in which they are drawn (later ones on top).
MARKS = (
    "excluded",
    "above",
    "field_below",
    "lab_below",
    "both_below",
    "partial",
    "used",
    "corrected",
)


@dataclass(frozen=True, slots=True)
class Points:
    """Marks of one kind, in the axes' units."""

    kind: str  # one of MARKS
    label: str
    x: Array
    y: Array
    y_high: Array | None = None  # upper end where the value is only bounded ("partial")
    names: tuple[str, ...] = ()  # of each mark, for reading on a screen


@dataclass(frozen=True, slots=True)
class Curve:
    """A line through points; ``low`` and ``high`` bound its interval where known."""

    label: str
    x: Array
    y: Array
    low: Array | None = None
    high: Array | None = None
    band_label: str = ""


@dataclass(frozen=True, slots=True)
class Level:
    """A named value drawn as a rule."""

    name: str
    value: float


@dataclass(frozen=True, slots=True)
class Rule:
    """A horizontal rule with the interval of its place, its number and its name."""

    value: float
    low: float
    high: float
    text: str
    name: str
    bold: bool = False


@dataclass(frozen=True, slots=True)
class MethodPlot:
    """Field (y) against laboratory (x)."""

    points: tuple[Points, ...]
    fit: Curve | None
    levels: tuple[Level, ...]
    x_title: str
    y_title: str
    one_label: str
    level_label: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class DifferencePlot:
    """Difference or ratio (y) against level (x)."""

    points: tuple[Points, ...]
    rules: tuple[Rule, ...]
    reference: float  # 0 for differences, 1 for ratios
    ratio: bool
    x_title: str
    y_title: str
    note: str = ""
    #: Both ends of what was agreed for the bias, and for the spread; of differences as shares
    #: of the level, so that they are lines through the origin.
    margin: tuple[float, ...] = ()
    span: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Strip:
    """One mark of a strip plot: its category's place, its value, its kind, its half."""

    place: int
    value: float
    kind: str  # "field", "lab" or "failed"
    right: bool  # drawn in the right half of the category
    name: str = ""
    n: int = 0


@dataclass(frozen=True, slots=True)
class StripPlot:
    """Positive values by category on a logarithmic scale about 1."""

    categories: tuple[str, ...]
    marks: tuple[Strip, ...]
    y_title: str
    legend: dict[str, str]


@dataclass(frozen=True, slots=True)
class TrendPlot:
    """A ratio by period with its interval; NaN where there is none."""

    periods: tuple[str, ...]
    values: Array
    low: Array
    high: Array
    counts: tuple[int, ...]
    y_title: str
    rule: float = 1.0  # where a dashed line stands
    bounds: tuple[float, ...] = ()  # where dotted lines stand
    apart: int = 0  # so many of the last stand apart from the others
    reach: tuple[float, ...] = ()  # values that the axis must hold, to share a scale with others


@dataclass(frozen=True, slots=True)
class ChancePlot:
    """Chance of a wrong call (y, 0 to 1) by true value (x), below and above one level."""

    branches: tuple[Curve, Curve]  # ``high`` holds the upper confidence bound
    level: Level
    x_title: str
    y_title: str


@dataclass(frozen=True, slots=True)
class ProfilePlot:
    """Contents (y) along a line on a part (x, mm), by role, with limits and U of each place."""

    points: tuple[Points, ...]
    low: Array  # ends of the interval of every place, in the order of x over all points
    high: Array
    at: Array
    levels: tuple[Level, ...]
    x_title: str
    y_title: str


@dataclass(frozen=True, slots=True)
class Spot:
    """One element's bias as a ratio, with its interval; NaN where there is none."""

    name: str
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class GlanceRow:
    """One line of the picture of a release: a stratum, or the elements of a method together."""

    name: str
    spots: tuple[Spot, ...]
    spread: tuple[float, float]  # within which single samples are expected, as ratios
    margin: tuple[float, float]  # agreed for the bias, as ratios
    evidence: str  # pairs and months
    changed: str = ""  # a sign where the verdict is another than in the release before
    anchor: str = ""


@dataclass(frozen=True, slots=True)
class GlanceGroup:
    """The strata of one verdict; ``verdict`` is its place in DECISIONS."""

    verdict: int
    title: str
    rows: tuple[GlanceRow, ...]


@dataclass(frozen=True, slots=True)
class Glance:
    """Every stratum of a release on one scale of ratios."""

    groups: tuple[GlanceGroup, ...]
    spans: tuple[float, ...]  # agreed factors of the spread
    x_title: str
    evidence_title: str
    none: str  # said where a row has no bias
    key: tuple[str, ...]  # what the lines mean
    goes_on: str  # heading of a group that goes on in the second column, around its title


@dataclass(frozen=True, slots=True)
class SiteSpot:
    """The bias of one site in one comparison, as ratios field/lab; NaN where it is not known."""

    site: str
    value: float
    low: float
    high: float
    apart: bool  # from its peers, after the false discovery rule
    told: str  # on a screen


@dataclass(frozen=True, slots=True)
class SiteColumn:
    """One comparison: what all sites say together, and each of them."""

    title: tuple[str, ...]
    mean: float  # ratio
    expected: tuple[float, float]  # of a further site
    spots: tuple[SiteSpot, ...]


@dataclass(frozen=True, slots=True)
class SitePlot:
    """Sites (rows) against comparisons (columns)."""

    sites: tuple[str, ...]
    columns: tuple[SiteColumn, ...]
    x_title: str


#: Every kind of plot.
Kind = (
    MethodPlot
    | DifferencePlot
    | StripPlot
    | TrendPlot
    | ChancePlot
    | ControlChart
    | ProfilePlot
    | Glance
    | SitePlot
)
