"""The months behind a stratum, in sentences and rows."""

from __future__ import annotations

import math

from reconcile.base.model.months import Begun, BiasMoved, Evidence, Watched
from reconcile.base.model.release import StratumResult
from reconcile.reporting import numbers, words
from reconcile.statistics.result import Estimate


def lines_of(result: StratumResult) -> list[str]:
    """Which months count and why, and what they say together; nothing where months mean nothing."""
    e = result.evidence
    if e is None:
        return []
    lines = [f"{_months(e)} {begun_text(e.begun)}{_apart(e)}"]
    if e.long_run.estimable:
        lines.append(
            words.EVIDENCE_BIAS.format(
                bias=_signed(e.long_run), n=e.long_run.n, spread=_spread(e),
                coming=_interval(e.coming), sample=_interval(e.coming_sample),
                level=numbers.percent(e.coming.level),
            )
        )  # fmt: skip
    elif e.reason:
        lines.append(words.EVIDENCE_NONE.format(why=e.reason))
    if e.watched is not None:
        lines.append(watched_text(e.watched, e.months[0].period))
    return lines


def watched_text(w: Watched, since: str = "") -> str:
    """What was seen of the bias from month to month, in one sentence, and of its charts if off.

    A change that was signalled before ``since``, the first month of the evidence, is past.
    """
    last = w.moved[-1] if w.moved and w.moved[-1].seen >= since else None
    said = _moved(last, w.begins_anew) if last is not None else _steady(w)
    if w.chart is not None and w.chart.beyond:
        said += words.EVIDENCE_BEYOND.format(since=w.chart.since)
    return said


def chart_text(w: Watched) -> str:
    """The month in hand against what earlier months say, and both charts; '' before there are."""
    if (c := w.chart) is None:
        return ""
    return words.EVIDENCE_CHART.format(
        since=c.since, score=f"{c.score:+.1f}", up=f"{c.up:.1f}", down=f"{c.down:.1f}",
        h=f"{c.h:g}", cusum_run=f"{c.cusum_run:.0f}", average=f"{c.average:+.2f}",
        limit=f"{c.average_limit:.2f}", average_run=f"{c.average_run:.0f}",
    )  # fmt: skip


def _moved(m: BiasMoved, anew: bool) -> str:
    moved = words.EVIDENCE_MOVED[m.change].format(seen=m.seen, first=m.first, size=_signed(m.size))
    form = words.EVIDENCE_ANEW if anew else words.EVIDENCE_KEPT
    return form.format(moved=moved, first=m.first)


def _steady(w: Watched) -> str:
    form = words.EVIDENCE_STEADY if math.isfinite(w.limit) else words.EVIDENCE_NOT_LOOKED
    return form.format(n=w.months)


def _months(e: Evidence) -> str:
    own = e.months[-1]
    pairs = sum(m.pairs for m in e.months)
    if len(e.months) == 1:
        return words.EVIDENCE_ONE.format(pairs=numbers.count(pairs, *words.PAIRS), month=own.period)
    return words.EVIDENCE_MONTHS.format(
        pairs=numbers.count(pairs, *words.PAIRS), n=len(e.months), first=e.months[0].period,
        last=own.period, own=own.pairs,
    )  # fmt: skip


def begun_text(begun: Begun) -> str:
    """Why the evidence goes no further back."""
    names = words.EVIDENCE_AND.join(words.EVIDENCE_FACTS[name] for name in begun.differing)
    return words.EVIDENCE_BEGUN[begun.why].format(what=begun.what, last=begun.last, names=names)


def _apart(e: Evidence) -> str:
    said = ""
    if e.again:
        said += words.EVIDENCE_AGAIN.format(pairs=numbers.count(e.again, *words.PAIRS))
    if e.limited:
        said += words.EVIDENCE_LIMITED.format(
            pairs=numbers.count(e.limited, *words.PAIRS), kept=e.limited_kept
        )
    return said


def _spread(e: Evidence) -> str:
    assumed = _percent(e.assumed_sd)
    weight = f"{e.assumed_months:g}"
    if not e.between.estimable:
        return words.EVIDENCE_SPREAD_ASSUMED.format(assumed=assumed, weight=weight)
    return words.EVIDENCE_SPREAD.format(
        found=_percent(e.between.value), low=_percent(e.between.low),
        high=_percent(e.between.high), assumed=assumed, weight=weight,
    )  # fmt: skip


def _percent(value: float) -> str:
    return numbers.NONE if not math.isfinite(value) else f"{numbers.plain(100 * value, 1)} %"


def _plus(value: float) -> str:
    if not math.isfinite(value):
        return numbers.NONE
    return f"{'+' if value > 0 else ''}{numbers.plain(100 * value, 1)}"


def _interval(e: Estimate) -> str:
    return words.EVIDENCE_INTERVAL.format(low=_plus(e.low), high=_plus(e.high))


def _signed(e: Estimate) -> str:
    return words.EVIDENCE_VALUE.format(value=_plus(e.value), low=_plus(e.low), high=_plus(e.high))


#: Month, pairs, bias by its own pairs, bias beside the others; as printed.
Row = tuple[str, str, str, str]


def rows_of(e: Evidence) -> list[Row]:
    """One row for each month and for what they say together."""
    rows = [
        (
            m.period if m.release_id else words.EVIDENCE_OWN.format(month=m.period), str(m.pairs),
            _signed(m.raw) if m.raw.estimable else numbers.NONE,
            _signed(m.seen) if m.seen.estimable else numbers.NONE,
        )
        for m in e.months
    ]  # fmt: skip
    together = (
        (words.EVIDENCE_LONG_RUN, e.long_run), (words.EVIDENCE_COMING, e.coming),
        (words.EVIDENCE_SAMPLE, e.coming_sample),
    )  # fmt: skip
    return rows + [
        (name, str(x.n), numbers.NONE, _signed(x)) for name, x in together if x.estimable
    ]
