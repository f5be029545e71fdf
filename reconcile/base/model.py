"""The values that rooms hand to each other: plain, frozen, without behaviour beyond naming.

All mass fractions are in mg/kg unless a field says otherwise. Tables are pandas
DataFrames whose columns the constants below list; nothing here reads a file,
a clock or a setting.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import pandas as pd

from reconcile.base.finding_codes import BLOCKING, SETTLED_BY_PERSONS
from reconcile.base.methods import FieldMethod, LabMethod, Moisture, joined
from reconcile.base.registers import Registers
from reconcile.base.selection import SelectionRecord

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from reconcile.base.grades import ConformityRecord
    from reconcile.base.laboratories import BetweenLaboratories, GroupShifts
    from reconcile.statistics.agreement import (
        Concordance,
        Correlation,
        LevelLimits,
        LimitsOfAgreement,
    )
    from reconcile.statistics.bias import Equivalence
    from reconcile.statistics.censoring import (
        CensoredLine,
        DetectTable,
        KaplanMeier,
        OrderStatistics,
    )
    from reconcile.statistics.clusters import Clustered
    from reconcile.statistics.components import NestedVariance, ThreeMethods
    from reconcile.statistics.decisions import DataQualityLevel, InteractionTest, MethodCriteria
    from reconcile.statistics.error_model import ErrorModel
    from reconcile.statistics.level_limits import ReplicateLimits
    from reconcile.statistics.lines import Diagnostics, ErrorStructure, Headline, Line
    from reconcile.statistics.result import Estimate

T = TypeVar("T")

#: Columns of the pair table: one row per sample and stratum. ``field_low``/``field_high``
#: bound the field mean (equal to it where nothing is censored; 0 and the limit where all
#: shots are below it); the same for the lab. ``used`` is False with a ``reason`` where the
#: pair is left out of the statistics; such rows stay in the table.
PAIR_COLUMNS = (
    "stratum",  # Stratum.key
    "sample_id",
    "group",  # hole, batch or heat; "" where none
    "field_mean",  # mg/kg; NaN where censored, or where a zero of unstated meaning is in it
    "field_se",  # standard error of the mean from shots and spots; NaN where one shot
    "field_sd",  # SD of single shots (within spot) or readings
    "field_n",  # shots
    "field_spots",
    "field_qualifier",  # "", "<", ">", "~" (some shots below their limit)
    "field_low",
    "field_high",
    "lab_mean",
    "lab_se",
    "lab_n",
    "lab_qualifier",
    "lab_low",
    "lab_high",
    "field_time",  # UTC timestamp or NaT
    "lab_time",
    "certificate",  # tuple of numbers
    "custody",  # complete | deviation | broken | not recorded
    "used",
    "reason_code",  # reasons.Exclusion, why not used; "" where used
    "reason",  # the same in words
)

#: Columns of the exclusion table: whatever was read and understood but kept out of a statistic.
EXCLUSION_COLUMNS = ("kind", "sample_id", "element", "stratum", "reason", "evidence", "advice")

#: Columns of the quarantine table: whatever was read but could not be used.
QUARANTINE_COLUMNS = (
    "file",
    "sheet",
    "row",  # 1-based line in the file or row in the sheet
    "column",  # the heading, or "" for the whole row
    "found",
    "reason",
    "advice",
)


@dataclass(frozen=True, slots=True)
class Refused:
    """How much of a quarantine table is whole files, whole rows, and cells of other rows."""

    files: int
    rows: int
    cells: int


def refused_counts(quarantine: pd.DataFrame) -> Refused:
    """Count what was refused (QUARANTINE_COLUMNS); a row with several reasons counts once."""
    whole = quarantine["column"].fillna("").eq("")
    file = whole & quarantine["row"].eq(0)
    rows = quarantine.loc[whole & ~file, ["file", "sheet", "row"]].fillna("")
    return Refused(int(file.sum()), len(rows.drop_duplicates()), int((~whole).sum()))


#: Columns of the table of corrections: single cells that a person corrected.
CORRECTION_COLUMNS = (
    "file", "sheet", "row", "column", "found", "corrected_value", "corrected_by",
    "corrected_because", "entered_in", "outcome",
)  # fmt: skip


@dataclass(frozen=True)
class Stratum:
    """The set of pairs that one statistic speaks of."""

    element: str
    read_by: FieldMethod
    determined_by: LabMethod
    matrix: str
    specimen_form: str = ""
    moisture: Moisture = field(default_factory=Moisture)
    pair_type: str = ""
    digestion_class: str = ""  # partial, near-total, total or ""
    mark: str = field(default="", compare=False)
    """What tells it from strata of the same element, technique and matrix; see ``told_apart``."""

    @property
    def technique(self) -> str:
        """Of the field method: LIBS or XRF."""
        return self.read_by.technique

    @property
    def field_method(self) -> str:
        """The field's method as shown: technique · instrument serial · calibration."""
        return self.read_by.text

    @property
    def lab_method(self) -> str:
        """The laboratory's as shown: laboratory · technique · lab's method code · digestion."""
        return self.determined_by.text

    @property
    def laboratory(self) -> str:
        """Who determined; '' where no table says so."""
        return self.determined_by.laboratory

    @property
    def moisture_basis(self) -> str:
        """Both sides' moisture bases as shown."""
        return self.moisture.text

    @cached_property
    def key(self) -> str:
        """A stable identity, the same in every file of a release; nothing takes it apart."""
        return " | ".join(
            part or "-"
            for part in (
                self.element,
                self.field_method,
                self.lab_method,
                self.matrix,
                self.specimen_form,
                self.moisture_basis,
                self.pair_type,
            )
        )

    @property
    def label(self) -> str:
        """Short name for headings: element, field technique (and what sets it apart), matrix."""
        return joined(self.element, self.rest_of_label)

    @property
    def rest_of_label(self) -> str:
        """The short name without the element."""
        technique = " ".join(p for p in (self.technique, self.mark) if p)
        return joined(technique, self.matrix)


