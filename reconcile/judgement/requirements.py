"""Further criteria of a verdict: data-quality level, spots per sample, custody of the pairs.

Each is always shown; it decides only where the settings ask for it, before the data.
"""

from __future__ import annotations

import numpy as np

from reconcile.base.model import Criterion, Further, Stratum
from reconcile.base.settings import Settings
from reconcile.figures.evaluation import Evaluated
from reconcile.statistics.quality_levels import (
    DEFINITIVE,
    NOT_ASSIGNED,
    QUALITATIVE_SCREENING,
    QUANTITATIVE_SCREENING,
)

LEVEL, SPOTS, CUSTODY = "data-quality level", "spots per sample", "custody of the used pairs"
_NOT_ASKED = "shown, not asked for"
_ORDER = (NOT_ASSIGNED, QUALITATIVE_SCREENING, QUANTITATIVE_SCREENING, DEFINITIVE)


def quality_level(evaluated: Evaluated, settings: Settings) -> Criterion:
    """The data-quality level found against the least one asked for; None: not assigned."""
    asked = settings.thresholds.least_quality_level
    found = next(
        (str(r.level) for name, r in evaluated.statistics.details if name == Further.QUALITY_LEVEL),
        NOT_ASSIGNED,
    )
    if not asked:
        return Criterion(LEVEL, _NOT_ASKED, f"{found}, as read", True)
    met = None if found == NOT_ASSIGNED else _ORDER.index(found) >= _ORDER.index(asked)
    return Criterion(LEVEL, f"{asked} or better", f"{found}, as read", met)


def spots(stratum: Stratum, evaluated: Evaluated, settings: Settings) -> Criterion:
    """LIBS: the median number of spots of the used pairs against the fewest agreed."""
    t = settings.thresholds
    count = evaluated.used["field_spots"].to_numpy("float64")
    median = float(np.median(count)) if len(count) else 0.0
    found = f"{median:.10g} (median), {int(count.min()) if len(count) else 0} at least"
    if stratum.technique != "LIBS" or not t.spots_required:
        return Criterion(SPOTS, _NOT_ASKED, found, True)
    return Criterion(SPOTS, f"{t.libs_spots} or more (median)", found, median >= t.libs_spots)


def custody(evaluated: Evaluated, lost: tuple[str, ...] = ()) -> Criterion:
    """How custody stands for the used pairs; those whose custody is broken are never used.

    ``lost`` names custody files that an earlier release rests on and that are gone: then
    nobody can say that no chain is broken.
    """
    states = evaluated.used["custody"].astype("str")
    names = sorted(set(states))
    found = ", ".join(f"{int(states.eq(name).sum())} {name}" for name in names) or "no pair"
    broken = int(evaluated.pairs["custody"].eq("broken").sum())
    if broken:
        found += f"; {broken} broken, left out"
    if lost:
        gone = ", ".join(lost)
        return Criterion(CUSTODY, "none broken", f"custody records are gone or cut ({gone})", False)
    return Criterion(CUSTODY, "none broken", found, not states.eq("broken").any())
