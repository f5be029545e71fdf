"""Which folder this is, whom its report is for, when it runs, on what, and who may do what."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from functools import cache
from importlib import import_module, resources
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from reconcile.base.nearest import meant
from reconcile.base.settings.parts import Fraction, Part, Pattern, Words, known_symbols, number

#: Name of the setting that chooses elements, as findings and the report call it.
ELEMENTS_SETTING = "workspace.elements"


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
    inputs: Annotated[str, Field(max_length=500)] = Field(
        "",
        description="address of the input files on object storage (s3://…, gs://…, file://…); a "
        "run brings them into the folder first; empty: they lie there",
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
        return tuple(known_symbols(value))

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in _zones():
            raise ValueError(
                f"'{value}' is not a known time zone{meant(value, _zones())}; write a name such as "
                "'Africa/Accra' or 'UTC'"
            )
        return value

    @field_validator("inputs")
    @classmethod
    def _an_address(cls, value: str) -> str:
        if value and "://" not in value:
            raise ValueError("write an address, such as s3://bucket/north-pit")
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
    own_pages: Annotated[int, number(ge=0, le=1000)] = Field(
        6,
        description="strata with a page of their own in the report at most, the most pressing "
        "first; the others stand in brief, and all in the audit volume",
    )
    page_pairs: Annotated[int, number(ge=0, le=1_000_000)] = Field(
        300,
        description="pairs of one stratum in the page's tables at most; the table of pairs "
        "holds all",
    )
    page_at_once: Annotated[int, number(ge=0, le=1_000_000)] = Field(
        200,
        description="pairs of a stratum up to which the page holds its plots and its pairs "
        "as they are shown; those of larger strata are packed and drawn when they are opened",
    )
    csv_pairs: Annotated[int, number(ge=0, le=10_000_000)] = Field(
        20_000,
        description="pairs of a release up to which its table of pairs is pairs.csv; a longer "
        "one is pairs.parquet, and 'run --only pairs' writes it as CSV",
    )
    workbook_pairs: Annotated[int, number(ge=0, le=1_000_000)] = Field(
        20_000,
        description="pairs in each of the workbook's sheets of pairs at most, whole strata in "
        "order; the table of pairs holds all",
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
    retries: Annotated[int, number(ge=0, le=1000)] = Field(2, description="retries of each step")
    retry_seconds: Annotated[float, number(ge=0, le=86_400)] = Field(
        10.0, description="wait before a retry, s"
    )
    busy_retries: Annotated[int, number(ge=0, le=100_000)] = Field(
        60, description="how often a workspace that another run holds is tried again"
    )
    busy_seconds: Annotated[float, number(ge=0, le=86_400)] = Field(
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

    memory_gb: Annotated[float, number(ge=0.1, le=10_000)] | None = Field(
        None, description="memory that the database may use, GB; else four fifths of the machine's"
    )
    threads: Annotated[int, number(ge=1, le=1024)] | None = Field(
        None, description="threads of the database; else one for each core"
    )
    temp_folder: Annotated[str, Field(max_length=250)] = Field(
        "", description="where the database puts what its memory does not hold, relative to this "
        "file; empty: beside the store",
    )  # fmt: skip


class PeopleSettings(Part):
    """Who may act, and how times that persons state are checked."""

    file: Pattern = Field("people.csv", description="register of people, relative to this file")
    clock_minutes: Annotated[float, number(ge=0, le=1440)] = Field(
        10.0, description="how far a stated time may be ahead of this machine's clock, minutes"
    )