@dataclass(frozen=True, slots=True)
class ReadAs:
    """How the columns behind one side of a stratum were read."""

    species: frozenset[str] = frozenset()  # element or oxide, as the headings name it
    units: frozenset[str] = frozenset()
    isotopes: frozenset[int] = frozenset()  # mass numbers that the headings name
    recalculated: bool = False  # the program turned every one of them from oxide to element


@dataclass(frozen=True, slots=True)
class LevelBias:
    """Bias of the field method at one decision level, from the headline line."""

    level: float  # mg/kg
    name: str
    bias: Estimate  # mg/kg
    lab_above: int  # samples at or above the level by the lab
    field_above: int
    false_negative: Estimate  # field below while lab at or above; fraction of lab_above
    false_positive: Estimate  # field at or above while lab below; fraction of the rest
    acts: str = "at or above"  # or "below": then a false positive is the dangerous miss

    @property
    def missed(self) -> Estimate:
        """Share of samples on the acting side that the field method puts on the other."""
        return self.false_positive if self.acts == "below" else self.false_negative


@dataclass(frozen=True, slots=True)
class Key(Generic[T]):
    """The name of a further result, and its type; the name stands in statistics.json."""

    name: str


class Further:
    """Keys of the further results of a stratum."""

    ERROR_MODEL: Key[ErrorModel] = Key("errors of the pairs")
    BATCHES_BACK: Key[Estimate] = Key("with failed batches put back")
    CUSTODY_BACK: Key[Estimate] = Key("with broken custody put back")
    ALL_BACK: Key[Estimate] = Key("with every exclusion put back")
    DIAGNOSTICS: Key[Diagnostics] = Key("diagnostics")
    DETECTION: Key[DetectTable] = Key("detection")
    STRUCTURE: Key[ErrorStructure] = Key("error structure of the field mean")
    YORK: Key[Line] = Key("York line")
    LEVEL_LIMITS: Key[LevelLimits] = Key("limits of agreement by level")
    LOG_CONCORDANCE: Key[Concordance] = Key("concordance of logarithms")
    WITHOUT_PAIR: Key[WithoutPair] = Key("without the most influential pair")
    QUALITY_LEVEL: Key[DataQualityLevel] = Key("data-quality level")
    METHOD_CRITERIA: Key[MethodCriteria] = Key("criteria of US EPA Method 6200")
    CENSORED_LINE: Key[CensoredLine] = Key("line with censored pairs kept")
    LAB_KAPLAN_MEIER: Key[KaplanMeier] = Key("lab values by Kaplan and Meier")
    FIELD_KAPLAN_MEIER: Key[KaplanMeier] = Key("field values by Kaplan and Meier")
    LAB_ORDER_STATISTICS: Key[OrderStatistics] = Key("lab values by regression on order statistics")
    FIELD_ORDER_STATISTICS: Key[OrderStatistics] = Key(
        "field values by regression on order statistics"
    )
    SCATTER: Key[Scatter] = Key("shots, spots and samples")
    THREE_METHODS: Key[ThreeMethods] = Key("three methods without a truth")
    POOLING: Key[Pooling] = Key("pooling of strata")
    CLUSTERS: Key[Clustered] = Key("pairs in clusters")
    PARTLY_POOLED: Key[PartlyPooled] = Key("bias beside like strata")


