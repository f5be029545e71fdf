"""Decide which results stand where several answer for one sample and element.

A re-issue supersedes what it answers, a later certificate replaces what it repeats, a
re-assay stands in for a value above a method's range, the first method or laboratory of the
settings stands before the others.
"""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.base.model.account import Finding
from reconcile.base.settings.pairs import LabSettings
from reconcile.intake.tables import QUANTIFIED
from reconcile.pairs.over_range import over_range
from reconcile.pairs.reissues import later, reissues
from reconcile.pairs.sides import Key
from reconcile.pairs.standing import (
    BEST,
    CHECK,
    SUPERSEDED,
    Settled,
    cells_where,
    names_of,
    rows_of,
    shown,
    still_standing,
)
from reconcile.store.database import Store
from reconcile.store.statements import listed, sql


def settle(store: Store, keys: Sequence[Key], rules: LabSettings) -> tuple[Finding, ...]:
    """Decide which results stand; the rows must have their dispositions.

    Fills ``lab_cell`` and mends the dispositions of rows whose results all went, or of which
    some came back. Returns what a person should know.
    """
    settled = Settled(store)
    findings = [*reissues(store, keys, settled)]
    if rules.later_certificate == "replaces":
        findings += later(store, keys, settled)
    if rules.over_range == "superseded":
        findings += over_range(store, keys, rules, settled)
    if rules.best_value:
        _best(store, keys, rules.best_value, settled)
    if rules.stands:
        _check_assays(store, keys, rules.stands, settled)
    settled.write()
    _whole_rows(store, keys)
    return tuple(findings)


def _whole_rows(store: Store, keys: Sequence[Key]) -> None:
    """A row whose every result was superseded is superseded itself, with that reason."""
    frame = store.frame(sql("certificates.whole_rows"))
    if frame.empty:
        return
    cells = store.cells("lab")
    counted = listed(
        (sql("certificates.is_result", code=cells.of(key.key).code) for key in keys), "sum"
    )
    store.connection.register("incoming", frame)
    store.connection.execute(sql("certificates.place_whole_rows", counted=counted))
    store.connection.unregister("incoming")


# ---- the best value -------------------------------------------------------------------
def _best(store: Store, keys: Sequence[Key], ranked: Sequence[str], settled: Settled) -> None:
    """Of the methods that the settings rank, the first that quantifies a sample's element."""
    ranks = [name.casefold() for name in ranked]
    per_element: dict[str, list[Key]] = {}
    for key in keys:
        per_element.setdefault(key.element, []).append(key)
    settled_values = {(row[0], row[1]) for row in settled.rows if row[2] == QUANTIFIED}
    for of_element in per_element.values():
        cells = cells_where(
            store, of_element, sql("certificates.samples"), sql("certificates.results_only")
        )
        gone = {(row[0], row[1]) for row in settled.rows if row[2] == SUPERSEDED}
        if cells.empty:
            continue
        marks = list(zip(cells["source"].astype(int), cells["key"], strict=True))
        cells = cells.assign(
            rank=[
                min((ranks.index(n) for n in names_of(c) if n in ranks), default=-1)
                for c in rows_of(cells)
            ],
            exact=[
                code == QUANTIFIED or mark in settled_values
                for code, mark in zip(cells["code"], marks, strict=True)
            ],
        ).loc[[mark not in gone for mark in marks]]
        cells = cells.loc[cells["rank"].ge(0)]
        own = ["sample_id", "laboratory"]
        several = cells.groupby(own)["rank"].transform("nunique") > 1
        for _, rows in cells.loc[several].groupby(own, sort=True):
            exact = rows.loc[rows["exact"]]
            best = (exact if len(exact) else rows)["rank"].min()
            stands = rows_of(rows.loc[rows["rank"].eq(best)])[0]
            for cell in rows_of(rows.loc[rows["rank"].ne(best)]):
                # a number put in the place of a limit goes too: the later entry holds
                settled.rows = [
                    row for row in settled.rows if (row[0], row[1]) != (int(cell.source), cell.key)
                ]
                link = f"{shown(cell)} gave way to {shown(stands)}"
                settled.add(cell, BEST, link, stands.method)


# ---- check assays ---------------------------------------------------------------------
def _check_assays(
    store: Store, keys: Sequence[Key], stands: Sequence[str], settled: Settled
) -> None:
    """Of the laboratories that answer for a sample's element, the first named stands.

    The others' results are check assays: compared laboratory against laboratory
    (``pairs.laboratories``), never with the field.
    """
    if not store.rows(sql("certificates.several_laboratories")):
        return
    ranks = {name.casefold(): rank for rank, name in enumerate(stands)}
    for element in dict.fromkeys(key.element for key in keys):
        cells = still_standing(
            cells_where(
                store, [key for key in keys if key.element == element],
                sql("certificates.several"), sql("certificates.results_only"),
            ),
            settled,
        )  # fmt: skip
        if cells.empty:
            continue
        rank = [ranks.get(name.casefold(), len(ranks)) for name in cells["laboratory"]]
        cells = cells.assign(rank=rank)
        first = cells.groupby("sample_id")["rank"].transform("min")
        checks = cells.loc[first.lt(len(ranks)) & cells["rank"].gt(first)]
        standing = cells.loc[cells["rank"].eq(first)].drop_duplicates("sample_id")
        of_sample = {cell.sample_id: cell for cell in rows_of(standing)}
        for cell in rows_of(checks):
            stands_here = of_sample[cell.sample_id]
            link = f"{shown(cell)} is a check assay beside {shown(stands_here)}"
            settled.add(cell, CHECK, link, stands_here.method)
