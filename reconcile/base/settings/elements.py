"""What holds for one element, or for one element in one matrix: unit, levels, limits."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from reconcile.base.quantities import display_factor
from reconcile.base.settings.parts import (
    Fraction,
    Level,
    Name,
    Part,
    Positive,
    number,
    ordered,
    unique,
)


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


def levels_in(unit: str, levels: tuple[DecisionLevel, ...]) -> None:
    """Raises ValueError where two levels have one name, or one is more than there can be."""
    unique((level.name for level in levels), "the decision level")
    for level in levels:
        if level.value / display_factor(unit) > 1e6:
            raise ValueError(
                f"the decision level '{level.name}' is above 100 % ({level.value:g} {unit})"
            )


class ControlLimits(Part):
    """Limits of controls that hold for one element, or for one element in one matrix."""

    recovery_low: Annotated[float, number(gt=0, le=10)] | None = Field(
        None, description="lowest recovery of a reference material; else the general one"
    )
    recovery_high: Annotated[float, number(gt=0, le=10)] | None = Field(
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
    holding_days: Annotated[int, number(ge=1, le=36_500)] | None = Field(
        None, description="longest time from collection to analysis, days; else the general one"
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        ordered(self, "recovery_low", "recovery_high")
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
        levels_in(self.unit, self.levels)
        for own in self.matrix.values():
            levels_in(own.unit or self.unit, own.levels or ())
        return self
