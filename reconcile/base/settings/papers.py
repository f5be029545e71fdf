"""Certificates of material, result sheets and labels."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from reconcile.base.settings.parts import Fraction, Level, Part, Positive, number


class ConformitySettings(Part):
    """How results are judged against a table of specification limits."""

    rule: Literal["simple acceptance", "guarded acceptance", "guarded rejection"] = Field(
        "guarded acceptance", description="decision rule (JCGM 106:2012, section 8)"
    )
    guard_factor: Annotated[float, number(ge=0, le=5)] = Field(
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

    spots_share: Annotated[float, number(gt=0, le=1)] = Field(
        0.5,
        description="fewest spots (or readings) of a field-only sample, as a share of those that a "
        "sample of the evidence has",
    )
    check_share: Annotated[float, number(ge=0, le=1)] = Field(
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


Millimetres = Annotated[float, number(ge=0, le=280)]


class LabelSettings(Part):
    """The sheet on which sample labels are printed; millimetres. Defaults fit A4 and Letter."""

    columns: Annotated[int, number(ge=1, le=20)] = Field(3, description="labels side by side")
    rows: Annotated[int, number(ge=1, le=60)] = Field(8, description="labels one below the other")
    width_mm: Annotated[float, number(ge=20, le=280)] = Field(64.0, description="width of a label")
    height_mm: Annotated[float, number(ge=10, le=280)] = Field(
        33.0, description="height of a label"
    )
    left_mm: Millimetres = Field(6.0, description="from the paper's left edge")
    top_mm: Millimetres = Field(8.0, description="from the paper's upper edge")
    gap_x_mm: Millimetres = Field(3.0, description="between columns")
    gap_y_mm: Millimetres = Field(0.0, description="between rows")
    outline: bool = Field(True, description="draw thin lines to cut along")
