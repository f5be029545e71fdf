"""Values above a method's range, and the re-assay that stands in their place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.settings.pairs import LabSettings
from reconcile.intake.tables import ABOVE
from reconcile.pairs.sides import Key
from reconcile.pairs.standing import (
    GROUP,
    OVER_RANGE,
    STANDS_IN,
    Settled,
    cells_where,
    names_of,
    rows_of,
    shown,
    still_standing,
)
from reconcile.store.database import Store
from reconcile.store.statements import listed, sql


# ---- above the range ------------------------------------------------------------------
def over_range(
    store: Store, keys: Sequence[Key], rules: LabSettings, settled: Settled
) -> list[Finding]:
    """A re-assay's number in the place of '>10000' of the method before it."""
    above = _keys_above(store, keys)
    limited = still_standing(
        cells_where(store, above, sql("certificates.samples"), sql("certificates.above_range")),
        settled,
    )
    if limited.empty:
        return []
    elements = set(limited["element"])
    answers = still_standing(
        cells_where(
            store, [key for key in keys if key.element in elements],
            sql("certificates.these_samples"), sql("certificates.quantified"),
            [sorted(set(limited["sample_id"]))],
        ),
        settled,
    )  # fmt: skip
    if answers.empty:
        return []
    serves = _serving(store, keys, rules, elements)
    findings: list[Finding] = []
    by_sample = dict(list(answers.groupby(["sample_id", "element"], sort=True)))
    for group, rows in limited.groupby([*GROUP, "element", "key", "method"], sort=True):
        sample, element = str(group[0]), str(group[len(GROUP)])
        found = by_sample.get((sample, element))
        if found is None:
            continue
        cell = rows_of(rows)[0]
        here = found.loc[[_may_answer(cell, other, serves) for other in rows_of(found)]]
        if here.empty:
            continue
        bound = rows["lim"].max()
        low = here.loc[here["value"] < bound]
        if len(low):
            findings.append(
                Finding(
                    "intake", "serious", sample,
                    f"{element} of sample '{sample}': {shown(cell)} is contradicted by "
                    f"{shown(rows_of(low)[0])}; neither was put in the other's place.",
                    advice="Ask the laboratory which one holds.",
                    code=FindingCode.OVER_RANGE_CONTRADICTED,
                )
            )  # fmt: skip
            continue
        stands = _chosen(here, cell, rules)
        mean = float(stands["value"].mean())
        first = rows_of(stands)[0]
        same = all(getattr(first, name) == getattr(cell, name) for name in GROUP) and (
            first.key == cell.key
        )
        link = f"{shown(cell)} superseded by the over-range re-assay {shown(first)}"
        for number, old in enumerate(rows_of(rows)):
            settled.add(old, OVER_RANGE, link, cell.method, None if same or number else mean)
        if not same:
            for new in rows_of(stands):
                if (int(new.source), new.key) not in settled.done:
                    settled.add(new, STANDS_IN, link, "")
    return findings


def _keys_above(store: Store, keys: Sequence[Key]) -> list[Key]:
    """Those of the keys that any result of the run exceeds the range of; one pass over all."""
    if not keys:
        return []
    cells = store.cells("lab")
    asked = listed(sql("certificates.any_above", code=cells.of(key.key).code) for key in keys)
    (found,) = store.rows(sql("certificates.above", asked=asked))
    return [key for key, is_above in zip(keys, found, strict=True) if is_above]


def _may_answer(cell: Any, other: Any, serves: Callable[[Any, Any], bool]) -> bool:
    if other.moisture_basis != cell.moisture_basis:
        return False
    classes = {other.digestion_class, cell.digestion_class} - {""}
    if len(classes) > 1:  # a total assay says nothing of what a partial digestion would give
        return False
    known = other.moment == other.moment and cell.moment == cell.moment
    if known and other.moment < cell.moment:
        return False
    if other.method == cell.method:
        return bool(other.certificate != cell.certificate or other.source != cell.source)
    return serves(cell, other)


def _serving(
    store: Store, keys: Sequence[Key], rules: LabSettings, elements: set[str]
) -> Callable[[Any, Any], bool]:
    """Whether one method is the over-range re-assay of another, element by element.

    Named in the settings, or: wherever both answer for a sample, the first is above range.
    """
    cells = cells_where(
        store, [key for key in keys if key.element in elements], sql("certificates.samples"),
        sql("certificates.results_only"),
    )  # fmt: skip
    samples = {
        (element, method, above): set(rows["sample_id"])
        for (element, method, above), rows in cells.assign(above=cells["code"].eq(ABOVE)).groupby(
            ["element", "method", "above"]
        )
    }
    named = {name.casefold() for name in rules.over_range_methods}

    def serves(cell: Any, other: Any) -> bool:
        if named & names_of(other):
            return True
        if named or other.laboratory != cell.laboratory:
            return False
        theirs = samples.get((other.element, other.method, False), set())
        ours = samples.get((cell.element, cell.method, False), set())
        return not theirs & (ours - samples.get((cell.element, cell.method, True), set()))

    return serves


def _chosen(found: pd.DataFrame, cell: Any, rules: LabSettings) -> pd.DataFrame:
    """Of several answers: by the same method first, then as the settings rank, then the latest."""
    ranks = [name.casefold() for name in rules.best_value]

    def order(other: Any) -> tuple[Any, ...]:
        rank = min((ranks.index(n) for n in names_of(other) if n in ranks), default=len(ranks))
        latest = -other.moment.value if other.moment == other.moment else 0
        return (other.method != cell.method, rank, latest, other.method, str(other.certificate))

    best = min(rows_of(found), key=order)
    return found.loc[
        found["method"].eq(best.method)
        & found["key"].eq(best.key)
        & found["certificate"].eq(best.certificate)
    ]
