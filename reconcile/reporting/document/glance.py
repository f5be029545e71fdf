"""The one picture of a release: every stratum's verdict, and its bias against the margin."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.model.verdict import DECISIONS, Ask
from reconcile.reporting import numbers, words
from reconcile.reporting.document.attention import verdicts_before
from reconcile.reporting.document.verdicts import kind_of
from reconcile.reporting.plots.kinds import Glance, GlanceGroup, GlanceRow, Spot
from reconcile.reporting.text import printable

#: Verdicts in the order of the picture: first those that ask for something.
ORDER = (2, 3, 1, 0)
#: Lines of strata that stand one by one; beyond them the elements of a method share a line.
MOST = 56
_NAMED = 4  # elements named on a line that several share


def picture(r: Reconciliation, anchors: Mapping[str, str], most: int = MOST) -> Glance | None:
    """What the picture shows; None without strata."""
    if not r.results:
        return None
    before = verdicts_before(r)
    by_kind = {
        kind: sorted((x for x in r.results if kind_of(x) == kind), key=_farness, reverse=True)
        for kind in ORDER
    }
    together = _together(by_kind, most)
    groups = []
    for kind, results in by_kind.items():
        if not results:
            continue
        rows = (
            _by_method(results, anchors)
            if kind in together
            else tuple(_row(x, before, anchors) for x in results)
        )
        title = words.DECISION_TITLE[DECISIONS[kind]]
        groups.append(GlanceGroup(kind, f"{title} · {len(results)}", rows))
    spans = sorted({1 + s for x in r.results if (s := _span(x)) is not None})
    key = [words.GLANCE_KEY.format(level=numbers.percent(_level(r))), words.GLANCE_AGREED]
    if together:
        key.append(words.GLANCE_TOGETHER)
    if any(row.changed for group in groups for row in group.rows):
        key.append(words.GLANCE_CHANGED)
    else:
        key.append(words.GLANCE_UNCHANGED if before else words.GLANCE_FIRST)
    return Glance(
        tuple(groups), tuple(spans), words.GLANCE_AXIS, words.GLANCE_COUNTED, words.GLANCE_NONE,
        tuple(key), words.GLANCE_GOES_ON,
    )  # fmt: skip


def _together(by_kind: Mapping[int, Sequence[StratumResult]], most: int) -> set[int]:
    """Verdicts whose strata share lines by method, the most numerous first, until all fit."""
    lines = {kind: len(results) for kind, results in by_kind.items()}
    shared: set[int] = set()
    for kind in sorted(by_kind, key=lambda kind: (-len(by_kind[kind]), kind)):
        if sum(lines.values()) <= most:
            break
        shared.add(kind)
        lines[kind] = len({x.stratum.rest_of_label for x in by_kind[kind]})
    return shared


def _level(r: Reconciliation) -> float:
    return r.results[0].statistics.bias.geometric_mean_ratio.level


def change_of(x: StratumResult, before: Mapping[str, str]) -> str:
    """What became of the verdict since the newest earlier month: new, better, worse, or ''."""
    was = before.get(x.stratum.key)
    if before and was is None:
        return words.GLANCE_NEW
    if was is None or was == x.verdict.decision:
        return ""
    return words.GLANCE_BETTER if _rank(x.verdict.decision) < _rank(was) else words.GLANCE_WORSE


def told(plot: Glance) -> str:
    """The picture in words, for who does not see it: each verdict with what it is of."""
    return ". ".join(
        f"{group.title}: {'; '.join(row.name for row in group.rows)}" for group in plot.groups
    )


def bias_of(x: StratumResult) -> Spot:
    """The long-run bias where months tell it, else that of the month's pairs; as ratios."""
    e = x.evidence
    name = x.stratum.label
    if e is not None and e.long_run.estimable:
        found = e.long_run
        return Spot(name, 1 + found.value, 1 + found.low, 1 + found.high)
    found = x.statistics.bias.geometric_mean_ratio
    return Spot(name, found.value, found.low, found.high)


def _spread(x: StratumResult) -> tuple[float, float]:
    e = x.evidence
    if e is not None and e.coming_sample.estimable:
        return 1 + e.coming_sample.low, 1 + e.coming_sample.high
    limits = x.statistics.agreement.limits_log_ratio
    return limits.lower.value, limits.upper.value


def margin_of(x: StratumResult) -> float:
    """The margin that was agreed for the bias, as a fraction."""
    return x.statistics.bias.equivalence.margin


def _span(x: StratumResult) -> float | None:
    found = (c.fact("span") for c in x.verdict.criteria if c.ask is Ask.SPREAD)
    return next((s for s in found if isinstance(s, float) and s > 0), None)


def _farness(x: StratumResult) -> tuple[float, str]:
    """How far the bias lies from none, in margins; strata without a bias come first."""
    value = bias_of(x).value
    far = abs(math.log(value)) / math.log1p(margin_of(x)) if value > 0 else math.inf
    return (far if math.isfinite(far) else math.inf, x.stratum.key)


def _counted(x: StratumResult) -> str:
    e = x.evidence
    if e is None or len(e.months) < 2:
        return numbers.plain(float(x.statistics.n_used), 0)
    pairs = numbers.plain(float(sum(m.pairs for m in e.months)), 0)
    return f"{pairs} · {len(e.months)}"


def _row(x: StratumResult, before: Mapping[str, str], anchors: Mapping[str, str]) -> GlanceRow:
    margin = 1 + margin_of(x)
    name = printable(x.stratum.label) + (words.FLIP_MARK if x.verdict.flips else "")
    return GlanceRow(
        name, (bias_of(x),), _spread(x), (1 / margin, margin), _counted(x),
        change_of(x, before), anchors.get(x.stratum.key, ""),
    )  # fmt: skip


def _rank(decision: str) -> int:
    """Places of verdicts from the best to the worst."""
    return DECISIONS.index(decision) if decision in DECISIONS else len(DECISIONS)


def _by_method(
    results: Sequence[StratumResult], anchors: Mapping[str, str]
) -> tuple[GlanceRow, ...]:
    """One line per method and material, a mark for each element."""
    groups: dict[str, list[StratumResult]] = {}
    for x in results:
        groups.setdefault(x.stratum.rest_of_label, []).append(x)
    rows = []
    for rest, found in groups.items():
        margin = 1 + min(map(margin_of, found))
        named = ", ".join(x.stratum.element for x in found[:_NAMED])
        if len(found) > _NAMED:
            named += f" +{len(found) - _NAMED}"
        rows.append(
            GlanceRow(
                printable(f"{rest}: {named}"), tuple(map(bias_of, found)), (math.nan, math.nan),
                (1 / margin, margin), numbers.plain(float(len(found)), 0), "",
                anchors.get(found[0].stratum.key, ""),
            )
        )  # fmt: skip
    return tuple(rows)
