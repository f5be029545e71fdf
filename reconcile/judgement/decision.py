"""The decision: what pairs of numbers show against what was agreed, each criterion as data.

Arrays in, frozen values out; no table, file or word. Acceptance asks that every criterion is
shown, each by a test of size alpha, so that a method beyond what was agreed in any of them is
accepted with a chance of at most alpha (an intersection-union test: Berger & Hsu 1996, from
memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from reconcile.base.model.verdict import AS_READ, Ask, Criterion, Outcome
from reconcile.statistics._values import Floats, Integers
from reconcile.statistics.bias_in_time import stretches_in_time
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.grey_region import EdgeChance, edge_chance
from reconcile.statistics.level_band import (
    ProvedRange,
    Scale,
    TruthLine,
    beside_like,
    bias_interval,
    proved_range,
    truth_line,
)
from reconcile.statistics.proportions import clopper_pearson

Z = float(special.ndtri(0.975))  # limits of agreement hold 95 % of single differences


@equal_with_nan
@dataclass(frozen=True, slots=True)
class LevelTerms:
    """What was agreed for one decision level; the level in the unit of the values."""

    name: str
    value: float
    below: bool = False  # someone acts below the level
    grey: float = 0.20
    missed: float = 0.05
    false_alarms: float = 0.10


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Terms:
    """What was agreed before the data."""

    margin: float = 0.10
    alpha: float = 0.05
    span: float = 0.40
    least_share: float = 0.50
    level_samples: int = 3
    level_reach: float = 3.0
    missed_bound: float | None = None  # of the counted share, upper end of its interval
    confidence: float = 0.95  # of intervals of counts
    levels: tuple[LevelTerms, ...] = ()


@dataclass(frozen=True, slots=True)
class Counts:
    """Samples counted at one level: missed of those on the acting side, alarms of the rest."""

    missed: int
    acting: int
    alarms: int
    rest: int


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Decision:
    """What the pairs showed; the range in the unit of the values, NaN where nothing is accepted."""

    criteria: tuple[Criterion, ...]
    low: float
    high: float
    line: TruthLine

    @property
    def accepted(self) -> bool:
        """Every criterion that was asked for was shown."""
        return all(c.passes for c in self.criteria)

    @property
    def binding(self) -> Criterion | None:
        """What stands in the way: the first shown to fail, else the first not shown."""
        for outcome in (Outcome.FAILED, Outcome.NOT_SHOWN):
            for c in self.criteria:
                if c.outcome is outcome:
                    return c
        return None


def decide(
    lab: Floats,
    field: Floats,
    terms: Terms,
    scale: Scale = "log ratio",
    lab_variance: float = math.nan,
    of: str = AS_READ,
    counts: Sequence[Counts] | None = None,
    times: Floats | None = None,
    clusters: Sequence[Integers] = (),
    like: tuple[float, float] = (0.0, 1.0),
) -> Decision:
    """Judge lab and field means, shape (n,), one unit, against ``terms``.

    ``scale``: "log ratio" where errors grow in proportion to the level, else "absolute".
    ``lab_variance``: error variance of a lab mean, relative or in the unit squared as the
    scale asks; NaN where not known. ``counts``: one per level where they include results
    known only by a limit, else they are counted here. ``times``: when each sample was read,
    as numbers, NaN where not known; where they are not, no step in time is looked for.
    ``clusters``: one or two groupings of the pairs, codes of shape (n,): every criterion is
    judged by the design effect that they show, as ``statistics.clusters`` says. ``like``: what
    like studies do to the line (``level_band.beside_like``); the looks for bends and steps stay
    those of the pairs themselves.
    """
    lab, field = np.asarray(lab, np.float64), np.asarray(field, np.float64)
    line = beside_like(truth_line(lab, field, scale, lab_variance, clusters), *like)
    logs = scale == "log ratio"
    inside = [x for x in terms.levels if lab.size and lab.min() <= x.value <= lab.max()]
    anchor = math.nan if line.reason else anchor_of(line, inside)
    spread, proved = spread_and_range(line, anchor, terms, of)
    low, high = (math.exp(v) if logs else v for v in (proved.low, proved.high))
    criteria = [
        _range(line, proved, (low, high), lab_variance, terms, of), spread,
    ]  # fmt: skip
    if not line.reason:
        criteria.append(_in_time(line, lab, times, (low, high), terms, of))
    for i, level in enumerate(terms.levels):
        if level not in inside:
            found = (("value", level.value), ("cut", False))
            criteria.append(Criterion(Ask.LEVEL, Outcome.NO_DECISION, found, of, level.name))
            continue
        counted = counts[i] if counts is not None else count(lab, field, level)
        criteria += _level(lab, line, level, (low, high), terms, of, counted)
    made = Decision(tuple(criteria), low, high, line)
    return made if made.accepted else Decision(made.criteria, math.nan, math.nan, line)


def cut(made: Decision, low: float, high: float, terms: Terms) -> Decision:
    """An acceptance where no result outside ``low`` to ``high`` (unit of the values) is given.

    A level outside what is left gets no decision; the share of the pairs is that of those left.
    """
    if not made.accepted or (low <= made.low and made.high <= high):
        return made
    low, high = max(low, made.low), min(high, made.high)
    logs = made.line.scale == "log ratio"
    lab = np.exp(made.line.lab) if logs else made.line.lab
    share = float(np.mean((lab >= low * (1 - 1e-9)) & (lab <= high * (1 + 1e-9))))
    enough = low < high and share >= terms.least_share
    outside = {x.name: x.value for x in terms.levels if not low <= x.value <= high}
    criteria: list[Criterion] = []
    for c in made.criteria:
        if c.ask is Ask.RANGE:
            facts = {**dict(c.facts), "share": share, "low": low, "high": high}
            outcome = Outcome.SHOWN if enough else Outcome.NOT_SHOWN
            c = replace(c, outcome=outcome, facts=tuple(facts.items()))
        elif c.level in outside and c.ask is not Ask.LEVEL:
            if c.ask is not Ask.LEVEL_BIAS:  # one criterion stands for all of the level
                continue
            found = (("value", outside[c.level]), ("cut", True))
            c = Criterion(Ask.LEVEL, Outcome.NO_DECISION, found, c.of, c.level)
        criteria.append(c)
    ends = (low, high) if enough else (math.nan, math.nan)
    return Decision(tuple(criteria), *ends, made.line)


def anchor_of(line: TruthLine, inside: Sequence[LevelTerms]) -> float:
    """Where the range starts from: the level nearest the middle lab value, else that value."""
    logs = line.scale == "log ratio"
    middle = float(line.lab[line.n // 2])
    at = [math.log(x.value) if logs else x.value for x in inside]
    return min(at, key=lambda v: abs(v - middle), default=middle)


def count(lab: Floats, field: Floats, level: LevelTerms) -> Counts:
    """Samples called on the other side than the laboratory's."""
    acting = lab < level.value if level.below else lab >= level.value
    called = field < level.value if level.below else field >= level.value
    return Counts(
        int(np.sum(acting & ~called)), int(np.sum(acting)), int(np.sum(~acting & called)),
        int(np.sum(~acting)),
    )  # fmt: skip


