"""What pairs, lists and the account say of laboratory results that do not stand as given."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from reconcile.base.model.account import WaterfallStep
from reconcile.pairs.pair_strata import lab_method
from reconcile.pairs.sides import Key, keys_of
from reconcile.pairs.standing import REASONS, STANDS_IN
from reconcile.store.database import Store
from reconcile.store.statements import listed, sql

_JOINT = " | "


def _rows_of(frame: pd.DataFrame) -> list[Any]:
    return list(frame.itertuples(index=False))


def name_links(store: Store, pairs: pd.DataFrame, lab_methods: dict[str, str]) -> pd.DataFrame:
    """The pairs with ``lab_link``: what stands in whose place, naming both results; and
    ``stood_in``, the methods of re-assays among them.

    ``lab_methods`` gives the laboratory's method of every stratum key. Certificates of a pair
    are those of its own element's standing results.
    """
    none: list[tuple[str, ...]] = [()] * len(pairs)
    pairs = pairs.assign(lab_link="", stood_in=pd.Series(none, index=pairs.index, dtype=object))
    cells = store.frame(sql("superseded.name_links"))
    if cells.empty or pairs.empty:
        return pairs
    links: dict[tuple[str, str, str], list[str]] = {}
    for cell in _rows_of(cells.loc[cells["told_with"].ne("")]):
        told = links.setdefault((cell.sample_id, cell.element, cell.told_with), [])
        if cell.link not in told:
            told.append(cell.link)
    marks = zip(
        pairs["sample_id"], pairs["element"], pairs["stratum"].map(lab_methods), strict=True
    )
    linked = [links.get(mark, []) for mark in marks]
    known = {key.key: key for key in keys_of(store, "lab", ())}
    others = {
        (cell.element, cell.link): (cell.certificate, _method_of(cell, known[cell.key]))
        for cell in _rows_of(cells.loc[cells["reason"].eq(STANDS_IN)])
    }
    found = [
        [others[element, link] for link in told if (element, link) in others]
        for element, told in zip(pairs["element"], linked, strict=True)
    ]
    pairs["lab_link"] = [_JOINT.join(told) for told in linked]
    pairs["certificate"] = [
        tuple(sorted({*own, *(certificate for certificate, _ in more if certificate)}))
        for own, more in zip(pairs["certificate"], found, strict=True)
    ]
    pairs["stood_in"] = [tuple(sorted({method for _, method in more})) for more in found]
    return pairs


def _method_of(cell: Any, key: Key) -> str:
    return lab_method(key, cell.technique, cell.lab_method, cell.digestion, cell.laboratory).text


def superseded_rows(store: Store) -> list[tuple[str, str, str, str]]:
    """Sample, element, reason and link of every result that does not stand as given."""
    return [
        (str(row[0]), str(row[1]), str(row[2]), str(row[3]))
        for row in store.rows(sql("superseded.superseded_rows"))
    ]


def account(store: Store, keys: Sequence[Key]) -> tuple[WaterfallStep, ...]:
    """Results of samples, one by one, where certificates answered more than once."""
    ((settled,),) = store.rows(sql("superseded.settled"))
    ((older,),) = store.rows(sql("superseded.revised_rows"))
    if (not settled and not older) or not keys:
        return ()
    cells = store.cells("lab")
    entered = kept = 0
    lost: dict[str, int] = {}
    for key in keys:
        for disposition, reason, count in store.rows(
            sql("superseded.results_by_reason", code=cells.of(key.key).code),
            [key.key, list(REASONS)],
        ):
            entered += count
            why = reason or ("" if disposition == "sample" else disposition)
            if why:
                lost[why] = lost.get(why, 0) + count
    ((kept,),) = store.rows(
        sql(
            "superseded.results_kept",
            each=listed(
                (sql("superseded.results_of", code=cells.of(key.key).code) for key in keys),
                "union",
            ),
        )
    )
    return (
        WaterfallStep(
            "lab results of samples, where certificates answer more than once", "results",
            entered, int(kept), tuple(sorted(lost.items())),
        ),
    )  # fmt: skip
