"""The settings in ``reconcile.toml``: every threshold has a name, a default and a meaning.

The models only describe and check; finding files is the workspace's work.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime
from functools import cache
from importlib import import_module, resources
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator, model_validator

from reconcile.base import patterns
from reconcile.base.nearest import meant
from reconcile.base.quantities import ELEMENTS, display_factor


def _number(**bounds: Any) -> Any:
    """A number within bounds; true is no 1, and "3" no 3. Infinity and NaN are never numbers."""
    return Field(strict=True, **bounds)


#: Below its end a margin or share means nothing, and cannot be calculated with.
Fraction = Annotated[float, _number(ge=1e-9, lt=1)]
Positive = Annotated[float, _number(gt=0, le=1e9)]
#: Level of a test or rate of an error: beyond these ends quantiles mean nothing.
Level = Annotated[float, _number(ge=1e-6, le=0.5)]
#: How often something is counted.
Count = Annotated[int, _number(ge=1, le=1_000_000)]
Name = Annotated[str, Field(min_length=1, max_length=100)]
Words = Annotated[str, Field(max_length=500)]

_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]")
_MOST_TEXT = 10_000
_MOST_ENTRIES = 10_000


#: Name of the setting that chooses elements, as findings and the report call it.
ELEMENTS_SETTING = "workspace.elements"


def _known_symbols(symbols: Iterable[str]) -> list[str]:
    """The symbols, each once; raises ValueError where one is no chemical element's."""
    known = list(dict.fromkeys(symbols))
    if unknown := [symbol for symbol in known if symbol not in ELEMENTS]:
        raise ValueError(
            f"{', '.join(unknown)}: no symbol of a chemical element; write Cu, not CU or copper"
        )
    return known


