"""Which results stand, which pairs count, and which months are evidence."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field, field_validator

from reconcile.base.settings.parts import Part, known_symbols, number, unique


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
        unique(value, "the method")
        return value

    @field_validator("stands")
    @classmethod
    def _each_laboratory_once(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        unique(value, "the laboratory")
        return value


class PairSettings(Part):
    """Which pairs count as independent of each other."""

    repeats: Literal["count once", "count each"] = Field(
        "count once",
        description="pairs of several samples whose laboratory and field rows agree in every "
        "result: one counts and the others point at it, or each counts as if it were independent",
    )
    repeat_chance: Annotated[float, number(ge=1e-9, le=0.5)] = Field(
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
    fewest_batches: Annotated[int, number(ge=2, le=1000)] = Field(
        6,
        description="fewest batches of a stratum that show how batches differ; below, the spread "
        "between months, as found or assumed, stands for them",
    )

    @field_validator("clusters")
    @classmethod
    def _each_once(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        unique(value, "what makes clusters")
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
    months_back: Annotated[int, number(ge=1, le=120)] = Field(
        12, description="how many months before the month in hand may count"
    )
    not_before: date | None = Field(
        None, description="months that end before this day do not count; empty: none is too old"
    )
    begins: tuple[EvidenceEvent, ...] = Field((), description="events that begin new evidence")
    assumed_spread: Annotated[float, number(ge=0.01, le=10)] = Field(
        0.22,
        description="SD of the bias between months that is assumed before months show it, as a "
        "share of the bias margin; never nought (project's default, by simulation: with it at "
        "most 5 % are accepted wrongly where the true SD is up to half the margin)",
    )
    assumed_months: Annotated[float, number(ge=1, le=1000)] = Field(
        4.0,
        description="how much the assumed SD weighs: as one that so many further months had shown",
    )
    after_change: Literal["begin anew", "keep"] = Field(
        "begin anew",
        description="after a step or a drift of the bias over months: 'begin anew' lets only the "
        "months from it on count, 'keep' lets all of them count; both say what was seen",
    )
    change_rate: Annotated[float, number(ge=0.01, le=0.1)] = Field(
        0.05,
        description="chance of signalling a step or a drift in twelve months in which the bias "
        "stays, whatever the spread between months",
    )
    cusum_k: Annotated[float, number(ge=0, le=3)] = Field(
        0.5,
        description="reference value of the CUSUM of the month's bias against what earlier months "
        "say, in standard deviations",
    )
    cusum_h: Annotated[float, number(ge=1, le=20)] = Field(
        5.2,
        description="decision interval of that CUSUM, same unit; the page for the screen says "
        "its run length",
    )
    average_weight: Annotated[float, number(ge=0.02, le=1)] = Field(
        0.25, description="weight of the last month in the exponentially weighted mean of the same"
    )
    average_limit: Annotated[float, number(ge=1, le=10)] = Field(
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
    beyond_rate: Annotated[float, number(ge=0.001, le=0.5)] = Field(
        0.05,
        description="largest chance that the bias of a coming month lies beyond the bias margin, "
        "by all that is known of the spread between months; acceptance asks for it",
    )

    @field_validator("begins")
    @classmethod
    def _known_elements(cls, value: tuple[EvidenceEvent, ...]) -> tuple[EvidenceEvent, ...]:
        known_symbols(event.element for event in value if event.element)
        return value
