"""A verdict's criteria in words: what was asked, what was found, why one binds, what to do next.

Words are made from the criterion's data, here and nowhere else; nothing reads them back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from reconcile.base.model.verdict import STANDING_IN_THE_WAY, Ask, Criterion, Outcome
from reconcile.reporting import words


@dataclass(frozen=True, slots=True)
class Written:
    """One criterion as its reader sees it."""

    name: str
    asked: str
    found: str
    outcome: str  # the outcome in words
    shown: bool
    stands: bool  # it does not stand in the way of an acceptance
    fails: bool  # shown to fail


def written(criterion: Criterion) -> Written:
    """The criterion in words."""
    asked, found = _SAID[criterion.ask](dict(criterion.facts))
    if criterion.outcome is Outcome.TOLD:
        asked = words.NOT_ASKED
    return Written(
        name(criterion), asked, found, words.OUTCOMES[criterion.outcome],
        criterion.outcome is Outcome.SHOWN, criterion.passes,
        criterion.outcome is Outcome.FAILED,
    )  # fmt: skip


def as_released(entry: Mapping[str, Any]) -> Written:
    """A criterion as a release's statistics.json holds it, also of releases without outcomes."""
    if "outcome" in entry:
        outcome = Outcome(entry["outcome"])
        said, shown = words.OUTCOMES[outcome], outcome is Outcome.SHOWN
        stands, fails = outcome not in STANDING_IN_THE_WAY, outcome is Outcome.FAILED
    else:
        said, shown = words.OUTCOMES_BEFORE[entry["met"]], entry["met"] is True
        stands, fails = shown, entry["met"] is False
    return Written(entry["name"], entry["asked"], entry["found"], said, shown, stands, fails)


def name(criterion: Criterion) -> str:
    """What it is called, with the level and the values that it speaks of."""
    plain = words.ASK_NAMES[criterion.ask].format(level=criterion.level)
    return words.OF_VALUES.format(name=plain, of=criterion.of) if criterion.of else plain


def _share(value: float, digits: int = 0) -> str:
    """A fraction as a percentage; small ones keep a figure."""
    if not math.isfinite(value):
        return words.NOT_ESTIMABLE_CRITERION
    if digits == 0 and 0 < value < 0.01:
        return f"{value:.2g}" if value < 1e-4 else f"{100 * value:.2g}%"
    return f"{value:.{digits}%}"


def _signed(value: float) -> str:
    return f"{value:+.1%}" if math.isfinite(value) else words.NOT_ESTIMABLE_CRITERION


def _bound(value: float) -> str:
    """An upper bound of a chance: rounded up, so that what is printed holds too."""
    if not math.isfinite(value):
        return words.NOT_ESTIMABLE_CRITERION
    return f"{math.ceil(1000 * value - 1e-9) / 1000:.1%}"


def _factor(value: float) -> str:
    return f"{1 + value:.2f}" if math.isfinite(value) else words.NOT_ESTIMABLE_CRITERION


def _factor_up(value: float) -> str:
    if not math.isfinite(value):
        return words.NOT_ESTIMABLE_CRITERION
    return f"{math.ceil(100 * (1 + value) - 1e-9) / 100:.2f}"