KAPLAN_MEIER = {"lab": Further.LAB_KAPLAN_MEIER, "field": Further.FIELD_KAPLAN_MEIER}
ORDER_STATISTICS = {"lab": Further.LAB_ORDER_STATISTICS, "field": Further.FIELD_ORDER_STATISTICS}


#: The ratio with pairs put back that a reason keeps out, the narrower reason first.
PUT_BACK = (Further.BATCHES_BACK, Further.CUSTODY_BACK, Further.ALL_BACK)


@dataclass(frozen=True, slots=True)
class Results:
    """Further results by their keys, in the order in which they were found."""

    items: tuple[tuple[Key[Any], Any], ...] = ()

    def __iter__(self) -> Iterator[tuple[Key[Any], Any]]:
        return iter(self.items)

    def get(self, key: Key[T]) -> T | None:
        """The result of a key; None where this stratum has none."""
        return next((value for each, value in self.items if each == key), None)

    def having(self, *found: tuple[Key[Any], Any]) -> Results:
        """The same with more."""
        return Results((*self.items, *found))


@dataclass(frozen=True, slots=True)
class Readings:
    """Single quantified results behind the pairs of one stratum, mg/kg; arrays of one shape each.

    ``field_sample`` and ``lab_sample`` number the samples alike; ``field_spot`` numbers the
    spots over all samples.
    """

    field: NDArray[np.float64]
    field_sample: NDArray[np.int64]
    field_spot: NDArray[np.int64]
    lab: NDArray[np.float64]
    lab_sample: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PointErrors:
    """SDs of a sample's result on both sides, by level: what a York line needs."""

    field_s0: float  # mg/kg; SD of a field mean = sqrt(s0² + (theta·level)²)
    field_theta: float  # fraction
    lab_s0: float  # mg/kg; the same of a lab mean
    lab_theta: float
    lab_source: str
    relative: bool = True  # heterogeneity beyond them is in proportion to the level


@dataclass(frozen=True, slots=True)
class Scatter:
    """Where the scatter of field readings comes from, and what more spots would buy.

    ``relative``: all figures are of natural logarithms, so that an SD is a relative one;
    else in mg/kg.
    """

    relative: bool
    components: NestedVariance
    by_spots: bool  # False: readings, without spots
    single: Estimate  # SD of one spot's (or reading's) result within a sample
    count: float  # spots (or readings) per sample, harmonic mean
    limits: ReplicateLimits  # of one spot (or reading) against one lab result


@dataclass(frozen=True, slots=True)
class WithoutPair:
    """The leading figures without the pair that moves the slope most."""

    sample_id: str
    influence: float  # change of the slope in its standard errors
    relative: bool  # bias is a ratio; else a difference in mg/kg
    bias: Estimate
    slope: Estimate


@dataclass(frozen=True, slots=True)
class Pooling:
    """Whether strata that differ in some facts only were taken together, and the test."""

    facts: tuple[str, ...]  # what the setting asks to pool
    parts: tuple[str, ...]  # the strata that were to be one
    pooled: bool
    alpha: float
    test: InteractionTest


@dataclass(frozen=True, slots=True)
class PartlyPooled:
    """The bias of a stratum beside that of like ones; biases as fractions."""

    strata: int  # like ones, itself among them
    pairs: int  # of all of them
    own: Estimate  # by its own pairs, with the scatter of all
    seen: Estimate  # drawn towards the common one
    common: Estimate
    between: Estimate  # SD of biases between strata, of logarithms
    gain: float  # so many own pairs would know the bias as well
    shift: float  # of the logarithm, from own to seen


@dataclass(frozen=True, slots=True)
class Censored:
    """Pairs of one stratum by the side on which they are censored."""

    field: int
    lab: int
    both: int