def _range(
    line: TruthLine, proved: ProvedRange, ends: tuple[float, float], lab_variance: float,
    terms: Terms, of: str,
) -> Criterion:  # fmt: skip
    outcome = Outcome.NOT_SHOWN
    if proved.share >= terms.least_share:
        outcome = Outcome.SHOWN
    elif proved.beyond > 1 - terms.least_share:
        outcome = Outcome.FAILED
    found = (
        ("margin", terms.margin), ("least_share", terms.least_share),
        ("confidence", 1 - terms.alpha), ("share", proved.share), ("beyond", proved.beyond),
        ("low", ends[0]), ("high", ends[1]), ("lab_variance", lab_variance), ("n", line.n),
        ("effective", line.n / line.effect), ("like", line.like), ("why", line.reason),
    )  # fmt: skip
    return Criterion(Ask.RANGE, outcome, found, of)


def spread_and_range(
    line: TruthLine, anchor: float, terms: Terms, of: str
) -> tuple[Criterion, ProvedRange]:
    """Half width of the limits of agreement, with exact (chi-square) one-sided bounds; the range.

    As a factor less 1 on the log scale. For constant errors it is relative to the content:
    the range begins no lower than where the bound is as narrow as agreed. Of pairs in clusters
    it is the SD between and within them, with the degrees of freedom that this has.
    """
    asked = (("span", terms.span), ("confidence", 1 - terms.alpha))
    if line.reason:
        nothing = (("value", math.nan), ("lower", math.nan), ("upper", math.nan), ("n", line.n))
        nowhere = ProvedRange(math.nan, math.nan, 0.0, 0.0)
        return Criterion(Ask.SPREAD, Outcome.NOT_SHOWN, (*asked, *nothing), of), nowhere
    proved = proved_range(line, terms.margin, anchor, terms.alpha)
    df: float = line.n - 1
    sd = float(np.std(line.field - line.lab, ddof=1))
    if line.apart is not None and math.isfinite(line.apart.total):
        sd = max(sd, math.sqrt(line.apart.total))
        df = max(line.apart.total_freedom * df / max(line.apart.n - 1, 1), 1.0)
    lower, upper = (
        sd * math.sqrt(df / float(special.chdtri(df, p))) for p in (terms.alpha, 1 - terms.alpha)
    )
    if line.scale == "log ratio":
        value, least, most = (math.expm1(min(Z * v, 700.0)) for v in (sd, lower, upper))
        fails = least > terms.span
    else:
        fails = Z * lower > terms.span * line.high
        narrow = Z * upper / terms.span  # the content from which the bound is narrow enough
        if proved.low < narrow <= proved.high:
            inside = (line.lab >= narrow) & (line.lab <= proved.high)
            proved = ProvedRange(narrow, proved.high, float(np.mean(inside)), proved.beyond)
        at = proved.low if math.isfinite(proved.low) else line.high
        value, least, most = (Z * v / at if at > 0 else math.inf for v in (sd, lower, upper))
    shown = most <= terms.span * (1 + 1e-12)
    outcome = Outcome.SHOWN if shown else Outcome.FAILED if fails else Outcome.NOT_SHOWN
    found = (*asked, ("value", value), ("lower", least), ("upper", most), ("n", line.n))
    return Criterion(Ask.SPREAD, outcome, found, of), proved


