"""The reader's unit of an element, and the decision levels in it."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from reconcile.base.model.stratum import LevelBias, Stratum
from reconcile.base.quantities import display_factor
from reconcile.base.settings.whole import Settings
from reconcile.figures.definition import Array
from reconcile.figures.put_back import bounds_of
from reconcile.statistics import bias, decisions, lines
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import not_estimable


@equal_with_nan
@dataclass(frozen=True, slots=True)
class DisplayUnit:
    """The reader's unit of one element."""

    name: str
    per_mg_kg: float


def unit_of(stratum: Stratum, settings: Settings) -> DisplayUnit:
    """The unit that the settings ask for, else mg/kg."""
    element = settings.of(stratum.element, stratum.matrix)
    name = element.unit if element else "mg/kg"
    return DisplayUnit(name, display_factor(name))


def levels_of(stratum: Stratum, settings: Settings) -> tuple[tuple[str, float], ...]:
    """Decision levels of the element: name and mg/kg."""
    element = settings.of(stratum.element, stratum.matrix)
    if element is None:
        return ()
    factor = display_factor(element.unit)
    return tuple((level.name, level.value / factor) for level in element.levels)


def levels(
    stratum: Stratum, pairs: pd.DataFrame, lab: Array, line: lines.Line, settings: Settings
) -> tuple[LevelBias, ...]:
    """Bias and wrong calls; a censored result counts where its limit leaves no doubt."""
    found = []
    lab_low, lab_high, field_low, field_high = bounds_of(pairs)
    element = settings.of(stratum.element, stratum.matrix)
    sides = [level.acts for level in element.levels] if element else []
    for (name, value), acts in zip(levels_of(stratum, settings), sides, strict=True):
        table = decisions.decision_table_censored(
            lab_low, lab_high, field_low, field_high, value, settings.thresholds.confidence
        )
        inside = bool(len(lab)) and lab.min() <= value <= lab.max()
        at = (
            bias.bias_at(line, value)
            if inside
            else not_estimable(len(lab), "the level lies outside the range of the pairs")
        )
        found.append(
            LevelBias(
                value, name, at, table.lab_above, table.field_above,
                table.false_negative, table.false_positive, acts,
            )
        )  # fmt: skip
    return tuple(found)


def plain_ratio(ratio: float) -> str:
    """Two digits without a power of ten; what no measurement tells apart is not spelt out."""
    if ratio >= 1000:
        return "above 1000"
    if ratio < 0.001:
        return "below 0.001"
    return f"{float(f'{ratio:.2g}'):.6f}".rstrip("0").rstrip(".")