@dataclass(frozen=True, slots=True)
class Bias:
    """What separates field and laboratory on average; differences in mg/kg."""

    mean_difference: Estimate
    geometric_mean_ratio: Estimate
    equivalence: Equivalence
    censored_ratio: Estimate | None = None  # the ratio with censored pairs kept
    p_value: float = float("nan")  # of no bias, t test on the scale of the page
    p_value_adjusted: float = float("nan")  # Benjamini-Hochberg over strata


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far a single field result lies from the laboratory's."""

    limits_absolute: LimitsOfAgreement
    limits_relative: LimitsOfAgreement
    limits_log_ratio: LimitsOfAgreement
    concordance: Concordance
    correlation: Correlation
    share_margin: float  # the fraction of the lab's value that counts as near it


@dataclass(frozen=True, slots=True)
class Fits:
    """Lines through the pairs; which one leads is ``StratumStatistics.headline``."""

    ols: Line  # field on lab, for reference only
    log: Line  # log10(field) on log10(lab)
    log_r_squared: float
    deming: Line
    weighted_deming: Line
    passing_bablok: Line
    lab_on_field: Line  # least squares, the predictor of lab from field, for reference only


@dataclass(frozen=True, slots=True)
class StratumStatistics:
    """What was computed for one stratum; mass fractions in mg/kg, ratios dimensionless."""

    n_pairs: int  # pairs joined
    n_used: int  # pairs in the bias and agreement statistics: both sides quantified, eligible
    n_excluded: int  # left out with a reason other than censoring
    censored: Censored
    lab_range: tuple[float, float]  # of the used pairs
    field_range: tuple[float, float]
    bias: Bias
    agreement: Agreement
    fits: Fits
    error_ratio: Estimate  # lambda = var(error of field)/var(error of lab)
    error_ratio_source: str  # how it was found; never silently 1
    headline: Headline
    headline_line: Line
    difference_scale: str  # "absolute" or "log ratio": the scale the page leads with
    levels: tuple[LevelBias, ...] = ()
    point_errors: PointErrors | None = None  # SDs by level of both sides, where known
    error_model: ErrorModel | None = None  # what lines, factor and chances suppose of errors
    further: Results = Results()
    computed: Mapping[str, Estimate] = field(default_factory=dict)  # by the figure's code


@dataclass(frozen=True, slots=True)
class CorrectionFactor:
    """What turns a field value into the lab's scale: lab = (field - intercept) / slope."""

    factor_id: str
    stratum: Stratum
    form: str  # none, offset, ratio, line, power
    intercept: float  # mg/kg
    slope: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    residual_sd: float  # mg/kg; where residual_relative of the reading (line) or result (others)
    residual_relative: bool
    low: float  # range of field values, mg/kg, in which it may be used
    high: float
    n: int
    pairs_hash: str
    error_before: float  # root mean square relative error on held-out groups, fraction
    error_after: float
    basis: str  # "to the four-acid (near-total) basis of …"
    status: str = "proposed"
    reason: str = ""
    valid_from: str = ""  # ISO date of the first day of the values it may correct
    valid_until: str = ""  # ISO date of the last day; "" where the period is no month
    spot_variance: float = float("nan")  # of one spot: (mg/kg)², or relative as the residual
    spots: float = float("nan")  # spots (or readings) per sample of the pairs, harmonic mean
    months: int = 0  # in which the pairs stand; 0: not kept


class Ask(StrEnum):
    """What a criterion of a verdict asks for."""

    PURPOSE = "purpose"
    ELEMENT = "element"
    FAULT = "suspected fault"
    DESCRIPTION = "description of the comparison"
    PAIRS = "pairs"
    THIRDS = "pairs in each third"
    CENSORED = "pairs outside the limits"
    CONTROLS = "controls"
    SPOTS = "spots per sample"
    CUSTODY = "custody"
    QUALITY_LEVEL = "data-quality level"
    SELECTION = "choice of the samples"
    MEAN_BIAS = "mean bias"
    RANGE = "bias over the range"
    SPREAD = "spread"
    TIME = "bias through the period"
    LEVEL = "decision at a level"
    LEVEL_SAMPLES = "samples at a level"
    LEVEL_BIAS = "bias at a level"
    MISSED = "missed at a level"
    FALSE_ALARMS = "false alarms at a level"
    MISSED_COUNT = "missed samples counted"
    COMING = "bias of a coming month"
    COMING_SAMPLE = "error of a coming sample"


