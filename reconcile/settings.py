"""The settings in ``reconcile.toml``: every threshold has a name, a default and a meaning.

The models only describe and check; finding files is the workspace's work.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator, model_validator

from reconcile.quantities import ELEMENTS, display_factor

Fraction = Annotated[float, Field(gt=0, lt=1)]
Positive = Annotated[float, Field(gt=0)]


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

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class WorkspaceSettings(Part):
    """Which folder this is."""

    title: str = Field("Field to laboratory reconciliation", description="title of the report")
    time_zone: str = Field("UTC", description="zone of times that carry none")
    assign_rows_by: Literal["field time", "lab time", "nothing"] = Field(
        "field time",
        description="which time puts a sample into a period; 'nothing' takes every row",
    )
    elements: tuple[str, ...] = Field(
        (), description="elements to compare; empty: all that both sides have"
    )
    output: str = Field("out", description="folder for releases, relative to this file")

    @field_validator("elements")
    @classmethod
    def _symbols(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(_known_symbols(value))

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (KeyError, ValueError, OSError) as error:
            raise ValueError(
                f"'{value}' is not a known time zone; write a name such as 'Africa/Accra' or 'UTC'"
            ) from error
        return value


class ReportSettings(Part):
    """Whom the report is for and how it looks."""

    prepared_for: str = Field("", description="client or reader")
    prepared_by: str = Field("", description="who prepares")
    purpose: str = Field(
        "screening", description="what field-only results are meant for (stated before the data)"
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


def _shown_in(unit: str) -> str:
    display_factor(unit)  # raises ValueError, which tells the units that there are
    return unit


#: A unit in which a mass fraction can be shown.
ShownUnit = Annotated[str, AfterValidator(_shown_in)]


class DecisionLevel(Part):
    """A value at which someone acts."""

    name: str
    value: Positive
    acts: Literal["at or above", "below"] = Field(
        "at or above", description="on which side of the level someone acts"
    )


class MatrixSettings(Part):
    """What is shown and decided otherwise for one element in one matrix."""

    unit: ShownUnit | None = Field(None, description="unit for the reader; else the element's")
    levels: tuple[DecisionLevel, ...] | None = Field(
        None, description="decision levels in that unit; else the element's, in its own unit"
    )
    margin: Fraction | None = Field(None, description="largest bias accepted; else the element's")
    precious: bool | None = Field(None, description="laboratory only by default; else as stated")


class ElementSettings(Part):
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


class Thresholds(Part):
    """Every number that a verdict or a flag rests on."""

    confidence: Fraction = Field(0.95, description="confidence level of every interval")
    bias_margin: Fraction = Field(
        0.10, description="largest bias (field/lab - 1) accepted as equal, agreed before the data"
    )
    equivalence_alpha: Fraction = Field(
        0.05, description="size of each of the two one-sided tests of equivalence"
    )
    share_margin: Fraction = Field(
        0.20, description="share of pairs within this fraction of the lab value is reported"
    )
    agreement_span: Positive = Field(
        0.40,
        description="widest accepted half width of the relative limits of agreement, fraction",
    )
    minimum_pairs: Annotated[int, Field(ge=3)] = Field(
        20, description="fewest used pairs on which a verdict other than 'insufficient' rests"
    )
    pairs_per_third: Annotated[int, Field(ge=0)] = Field(
        3, description="fewest used pairs in each third of the range between lowest and highest"
    )
    censored_share: Fraction = Field(
        0.40, description="largest share of censored pairs at which a verdict is given"
    )
    lab_limit_multiple: Annotated[float, Field(ge=0)] = Field(
        0.0,
        description="pairs enter the statistics from this multiple of the lab's lower limit",
    )
    false_negative_rate: Fraction = Field(
        0.05, description="largest accepted false-negative rate at a decision level"
    )
    false_negative_bound: Fraction | None = Field(
        None,
        description="largest accepted upper end of that rate's interval; empty: shown, not asked",
    )
    pooling_alpha: Fraction = Field(
        0.05,
        description="strata named under pool stay apart where slopes or offsets differ with a "
        "p-value below this (analysis of covariance)",
    )
    lab_error_ratio_flag: Positive = Field(
        0.20, description="ordinary least squares is flagged above this error/spread of the lab"
    )
    recovery_low: Positive = Field(0.80, description="lowest accepted recovery, field control")
    recovery_high: Positive = Field(1.20, description="highest accepted recovery, field control")
    lab_zeta: Positive = Field(
        3.0, description="largest accepted |zeta| of a lab reference material"
    )
    blank_multiple: Positive = Field(
        3.0, description="a blank may not exceed this multiple of the lower limit"
    )
    duplicate_cv: Fraction = Field(
        0.15, description="largest accepted CV_RMS of lab duplicates, fraction"
    )
    lead_to_arsenic: Positive = Field(
        10.0, description="from this Pb:As ratio on, an XRF arsenic value is not used"
    )
    fault_tolerance: Fraction = Field(
        0.03, description="a median ratio this near an oxide factor or power of ten is a fault"
    )
    factor_valid_months: Annotated[int, Field(ge=1)] = Field(
        3, description="months for which a correction factor stands"
    )
    controls_required: bool = Field(
        False,
        description="no verdict but 'insufficient' where no reference material was in control on "
        "both sides; otherwise the verdict's reason says so",
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
    factor_alarm_rate: Fraction = Field(
        0.05, description="largest rate of false alarms when a factor meets next month's pairs"
    )
    holding_days: Annotated[int, Field(ge=1)] = Field(
        180, description="longest time from collection to analysis, days"
    )
    handover_hours: Positive = Field(
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
    libs_spots: Annotated[int, Field(ge=1)] = Field(
        5, description="LIBS: fewest spots of a sample (common practice, no source)"
    )
    count_time_s: Positive = Field(
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
    moisture_pct: Positive = Field(
        20.0,
        description="XRF: highest moisture of a specimen read moist, % (US EPA Method 6200, "
        "section 4.3: little error from 5 to 20 %)",
    )
    check_every_samples: Annotated[int, Field(ge=1)] = Field(
        20, description="most samples between two checks of a field instrument"
    )
    check_every_hours: Positive = Field(
        2.0, description="longest time between two checks of a field instrument, hours"
    )
    drift_size: Fraction = Field(
        0.05, description="largest mean change of a control from first to last check of the day"
    )
    rate_reference_materials: Annotated[float, Field(ge=0, lt=1)] = Field(
        0.06,
        description="planned share of reference materials among samples and controls, each side "
        "(common practice, from memory)",
    )
    rate_blanks: Annotated[float, Field(ge=0, lt=1)] = Field(
        0.04, description="planned share of blanks, laboratory (common practice, from memory)"
    )
    rate_duplicates: Annotated[float, Field(ge=0, lt=1)] = Field(
        0.06, description="planned share of duplicates, laboratory (common practice, from memory)"
    )


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


class ColumnRule(Part):
    """What one column means, where the heading does not say."""

    means: str = Field(description="value, error, limit, ignore, or the name of a fact")
    element: str = Field("", description="element or oxide symbol, for value, error and limit")
    unit: str = Field("", description="unit of the column")
    sigma: Positive | None = Field(None, description="for error: how many standard deviations")
    method: str = Field("", description="method of the column")


class IdRule(Part):
    """A search-and-replace on ids as written (regular expression)."""

    find: str
    replace: str


class KindRule(Part):
    """Rows that are no ordinary samples: blanks, reference materials, duplicates."""

    column: str = Field(description="heading, or the name of a fact")
    pattern: str = Field(description="regular expression that the whole cell must match")
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
    zero: Literal["value", "below limit", "no result"] = Field(
        "value", description="what a zero means"
    )
    below_words: tuple[str, ...] = Field((), description="further words for 'below the limit'")
    no_result_words: tuple[str, ...] = Field((), description="further words for 'not analysed'")
    error_sigma: Positive | None = Field(
        None, description="how many standard deviations the error columns hold"
    )
    day_first: bool | None = Field(None, description="dates are day/month/year")
    lower_limits: dict[str, float] = Field(
        default_factory=dict, description="element = limit in the column's unit, where none stands"
    )


class TableSettings(Part):
    """One kind of file: where it lies and how it is read."""

    kind: Literal[
        "field", "lab", "sample register", "custody", "reference materials", "aliases",
        "corrections", "evidence", "specification limits",
    ]  # fmt: skip
    files: tuple[str, ...] = Field(
        description="paths or patterns relative to this file; {period} stands for e.g. 2026-10"
    )
    name: str = Field("", description="short name for messages")
    required: bool = Field(True, description="a missing file stops the run")
    sheet: str | tuple[str, ...] = Field("", description="sheet name(s); empty: every sheet")
    layout: Literal["", "wide", "long"] = Field("", description="empty: found from the headings")
    heading_rows: Annotated[int, Field(ge=1)] | None = Field(
        None, description="number of heading rows; empty: found"
    )
    first_row: Annotated[int, Field(ge=1)] | None = Field(
        None, description="row of the first heading; empty: found"
    )
    unit: str = Field("", description="unit of result columns that name none")
    recalculate_to_dry: bool = Field(
        False,
        description="put results of moist rows on the dry basis by the moisture that each row "
        "states (% of the moist mass); rows that state none stay as they are",
    )
    largest_sum_pct: Positive = Field(
        102.0,
        description="largest sum of a row's results as reported, %; above it the row is refused "
        "(100 and room for rounding and uncertainty; common practice, no source)",
    )
    only: tuple[str, ...] = Field((), description="elements to read; empty: all that are found")
    columns: dict[str, str | ColumnRule] = Field(
        default_factory=dict, description="heading = meaning"
    )
    fixed: dict[str, str | float] = Field(
        default_factory=dict, description="facts that hold for every row"
    )
    sample_id_template: str = Field("", description="builds the id from headings: 'C1-{upper}'")
    sample_id_rules: tuple[IdRule, ...] = ()
    kind_rules: tuple[KindRule, ...] = ()
    look_up: Literal["", "lab_id"] = Field(
        "", description="ids in this table are lab ids, looked up in the sample register"
    )
    cells: CellRules = CellRules()


class ConformitySettings(Part):
    """How results are judged against a table of specification limits."""

    rule: Literal["simple acceptance", "guarded acceptance", "guarded rejection"] = Field(
        "guarded acceptance", description="decision rule (JCGM 106:2012, section 8)"
    )
    guard_factor: Annotated[float, Field(ge=0, le=5)] = Field(
        1.0, description="guard band over the expanded uncertainty, w = factor x U (ILAC-G8)"
    )
    specimen_forms: tuple[str, ...] = Field(
        (), description="specimen forms that are judged against the limits; empty: all"
    )


class LabelSettings(Part):
    """The sheet on which sample labels are printed; millimetres. Defaults fit A4 and Letter."""

    columns: Annotated[int, Field(ge=1, le=20)] = Field(3, description="labels side by side")
    rows: Annotated[int, Field(ge=1, le=60)] = Field(8, description="labels one below the other")
    width_mm: Annotated[float, Field(ge=20, le=280)] = Field(64.0, description="width of a label")
    height_mm: Annotated[float, Field(ge=10, le=280)] = Field(33.0, description="height of a label")
    left_mm: Annotated[float, Field(ge=0)] = Field(6.0, description="from the paper's left edge")
    top_mm: Annotated[float, Field(ge=0)] = Field(8.0, description="from the paper's upper edge")
    gap_x_mm: Annotated[float, Field(ge=0)] = Field(3.0, description="between columns")
    gap_y_mm: Annotated[float, Field(ge=0)] = Field(0.0, description="between rows")
    outline: bool = Field(True, description="draw thin lines to cut along")


class ScheduleSettings(Part):
    """When the monthly flow runs."""

    cron: str = Field("0 6 3 * *", description="minute hour day month weekday")
    retries: Annotated[int, Field(ge=0)] = Field(2, description="retries of each step")
    retry_seconds: Annotated[float, Field(ge=0)] = Field(10.0, description="wait before a retry")
    busy_retries: Annotated[int, Field(ge=0)] = Field(
        60, description="how often a workspace that another run holds is tried again"
    )
    busy_seconds: Annotated[float, Field(ge=0)] = Field(
        60.0, description="wait before a held workspace is tried again, s"
    )


class PeopleSettings(Part):
    """Who may act, and how times that persons state are checked."""

    file: str = Field("people.csv", description="register of people, relative to this file")
    clock_minutes: Annotated[float, Field(ge=0, le=1440)] = Field(
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
    people: PeopleSettings = PeopleSettings()

    @field_validator("element")
    @classmethod
    def _known_elements(cls, value: dict[str, ElementSettings]) -> dict[str, ElementSettings]:
        _known_symbols(value)
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

    @model_validator(mode="after")
    def _some_table(self) -> Settings:
        kinds = {table.kind for table in self.table}
        for needed in ("field", "lab"):
            if needed not in kinds:
                raise ValueError(
                    f'no [[table]] with kind = "{needed}"; a reconciliation needs at least one'
                )
        return self
