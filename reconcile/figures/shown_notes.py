"""What a reader should know before the figures of a stratum."""

from __future__ import annotations

import pandas as pd

from reconcile.base.model.figures import StratumStatistics
from reconcile.base.model.stratum import Stratum
from reconcile.figures.shown_unit import plain_ratio
from reconcile.reporting import words


def notes(
    stratum: Stratum, pairs: pd.DataFrame, s: StratumStatistics, scale_rule: str
) -> tuple[str, ...]:
    """Sentences to stand above the figures, the scale of the page first."""
    said = [words.NOTE_SCALE.format(rule=scale_rule)]
    if stratum.digestion_class == "partial":
        said.append(words.NOTE_PARTIAL)
    if stratum.moisture.differs:
        said.append(words.NOTE_MOISTURE.format(basis=stratum.moisture_basis))
    if "re_assay" in pairs:
        said += _counted(words.NOTE_RE_ASSAYS, int(pairs["re_assay"].sum()))
    said += _counted(words.NOTE_PARTLY_ABOVE, pairs["field_qualifier"].tolist().count("~"))
    used = pairs["used"].to_numpy(bool)
    lab, field = (pairs[name].to_numpy("float64") for name in ("lab_mean", "field_mean"))
    no_ratio = int((((lab <= 0) | (field <= 0)) & used).sum())
    said += _counted(words.NOTE_NO_RATIO, no_ratio, used=int(used.sum()))
    said += _counted(words.NOTE_CUSTODY_BROKEN, pairs["custody"].tolist().count("broken"))
    if s.error_ratio.estimable:
        ratio = plain_ratio(s.error_ratio.value)
        said.append(words.NOTE_ERROR_RATIO.format(ratio=ratio, source=s.error_ratio_source))
    else:
        said.append(words.NOTE_NO_ERROR_RATIO.format(source=s.error_ratio_source))
    return tuple(said)


def _counted(texts: tuple[str, str], n: int, **more: int) -> list[str]:
    """The text of one or of many; none of nothing."""
    one, many = texts
    return [(one if n == 1 else many).format(n=n, **more)] if n > 0 else []
