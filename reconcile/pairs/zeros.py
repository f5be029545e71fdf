"""Zeros in columns of results whose meaning nobody has stated: told before anything is compared.

A zero is no measurement of a trace element. Which it is, 'not detected', 'not analysed' or a
number that was read, the column does not say; pairs that rest on one are set aside
(``pairing.zero_reason``) and the settings can state it (``cells.zero`` of a table).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.pairs.pairing import RunFile
from reconcile.pairs.sides import Key, keys_of
from reconcile.store.database import Store
from reconcile.store.statements import listed, quoted, sql


@dataclass(frozen=True, slots=True)
class Zeros:
    """The zeros of one column of a file, in rows of samples of the period."""

    file_id: int
    key: Key
    zeros: int
    numbers: int  # of them and the other numbers; results beside a limit are none
    smallest: float  # mg/kg, of those above zero; NaN where none is


def counted(store: Store, files: Sequence[RunFile], side: str) -> tuple[Zeros, ...]:
    """The columns of one side that hold zeros whose meaning is not stated."""
    numbers = [f.file_id for f in files if f.zero_unstated]
    cells = store.cells(side)
    keys = _holding_a_zero(store, side, keys_of(store, side, ()), numbers)
    if not keys:
        return ()
    rows = store.connection.execute(
        sql(
            "zeros.counted",
            columns=listed(
                sql("zeros.of_analyte", value=cell.value, code=cell.code)
                for cell in map(cells.of, (key.key for key in keys))
            ),
            stored=quoted(f"{side}_stored"),
            rows=quoted(f"{side}_row"),
        ),
        {"files": numbers},
    ).fetchall()
    return tuple(
        Zeros(
            int(file_id), key, int(zeros), int(results), math.nan if least is None else float(least)
        )
        for file_id, *columns in rows
        for key, (zeros, results, least) in zip(keys, columns, strict=True)
        if zeros
    )


def _holding_a_zero(
    store: Store, side: str, keys: Sequence[Key], files: list[int]
) -> tuple[Key, ...]:
    """The analytes with a zero, or '<0', in any row of the files: a first look costs little."""
    if not keys or not files:
        return ()
    cells = [store.cells(side).of(key.key) for key in keys]
    found = store.connection.execute(
        sql(
            "zeros.looked_for",
            columns=listed(sql("zeros.is_met", of=cell.plain or cell.value) for cell in cells),
            stored=quoted(f"{side}_stored"),
        ),
        {"files": files},
    ).fetchall()
    return tuple(key for key, zeros in zip(keys, found[0], strict=True) if zeros)


def findings(store: Store, files: Sequence[RunFile]) -> tuple[Finding, ...]:
    """One finding for each file that holds such zeros, column by column."""
    place = {f.file_id: f.place for f in files}
    found = [zeros for side in ("field", "lab") for zeros in counted(store, files, side)]
    if not found:
        return ()
    numbers = sorted({zeros.file_id for zeros in found}, key=place.__getitem__)
    paths = {int(i): str(path) for i, path in store.rows(sql("zeros.paths"), [numbers])}
    columns: dict[tuple[int, str], tuple[str, str, float]] = {}
    for file_id, key, heading, unit, factor in store.rows(sql("zeros.columns"), [numbers]):
        columns.setdefault((file_id, key), (heading, unit, factor))
    return tuple(
        Finding(
            "intake", "warning", paths[number],
            f"Zeros stand for results, and nobody has said what they mean: "
            f"{'; '.join(_told(z, columns) for z in found if z.file_id == number)}. Pairs that "
            "rest on one are set aside; the others are judged.",
            advice="Say what a zero means in the settings of this table: cells = { zero = "
            "\"below limit\" } where nothing was detected, \"no result\" where nothing was "
            "analysed, \"measured\" where it is a number that was read.",
            code=FindingCode.ZERO_UNSTATED,
        )
        for number in numbers
    )  # fmt: skip


def _told(zeros: Zeros, columns: dict[tuple[int, str], tuple[str, str, float]]) -> str:
    """'Cu (mg/kg)' 3 of 60, smallest above zero 12.1 mg/kg, in the column's own unit."""
    heading, unit, factor = columns.get(
        (zeros.file_id, zeros.key.key.lower()), (zeros.key.key, "mg/kg", 1.0)
    )
    if factor is None or not factor > 0:  # the unit depends on the row
        unit, factor = f"mg/kg {zeros.key.element}", 1.0
    text = f"'{heading}' {zeros.zeros} of {zeros.numbers}"
    if math.isnan(zeros.smallest):
        return f"{text}, none above zero"
    return f"{text}, smallest above zero {zeros.smallest / factor:.4g} {unit}"