def _in_time(
    line: TruthLine, lab: Floats, times: Floats | None, accepted: tuple[float, float], terms: Terms,
    of: str,
) -> Criterion:  # fmt: skip
    """The mean bias in stretches of time, each within the margin; told where times are not known.

    By all samples: what each is off the line, about the line's mean bias. So samples that were
    read late because they are poor don't pass for a step. The mean is that of all samples or of
    those in the accepted range, the one further from none: a range that was found by the bias
    alone would make it look small.
    """
    logs = line.scale == "log ratio"
    inside = np.ones(line.n, dtype=bool)
    if math.isfinite(accepted[0]):
        low, high = (math.log(v) if logs else v for v in accepted)
        tiny = 1e-9 * (line.high - line.low)
        inside = (line.lab >= low - tiny) & (line.lab <= high + tiny)
    inside = inside if inside.any() else ~inside
    off = line.at(line.truth) - line.truth
    level = max((float(np.mean(off)), float(np.mean(off[inside]))), key=abs)
    errors = level + line.field - line.at(line.lab)
    unit = 1.0 if logs else float(np.mean(line.lab[inside]))
    known = np.full(line.n, math.nan)
    if times is not None:  # the line holds the samples in rising order of the lab value
        known = np.asarray(times, np.float64)[np.argsort(lab, kind="stable")]
    clusters = None if line.clusters is None else line.clusters.in_unit(unit)
    found = stretches_in_time(errors / unit, known, terms.alpha, clusters)
    facts: tuple[tuple[str, object], ...] = (
        ("margin", terms.margin), ("confidence", 1 - 2 * terms.alpha), ("stretches", len(found)),
        ("timed", int(np.sum(np.isfinite(known)))), ("n", line.n),
    )  # fmt: skip
    if not found:
        return Criterion(Ask.TIME, Outcome.TOLD, facts, of)
    lowest, highest = 1 / (1 + terms.margin) - 1, terms.margin

    def share(value: float) -> float:
        return math.expm1(min(value, 700.0)) if logs else value

    outcome = Outcome.NOT_SHOWN
    if all(lowest <= share(s.low) and share(s.high) <= highest for s in found):
        outcome = Outcome.SHOWN
    elif any(share(s.least) > highest or share(s.most) < lowest for s in found):
        outcome = Outcome.FAILED
    beyond = [max(share(s.high) - highest, lowest - share(s.low)) for s in found]
    worst = int(np.argmax(beyond))
    one = found[worst]
    facts += (
        ("stretch", worst + 1), ("value", share(one.value)), ("low", share(one.low)),
        ("high", share(one.high)), ("stretch_n", one.n), ("deviation", one.deviation),
        ("wider", one.wider),
    )  # fmt: skip
    return Criterion(Ask.TIME, outcome, facts, of)


