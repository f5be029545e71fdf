"""Wide tables whose results are plain: a number, '<' and a number, or nothing in each cell.

Most exports are. Their results stay the numbers that the file was cut into, with the sign bit
for '<' (no plain result has a sign), so that a million rows cost little more than cutting
them. Whatever is not plain, or would be refused, is left to ``results``, cell by cell.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from collections.abc import Set as AbstractSet
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from reconcile import techniques
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.headings import Column
from reconcile.intake.result_parts import Results, analyte_of, key_of
from reconcile.intake.sheets import Body

if TYPE_CHECKING:
    from schemas.common import WHOLE
else:  # ours, whatever else has that name where the program runs
    from reconcile.schemas.common import WHOLE


def plain_columns(
    columns: tuple[Column, ...], table: TableSettings, layout: str
) -> tuple[Column, ...]:
    """The columns of results, where a number in them can mean one thing only; else none.

    Errors, limits, units by row, words for numbers and the like make a cell depend on more
    than its own text.
    """
    rules = table.cells
    values = tuple(c for c in columns if c.role == "value" and c.species is not None)
    elements = {c.species.element for c in values if c.species is not None}
    plain = (
        layout == "wide"
        and table.kind in {"field", "lab"}
        and not table.recalculate_to_dry
        and len(elements) == len(values)
        and not (table.kind == "field" and any(_beyond(elements)))
        and not any(c.role in {"error", "limit"} for c in columns)
        and all(c.unit is not None and not c.unit.is_solution for c in values)
        and not any(c.lower or c.upper for c in values)
        and not rules.lower_limits
        and not rules.limit_from
        and rules.zero in {"unstated", "measured"}
        and rules.decimal_mark != ","
        and not any(_is_number(w) for w in (*rules.below_words, *rules.no_result_words))
    )
    return values if plain else ()


def _beyond(elements: AbstractSet[str]) -> Iterator[bool]:
    """For each technique, whether it can't report one of the elements."""
    return (bool(elements & t.cannot_report) for t in techniques.known())


def _is_number(word: str) -> bool:
    try:
        float(word.replace(",", ".").lstrip("<> "))
    except ValueError:
        return False
    return True


def is_typed(body: Body, columns: tuple[Column, ...]) -> bool:
    """True where these columns came as numbers."""
    return bool(columns) and all(pa.types.is_floating(body.columns[c.index].type) for c in columns)


def plain_results(
    body: Body, columns: tuple[Column, ...], largest_sum_pct: float, all_sums_told: bool = False
) -> Results | None:
    """The results in mg/kg of the element; None where some row or cell would be refused.

    ``all_sums_told``: no row is refused for its sum; the sums are given instead.
    """
    table = pa.table(
        [body.columns[c.index] for c in columns], [str(i) for i in range(len(columns))]
    )
    units = [c.unit.to_mg_kg for c in columns if c.unit is not None]
    shares = [c.species.element_per_species for c in columns if c.species is not None]
    factors = [unit * share for unit, share in zip(units, shares, strict=True)]
    numbers: list[list[pa.Array]] = [[] for _ in columns]
    sums: list[np.ndarray] = []
    for batch in table.to_batches():
        total = np.zeros(batch.num_rows)
        empty = np.ones(batch.num_rows, dtype=bool)
        for at, (cells, factor, share) in enumerate(
            zip(batch.columns, factors, shares, strict=True)
        ):
            number = cells.to_numpy(zero_copy_only=False)
            if factor != 1.0:
                number = number * factor
            numbers[at].append(
                cells if factor == 1.0 else pa.array(number, pa.float64(), from_pandas=True)
            )
            if cells.null_count:
                missing = np.isnan(number)
                if np.count_nonzero(missing) != cells.null_count:
                    return None  # 'nan' is a word, no number
                empty &= missing
                number = np.where(missing, 0.0, number)
            else:
                empty[:] = False
            # words such as 'inf' and 'nan' fail here too
            if not (number.max() <= WHOLE and number.min() > -math.inf):
                return None
            quantified = np.maximum(number, 0.0)
            total += quantified if share == 1.0 else quantified / share
        if empty.any():
            return None
        if all_sums_told:
            sums.append(total)
        elif not total.max() <= largest_sum_pct * 1e4:
            return None
    return Results(
        plain={
            key_of(column): pa.chunked_array(parts, pa.float64())
            for column, parts in zip(columns, numbers, strict=True)
        },
        analytes=tuple(analyte_of(column) for column in columns),
        sums=np.concatenate(sums) if sums else None,
    )
