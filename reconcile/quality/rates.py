"""How many controls stand among the samples, against how many were meant to."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.quality.controls import whole

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
