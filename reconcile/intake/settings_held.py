"""Every setting that holds: its value, its meaning, and whether a line of the file states it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from pydantic import BaseModel

from reconcile.base.settings.whole import Settings
from reconcile.intake.toml_lines import Path

_REPEATED = ("element", "table")


@dataclass(frozen=True, slots=True)
class Held:
    """One setting."""

    name: str  # such as thresholds.bias_margin, or table.1.files; entries are counted from 1
    value: object
    line: int  # of the file; 0 where the default holds
    meaning: str


def held(settings: Settings, lines: Mapping[Path, int]) -> tuple[Held, ...]:
    """Every setting in the order of the models; ``lines`` of the file that states them.

    Of elements and tables what is neither stated nor has a value holds for nothing: left out.
    """
    return tuple(
        setting
        for part in type(settings).model_fields
        for setting in _of_part(settings, (), lines, part)
        if setting.line or part not in _REPEATED or setting.value not in (None, "", (), {})
    )


def _of_part(
    part: BaseModel, at: Path, lines: Mapping[Path, int], only: str = ""
) -> Iterator[Held]:
    for name, field in type(part).model_fields.items():
        if only and name != only:
            continue
        yield from _of_value(
            getattr(part, name), (*at, name), lines, field.description or type(part).__doc__ or ""
        )


def _of_value(value: object, at: Path, lines: Mapping[Path, int], meaning: str) -> Iterator[Held]:
    if isinstance(value, BaseModel):
        yield from _of_part(value, at, lines)
    elif isinstance(value, tuple) and any(isinstance(part, BaseModel) for part in value):
        for number, part in enumerate(value):
            yield from _of_value(part, (*at, number), lines, meaning)
    elif isinstance(value, dict) and value:
        for key, part in value.items():
            yield from _of_value(part, (*at, key), lines, meaning)
    else:
        name = ".".join(str(part + 1) if isinstance(part, int) else part for part in at)
        yield Held(name, value, lines.get(at, 0), meaning)