class OverMonths(StrEnum):
    """What a line of the evidence of several months holds."""

    MONTH = "month"
    LONG_RUN = "long-run bias"
    BETWEEN = "SD between months"
    COMING = "bias of a coming month"
    SAMPLE = "error of a coming sample"
    STEP = "step between months"
    DRIFT = "drift per month"
    SCORE = "month against earlier ones"
    CUSUM_UP = "CUSUM up"
    CUSUM_DOWN = "CUSUM down"
    AVERAGE = "weighted mean of months"


class Outcome(StrEnum):
    """What a criterion came to; 'not shown' never passes."""

    SHOWN = "shown"
    NOT_SHOWN = "not shown"
    FAILED = "shown to fail"
    TOLD = "told, not asked for"
    NO_DECISION = "no decision here"  # of a level outside the pairs or the factor


#: Outcomes with which nothing is accepted.
STANDING_IN_THE_WAY = frozenset({Outcome.NOT_SHOWN, Outcome.FAILED})


@dataclass(frozen=True, slots=True)
class Criterion:
    """One criterion of a verdict as data; words are put on where it is shown."""

    ask: Ask
    outcome: Outcome
    facts: tuple[tuple[str, Any], ...] = ()  # numbers and names behind it; fractions, counts
    of: str = ""  # which values: AS_READ or HELD_OUT; "" where it asks nothing of values
    level: str = ""  # name of the decision level, where it is about one

    def fact(self, name: str) -> Any:
        """The fact of that name; KeyError where there is none."""
        return dict(self.facts)[name]

    @property
    def passes(self) -> bool:
        """True where it does not stand in the way of an acceptance."""
        return self.outcome not in STANDING_IN_THE_WAY


AS_READ, HELD_OUT = "as read", "corrected, held out"
#: State of a factor that a second person approved.
APPROVED = "approved"
NOT_FOR_USE = "not for use"  # fitted where the verdict accepts no correction


@dataclass(frozen=True, slots=True)
class Verdict:
    """What may be done with field-only results for one stratum, and why."""

    decision: str  # one of DECISIONS
    reason: str  # the binding reason, in plain words
    range_low: float = float("nan")  # mg/kg, where field-only results are accepted
    range_high: float = float("nan")
    valid_until: str = ""  # ISO date
    criteria: tuple[Criterion, ...] = ()
    next_step: str = ""
    alpha: float = float("nan")  # chance at most of accepting what is beyond what was agreed
    decisions: int = 0  # sets of values judged against what was agreed: as read, corrected
    put_back: int = 0  # excluded pairs with two numbers
    decision_put_back: str = ""  # with all of them put back; "" where there is none
    reason_put_back: str = ""

    @property
    def flips(self) -> bool:
        """True where the verdict would be another with every excluded pair put back."""
        return bool(self.decision_put_back) and self.decision_put_back != self.decision

    @property
    def wrong_at_most(self) -> float:
        """Expected number of wrong acceptances at most, whatever the truth."""
        return self.alpha * self.decisions if self.decisions else 0.0


ACCEPTED = "accepted"
ACCEPTED_CORRECTED = "accepted after correction"
LABORATORY_ONLY = "laboratory only"
INSUFFICIENT = "insufficient evidence"
DECISIONS = (ACCEPTED, ACCEPTED_CORRECTED, LABORATORY_ONLY, INSUFFICIENT)


class Beginning(StrEnum):
    """Why the evidence of a stratum goes no further back."""

    ALONE = "month alone"  # the settings gather nothing, or the period is no month
    FIRST = "first month"  # no earlier month has released pairs of this element and technique
    OTHER_KEY = "another method"  # those that there are differ in named facts
    UNNAMED = "laboratory not named"  # by the releases that there are
    EVENT = "event"  # named in the settings
    NOT_BEFORE = "not before"  # the day that the settings name
    WINDOW = "window"  # as many months as may count
    MOVED = "bias moved"  # a step or a drift was signalled, and the settings begin anew after it
    ALL = "all there is"


@dataclass(frozen=True, slots=True)
class Begun:
    """Where evidence begins and why, as data."""

    why: Beginning
    what: str = ""  # the event, in a person's words; the day; the month with which it begins
    last: str = ""  # the last month with pairs of the other method
    differing: tuple[str, ...] = ()  # names of facts in which it differs