class Part(BaseModel):
    """A part of the settings; unknown names are refused so that a typo is seen."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False
    )

    @field_validator("*")
    @classmethod
    def _one_line(cls, value: object) -> object:
        """Text of one line of bounded length, wherever it stands."""
        if isinstance(value, tuple | dict) and len(value) > _MOST_ENTRIES:
            raise ValueError(f"at most {_MOST_ENTRIES} entries")
        for text in _texts(value):
            if _CONTROL.search(text):
                raise ValueError(
                    "no line break, tab or other control character may stand in a text"
                )
            if len(text) > _MOST_TEXT:
                raise ValueError(f"at most {_MOST_TEXT} characters")
        return value


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, tuple):
        for part in value:
            yield from _texts(part)
    elif isinstance(value, dict):
        for key, part in value.items():
            yield from _texts(key)
            yield from _texts(part)


def _unique(names: Iterable[str], what: str) -> None:
    """Raises ValueError where two of the names are the same, capitals and blanks aside."""
    counts = Counter(" ".join(name.casefold().split()) for name in names)
    if twice := [name for name, count in counts.items() if count > 1]:
        raise ValueError(f"{what} '{twice[0]}' stands more than once")


def _ordered(part: BaseModel, low: str, high: str) -> None:
    """Raises ValueError where the setting ``low`` is above the setting ``high``."""
    least, most = getattr(part, low), getattr(part, high)
    if least is not None and most is not None and least > most:
        raise ValueError(f"{low} ({least:g}) is above {high} ({most:g})")


@cache
def _zones() -> frozenset[str]:
    """Names of time zones that mean the same on every machine."""
    listed = resources.files("tzdata").joinpath("zones").read_text(encoding="utf-8")
    return frozenset(listed.split()) - {"Factory"}  # it says that no zone was set


#: A site's name as it stands in ids, keys and the names of folders.
SITE = re.compile("[a-z0-9](?:[a-z0-9-]{0,22}[a-z0-9])?")


class WorkspaceSettings(Part):
    """Which folder this is."""

    site: str = Field(
        "",
        description="short name of the site in ids, tables and schedules: small letters, digits "
        "and '-', at most 24; empty: ids name no site",
    )
    title: Words = Field("Field to laboratory reconciliation", description="title of the report")
    time_zone: str = Field("UTC", description="zone of times that carry none")
    assign_rows_by: Literal["field time", "lab time", "nothing"] = Field(
        "field time",
        description="which time puts a sample into a period; 'nothing' takes every row",
    )
    elements: tuple[str, ...] = Field(
        (), description="elements to compare; empty: all that both sides have"
    )
    output: Annotated[str, Field(max_length=250)] = Field(
        "out", description="folder for releases, relative to this file"
    )
    coordinate_system: Annotated[str, Field(max_length=100)] = Field(
        "",
        description="of coordinates whose rows name none, such as 'EPSG:32633'; empty: longitude "
        "and latitude are WGS 84, easting and northing are of no known system",
    )
    coordinate_unit: Literal["m", "ft"] = Field("m", description="unit of easting and northing")

    @field_validator("site")
    @classmethod
    def _a_slug(cls, value: str) -> str:
        if value and not SITE.fullmatch(value):
            raise ValueError(
                f"'{value}' can't name a site; write small letters, digits and '-', at most 24, "
                "such as north-pit"
            )
        return value

    @field_validator("elements")
    @classmethod
    def _symbols(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(_known_symbols(value))

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in _zones():
            raise ValueError(
                f"'{value}' is not a known time zone{meant(value, _zones())}; write a name such as "
                "'Africa/Accra' or 'UTC'"
            )
        return value

    @field_validator("output")
    @classmethod
    def _a_folder(cls, value: str) -> str:
        if value.strip() in ("", ".", "./"):
            raise ValueError("name a folder of its own, such as out")
        return value


ESTIMATE = "resource or reserve estimate"
#: Words of a purpose that leave open whether it is an estimate: a person says so by ``use``.
_MAY_ESTIMATE = re.compile(r"(?i)\b(resources?|reserves?|tonnages?|ounces)\b")


class ReportSettings(Part):
    """Whom the report is for and how it looks."""

    prepared_for: Words = Field("", description="client or reader")
    prepared_by: Words = Field("", description="who prepares")
    purpose: Words = Field(
        "screening", description="what field-only results are meant for (stated before the data)"
    )
    use: Literal[
        "",
        "screening",
        "choosing samples",
        "sorting",
        "process control",
        "grade control",
        "site assessment",
        "resource or reserve estimate",
    ] = Field(
        "",
        description="the same as a choice: 'resource or reserve estimate' accepts no field-only "
        "result; empty: screening",
    )
    paper: Literal["A4", "Letter"] = Field("A4", description="paper size")
    language: Literal["en"] = Field("en", description="language of the report")
    decimal_mark: Literal[".", ","] = Field(
        ".", description="decimal mark in the report, the page and on the terminal; '.' or ','"
    )
    date_style: Literal[
        "year-month-day", "day month year", "month day, year", "day.month.year", "day/month/year"
    ] = Field(
        "year-month-day",
        description="how dates are written: 'year-month-day' (2026-10-31), 'day month year' "
        "(31 October 2026), 'month day, year', 'day.month.year' or 'day/month/year'",
    )
    own_pages: Annotated[int, _number(ge=0, le=1000)] = Field(
        6,
        description="strata with a page of their own in the report at most, the most pressing "
        "first; the others stand in brief, and all in the audit volume",
    )
    near: Fraction = Field(
        0.80,
        description="a bias that may reach this share of the margin is near it: someone "
        "must look at the stratum",
    )
    audit: Literal["on demand", "each run"] = Field(
        "on demand",
        description="when audit.pdf is written: with 'run --with audit', or with each run",
    )

    @model_validator(mode="after")
    def _chosen(self) -> ReportSettings:
        if not self.use and (met := _MAY_ESTIMATE.search(self.purpose)):
            raise ValueError(
                f"the purpose speaks of '{met[0]}': write use = \"{ESTIMATE}\" if it is one, else "
                'another use, such as use = "screening"'
            )
        return self


def _shown_in(unit: str) -> str:
    display_factor(unit)  # raises ValueError, which tells the units that there are
    return unit


#: A unit in which a mass fraction can be shown.
ShownUnit = Annotated[str, AfterValidator(_shown_in)]


class DecisionLevel(Part):
    """A value at which someone acts."""

    name: Name
    value: Positive
    acts: Literal["at or above", "below"] = Field(
        "at or above", description="on which side of the level someone acts"
    )
    grey_region: Fraction | None = Field(
        None, description="half width of this level's grey region; else the general one"
    )
    false_negative_rate: Level | None = Field(
        None, description="largest accepted chance of a miss at this level; else the general one"
    )
    false_alarm_rate: Level | None = Field(
        None, description="largest accepted chance of a false alarm here; else the general one"
    )


def _levels_in(unit: str, levels: tuple[DecisionLevel, ...]) -> None:
    """Raises ValueError where two levels have one name, or one is more than there can be."""
    _unique((level.name for level in levels), "the decision level")
    for level in levels:
        if level.value / display_factor(unit) > 1e6:
            raise ValueError(
                f"the decision level '{level.name}' is above 100 % ({level.value:g} {unit})"
            )


class ControlLimits(Part):
    """Limits of controls that hold for one element, or for one element in one matrix."""

    recovery_low: Annotated[float, _number(gt=0, le=10)] | None = Field(
        None, description="lowest recovery of a reference material; else the general one"
    )
    recovery_high: Annotated[float, _number(gt=0, le=10)] | None = Field(
        None, description="highest recovery of a reference material; else the general one"
    )
    lab_zeta: Positive | None = Field(
        None, description="largest |zeta| of a lab reference material; else the general one"
    )
    duplicate_cv: Fraction | None = Field(
        None, description="largest CV_RMS of lab duplicates; else the general one"
    )
    blank_multiple: Positive | None = Field(
        None, description="a blank may not exceed this multiple of the limit; else the general one"
    )

    field_blank_multiple: Positive | None = Field(
        None, description="the same for a blank of the field; else the general one"
    )
    duplicate_field: Fraction | None = Field(
        None, description="half relative difference of field duplicates; else the general one"
    )
    duplicate_coarse: Fraction | None = Field(
        None, description="the same of coarse duplicates; else the general one"
    )
    holding_days: Annotated[int, _number(ge=1, le=36_500)] | None = Field(
        None, description="longest time from collection to analysis, days; else the general one"
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        _ordered(self, "recovery_low", "recovery_high")
        return self

    @property
    def limits(self) -> dict[str, float]:
        """The limits that are stated, by the names of the general ones."""
        return {
            name: value
            for name in ControlLimits.model_fields
            if (value := getattr(self, name)) is not None
        }


class MatrixSettings(ControlLimits):
    """What is shown and decided otherwise for one element in one matrix."""

    unit: ShownUnit | None = Field(None, description="unit for the reader; else the element's")
    levels: tuple[DecisionLevel, ...] | None = Field(
        None, description="decision levels in that unit; else the element's, in its own unit"
    )
    margin: Fraction | None = Field(None, description="largest bias accepted; else the element's")
    precious: bool | None = Field(None, description="laboratory only by default; else as stated")


class ElementSettings(ControlLimits):
    """What is shown and decided for one element."""

    unit: ShownUnit = Field("mg/kg", description="unit for the reader: %, mg/kg, ug/kg, g/t")
    levels: tuple[DecisionLevel, ...] = Field(
        (), description="decision levels, in this element's unit"
    )
    margin: Fraction | None = Field(
        None, description="largest bias accepted as equal, fraction; else the general one"
    )
    precious: bool | None = Field(
        None, description="treat as precious metal: laboratory only by default"
    )
    matrix: dict[str, MatrixSettings] = Field(
        default_factory=dict, description="what differs in single matrices, by their names"
    )

    @model_validator(mode="after")
    def _levels(self) -> ElementSettings:
        _levels_in(self.unit, self.levels)
        for own in self.matrix.values():
            _levels_in(own.unit or self.unit, own.levels or ())
        return self


class Thresholds(Part):
    """Every number that a verdict or a flag rests on."""

    confidence: Annotated[float, _number(ge=0.5, le=0.9999)] = Field(
        0.95, description="confidence level of every interval"
    )
    bias_margin: Fraction = Field(
        0.10, description="largest bias (field/lab - 1) accepted as equal, agreed before the data"
    )
    equivalence_alpha: Level = Field(
        0.05,
        description="largest chance that a method that is not within what was agreed is accepted: "
        "size of each one-sided test of bias, spread, missed and false alarms",
    )
    share_margin: Fraction = Field(
        0.20, description="share of pairs within this fraction of the lab value is reported"
    )
    agreement_span: Annotated[float, _number(gt=0, le=100)] = Field(
        0.40,
        description="widest accepted half width of the relative limits of agreement, fraction",
    )
    minimum_pairs: Annotated[int, _number(ge=3, le=1_000_000)] = Field(
        20, description="fewest used pairs on which a verdict other than 'insufficient' rests"
    )
    pairs_per_third: Annotated[int, _number(ge=0, le=1_000_000)] = Field(
        3, description="fewest used pairs in each third of the range between lowest and highest"
    )
    censored_share: Fraction = Field(
        0.40, description="largest share of censored pairs at which a verdict is given"
    )
    lab_limit_multiple: Annotated[float, _number(ge=0, le=1e6)] = Field(
        0.0,
        description="pairs enter the statistics from this multiple of the lab's lower limit",
    )
    least_range_share: Fraction = Field(
        0.50,
        description="least share of the used pairs inside the part of their range in which the "
        "bias is shown to lie within the margin",
    )
    grey_region: Fraction = Field(
        0.20,
        description="half width of the grey region around a decision level, as a fraction of it: "
        "inside it no right call is promised, at its edges the two rates below hold (US EPA "
        "QA/G-4)",
    )
    false_negative_rate: Level = Field(
        0.05,
        description="largest accepted chance that a sample at the far edge of the grey region, on "
        "the side on which someone acts, is missed",
    )
    false_alarm_rate: Level = Field(
        0.10,
        description="largest accepted chance that a sample at the other edge of the grey region "
        "is called for nothing",
    )
    level_samples: Annotated[int, _number(ge=0, le=1_000_000)] = Field(
        3, description="fewest used pairs near a decision level on each side of it"
    )
    level_reach: Annotated[float, _number(gt=1, le=1000)] = Field(
        3.0, description="pairs up to this factor away count as near a decision level"
    )
    false_negative_bound: Fraction | None = Field(
        None,
        description="largest accepted upper end of the interval of missed samples as counted, over "
        "all samples on the acting side; empty: counted and told, not asked for",
    )
    pooling_alpha: Fraction = Field(
        0.05,
        description="strata named under pool stay apart where slopes or offsets differ with a "
        "p-value below this (analysis of covariance)",
    )
    lab_error_ratio_flag: Positive = Field(
        0.20, description="ordinary least squares is flagged above this error/spread of the lab"
    )
    recovery_low: Annotated[float, _number(gt=0, le=1)] = Field(
        0.80, description="lowest accepted recovery, field control"
    )
    recovery_high: Annotated[float, _number(ge=1, le=100)] = Field(
        1.20, description="highest accepted recovery, field control"
    )
    lab_zeta: Positive = Field(
        3.0, description="largest accepted |zeta| of a lab reference material"
    )
    metal_recovery_low: Fraction = Field(
        0.90,
        description="lowest recovery of a reference material of metal (moisture basis 'not "
        "applicable'); common practice in checking alloys, no source",
    )
    metal_recovery_high: Annotated[float, _number(gt=1, le=10)] = Field(
        1.10, description="highest recovery of a reference material of metal; same source"
    )
    blank_multiple: Positive = Field(
        3.0, description="a blank may not exceed this multiple of the lower limit"
    )
    field_blank_multiple: Positive = Field(
        1.0,
        description="a blank of the field may not exceed this multiple of the lower limit (nothing "
        "above the detection limit: US EPA Method 6200, section 9.3)",
    )
    field_blank_daily: bool = Field(
        True,
        description="a day on which XRF read soil or rock without a blank is told (same section: "
        "a method blank at least daily)",
    )
    duplicate_cv: Fraction = Field(
        0.15, description="largest accepted CV_RMS of lab duplicates, fraction"
    )
    duplicate_field: Fraction = Field(
        0.20,
        description="90 % of field duplicates must be within this half relative difference "
        "(convention of the mining trade, from memory)",
    )
    duplicate_coarse: Fraction = Field(
        0.15, description="the same of coarse duplicates; same source"
    )
    confirmation_share: Annotated[float, _number(ge=0, le=1)] = Field(
        0.10,
        description="planned share of the samples that the laboratory confirms (at least 10 %: "
        "guidance of a US state's environment department on screening soil by XRF)",
    )
    confirmation_rpd: Fraction = Field(
        0.35,
        description="largest mean absolute relative difference of confirmation samples, over the "
        "mean of both (same source, after the US EPA National Functional Guidelines for "
        "Inorganic Data Review, 2004)",
    )
    lead_to_arsenic: Positive = Field(
        10.0, description="from this Pb:As ratio on, an XRF arsenic value is not used"
    )
    fault_far: Annotated[float, _number(ge=2, le=1000)] = Field(
        10.0,
        description="a median field/lab ratio further from 1 than this factor, either way, is "
        "never taken for a calibration bias: another unit is suspected",
    )
    fault_odds: Annotated[float, _number(ge=2, le=1e9)] = Field(
        300.0,
        description="a fault is suspected where it makes the median ratio this many times likelier "
        "than a bias of the size that the method's other elements have",
    )
    fault_elements: Annotated[int, _number(ge=3, le=100)] = Field(
        5, description="fewest other elements from which the usual size of a bias is taken"
    )
    usual_bias: Annotated[float, _number(ge=0.01, le=0.9)] = Field(
        0.40,
        description="usual size (standard deviation) of a calibration bias where fewer elements "
        "show it (common practice, no source)",
    )
    least_usual_bias: Annotated[float, _number(ge=0.01, le=0.9)] = Field(
        0.10, description="the usual size of a bias is never taken to be below this"
    )
    fault_spread: Fraction = Field(
        0.20,
        description="an oxide read as the element is suspected only where the ratios scatter no "
        "more than this (robust relative standard deviation)",
    )
    fault_tolerance: Fraction = Field(
        0.005,
        description="and, where the odds do not decide, only where the whole 95 % interval of the "
        "median ratio lies this near to the factor of the oxide",
    )
    moisture_tolerance: Fraction = Field(
        0.03,
        description="stated moisture is suspected where it brings the median ratio this near to 1",
    )
    common_elements: Annotated[int, _number(ge=3, le=100)] = Field(
        4, description="fewest elements at one common factor for which it is told"
    )
    common_share: Fraction = Field(
        0.80, description="share of a method's elements that stand at a common factor"
    )
    common_tolerance: Fraction = Field(
        0.05, description="how near to the common factor their median ratios lie"
    )
    common_least: Fraction = Field(0.10, description="a common factor this near to 1 is not told")
    factor_valid_months: Annotated[int, _number(ge=1, le=120)] = Field(
        3, description="months for which a correction factor stands"
    )
    controls_required: bool = Field(
        True,
        description="no verdict but 'insufficient' where no reference material was in control on "
        "both sides; if false, the verdict's reason and the first page say so",
    )
    many_verdicts: Literal["none", "family-wise", "false discovery"] = Field(
        "none",
        description="none: each verdict of acceptance is wrong with a chance of at most "
        "equivalence_alpha; family-wise: any of the period's (Holm); false discovery: the "
        "expected share of wrong ones among the accepted (Benjamini and Hochberg)",
    )
    least_quality_level: Literal[
        "", "qualitative screening", "quantitative screening", "definitive"
    ] = Field(
        "",
        description="least data-quality level (US EPA, level table) on which field results are "
        "accepted; empty: shown, does not decide",
    )
    spots_required: bool = Field(
        False,
        description="LIBS: no verdict but 'insufficient' where the samples of the pairs have "
        "fewer spots than libs_spots (median); otherwise they are shown",
    )
    least_gain: Annotated[float, _number(ge=0, lt=1)] = Field(
        0.10,
        description="a factor is proposed only where the error of unseen samples falls by this "
        "fraction, or where a bias is proved (interval at the confidence level)",
    )
    least_change: Fraction = Field(
        0.25,
        description="a new fit is proposed in the place of the factor in force only where "
        "corrected values would differ by more than this fraction of the margin, or the range "
        "would grow by more than this share; also where that factor has drifted or ends within "
        "the coming month",
    )
    power_range: Annotated[float, _number(ge=1.5, le=1e6)] = Field(
        5.0,
        description="least highest/lowest laboratory value for a factor of the form 'power': over "
        "a narrower range noise passes for one",
    )
    power_pairs: Annotated[int, _number(ge=8, le=1_000_000)] = Field(
        30, description="fewest pairs for a factor of the form 'power'"
    )
    slope_room: Annotated[float, _number(ge=0, le=1)] = Field(
        0.05,
        description="where the laboratory's error is not known, no factor of the form 'line' or "
        "'power' if the two least-squares slopes differ by more than this fraction: the slope "
        "would hang on an error that nobody measured",
    )
    factor_alarm_rate: Level = Field(
        0.05, description="largest rate of false alarms when a factor meets next month's pairs"
    )
    factor_cusum_k: Annotated[float, _number(ge=0, le=3)] = Field(
        0.5,
        description="reference value of the CUSUM over a factor's months, in standard deviations "
        "of the monthly mean error: half the shift that matters",
    )
    factor_cusum_h: Annotated[float, _number(ge=1, le=20)] = Field(
        4.5,
        description="decision interval of that CUSUM, same unit; with k 0.5 the mean time to a "
        "false alarm is about 280 months at 4.5, 168 at 4 and 465 at 5 (Brook & Evans 1972)",
    )
    holding_days: Annotated[int, _number(ge=1, le=36_500)] = Field(
        180, description="longest time from collection to analysis, days"
    )
    handover_hours: Annotated[float, _number(gt=0, le=876_000)] = Field(
        24.0, description="longest time between relinquished and received, hours"
    )
    mass_tolerance: Fraction = Field(
        0.05, description="largest loss of mass between dispatch and receipt, fraction"
    )
    shot_trend_level: Fraction = Field(
        0.01,
        description="LIBS: shots within the spots are told to rise or fall below this p-value "
        "(over all samples of one method and element together)",
    )
    shot_trend_size: Fraction = Field(
        0.10, description="LIBS: and only where last and first shots differ by this fraction"
    )
    rejected_share: Fraction = Field(
        0.25, description="LIBS: largest share of a sample's shots that may be rejected"
    )
    libs_spots: Count = Field(
        5, description="LIBS: fewest spots of a sample (common practice, no source)"
    )
    count_time_s: Annotated[float, _number(gt=0, le=86_400)] = Field(
        30.0, description="XRF: shortest count time of a reading, s (common practice, no source)"
    )
    detection_sigma: Positive = Field(
        3.0,
        description="XRF: a result below this many of its own standard deviations is not detected "
        "(US EPA Method 6200, section 9.6)",
    )
    quantitation_sigma: Positive = Field(
        10.0,
        description="XRF: below this many it is detected and not quantified (same source)",
    )
    moisture_pct: Annotated[float, _number(gt=0, le=100)] = Field(
        20.0,
        description="XRF: highest moisture of a specimen read moist, % (US EPA Method 6200, "
        "section 4.3: little error from 5 to 20 %)",
    )
    check_every_samples: Count = Field(
        20, description="most samples between two checks of a field instrument"
    )
    check_every_hours: Annotated[float, _number(gt=0, le=876_000)] = Field(
        2.0, description="longest time between two checks of a field instrument, hours"
    )
    certificate_level: Level = Field(
        0.01,
        description="certificates of one laboratory are told to differ against the field below "
        "this p-value (one-way analysis of variance of the pairs, and their trend by date)",
    )
    certificate_size: Fraction = Field(
        0.10,
        description="and only where one lies this fraction from the others, or moves so in 30 days",
    )
    operator_level: Level = Field(
        0.01,
        description="operators of one method are told to read differently below this p-value "
        "(one-way analysis of variance of the pairs of one stratum)",
    )
    operator_size: Fraction = Field(
        0.05, description="and only where one reads this fraction from the others"
    )
    drift_size: Fraction = Field(
        0.05, description="largest mean change of a control from first to last check of the day"
    )
    rate_reference_materials: Annotated[float, _number(ge=0, lt=1)] = Field(
        0.06,
        description="planned share of reference materials among samples and controls, each side "
        "(common practice, from memory)",
    )
    rate_blanks: Annotated[float, _number(ge=0, lt=1)] = Field(
        0.04, description="planned share of blanks, laboratory (common practice, from memory)"
    )
    rate_duplicates: Annotated[float, _number(ge=0, lt=1)] = Field(
        0.06, description="planned share of duplicates, laboratory (common practice, from memory)"
    )

    @model_validator(mode="after")
    def _in_order(self) -> Thresholds:
        _ordered(self, "recovery_low", "recovery_high")
        _ordered(self, "detection_sigma", "quantitation_sigma")
        _ordered(self, "false_negative_rate", "false_negative_bound")
        if self.rate_reference_materials + self.rate_blanks + self.rate_duplicates >= 1:
            raise ValueError(
                "rate_reference_materials, rate_blanks and rate_duplicates leave no samples: "
                "together they must be below 1"
            )
        return self


class ErrorSettings(Part):
    """Measurement errors where replicates cannot show them; never assumed silently."""

    lab_rsd: Fraction | None = Field(
        None, description="relative SD of a lab result, where no lab duplicates stand"
    )
    field_rsd: Fraction | None = Field(
        None, description="relative SD of a field mean, where no replicate shots stand"
    )


class LabSettings(Part):
    """Which of several laboratory results for one sample and element stands."""

    stands: tuple[str, ...] = Field(
        (),
        description="laboratories in order: where several answer for one sample and element, the "
        "first named stands and the others' results are check assays, compared laboratory against "
        "laboratory; empty: each laboratory is a comparison of its own",
    )
    best_value: tuple[str, ...] = Field(
        (),
        description="where several of these methods answer for one sample and element, the first "
        "named that quantifies it stands (the lab's code or the whole method); empty: keep apart",
    )
    over_range: Literal["superseded", "keep apart"] = Field(
        "superseded",
        description="a value above a method's range, where a re-assay gives the number: the "
        "number stands in its place and names both, or each method stays by itself",
    )
    over_range_methods: tuple[str, ...] = Field(
        (),
        description="methods that are over-range re-assays wherever they answer; empty: those that "
        "answer only for samples above the range of another method",
    )
    later_certificate: Literal["replaces", "replicate"] = Field(
        "replaces",
        description="a later certificate with results by the same laboratory and method: they "
        "replace the earlier ones of the same samples and elements, or are averaged with them",
    )

    @field_validator("best_value", "over_range_methods")
    @classmethod
    def _each_once(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        _unique(value, "the method")
        return value

    @field_validator("stands")
    @classmethod
    def _each_laboratory_once(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        _unique(value, "the laboratory")
        return value


class PairSettings(Part):
    """Which pairs count as independent of each other."""

    repeats: Literal["count once", "count each"] = Field(
        "count once",
        description="pairs of several samples whose laboratory and field rows agree in every "
        "result: one counts and the others point at it, or each counts as if it were independent",
    )
    repeat_chance: Annotated[float, _number(ge=1e-9, le=0.5)] = Field(
        0.01,
        description="rows that agree are repeats where so many such agreements, or fewer, are to "
        "be expected by chance among all of the month, by how often results agree in single "
        "elements; agreement in one element alone never does",
    )
    clusters: tuple[Literal["group", "determination", "batch"], ...] = Field(
        ("group", "determination", "batch"),
        description="what may make pairs alike, so that they are judged as fewer: the group (hole, "
        "heat, lot), one laboratory row behind several field readings, the laboratory's batch "
        "(certificate)",
    )
    fewest_batches: Annotated[int, _number(ge=2, le=1000)] = Field(
        6,
        description="fewest batches of a stratum that show how batches differ; below, the spread "
        "between months, as found or assumed, stands for them",
    )

    @field_validator("clusters")
    @classmethod
    def _each_once(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        _unique(value, "what makes clusters")
        return value


class EvidenceEvent(Part):
    """Something that happened to a method, with which its evidence begins anew."""

    on: date = Field(description="its day; months before the one that holds it are left out")
    what: Annotated[str, Field(min_length=1, max_length=200)] = Field(
        description="what happened, as the report says it: 'tube replaced'"
    )
    technique: str = Field("", description="LIBS or XRF; empty: both")
    instrument: str = Field("", description="serial of the instrument; empty: every one")
    element: str = Field("", description="symbol; empty: all")


class EvidenceSettings(Part):
    """Which earlier months a stratum is judged on beside the month in hand."""

    gather: bool = Field(
        True,
        description="judge a stratum on the pairs of earlier months' releases too; false: on the "
        "month's own alone",
    )
    months_back: Annotated[int, _number(ge=1, le=120)] = Field(
        12, description="how many months before the month in hand may count"
    )
    not_before: date | None = Field(
        None, description="months that end before this day do not count; empty: none is too old"
    )
    begins: tuple[EvidenceEvent, ...] = Field((), description="events that begin new evidence")
    assumed_spread: Annotated[float, _number(ge=0.01, le=10)] = Field(
        0.22,
        description="SD of the bias between months that is assumed before months show it, as a "
        "share of the bias margin; never nought (project's default, by simulation: with it at "
        "most 5 % are accepted wrongly where the true SD is up to half the margin)",
    )
    assumed_months: Annotated[float, _number(ge=1, le=1000)] = Field(
        4.0,
        description="how much the assumed SD weighs: as one that so many further months had shown",
    )
    after_change: Literal["begin anew", "keep"] = Field(
        "begin anew",
        description="after a step or a drift of the bias over months: 'begin anew' lets only the "
        "months from it on count, 'keep' lets all of them count; both say what was seen",
    )
    change_rate: Annotated[float, _number(ge=0.01, le=0.1)] = Field(
        0.05,
        description="chance of signalling a step or a drift in twelve months in which the bias "
        "stays, whatever the spread between months",
    )
    cusum_k: Annotated[float, _number(ge=0, le=3)] = Field(
        0.5,
        description="reference value of the CUSUM of the month's bias against what earlier months "
        "say, in standard deviations",
    )
    cusum_h: Annotated[float, _number(ge=1, le=20)] = Field(
        5.2,
        description="decision interval of that CUSUM, same unit; the page for the screen says "
        "its run length",
    )
    average_weight: Annotated[float, _number(ge=0.02, le=1)] = Field(
        0.25, description="weight of the last month in the exponentially weighted mean of the same"
    )
    average_limit: Annotated[float, _number(ge=1, le=10)] = Field(
        3.3,
        description="limit of that mean, in its own standard deviations; the page for the screen "
        "says its run length",
    )
    beside_like: Literal["off", "told", "decides"] = Field(
        "told",
        description="bias of a stratum beside those of other materials, and of other instruments "
        "of the technique with the same calibration: not looked at; told as a second opinion that "
        "decides nothing; or put in place of its own bias where results as read are judged, by "
        "the same criteria, whose chances then hold over like strata and not for each of them",
    )
    beyond_rate: Annotated[float, _number(ge=0.001, le=0.5)] = Field(
        0.05,
        description="largest chance that the bias of a coming month lies beyond the bias margin, "
        "by all that is known of the spread between months; acceptance asks for it",
    )

    @field_validator("begins")
    @classmethod
    def _known_elements(cls, value: tuple[EvidenceEvent, ...]) -> tuple[EvidenceEvent, ...]:
        _known_symbols(event.element for event in value if event.element)
        return value


class ColumnRule(Part):
    """What one column means, where the heading does not say."""

    means: str = Field(description="value, error, limit, ignore, or the name of a fact")
    element: str = Field("", description="element or oxide symbol, for value, error and limit")
    unit: str = Field("", description="unit of the column")
    sigma: Positive | None = Field(None, description="for error: how many standard deviations")
    method: str = Field("", description="method of the column")


def _compiles(pattern: str) -> str:
    try:
        re.compile(pattern)
    except (re.error, OverflowError, RecursionError) as error:
        raise ValueError(f"'{pattern}' is no regular expression: {error}") from error
    return pattern


#: A regular expression that can be compiled.
Expression = Annotated[str, AfterValidator(_compiles)]


class IdRule(Part):
    """A search-and-replace on ids as written (regular expression)."""

    find: Expression
    replace: str

    @model_validator(mode="after")
    def _replaces(self) -> IdRule:
        try:
            re.compile(self.find).sub(self.replace, "")
        except (re.error, IndexError) as error:
            raise ValueError(f"'{self.replace}' can't replace '{self.find}': {error}") from error
        return self


class KindRule(Part):
    """Rows that are no ordinary samples: blanks, reference materials, duplicates."""

    column: str = Field(description="heading, or the name of a fact")
    pattern: Expression = Field(description="regular expression that the whole cell must match")
    kind: Literal[
        "sample", "blank", "reference material", "duplicate", "check standard", "leave out"
    ]
    code: str = Field("", description="reference material code; empty: the id as written")
    duplicate_kind: Literal["", "field", "coarse", "pulp", "lab repeat"] = ""


class CellRules(Part):
    """How cells of this table are to be read where the table does not say."""

    decimal_mark: Literal["", ".", ","] = Field("", description="empty: found from the file")
    limit_from: Literal["", "error column"] = Field(
        "", description="where '<LOD' stands, the limit is the number in the error column"
    )
    negative: Literal["value", "below limit", "refuse"] = Field(
        "value", description="what a negative result means"
    )
    zero: Literal["unstated", "measured", "below limit", "no result"] = Field(
        "unstated",
        description="what a zero means; unstated: it is told at 'check', and pairs that rest on "
        "one are set aside",
    )
    below_words: tuple[str, ...] = Field((), description="further words for 'below the limit'")
    no_result_words: tuple[str, ...] = Field((), description="further words for 'not analysed'")
    averages: Literal["set aside", "keep"] = Field(
        "set aside",
        description="averages and spreads that an export adds below its readings: set aside and "
        "held against our own means, or kept as readings",
    )
    accepted_words: tuple[str, ...] = Field(
        (), description="further words of a status column for a reading that counts"
    )
    rejected_words: tuple[str, ...] = Field(
        (), description="further words of a status column for a reading that is set aside"
    )
    error_sigma: Positive | None = Field(
        None, description="how many standard deviations the error columns hold"
    )
    day_first: bool | None = Field(None, description="dates are day/month/year")
    lower_limits: dict[str, Positive] = Field(
        default_factory=dict, description="element = limit in the column's unit, where none stands"
    )


def _starred(text: str) -> str:
    if text.count("*") != 1 or not text.strip("* "):
        raise ValueError(
            f"'{text}' needs one '*', where the element stands, and the mark of the side beside it"
        )
    return text


#: A heading with a star for the element.
Starred = Annotated[str, AfterValidator(_starred)]


class RecordSettings(Part):
    """Where the records of a JSON or XML file stand, and which of their values are columns."""

    at: Annotated[str, Field(min_length=1, max_length=500)] = Field(
        description="path of the records from the outermost key or element, joined by points; "
        "lists on the way are walked through"
    )
    fields: dict[str, str] = Field(
        description="heading = path from the record; '^' goes one step up, '@name' is an attribute"
    )

    @field_validator("fields")
    @classmethod
    def _some_field(cls, value: dict[str, str]) -> dict[str, str]:
        if not value:
            raise ValueError("name at least one heading and its path")
        return value


#: A file name or pattern below the folder of the settings.
Pattern = Annotated[str, AfterValidator(patterns.checked)]


class TableSettings(Part):
    """One kind of file: where it lies and how it is read."""

    kind: Literal[
        "field", "lab", "sample register", "custody", "reference materials", "aliases",
        "corrections", "evidence", "specification limits", "instrument checks", "instruments",
        "laboratories",
    ]  # fmt: skip
    files: tuple[Pattern, ...] = Field(
        description="paths or patterns relative to this file; {period} stands for e.g. 2026-10"
    )
    name: Annotated[str, Field(max_length=100)] = Field("", description="short name for messages")
    required: bool = Field(
        True, description="a missing file is a serious finding; false: it is not told"
    )
    sheet: str | tuple[str, ...] = Field("", description="sheet name(s); empty: every sheet")
    layout: Literal["", "wide", "long"] = Field("", description="empty: found from the headings")
    heading_rows: Annotated[int, _number(ge=1, le=100)] | None = Field(
        None, description="number of heading rows; empty: found"
    )
    first_row: Annotated[int, _number(ge=1, le=1_048_576)] | None = Field(
        None, description="row of the first heading; empty: found"
    )
    final_line_end: Literal["present", "absent"] = Field(
        "present",
        description="whether the last line of these text files has a line end; where it lacks one "
        "that is present elsewhere, the last cell is not believed",
    )
    records: RecordSettings | None = Field(
        None, description="of JSON and XML files: where the records stand, and their columns"
    )
    unit: str = Field("", description="unit of result columns that name none")
    recalculate_to_dry: bool = Field(
        False,
        description="put results of moist rows on the dry basis by the moisture that each row "
        "states (% of the moist mass); rows that state none stay as they are",
    )
    largest_sum_pct: Positive = Field(
        102.0,
        description="largest sum of a row's results as reported, % (100 and room for rounding and "
        "uncertainty; common practice, no source)",
    )
    above_largest_sum: Literal["", "refuse", "tell"] = Field(
        "",
        description="a row above largest_sum_pct: refuse it, or tell it and keep it; empty: told "
        "for LIBS, whose single shots need not close to 100 %, refused elsewhere",
    )
    mean_above_largest_sum: Literal["tell", "keep out"] = Field(
        "tell",
        description="a sample whose mean adds up to more than largest_sum_pct, where its rows are "
        "told: named as a finding, or its pairs kept out of the statistics too",
    )
    only: tuple[str, ...] = Field((), description="elements to read; empty: all that are found")
    columns: dict[str, str | ColumnRule] = Field(
        default_factory=dict, description="heading = meaning"
    )
    take: tuple[Starred, ...] = Field(
        (),
        description="of a table that holds both sides, the headings of this side's results, '*' "
        "standing for the element: 'pXRF_*', '*_icp'; other results are left to another table, "
        "and rows without a result of this side are set aside. Empty: all results",
    )
    fixed: dict[str, str | Annotated[float, _number()]] = Field(
        default_factory=dict, description="facts that hold for every row"
    )
    sample_id_template: str = Field("", description="builds the id from headings: 'C1-{upper}'")
    sample_id_rules: tuple[IdRule, ...] = ()
    kind_rules: tuple[KindRule, ...] = ()
    look_up: Literal["", "lab_id"] = Field(
        "", description="ids in this table are lab ids, looked up in the sample register"
    )
    cells: CellRules = CellRules()

    @field_validator("files")
    @classmethod
    def _some_file(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if not value:
            raise ValueError("name at least one file or pattern")
        return value


class ConformitySettings(Part):
    """How results are judged against a table of specification limits."""

    rule: Literal["simple acceptance", "guarded acceptance", "guarded rejection"] = Field(
        "guarded acceptance", description="decision rule (JCGM 106:2012, section 8)"
    )
    guard_factor: Annotated[float, _number(ge=0, le=5)] = Field(
        1.0, description="guard band over the expanded uncertainty, w = factor x U (ILAC-G8)"
    )
    place_level: Level = Field(
        0.01,
        description="places of one part are tested for a difference at this level, element by "
        "element (t test with replicates; else generalised ESD, Rosner 1983, and two groups, "
        "half of the level each)",
    )
    place_size: Fraction = Field(
        0.05, description="and told only where a place lies this fraction from the others"
    )
    specimen_forms: tuple[str, ...] = Field(
        (), description="specimen forms that are judged against the limits; empty: all"
    )


class SheetSettings(Part):
    """Result sheets of field-only samples; costs in one currency, none is needed."""

    spots_share: Annotated[float, _number(gt=0, le=1)] = Field(
        0.5,
        description="fewest spots (or readings) of a field-only sample, as a share of those that a "
        "sample of the evidence has",
    )
    check_share: Annotated[float, _number(ge=0, le=1)] = Field(
        0.10,
        description="share of the samples with a decision that are sent to the laboratory too, at "
        "random, so that the sheet can be scored",
    )
    assay_cost: Positive | None = Field(None, description="cost of the assay of one sample")
    missed_cost: Positive | None = Field(
        None, description="cost of one missed sample: called on the side where nobody acts"
    )
    false_alarm_cost: Positive | None = Field(None, description="cost of one false alarm")
    currency: Annotated[str, Field(max_length=20)] = Field("", description="currency of the costs")


Millimetres = Annotated[float, _number(ge=0, le=280)]


class LabelSettings(Part):
    """The sheet on which sample labels are printed; millimetres. Defaults fit A4 and Letter."""

    columns: Annotated[int, _number(ge=1, le=20)] = Field(3, description="labels side by side")
    rows: Annotated[int, _number(ge=1, le=60)] = Field(8, description="labels one below the other")
    width_mm: Annotated[float, _number(ge=20, le=280)] = Field(64.0, description="width of a label")
    height_mm: Annotated[float, _number(ge=10, le=280)] = Field(
        33.0, description="height of a label"
    )
    left_mm: Millimetres = Field(6.0, description="from the paper's left edge")
    top_mm: Millimetres = Field(8.0, description="from the paper's upper edge")
    gap_x_mm: Millimetres = Field(3.0, description="between columns")
    gap_y_mm: Millimetres = Field(0.0, description="between rows")
    outline: bool = Field(True, description="draw thin lines to cut along")


def _check_cron(text: str) -> None:
    """Raises ValueError where the scheduler would not take the text, or it never fires."""
    try:  # the copy that the scheduler carries, or what its earlier releases depend on
        croniter: Any = import_module("prefect._vendor.croniter").croniter
    except ImportError:
        croniter = import_module("croniter").croniter
    # seconds and random times mean nothing for a month
    random = re.search(r"(?i)(?<![a-z])[rh](?![a-z])", text)
    if len(text.split()) != 5 or random or not croniter.is_valid(text):
        raise ValueError(
            f"'{text}' is no schedule: write minute, hour, day, month and weekday, as '0 6 3 * *'"
        )
    try:
        croniter(text, datetime(2026, 1, 1, tzinfo=UTC)).get_next()
    except ValueError as error:
        raise ValueError(f"'{text}' never comes: there is no such day") from error


class ScheduleSettings(Part):
    """When the monthly flow runs."""

    cron: str = Field("0 6 3 * *", description="minute hour day month weekday")
    retries: Annotated[int, _number(ge=0, le=1000)] = Field(2, description="retries of each step")
    retry_seconds: Annotated[float, _number(ge=0, le=86_400)] = Field(
        10.0, description="wait before a retry, s"
    )
    busy_retries: Annotated[int, _number(ge=0, le=100_000)] = Field(
        60, description="how often a workspace that another run holds is tried again"
    )
    busy_seconds: Annotated[float, _number(ge=0, le=86_400)] = Field(
        60.0, description="wait before a held workspace is tried again, s"
    )

    catch_up: Literal["tell", "run"] = Field(
        "tell",
        description="when the schedule begins: months that have files and no release are told, or "
        "run too",
    )

    @field_validator("cron")
    @classmethod
    def _fires(cls, value: str) -> str:
        if value != cls.model_fields["cron"].default:  # else the scheduler need not be loaded
            _check_cron(value)
        return value


class EngineSettings(Part):
    """What the database may use of this machine; no result depends on it."""

    memory_gb: Annotated[float, _number(ge=0.1, le=10_000)] | None = Field(
        None, description="memory that the database may use, GB; else four fifths of the machine's"
    )
    threads: Annotated[int, _number(ge=1, le=1024)] | None = Field(
        None, description="threads of the database; else one for each core"
    )
    temp_folder: Annotated[str, Field(max_length=250)] = Field(
        "", description="where the database puts what its memory does not hold, relative to this "
        "file; empty: beside the store",
    )  # fmt: skip


class PeopleSettings(Part):
    """Who may act, and how times that persons state are checked."""

    file: Pattern = Field("people.csv", description="register of people, relative to this file")
    clock_minutes: Annotated[float, _number(ge=0, le=1440)] = Field(
        10.0, description="how far a stated time may be ahead of this machine's clock, minutes"
    )


class Settings(Part):
    """The whole ``reconcile.toml``."""

    workspace: WorkspaceSettings = WorkspaceSettings()
    report: ReportSettings = ReportSettings()
    element: dict[str, ElementSettings] = Field(
        default_factory=dict,
        description="what holds for single elements; which are compared, [workspace] says",
    )
    thresholds: Thresholds = Thresholds()
    errors: ErrorSettings = ErrorSettings()
    lab: LabSettings = LabSettings()
    pairs: PairSettings = PairSettings()
    evidence: EvidenceSettings = EvidenceSettings()
    pool: tuple[
        Literal["specimen_form", "moisture_basis", "pair_type", "instrument", "calibration"], ...
    ] = Field(
        (), description="facts that do not divide strata where the test of pooling_alpha allows it"
    )
    leave_out: dict[str, str] = Field(
        default_factory=dict,
        description="sample id, or 'id/Element' = reason; shown with and without",
    )
    table: tuple[TableSettings, ...] = ()
    schedule: ScheduleSettings = ScheduleSettings()
    labels: LabelSettings = LabelSettings()
    conformity: ConformitySettings = ConformitySettings()
    sheet: SheetSettings = SheetSettings()
    people: PeopleSettings = PeopleSettings()
    engine: EngineSettings = EngineSettings()

    @field_validator("element")
    @classmethod
    def _known_elements(cls, value: dict[str, ElementSettings]) -> dict[str, ElementSettings]:
        _known_symbols(value)
        return value

    @field_validator("pool")
    @classmethod
    def _each_once(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        _unique(value, "the fact")
        return value

    @field_validator("leave_out")
    @classmethod
    def _with_reason(cls, value: dict[str, str]) -> dict[str, str]:
        for key, why in value.items():
            if not key.strip() or not why.strip():
                raise ValueError(f"'{key}' needs a sample id and the reason")
            if len(key) > 100 or len(why) > 500:
                raise ValueError("a sample id of at most 100, a reason of at most 500 characters")
        return value

    @field_validator("table")
    @classmethod
    def _named_once(cls, value: tuple[TableSettings, ...]) -> tuple[TableSettings, ...]:
        _unique((table.name for table in value if table.name), "the name")
        return value

    def of(self, element: str, matrix: str = "") -> ElementSettings | None:
        """What holds for an element in a matrix; None where the settings do not name it.

        Levels that the matrix does not state are the element's, put into the matrix's unit.
        """
        general = self.element.get(element)
        if general is None or (own := general.matrix.get(matrix)) is None:
            return general
        unit = own.unit or general.unit
        levels = own.levels
        if levels is None:
            ratio = display_factor(unit) / display_factor(general.unit)
            levels = tuple(
                level.model_copy(update={"value": level.value * ratio}) for level in general.levels
            )
        return ElementSettings(
            unit=unit,
            levels=levels,
            margin=own.margin or general.margin,
            precious=general.precious if own.precious is None else own.precious,
        )

    def limits_of(self, element: str, matrix: str = "", metal: bool = False) -> Thresholds:
        """The thresholds with the limits of controls that hold for an element in a material.

        The matrix's own stand before the element's, these before those of metal (a solid
        without moisture), these before the general ones.
        """
        t = self.thresholds
        own: dict[str, float] = {}
        if metal:
            own = {"recovery_low": t.metal_recovery_low, "recovery_high": t.metal_recovery_high}
        if (general := self.element.get(element)) is not None:
            own |= general.limits
            if (of_matrix := general.matrix.get(matrix)) is not None:
                own |= of_matrix.limits
        return t.model_copy(update=own) if own else t

    @model_validator(mode="after")
    def _some_table(self) -> Settings:
        kinds = {table.kind for table in self.table}
        for needed in ("field", "lab"):
            if needed not in kinds:
                raise ValueError(
                    f'no [[table]] with kind = "{needed}"; a reconciliation needs at least one'
                )
        return self
