"""Criteria before any figure is judged: what forbids, what must be there, what was agreed beside.

Each is always told; spots, data-quality level and controls decide where the settings ask.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile import techniques
from reconcile.base.model.account import Finding
from reconcile.base.model.further import Further
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import Ask, Criterion, Outcome
from reconcile.base.selection import ENDS
from reconcile.base.settings.whole import Settings
from reconcile.base.settings.workspace import ESTIMATE
from reconcile.evidence import finding_words
from reconcile.figures.evaluation import Evaluated
from reconcile.statistics.quality_levels import (
    DEFINITIVE,
    NOT_ASSIGNED,
    QUALITATIVE_SCREENING,
    QUANTITATIVE_SCREENING,
)
from reconcile.techniques import Judged

SELECTION = "selection"  # column of the pairs
_ORDER = (NOT_ASSIGNED, QUALITATIVE_SCREENING, QUANTITATIVE_SCREENING, DEFINITIVE)
#: Laboratory only by default: grades that move money on a few grains (common practice).
PRECIOUS = frozenset({"Au", "Ag", "Pt", "Pd", "Rh", "Ir", "Os", "Ru"})
#: What people write into a cell instead of leaving it empty.
_NOTHING_SAID = "not stated"
#: States of custody that are evidence of an unbroken chain.
_KEPT = frozenset({"complete", "deviation"})


def _shown(met: bool, otherwise: Outcome = Outcome.NOT_SHOWN) -> Outcome:
    return Outcome.SHOWN if met else otherwise


def forbidding(
    stratum: Stratum, settings: Settings, fault: Finding | None
) -> tuple[Criterion, ...]:
    """Purpose, element and suspected fault: what fails here goes to the laboratory."""
    purpose = settings.report.purpose
    element = settings.of(stratum.element, stratum.matrix)
    precious = (
        element.precious
        if element is not None and element.precious is not None
        else stratum.element in PRECIOUS
    )
    never = settings.report.use == ESTIMATE
    carbon = stratum.element == "C"
    blocked = fault is not None and fault.blocks
    return (
        Criterion(
            Ask.PURPOSE, _shown(not never, Outcome.FAILED), (("purpose", purpose), ("never", never))
        ),
        Criterion(
            Ask.ELEMENT, _shown(not precious and not carbon, Outcome.FAILED),
            (("element", stratum.element), ("precious", precious), ("carbon", carbon)),
        ),
        Criterion(
            Ask.FAULT, _shown(not blocked, Outcome.FAILED),
            (("found", finding_words.of_verdict(fault)),),
        ),
    )  # fmt: skip


def evidence(
    stratum: Stratum,
    evaluated: Evaluated,
    settings: Settings,
    uncontrolled: str = "",
    custody_gone: tuple[str, ...] = (),
) -> tuple[Criterion, ...]:
    """What must be there before anything is judged, in the order in which it binds."""
    t, s = settings.thresholds, evaluated.statistics
    stated = (
        ("specimen_form", stratum.specimen_form),
        ("moisture_basis", stratum.moisture.field and stratum.moisture.lab),
        ("digestion_class", stratum.digestion_class),
    )
    unstated = tuple(name for name, fact in stated if fact in ("", _NOTHING_SAID))
    differing = stratum.moisture.differs and not unstated
    offered = max(s.n_pairs - s.n_excluded, 0)
    share = 1 - s.n_used / offered if offered else 1.0
    return (
        Criterion(
            Ask.DESCRIPTION, _shown(not unstated and not differing),
            (("unstated", unstated), ("differing", stratum.moisture_basis if differing else "")),
        ),
        Criterion(
            Ask.PAIRS, _shown(evaluated.effective >= t.minimum_pairs),
            (("least", t.minimum_pairs), ("n", s.n_used), ("effective", evaluated.effective)),
        ),
        Criterion(
            Ask.THIRDS, _shown(min(evaluated.thirds) >= t.pairs_per_third),
            (("least", t.pairs_per_third), ("thirds", evaluated.thirds)),
        ),
        Criterion(
            Ask.CENSORED, _shown(share <= t.censored_share),
            (("most", t.censored_share), ("share", share), ("offered", offered)),
        ),
        _controls(uncontrolled, settings),
        spots(stratum, evaluated, settings),
        custody(evaluated, custody_gone),
        quality_level(evaluated, settings),
        *_selection(evaluated),
    )  # fmt: skip


def _controls(uncontrolled: str, settings: Settings) -> Criterion:
    """Whether a reference material was in control on both sides; ``uncontrolled``: in words."""
    outcome = Outcome.SHOWN
    if uncontrolled:
        asked = settings.thresholds.controls_required
        outcome = Outcome.NOT_SHOWN if asked else Outcome.TOLD
    return Criterion(Ask.CONTROLS, outcome, (("lacking", uncontrolled),))


def _selection(evaluated: Evaluated) -> tuple[Criterion, ...]:
    """How the used pairs were chosen, where an entry says so; extremes alone show no bias."""
    used = evaluated.used
    if SELECTION not in used:
        return ()
    chosen = ["" if pd.isna(name) else str(name) for name in used[SELECTION].tolist()]
    if not any(chosen):
        return ()
    ends = all(name in ENDS for name in chosen)
    counts = tuple((name or _NOTHING_SAID, chosen.count(name)) for name in sorted(set(chosen)))
    return (
        Criterion(
            Ask.SELECTION, Outcome.NOT_SHOWN if ends else Outcome.TOLD,
            (("counts", counts), ("ends", ends)),
        ),
    )  # fmt: skip


def quality_level(evaluated: Evaluated, settings: Settings) -> Criterion:
    """The data-quality level found against the least one asked for."""
    asked = settings.thresholds.least_quality_level
    level = evaluated.statistics.further.get(Further.QUALITY_LEVEL)
    found = NOT_ASSIGNED if level is None else str(level.level)
    facts = (("asked", asked), ("level", found))
    if not asked:
        return Criterion(Ask.QUALITY_LEVEL, Outcome.TOLD, facts)
    if found == NOT_ASSIGNED:
        return Criterion(Ask.QUALITY_LEVEL, Outcome.NOT_SHOWN, facts)
    met = _ORDER.index(found) >= _ORDER.index(asked)
    return Criterion(Ask.QUALITY_LEVEL, _shown(met, Outcome.FAILED), facts)


def spots(stratum: Stratum, evaluated: Evaluated, settings: Settings) -> Criterion:
    """Where shots are judged: the median number of spots of the pairs against the fewest agreed."""
    t = settings.thresholds
    count = evaluated.used["field_spots"].to_numpy("float64")
    median = float(np.median(count)) if len(count) else 0.0
    facts = (
        ("least", t.libs_spots), ("median", median),
        ("fewest", int(count.min()) if len(count) else 0),
    )  # fmt: skip
    if stratum.technique not in techniques.named(Judged.SHOTS) or not t.spots_required:
        return Criterion(Ask.SPOTS, Outcome.TOLD, facts)
    return Criterion(Ask.SPOTS, _shown(median >= t.libs_spots), facts)


def custody(evaluated: Evaluated, lost: tuple[str, ...] = ()) -> Criterion:
    """How custody stands for the used pairs; those whose custody is broken are never used.

    ``lost`` names custody files that an earlier release rests on and that are gone: then
    nobody can say that no chain is broken. Custody that was not recorded is told, as no
    evidence speaks either way.
    """
    states = [str(state) for state in evaluated.used["custody"].tolist()]
    names = sorted(set(states))
    facts = (
        ("states", tuple((name, states.count(name)) for name in names)),
        ("broken", evaluated.pairs["custody"].tolist().count("broken")),
        ("lost", lost),
    )
    outcome = Outcome.TOLD
    if lost or "broken" in names:
        outcome = Outcome.NOT_SHOWN
    elif names and set(names) <= _KEPT:
        outcome = Outcome.SHOWN
    return Criterion(Ask.CUSTODY, outcome, facts)
