"""How the samples of each stratum were chosen, what it does to the bias, and the share sent."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.stratum import Stratum
from reconcile.base.selection import OfStratum, SelectionRecord, Sent
from reconcile.base.settings.thresholds import Thresholds
from reconcile.figures.evaluation import Evaluated
from reconcile.statistics.result import Estimate, not_estimable
from reconcile.statistics.selection import mean_relative_difference, weighted_mean
from reconcile.store.database import Store
from reconcile.store.statements import sql

COLUMNS = ("selection", "selection_probability")
_FEWEST = 3


def marked(store: Store, pairs: pd.DataFrame) -> pd.DataFrame:
    """The pairs with COLUMNS, where an entry of the register says how any sample was chosen."""
    known = store.frame(sql("selection.of_samples"))
    if known.empty or pairs.empty:
        return pairs
    told = known.set_index("sample_id").reindex(pairs["sample_id"])
    chances = told["selection_probability"].to_numpy("float64", na_value=math.nan)
    return pairs.assign(
        selection=told["selection"].fillna("").astype("str").tolist(),
        selection_probability=chances,
    )


def record(
    store: Store, evaluated: Iterable[tuple[Stratum, Evaluated]], t: Thresholds
) -> SelectionRecord:
    """Every stratum with used pairs, and the share of each kind of sample that was sent."""
    strata = tuple(_of(s, e, t) for s, e in evaluated if len(e.used))
    sent = tuple(
        Sent(kind, read, answered, t.confirmation_share)
        for kind, read, answered in store.rows(sql("selection.sent"))
    )
    stated = any(name for s in strata for name, n in s.counts) or any(s.with_chance for s in strata)
    return SelectionRecord(strata, sent, stated)


def _of(stratum: Stratum, e: Evaluated, t: Thresholds) -> OfStratum:
    used = e.used
    lab, field = used["lab_mean"].to_numpy("float64"), used["field_mean"].to_numpy("float64")
    relative = e.statistics.difference_scale == "log ratio"
    with np.errstate(all="ignore"):
        moved = np.log(field / lab) if relative else field - lab
    chosen = (
        used["selection"].fillna("").to_numpy(object)
        if "selection" in used
        else np.full(len(used), "", dtype=object)
    )
    chances = (
        used["selection_probability"].to_numpy("float64")
        if "selection_probability" in used
        else np.full(len(used), math.nan)
    )
    known = np.isfinite(chances)
    names = sorted(set(chosen))
    weighted = (
        weighted_mean(moved, chances, t.confidence)
        if known.all()
        else not_estimable(
            int(known.sum()), "the chance of being chosen is not known of every pair", "",
            t.confidence,
        )
    )  # fmt: skip
    alike = np.ones(len(used))
    return OfStratum(
        stratum.key, stratum.label,
        tuple((str(name), int(np.sum(chosen == name))) for name in names),
        int(known.sum()), relative,
        _shown(weighted_mean(moved, alike, t.confidence), relative), _shown(weighted, relative),
        tuple(
            (str(name), _shown(weighted_mean(part, np.ones(len(part)), t.confidence), relative))
            for name in names
            if name and len(part := moved[chosen == name]) >= _FEWEST
        ),
        mean_relative_difference(lab, field, t.confidence), t.confirmation_rpd,
    )  # fmt: skip


def _shown(e: Estimate, relative: bool) -> Estimate:
    """The mean of logarithms as a ratio."""
    if not (relative and e.estimable) or not max(abs(e.low), abs(e.high)) < 700:
        return e
    value = math.exp(e.value)
    return Estimate(
        value, value * e.se, math.exp(e.low), math.exp(e.high), e.n, e.level, e.method, e.reason
    )


def findings(found: SelectionRecord) -> tuple[Finding, ...]:
    """Strata of which only ends were sent, or whose weighted bias is another; shares too small."""
    told = [
        Finding(
            "quality", "warning", s.label,
            f"{s.label}: only samples chosen for an extreme or suspected field value went to the "
            f"laboratory ({s.plain.n} pairs). Such values fall back towards the middle when they "
            "are measured again, so that the pairs show a bias that the others need not have; no "
            "mean bias is claimed.",
            advice="Send samples that are chosen at random ('reconcile plan').",
            code=FindingCode.ONLY_ENDS_SENT, strata=(s.stratum,),
        )
        for s in found.strata
        if s.only_ends
    ]  # fmt: skip
    for s in found.strata:
        if s.weighted.estimable and not s.plain.low <= s.weighted.value <= s.plain.high:
            told.append(
                Finding(
                    "quality", "warning", s.label,
                    f"{s.label}: weighted by the chance of being chosen the bias is "
                    f"{_text(s.weighted, s.relative)}, unweighted {_text(s.plain, s.relative)} "
                    f"(n {s.plain.n}): the samples that were sent are not like the others.",
                    advice="The verdict rests on the unweighted pairs: choose with equal chances.",
                    code=FindingCode.SELECTION_MATTERS, strata=(s.stratum,),
                )
            )  # fmt: skip
    return tuple(told)


def _text(e: Estimate, relative: bool) -> str:
    if relative:
        return f"{e.value - 1:+.1%} ({e.low - 1:+.1%} to {e.high - 1:+.1%})"
    return f"{e.value:+.4g} mg/kg ({e.low:+.4g} to {e.high:+.4g})"