def _level(
    lab: Floats,
    line: TruthLine,
    level: LevelTerms,
    accepted: tuple[float, float],
    terms: Terms,
    of: str,
    counted: Counts,
) -> list[Criterion]:
    """Samples near it, bias at it, missed and false alarms at the edges of its grey region."""
    near = (lab >= level.value / terms.level_reach) & (lab <= level.value * terms.level_reach)
    above = int(np.sum(near & (lab >= level.value)))
    below = int(np.sum(near & (lab < level.value)))
    enough = min(above, below) >= terms.level_samples * line.effect
    made = [
        Criterion(
            Ask.LEVEL_SAMPLES, Outcome.SHOWN if enough else Outcome.NOT_SHOWN,
            (("least", terms.level_samples), ("reach", terms.level_reach), ("above", above),
             ("below", below), ("effect", line.effect)),
            of, level.name,
        )
    ]  # fmt: skip
    at = math.log(level.value) if line.scale == "log ratio" else level.value
    seen = bias_interval(line, at, terms.alpha)
    lowest, highest = 1 / (1 + terms.margin) - 1, terms.margin
    held = lowest <= seen.low and seen.high <= highest and accepted[0] <= level.value <= accepted[1]
    beyond = seen.low > highest or seen.high < lowest
    made.append(
        Criterion(
            Ask.LEVEL_BIAS,
            Outcome.SHOWN if held else Outcome.FAILED if beyond else Outcome.NOT_SHOWN,
            (("margin", terms.margin), ("confidence", seen.confidence), ("value", seen.value),
             ("low", seen.low), ("high", seen.high), ("n", line.n),
             ("effective", line.n / line.effect), ("at", level.value),
             ("in_range", bool(accepted[0] <= level.value <= accepted[1]))),
            of, level.name,
        )
    )  # fmt: skip
    low_edge, high_edge = level.value * (1 - level.grey), level.value * (1 + level.grey)
    far, other = (low_edge, high_edge) if level.below else (high_edge, low_edge)
    for ask, edge, rate, wrong, among in (
        (Ask.MISSED, far, level.missed, counted.missed, counted.acting),
        (Ask.FALSE_ALARMS, other, level.false_alarms, counted.alarms, counted.rest),
    ):
        chance = edge_chance(line, level.value, edge, 1 - terms.alpha)
        made.append(_chance(ask, chance, level, rate, wrong, among, terms, of))
    if terms.missed_bound is not None:
        made.append(_counted(counted, level, terms, of, line.effect))
    return made


def _chance(
    ask: Ask, chance: EdgeChance, level: LevelTerms, rate: float, wrong: int, among: int,
    terms: Terms, of: str,
) -> Criterion:  # fmt: skip
    outcome = Outcome.NOT_SHOWN
    if chance.upper <= rate:
        outcome = Outcome.SHOWN
    elif chance.lower > rate:
        outcome = Outcome.FAILED
    interval = clopper_pearson(wrong, among, terms.confidence) if among else None
    found = (
        ("rate", rate), ("grey", level.grey), ("edge", chance.edge), ("value", chance.value),
        ("lower", chance.lower), ("upper", chance.upper), ("confidence", chance.confidence),
        ("wrong", wrong), ("among", among),
        ("counted_low", interval.low if interval else math.nan),
        ("counted_high", interval.high if interval else math.nan),
        ("counted_confidence", terms.confidence), ("below", level.below),
    )  # fmt: skip
    return Criterion(ask, outcome, found, of, level.name)


def _counted(counted: Counts, level: LevelTerms, terms: Terms, of: str, effect: float) -> Criterion:
    """The counted share of missed samples against an agreed upper end of its interval.

    Counts of pairs in clusters are divided by their design effect.
    """
    assert terms.missed_bound is not None
    low = high = math.nan
    if counted.acting and math.isfinite(effect):
        interval = clopper_pearson(
            counted.missed / effect, counted.acting / effect, terms.confidence
        )
        low, high = interval.low, interval.high
    outcome = Outcome.NOT_SHOWN
    if high <= terms.missed_bound:
        outcome = Outcome.SHOWN
    elif low > terms.missed_bound:
        outcome = Outcome.FAILED
    found = (
        ("bound", terms.missed_bound), ("wrong", counted.missed), ("among", counted.acting),
        ("counted_low", low), ("counted_high", high), ("counted_confidence", terms.confidence),
        ("effect", effect), ("below", level.below),
    )  # fmt: skip
    return Criterion(Ask.MISSED_COUNT, outcome, found, of, level.name)
