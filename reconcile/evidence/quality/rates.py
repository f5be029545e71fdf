"""How many controls stand among the samples, against how many were meant to."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.controls import InsertionRate
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.quality.controls import whole

_KINDS = ("blank", "check standard", "duplicate", "reference material")


def insertion_rates(controls: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """Controls per sample, by side, batch and kind, and over all batches (batch '').

    ``controls`` as elsewhere; ``samples`` with side, batch, sample_id, one row or more per
    sample. A control counts once however many elements it carries. Columns side, batch,
    kind, controls, samples, rate (fraction of samples + controls; NaN where both are 0). Kinds
    that a batch lacks stand with 0: that is what one looks for. Mining practice clusters near
    20 % in all (common practice, from memory); there is no formal standard.
    """
    controls_in = whole(controls)
    controls_in = controls_in.take(np.isin(controls_in["sample_kind"], _KINDS))
    marks = ("side", "batch", "sample_kind", "sample_id", "reference_code", "at")
    found = pd.DataFrame({name: controls_in[name] for name in marks}).drop_duplicates()
    asked = pd.DataFrame(
        {
            name: samples[name].astype("object").where(samples[name].notna(), "").map(str)
            if name in samples.columns
            else [""] * len(samples)
            for name in ("side", "batch", "sample_id")
        }
    ).drop_duplicates()
    asked = asked.loc[asked["sample_id"].ne("")]
    batches = sorted({*zip(found["side"], found["batch"], strict=True)}
                     | {*zip(asked["side"], asked["batch"], strict=True)})  # fmt: skip
    rows: list[tuple[str, str, str, int, int, float]] = []
    for side in sorted({side for side, _ in batches}):
        own = [batch for s, batch in batches if s == side]
        rows += _lines(side, "", found, asked)
        for batch in own:
            if batch:
                rows += _lines(
                    side, batch, found.loc[found["batch"].eq(batch)],
                    asked.loc[asked["batch"].eq(batch)],
                )  # fmt: skip
    return pd.DataFrame(rows, columns=["side", "batch", "kind", "controls", "samples", "rate"])


def _lines(
    side: str, batch: str, found: pd.DataFrame, asked: pd.DataFrame
) -> list[tuple[str, str, str, int, int, float]]:
    mine = found.loc[found["side"].eq(side)]
    samples = int(asked.loc[asked["side"].eq(side), "sample_id"].nunique())
    total = samples + len(mine)
    counts = [(kind, int(mine["sample_kind"].eq(kind).sum())) for kind in _KINDS]
    return [
        (side, batch, kind, count, samples, count / total if total else float("nan"))
        for kind, count in (*counts, ("all", len(mine)))
    ]


def against_plan(
    rates: pd.DataFrame, thresholds: Thresholds, solid: frozenset[str] = frozenset()
) -> tuple[InsertionRate, ...]:
    """The rates of ``insertion_rates`` by side and kind, beside what was planned.

    Reference materials and check standards count together. Of a field instrument only
    these are planned: its duplicates are repeated readings, and blanks are no rule there.
    ``solid``: batches that were analysed without digestion, where a blank has no sense.
    """
    made: list[InsertionRate] = []
    planned = {
        "reference material": thresholds.rate_reference_materials,
        "blank": thresholds.rate_blanks,
        "duplicate": thresholds.rate_duplicates,
    }
    kind = rates["kind"].replace({"check standard": "reference material"})
    for side in sorted(set(rates["side"])):
        mine = rates.loc[rates["side"].eq(side)].assign(kind=kind)
        everything = mine.loc[mine["batch"].eq("") & mine["kind"].eq("all")]
        samples, controls = int(everything["samples"].sum()), int(everything["controls"].sum())
        total = samples + controls
        batches = sorted({b for b in mine["batch"] if b})
        asked = mine.loc[mine["batch"].ne("") & mine["kind"].eq("all") & mine["samples"].gt(0)]
        for name, plan in planned.items():
            own = mine.loc[mine["kind"].eq(name)]
            count = int(own.loc[own["batch"].eq(""), "controls"].sum())
            held = own.loc[own["batch"].ne("")].groupby("batch")["controls"].sum()
            due = set(asked["batch"]) - (solid if name == "blank" else frozenset())
            without = tuple(b for b in batches if b in due and not held.get(b, 0))
            made.append(
                InsertionRate(
                    side, name, count, samples, count / total if total else math.nan,
                    plan if side == "lab" or name == "reference material" else math.nan,
                    len(batches), without,
                )
            )  # fmt: skip
    return tuple(made)


def rate_findings(rates: tuple[InsertionRate, ...]) -> tuple[Finding, ...]:
    """Kinds of control that fall short of the plan, and batches that hold none of a kind."""
    found: list[Finding] = []
    for rate in rates:
        if not rate.planned > 0:
            continue
        if rate.rate < rate.planned:
            found.append(
                Finding(
                    "quality", "note", f"{rate.side} {rate.kind}",
                    f"Fewer controls than planned: {rate.kind}, {rate.side}.",
                    f"{rate.controls} among {rate.samples} samples: {rate.rate:.1%} of all, "
                    f"{rate.planned:.0%} planned",
                    "Put more among the next samples, or agree on another plan.",
                    code=FindingCode.FEWER_CONTROLS,
                )
            )  # fmt: skip
        if rate.without and rate.side == "lab":  # of an instrument's day ``bracketing`` tells
            named = ", ".join(rate.without[:6])
            more = f" and {len(rate.without) - 6} more" if len(rate.without) > 6 else ""
            found.append(
                Finding(
                    "quality", "warning", f"{rate.side} {named}{more}",
                    f"Batch without control: no {rate.kind} in {len(rate.without)} of "
                    f"{rate.batches} batch(es), {rate.side}.",
                    f"{rate.planned:.0%} planned",
                    "Nothing shows that these batches were in control in this respect; ask for "
                    "the laboratory's own controls, or measure some again.",
                    code=FindingCode.BATCH_WITHOUT_CONTROL,
                )
            )  # fmt: skip
    return tuple(found)
