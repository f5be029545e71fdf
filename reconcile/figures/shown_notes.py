"""What a reader should know before the figures of a stratum."""

from __future__ import annotations

import pandas as pd

from reconcile.base.model.figures import (
    StratumStatistics,
)
from reconcile.base.model.stratum import Stratum
from reconcile.figures.shown_unit import plain_ratio


def notes(
    stratum: Stratum, pairs: pd.DataFrame, s: StratumStatistics, scale_rule: str
) -> tuple[str, ...]:
    """Sentences to stand above the figures, the scale of the page first."""
    said = [f"The page leads with {scale_rule}."]
    if stratum.digestion_class == "partial":
        said.append(
            "The laboratory's digestion is partial: it leaves part of the element undissolved, so "
            "laboratory results below field results are expected and are no calibration fault of "
            "the field instrument. Any factor is to that basis, not to the total."
        )
    if stratum.moisture.differs:
        said.append(
            f"The two sides do not share a moisture basis ({stratum.moisture_basis}); nothing was "
            "recalculated."
        )
    if "re_assay" in pairs and (stood_in := int(pairs["re_assay"].sum())) > 0:
        said.append(
            f"{stood_in} laboratory {'value is' if stood_in == 1 else 'values are'} re-assays of "
            "results above the range of this method; the pair table names both."
        )
    if (partly := pairs["field_qualifier"].tolist().count("~")) > 0:
        said.append(
            f"In {partly} {'sample' if partly == 1 else 'samples'} only some shots were above "
            "their limit; the mean is known between two bounds and is treated as censored."
        )
    used = pairs["used"].to_numpy(bool)
    lab, field = (pairs[name].to_numpy("float64") for name in ("lab_mean", "field_mean"))
    no_ratio = int((((lab <= 0) | (field <= 0)) & used).sum())
    if no_ratio:
        said.append(
            f"{no_ratio} of {int(used.sum())} pairs {'has' if no_ratio == 1 else 'have'} a result "
            "of zero or below, and so no ratio: differences speak of all pairs, ratios of none."
        )
    broken = pairs["custody"].tolist().count("broken")
    if broken:
        said.append(
            f"Custody of {broken} {'sample' if broken == 1 else 'samples'} is broken; left out, "
            "and shown with and without."
        )
    if s.error_ratio.estimable:
        said.append(
            f"Ratio of error variances, field to laboratory: {plain_ratio(s.error_ratio.value)} "
            f"({s.error_ratio_source})."
        )
    else:
        said.append(f"Ratio of error variances {s.error_ratio_source}; it is never assumed.")
    return tuple(said)