@dataclass(frozen=True, slots=True)
class EvidenceMonth:
    """One month of a stratum's evidence; biases as fractions."""

    period: str
    release_id: str  # "" for the month in hand
    pairs: int  # that count
    raw: Estimate
    seen: Estimate  # as the model sees it beside the other months


@dataclass(frozen=True, slots=True)
class BiasMoved:
    """A change of the bias over months that was signalled; ``size`` as a fraction.

    Of a step: after less before; of a drift: per month.
    """

    change: str  # "step" or "drift"
    first: str  # month with which the bias goes on after it
    seen: str  # month that signalled it
    size: Estimate
    distance: float  # from no change, in standard deviations
    limit: float


@dataclass(frozen=True, slots=True)
class MonthChart:
    """The months since the last change against what the ones before each said; in SDs."""

    since: str  # first month
    score: float  # of the last month; NaN for the first one
    up: float  # CUSUM
    down: float
    k: float
    h: float
    cusum_run: float  # mean months to a false alarm
    average: float  # exponentially weighted
    average_limit: float
    average_run: float
    beyond: bool  # one of both is beyond its limit


@dataclass(frozen=True, slots=True)
class Watched:
    """Whether the bias stays from month to month: changes, oldest first, and the charts."""

    months: int  # that were looked at
    rate: float  # chance of a false signal in any twelve months
    moved: tuple[BiasMoved, ...] = ()
    distance: float = float("nan")  # of the last look; NaN where there was none
    limit: float = float("nan")
    chart: MonthChart | None = None
    begins_anew: bool = True  # by the settings, after a change


@dataclass(frozen=True, slots=True)
class Evidence:
    """The months on which a stratum is judged; biases and SDs as fractions, n counts pairs."""

    months: tuple[EvidenceMonth, ...]  # oldest first, the month in hand last
    begun: Begun
    scale: str  # "log ratio" or "absolute"
    at: float  # mg/kg: differences are shown as a fraction of it; NaN for ratios
    long_run: Estimate
    between: Estimate  # SD between months
    coming: Estimate  # bias of a month to come
    coming_sample: Estimate  # error of one sample of it
    assumed_sd: float  # between months, as a fraction
    assumed_months: float
    again: int = 0  # pairs of samples that another month counts
    limited: int = 0  # pairs known only by a limit
    reason: str = ""  # why there is no bias over months
    limited_kept: int = 0  # of these, the ones that enter the bias over months
    watched: Watched | None = None


@dataclass(frozen=True, slots=True)
class StratumResult:
    """Everything that the report says of one stratum."""

    stratum: Stratum
    unit: str  # the reader's unit, e.g. "%", "mg/kg", "g/t"
    per_mg_kg: float  # multiply mg/kg by this to show it in ``unit``
    pairs: pd.DataFrame  # PAIR_COLUMNS
    statistics: StratumStatistics
    factor: CorrectionFactor | None
    verdict: Verdict
    sentences: tuple[str, ...]  # two or three, plain words, numbers with units
    notes: tuple[str, ...] = ()  # digestion basis, mixed limits, suspected faults …
    decision_levels: tuple[tuple[str, float], ...] = ()  # name, mg/kg
    evidence: Evidence | None = None


@dataclass(frozen=True, slots=True)
class WaterfallStep:
    """One line of the account: ``entered`` = ``kept`` + the sum of ``lost``."""

    name: str
    unit: str  # what is counted: rows, readings, samples, pairs
    entered: int
    kept: int
    lost: tuple[tuple[str, int], ...] = ()  # reason, count

    @property
    def balance(self) -> int:
        """Zero where nothing was lost or invented."""
        return self.entered - self.kept - sum(count for _, count in self.lost)


@dataclass(frozen=True, slots=True)
class FileAccount:
    """What became of the lines and rows of one sheet in one reading; every step balances.

    ``lines`` and ``read`` enter what was counted in the file apart from its reading.
    """

    path: str
    sheet: str
    kind: str
    table: str  # which [[table]] read it
    again: bool  # the same sheet was read by an earlier [[table]] too
    lines: WaterfallStep  # lines (of a workbook: rows) that hold something -> rows below headings
    read: WaterfallStep  # rows of the sheet -> accepted
    use: (
        WaterfallStep | None
    )  # accepted -> rows that hold a result of a sample in this period; field and lab

    @property
    def steps(self) -> tuple[WaterfallStep, ...]:
        """All steps, in order."""
        return (self.lines, self.read) + (() if self.use is None else (self.use,))


