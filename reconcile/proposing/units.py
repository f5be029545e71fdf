"""Units that no heading states, and units that the other side's results contradict."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.proposing import magnitudes
from reconcile.proposing.because import Because, Why
from reconcile.proposing.questions import Ask, Question
from reconcile.proposing.seen import (
    FIELD,
    LAB,
)
from reconcile.proposing.table import Table, lacks_unit


def with_units(tables: Sequence[Table]) -> None:
    """The unit of results that name none, and units that the other side's results contradict."""
    for table in tables:
        if table.kind not in {FIELD, LAB}:
            continue
        other = LAB if table.kind == FIELD else FIELD
        means = table.read.means()
        found: list[magnitudes.Ratio] = []
        for t in tables:
            if t.kind == other and not lacks_unit(t):
                found += magnitudes.ratios(means, t.read.means())
        if lacks_unit(table):
            table.add(
                "unit", value=Question(Ask.UNIT, "", _of_unit(tuple(found), table.read.sums()))
            )
            continue
        if table.kind == FIELD:
            for doubt in magnitudes.doubts(tuple(found)):
                first = doubt.ratios[0]
                heading = next(
                    (c.heading for c in table.read.columns
                     if c.role == "value" and c.element == first.element), "",
                )  # fmt: skip
                if heading:
                    names = ", ".join(r.element for r in doubt.ratios)
                    code = Because.UNIT_OFF if doubt.unit else Because.OXIDE
                    why = Why(code, (f"{first.ratio:.3g}", names, doubt.unit))
                    unit = Question(Ask.UNIT_AGAIN, heading, why)
                    table.add("columns", heading, value={"means": "value", "unit": unit})


def _of_unit(found: tuple[magnitudes.Ratio, ...], sums: Sequence[float]) -> Why | None:
    """What the sizes of results say of their unit."""
    if found:
        middle = sorted(found, key=lambda r: r.ratio)[len(found) // 2]
        unit = magnitudes.explained_by(found)
        said = (f"{middle.ratio:.3g}", str(middle.samples), unit)
        return Why(Because.UNIT_RATIO if unit else Because.UNIT_RATIO_ODD, said)
    if magnitudes.adds_up_to_percent(sums):
        return Why(Because.UNIT_PERCENT)
    return None