def _outward(low: float, high: float) -> tuple[str, str]:
    """Ends of an interval in percent, rounded outward to a tenth."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return words.NOT_ESTIMABLE_CRITERION, words.NOT_ESTIMABLE_CRITERION
    return _signed(math.floor(1000 * low + 1e-9) / 1000), _signed(
        math.ceil(1000 * high - 1e-9) / 1000
    )


def _edges(margin: float) -> dict[str, str]:
    return {"lowest": _signed(1 / (1 + margin) - 1), "highest": _signed(margin)}


Facts = dict[str, Any]
Said = tuple[str, str]  # asked, found


def _whole(effective: float) -> str:
    """An effective number of pairs, rounded down."""
    return f"{math.floor(effective + 1e-9)}"


def _n(f: Facts) -> str:
    """How many pairs, and how many independent ones they weigh as, where that is fewer."""
    effective = float(f["effective"] if "effective" in f else f["n"])
    if effective >= f["n"]:
        return f"{f['n']}"
    return words.AS_INDEPENDENT.format(n=f["n"], effective=_whole(effective))


def _purpose(f: Facts) -> Said:
    return words.PURPOSE_ASKED, words.PURPOSE_NEVER if f["never"] else f["purpose"]


def _element(f: Facts) -> Said:
    found = f["element"]
    if f["precious"]:
        found = words.ELEMENT_PRECIOUS
    elif f["carbon"]:
        found = words.ELEMENT_CARBON
    return words.ELEMENT_ASKED, found


def _description(f: Facts) -> Said:
    found = words.DESCRIPTION_STATED
    if f["unstated"]:
        names = " and ".join(words.DESCRIPTION_FACTS[x] for x in f["unstated"])
        found = words.DESCRIPTION_UNSTATED.format(names=names)
    elif f["differing"]:
        found = words.DESCRIPTION_DIFFERS.format(basis=f["differing"])
    return words.DESCRIPTION_ASKED, found


def _thirds(f: Facts) -> Said:
    first, second, third = f["thirds"]
    found = words.THIRDS_FOUND.format(first=first, second=second, third=third)
    return words.LEAST.format(least=f["least"]), found


def _custody(f: Facts) -> Said:
    if f["lost"]:
        return words.CUSTODY_ASKED, words.CUSTODY_LOST.format(files=", ".join(f["lost"]))
    states = [words.CUSTODY_STATE.format(n=n, state=state) for state, n in f["states"]]
    found = ", ".join(states) or words.CUSTODY_NONE
    if f["broken"]:
        found = words.CUSTODY_LEFT_OUT.format(found=found, n=f["broken"])
    return words.CUSTODY_ASKED, found


def _range(f: Facts) -> Said:
    asked = words.RANGE_ASKED.format(
        share=_share(f["least_share"]), confidence=_share(f["confidence"]), **_edges(f["margin"])
    )
    if f["why"]:
        return asked, f"{words.NOT_ESTIMABLE_CRITERION}: {f['why']}"
    found = words.RANGE_FOUND.format(share=_share(f["share"]), n=_n(f))
    if f["beyond"] > 0:
        found = words.RANGE_BEYOND.format(found=found, beyond=_share(f["beyond"]))
    return asked, found


def _spread(f: Facts) -> Said:
    asked = words.SPREAD_ASKED.format(span=_factor(f["span"]), confidence=_share(f["confidence"]))
    if not math.isfinite(f["value"]):
        return asked, words.NOT_ESTIMABLE_CRITERION
    found = words.SPREAD_FOUND.format(
        value=_factor(f["value"]), upper=_factor_up(f["upper"]), n=f["n"]
    )
    return asked, found


def _time(f: Facts) -> Said:
    asked = words.TIME_ASKED.format(confidence=_share(f["confidence"]), **_edges(f["margin"]))
    if not f["stretches"]:
        return asked, words.TIME_UNKNOWN.format(timed=f["timed"], n=f["n"])
    if not math.isfinite(f["low"]):
        return asked, words.NOT_ESTIMABLE_CRITERION
    low, high = _outward(f["low"], f["high"])
    return asked, words.TIME_FOUND.format(
        low=low, high=high, stretch=f["stretch"], stretches=f["stretches"], n=f["stretch_n"]
    )


def _level_bias(f: Facts) -> Said:
    asked = words.LEVEL_BIAS_ASKED.format(confidence=_share(f["confidence"]), **_edges(f["margin"]))
    if not math.isfinite(f["low"]):
        return asked, words.NOT_ESTIMABLE_CRITERION
    low, high = _outward(f["low"], f["high"])
    found = words.LEVEL_BIAS_FOUND.format(low=low, high=high, n=_n(f))
    return asked, found if f["in_range"] else words.LEVEL_BIAS_OUTSIDE.format(found=found)


def _mean_bias(f: Facts) -> Said:
    if not math.isfinite(f["low"]):
        return words.NOT_ASKED, words.NOT_ESTIMABLE_CRITERION
    low, high = _outward(f["low"], f["high"])
    found = words.MEAN_BIAS_FOUND.format(
        low=low, high=high, confidence=_share(f["confidence"]), n=f["n"]
    )
    return words.NOT_ASKED, found


def _counted(f: Facts) -> str:
    if not f["among"]:
        return words.COUNTED_NONE
    return words.COUNTED.format(
        wrong=f["wrong"], among=f["among"], confidence=_share(f["counted_confidence"]),
        low=_share(f["counted_low"]), high=_bound(f["counted_high"]),
    )  # fmt: skip


def _chance(acting: bool) -> Callable[[Facts], Said]:
    def said(f: Facts) -> Said:
        above = acting != f["below"]  # the acting side's far edge lies above, but mirrored
        asked = words.CHANCE_ASKED.format(
            rate=_share(f["rate"]), grey=_share(f["grey"]), side=words.CHANCE_SIDES[above],
            confidence=_share(f["confidence"]),
        )  # fmt: skip
        counted = _counted(f)
        if not math.isfinite(f["value"]):
            return asked, words.CHANCE_FOUND.format(
                value=words.NOT_ESTIMABLE_CRITERION, upper="100%", counted=counted
            )
        found = words.CHANCE_FOUND.format(
            value=_share(f["value"], 1), upper=_bound(f["upper"]), counted=counted
        )
        return asked, found

    return said


def _months(n: int) -> str:
    one, many = words.COMING_MONTHS
    return (one if n == 1 else many).format(n=n)


def _coming(f: Facts) -> Said:
    asked = words.COMING_ASKED.format(rate=_share(f["rate"]), **_edges(f["margin"]))
    if not math.isfinite(f["chance"]):
        why = f": {f['why']}" if f["why"] else ""
        return asked, f"{words.NOT_ESTIMABLE_CRITERION}{why}"
    spread = ""
    if not math.isfinite(f["spread"]):
        spread = words.COMING_ASSUMED.format(assumed=_share(f["assumed"], 1))
    low, high = _outward(f["low"], f["high"])
    found = words.COMING_FOUND.format(
        chance=_bound(f["chance"]), low=low, high=high, months=_months(f["months"]), n=f["n"],
        spread=spread,
    )  # fmt: skip
    if f["failing"] >= f["confidence"]:
        failing = f"{math.floor(1000 * f['failing']) / 1000:.1%}"
        found = words.COMING_SURE.format(found=found, failing=failing)
    return asked, found


def _coming_sample(f: Facts) -> Said:
    asked = words.COMING_SAMPLE_ASKED.format(span=_factor(f["span"]), level=_share(f["level"]))
    if not math.isfinite(f["low"]):
        return asked, words.NOT_ESTIMABLE_CRITERION
    low, high = _outward(f["low"], f["high"])
    return asked, words.COMING_SAMPLE_FOUND.format(
        low=low, high=high, months=_months(f["months"]), n=f["n"]
    )


_SAID: dict[Ask, Callable[[Facts], Said]] = {
    Ask.PURPOSE: _purpose,
    Ask.ELEMENT: _element,
    Ask.FAULT: lambda f: (words.FAULT_ASKED, f["found"]),
    Ask.DESCRIPTION: _description,
    Ask.PAIRS: lambda f: (
        words.LEAST.format(least=f["least"]),
        words.PAIRS_FOUND.format(n=_n(f)),
    ),
    Ask.THIRDS: _thirds,
    Ask.CENSORED: lambda f: (
        words.CENSORED_ASKED.format(most=_share(f["most"])),
        words.CENSORED_FOUND.format(share=_share(f["share"]), offered=f["offered"]),
    ),
    Ask.CONTROLS: lambda f: (words.CONTROLS_ASKED, f["lacking"] or words.CONTROLS_FOUND),
    Ask.SPOTS: lambda f: (
        words.SPOTS_ASKED.format(least=f["least"]),
        words.SPOTS_FOUND.format(median=f"{f['median']:.10g}", fewest=f["fewest"]),
    ),
    Ask.CUSTODY: _custody,
    Ask.QUALITY_LEVEL: lambda f: (
        words.QUALITY_ASKED.format(level=f["asked"]),
        words.QUALITY_FOUND.format(level=f["level"]),
    ),
    Ask.SELECTION: lambda f: (
        words.SELECTION_ASKED,
        ", ".join(f"{name} {n}" for name, n in f["counts"]),
    ),
    Ask.MEAN_BIAS: _mean_bias,
    Ask.RANGE: _range,
    Ask.SPREAD: _spread,
    Ask.TIME: _time,
    Ask.LEVEL: lambda f: (
        words.LEVEL_ASKED,
        words.LEVEL_CUT if f["cut"] else words.LEVEL_OUTSIDE,
    ),
    Ask.LEVEL_SAMPLES: lambda f: (
        words.LEVEL_SAMPLES_ASKED.format(least=f["least"], reach=f"{f['reach']:g}"),
        words.LEVEL_SAMPLES_FOUND.format(above=f["above"], below=f["below"]),
    ),
    Ask.LEVEL_BIAS: _level_bias,
    Ask.MISSED: _chance(True),
    Ask.FALSE_ALARMS: _chance(False),
    Ask.MISSED_COUNT: lambda f: (
        words.MISSED_COUNT_ASKED.format(bound=_share(f["bound"])),
        _counted(f),
    ),
    Ask.COMING: _coming,
    Ask.COMING_SAMPLE: _coming_sample,
}


# ---- why it binds, and what to do next ----------------------------------------------------

_PLAIN = frozenset(
    {Ask.PURPOSE, Ask.ELEMENT, Ask.FAULT, Ask.DESCRIPTION, Ask.CONTROLS, Ask.CUSTODY}
)
_BINDING = {
    Ask.THIRDS: words.BINDING_THIRDS,
    Ask.CENSORED: words.BINDING_CENSORED,
    Ask.SPOTS: words.BINDING_SPOTS,
    Ask.SELECTION: words.BINDING_SELECTION,
}


def capital(text: str) -> str:
    """The text with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def reason(criterion: Criterion) -> str:
    """Why this criterion stands in the way, as a sentence."""
    w = written(criterion)
    given = {"name": capital(w.name), "asked": w.asked, "found": capital(w.found)}
    if criterion.ask is Ask.PAIRS:
        n, effective = criterion.fact("n"), criterion.fact("effective")
        if n and not effective:
            return words.BINDING_ONE_CLUSTER.format(n=n)
        if effective < n >= criterion.fact("least"):
            return words.BINDING_CLUSTERS.format(n=n, effective=_whole(effective), asked=w.asked)
        few = {0: words.BINDING_NO_PAIR, 1: words.BINDING_ONE_PAIR}
        return few.get(n, words.BINDING_PAIRS).format(n=n, **given)
    if criterion.ask is Ask.QUALITY_LEVEL:
        failed = criterion.outcome is Outcome.FAILED
        template = words.BINDING_QUALITY if failed else words.BINDING_QUALITY_NONE
        return template.format(asked=w.asked, found=w.found)
    if criterion.ask in _PLAIN:
        return words.BINDING_PLAIN.format(**given)
    if criterion.ask in _BINDING:
        return _BINDING[criterion.ask].format(asked=w.asked, found=w.found)
    return words.BINDING_FIGURE.format(name=given["name"], asked=w.asked, found=w.found)


