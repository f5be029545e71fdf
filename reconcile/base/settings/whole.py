"""The whole ``reconcile.toml``: every threshold has a name, a default and a meaning.

The models only describe and check; finding files is the workspace's work.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from reconcile.base.quantities import display_factor
from reconcile.base.settings.elements import ElementSettings
from reconcile.base.settings.pairs import EvidenceSettings, LabSettings, PairSettings
from reconcile.base.settings.papers import ConformitySettings, LabelSettings, SheetSettings
from reconcile.base.settings.parts import Part, known_symbols, unique
from reconcile.base.settings.tables import TableSettings
from reconcile.base.settings.thresholds import ErrorSettings, Thresholds
from reconcile.base.settings.workspace import (
    EngineSettings,
    PeopleSettings,
    ReportSettings,
    ScheduleSettings,
    WorkspaceSettings,
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
        known_symbols(value)
        return value

    @field_validator("pool")
    @classmethod
    def _each_once(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        unique(value, "the fact")
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
        unique((table.name for table in value if table.name), "the name")
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