FAULT, NO_FAULT = "fault", "no fault"


@dataclass(frozen=True, slots=True)
class Settlement:
    """What a person said of a finding, as the record holds it."""

    verdict: str  # FAULT or NO_FAULT
    by: str
    reason: str
    at: str  # ISO time


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a person should look at: quality, custody, identity or diagnosis."""

    area: str  # quality | custody | identity | diagnosis | intake
    severity: str  # note | warning | serious
    subject: str  # sample, batch, certificate, file …
    text: str  # what was found, plain words
    evidence: str = ""
    advice: str = ""
    code: str = ""  # what kind of finding: a FindingCode, or the rule of a custody break
    parameters: tuple[tuple[str, str], ...] = ()  # what tells it from others of its code
    strata: tuple[str, ...] = ()  # keys of the strata that it speaks of
    settled: Settlement | None = None

    @property
    def id(self) -> str:
        """What names it in this and later releases, where a person can settle it: code, subject
        and parameters, no words; else ''."""
        if self.code not in SETTLED_BY_PERSONS:
            return ""
        content = json.dumps([self.code, self.subject, self.parameters], ensure_ascii=False)
        return f"F-{hashlib.sha256(content.encode('utf-8', 'surrogatepass')).hexdigest()[:10]}"

    @property
    def blocks(self) -> bool:
        """True where the verdicts of its strata must wait for it."""
        if self.settled is not None:
            return self.settled.verdict == FAULT
        return self.code in BLOCKING


@dataclass(frozen=True, slots=True)
class QualityCheck:
    """One measured control against its expectation."""

    side: str  # field | lab
    kind: str  # reference material | blank | duplicate | check standard
    code: str  # material or sample
    method: str
    element: str
    batch: str  # certificate, dispatch or day
    n: int
    found: float  # mg/kg (or CV for duplicates, fraction)
    expected: float
    uncertainty: float  # expanded uncertainty of the expectation, mg/kg
    recovery: float  # fraction; NaN where it has no meaning
    score: float  # zeta or z; NaN where it has no meaning
    passed: bool | None
    rule: str  # the rule in words, with its limit
    at: str = ""  # ISO time of the control
    why: str = ""  # what was found by the rule

    @property
    def told(self) -> str:
        """The rule, and what was found by it."""
        return f"{self.rule}: {self.why}" if self.why else self.rule


@dataclass(frozen=True, slots=True)
class ControlChart:
    """The results of one control by one method in order of time, with centre and SD, mg/kg."""

    side: str  # field | lab
    code: str
    element: str
    method: str
    values: tuple[float, ...]
    times: tuple[str, ...]  # ISO, UTC; "" where not known
    centre: float
    sd: float
    rules: tuple[tuple[str, tuple[int, ...], float], ...]
    """Words of each rule, the results (from 0) that complete it, and the share of charts of
    as many good results on which it speaks at least once (simulated)."""
    any_rate: float  # the same for all rules together


@dataclass(frozen=True, slots=True)
class DuplicateStage:
    """How far results of one stage of duplicates repeat, and what that stage adds."""

    side: str
    method: str
    element: str
    stage: str  # lab repeat | pulp | coarse | field
    n: int  # pairs
    rsd: Estimate  # relative SD of one result, all later stages within it (fraction)
    added: float  # relative SD that this stage adds to the one after it; NaN: not resolved


@dataclass(frozen=True, slots=True)
class InsertionRate:
    """Controls of one kind among samples and controls, against the plan."""

    side: str
    kind: str
    controls: int
    samples: int
    rate: float  # fraction
    planned: float  # fraction; NaN where none was planned
    batches: int
    without: tuple[str, ...]  # batches that hold none


@dataclass(frozen=True, slots=True)
class ControlRecord:
    """What the report shows of controls over time and by stage."""

    charts: tuple[ControlChart, ...] = ()
    stages: tuple[DuplicateStage, ...] = ()
    rates: tuple[InsertionRate, ...] = ()


@dataclass(frozen=True, slots=True)
class InputFile:
    """One file that went into the period."""

    path: str  # relative to the workspace, forward slashes
    sha256: str
    size: int
    kind: str
    rows: int
    accepted: int
    refused_rows: int
    refused_cells: int  # in accepted rows
    contents: str = ""  # digest of what was read from it, see ``contents.digest_of``


@dataclass(frozen=True, slots=True)
class Change:
    """One difference from the release before."""

    what: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class EarlierResult:
    """What the latest release of an earlier period said of one stratum."""

    period: str
    release_id: str
    stratum: str  # Stratum.key
    used: int
    ratio: float  # geometric mean of field/lab; NaN where not estimable
    low: float  # its interval; NaN where none was kept
    high: float
    verdict: str
    wrong_at_most: float = float("nan")  # expected number of wrong acceptances; NaN: not kept


@dataclass(frozen=True, slots=True)
class SignOff:
    """What one person said of a release."""

    act: str  # prepared, checked, approved, accepted or refused
    by: str
    role: str
    at: str  # ISO 8601 with zone
    text: str
    person: str = ""  # id in the register of people
    signed: bool = False  # with a key


@dataclass(frozen=True, slots=True)
class SettingLine:
    """One setting as the report prints it."""

    name: str
    value: str
    meaning: str


#: When the audit volume is written.
ON_DEMAND, EACH_RUN = "on demand", "each run"


@dataclass(frozen=True, slots=True)
class Awaited:
    """Samples of one dispatch that were read in the field and have no laboratory result."""

    dispatch: str
    sent: str  # ISO time; "" where the register does not say
    samples: int


@dataclass(frozen=True, slots=True)
class Reconciliation:
    """One period's reconciliation: all that the report, workbook and tables show."""

    title: str
    period: str
    revision: int
    release_id: str  # e.g. "north-pit-2026-10-r1-3fa9c2d4"
    status: str  # "draft" until signed off; then the last act
    supersedes: str  # release id of the revision before, or ""
    prepared_for: str
    prepared_by: str
    purpose: str
    data_until: str  # ISO time of the latest event in the inputs; "" where none
    code_version: str
    inputs_hash: str
    settings_hash: str
    custody_head: str  # head of the event chain
    results: tuple[StratumResult, ...]
    waterfall: tuple[WaterfallStep, ...]
    exclusions: pd.DataFrame  # EXCLUSION_COLUMNS
    quarantine: pd.DataFrame  # QUARANTINE_COLUMNS
    field_only: tuple[str, ...]  # sample ids without lab result
    lab_only: tuple[str, ...]  # sample ids without field reading
    findings: tuple[Finding, ...]
    quality: tuple[QualityCheck, ...]
    inputs: tuple[InputFile, ...]
    settings: tuple[SettingLine, ...]
    changes: tuple[Change, ...] = ()
    history: tuple[EarlierResult, ...] = ()  # of earlier periods, oldest first
    paper: str = "A4"
    language: str = "en"
    decimal_mark: str = "."
    date_style: str = "year-month-day"
    own_pages: int = 6  # strata with a page of their own in the report, at most
    near: float = 0.8  # share of the margin from which a bias is near it
    audit: str = ON_DEMAND  # or EACH_RUN: when audit.pdf is written
    controls: ControlRecord = field(default_factory=ControlRecord)
    corrections: pd.DataFrame = field(  # CORRECTION_COLUMNS
        default_factory=lambda: pd.DataFrame(columns=list(CORRECTION_COLUMNS))
    )
    account_of_files: tuple[FileAccount, ...] = ()
    conformity: ConformityRecord | None = None  # where the settings name specification limits
    custody_gone: tuple[str, ...] = ()  # custody files that a release used and that are gone
    record_lines: int = 0  # lines of the record before this release
    record_head: str = ""  # the last one's hash
    rows: str = ""  # digest of the accepted rows
    factor_scores: tuple[Any, ...] = ()  # judgement.scoring.FactorScore
    laboratories: tuple[BetweenLaboratories, ...] = ()
    group_shifts: tuple[GroupShifts, ...] = ()
    selection: SelectionRecord = field(default_factory=SelectionRecord)
    registers: Registers = field(default_factory=Registers)
    evidence_in_brief: tuple[Mapping[str, Any], ...] = ()  # releases behind the verdicts
    factor_scores_in_brief: tuple[Mapping[str, Any], ...] = ()  # as the manifest keeps them
    acts: tuple[SignOff, ...] = ()  # of persons; none is part of a release as it is written
    site: str = ""  # its short name; "" where the settings state none
    awaited: tuple[Awaited, ...] = ()  # by dispatch
