"""The settings that shape results, each on a line with its meaning, as a release lists them."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import BaseModel

from reconcile.base.model.release import SettingLine
from reconcile.base.settings.whole import Settings

NOT_GIVEN = "not given"  # how a setting without a value is written


def setting_lines(settings: Settings) -> tuple[SettingLine, ...]:
    """Every setting with its value and meaning, as the report prints them."""
    lines: list[SettingLine] = []
    parts = ["workspace", "report", "thresholds", "errors", "lab", "pairs", "evidence"]
    if any(table.kind == "specification limits" for table in settings.table):
        parts.append("conformity")
    for part in parts:
        lines.extend(_lines_of(getattr(settings, part), part))
    for symbol, element in settings.element.items():
        lines.append(
            SettingLine(
                f"element.{symbol}",
                "; ".join(
                    [f"unit {element.unit}"]
                    + [f"{level.name} {level.value:g} {element.unit}" for level in element.levels]
                    + ([f"margin {element.margin:g}"] if element.margin else [])
                    + [f"{name} {limit:g}" for name, limit in element.limits.items()]
                ),
                "unit for the reader, decision levels and limits of controls",
            )
        )
        lines.extend(
            SettingLine(
                f"element.{symbol}.matrix.{matrix}",
                "; ".join(
                    [f"unit {own.unit}"] * bool(own.unit)
                    + [
                        f"{level.name} {level.value:g} {own.unit or element.unit}"
                        for level in own.levels or ()
                    ]
                    + ["no decision level"] * (own.levels == ())
                    + ([f"margin {own.margin:g}"] if own.margin else [])
                    + [f"precious {own.precious}"] * (own.precious is not None)
                    + [f"{name} {limit:g}" for name, limit in own.limits.items()]
                ),
                "what holds otherwise for this element in this matrix",
            )
            for matrix, own in element.matrix.items()
        )
    if settings.pool:
        lines.append(
            SettingLine("pool", ", ".join(settings.pool), "facts that do not divide strata")
        )
    lines.extend(
        SettingLine(f"leave_out.{key}", why, "left out by a person's entry")
        for key, why in settings.leave_out.items()
    )
    for number, table in enumerate(settings.table, 1):
        fixed = "; ".join(f"{key} = {value}" for key, value in table.fixed.items())
        text = f"{table.kind}: {', '.join(table.files)}" + (f" ({fixed})" if fixed else "")
        if table.kind in ("field", "lab"):
            text += f"; rows that add up to more than {table.largest_sum_pct:g} % are "
            text += {
                "": "refused, but kept and told for LIBS",
                "refuse": "refused",
                "tell": "kept and told",
            }[table.above_largest_sum]
            if table.kind == "field" and table.mean_above_largest_sum == "keep out":
                text += "; samples whose mean adds up to more are kept out"
        if table.final_line_end == "absent":
            text += "; the last line of a file has no line end and is whole"
        if table.recalculate_to_dry:
            text += "; moist rows are recalculated to the dry basis by their stated moisture"
        lines.append(SettingLine(f"table {number}", text, "files and what holds for every row"))
    return tuple(lines)


def _lines_of(part: BaseModel, prefix: str) -> Iterator[SettingLine]:
    for name, info in type(part).model_fields.items():
        if name in ("output", "inputs"):
            continue
        value = getattr(part, name)
        if isinstance(value, tuple):
            value = ", ".join(map(_stated, value))
        text = NOT_GIVEN if value in (None, "") else f"{value:g}" if _number(value) else str(value)
        yield SettingLine(f"{prefix}.{name}", text, info.description or "")


def _stated(value: object) -> str:
    """One of several values; of a part of the settings what is stated of it."""
    if isinstance(value, BaseModel):
        return " ".join(str(v) for v in value.model_dump().values() if v not in (None, ""))
    return str(value)


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