_LEVELS = frozenset({Ask.LEVEL_SAMPLES, Ask.MISSED, Ask.FALSE_ALARMS, Ask.MISSED_COUNT})
_NEXT = {
    Ask.THIRDS: words.NEXT_THIRDS,
    Ask.CENSORED: words.NEXT_CENSORED,
    Ask.CUSTODY: words.NEXT_CUSTODY,
    Ask.CONTROLS: words.NEXT_CONTROLS,
    Ask.DESCRIPTION: words.NEXT_ENTER,
    Ask.SELECTION: words.NEXT_SELECTION,
}


def next_step(criterion: Criterion) -> str:
    """What to do about a criterion that stands in the way."""
    ask, failed = criterion.ask, criterion.outcome is Outcome.FAILED
    if ask in (Ask.PURPOSE, Ask.ELEMENT, Ask.FAULT):
        return words.NEXT_FORBIDDEN
    if ask is Ask.QUALITY_LEVEL:
        return words.NEXT_QUALITY if failed else words.NEXT_QUALITY_NONE
    if ask is Ask.PAIRS and criterion.fact("n") >= criterion.fact("least"):
        return words.NEXT_CLUSTERS
    if ask is Ask.PAIRS:
        short = criterion.fact("least") - criterion.fact("n")
        one, many = words.NEXT_PAIRS
        return (one if short == 1 else many).format(n=short)
    if ask is Ask.SPOTS:
        return words.NEXT_SPOTS.format(n=criterion.fact("least"))
    if ask in _NEXT:
        return _NEXT[ask]
    if ask is Ask.TIME and failed:
        return words.NEXT_TIME
    if failed:
        return words.NEXT_CAUSE
    if ask is Ask.COMING:
        return _next_months(criterion)
    if ask in _LEVELS:
        return words.NEXT_LEVEL.format(level=criterion.level)
    return words.NEXT_MORE


def _next_months(criterion: Criterion) -> str:
    more = criterion.fact("more_months")
    if not math.isfinite(more):
        return words.NEXT_NO_MONTHS
    one, many = words.NEXT_MONTHS
    pairs = f"{max(round(criterion.fact('a_month')), 1)}"
    return (one if more == 1 else many).format(n=int(more), pairs=pairs)
