"""The answer of a release in a few words, for its first page, the screen and the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reconcile.base.model.verdict import APPROVED, DECISIONS
from reconcile.reporting import numbers, words

if TYPE_CHECKING:  # the few words of a month that stands need no table
    from reconcile.base.model.release import Reconciliation, StratumResult

_APPROVALS = 8  # factors named
_MOVED = 8  # verdicts named


def _kind(x: StratumResult) -> int:
    """Place of the verdict in DECISIONS; the last for an unknown one."""
    decision = x.verdict.decision
    return DECISIONS.index(decision) if decision in DECISIONS else len(DECISIONS) - 1


def answer(r: Reconciliation) -> str:
    """What may be used alone, what could be, and what not; a few words for the first page."""
    read = [x for x in r.results if _kind(x) == 0]
    corrected = [x for x in r.results if _kind(x) == 1]
    in_force = [x for x in corrected if x.factor is not None and x.factor.status == APPROVED]
    pending = len(corrected) - len(in_force)
    usable = [*read, *in_force]
    if not usable:
        said = words.ANSWER_NONE.format(total=numbers.count(len(r.results), *words.COMBINATIONS))
    else:
        dates = sorted({x.verdict.valid_until for x in usable} - {""})
        until = words.UNTIL_SEVERAL if len(dates) > 1 else ""
        said = words.ANSWER.format(
            total=numbers.count(len(r.results), *words.COMBINATIONS),
            read=numbers.plain(float(len(read)), 0),
            corrected=words.ANSWER_CORRECTED.format(n=len(in_force)) if in_force else "",
            until=words.UNTIL.format(date=dates[0]) if len(dates) == 1 else until,
        )
    if pending:
        said += " " + words.ANSWER_PENDING.format(
            n=numbers.plain(float(pending), 0) + (words.ANSWER_MORE if usable else "")
        )
    rest = len(r.results) - len(read) - len(corrected)
    return said + (" " + words.ANSWER_REST.format(n=rest) if rest and usable else "")


def approvals(r: Reconciliation) -> str:
    """The factors that wait for a second person; "" where none does."""
    waiting = [
        x.factor.factor_id
        for x in r.results
        if _kind(x) == 1 and x.factor is not None and x.factor.status != APPROVED
    ]
    if not waiting:
        return ""
    count = numbers.count(len(waiting), *words.FACTORS_COUNTED)
    return words.APPROVALS.format(
        count=count,
        factors=", ".join(waiting[:_APPROVALS]),
        more=words.APPROVALS_MORE if len(waiting) > _APPROVALS else "",
    )


def in_brief(r: Reconciliation) -> str:
    """How many strata have each verdict, in one line."""
    return in_counts(counted(r))


def counted(r: Reconciliation) -> tuple[int, ...]:
    """How many strata have each of DECISIONS."""
    kinds = [_kind(x) for x in r.results]
    return tuple(kinds.count(kind) for kind in range(len(DECISIONS)))


def in_counts(counts: tuple[int, ...]) -> str:
    """The same in one line."""
    return ", ".join(
        f"{count} {decision}" for count, decision in zip(counts, DECISIONS, strict=True) if count
    )


def refused(files: int, rows: int, cells: int) -> str:
    """What was refused in words: rows and cells apart, and whole files where there are any."""
    parts = [
        numbers.count(rows, *words.REFUSED_ROWS),
        numbers.count(cells, *words.REFUSED_CELLS),
    ]
    if files:
        parts.insert(0, numbers.count(files, *words.REFUSED_FILES))
    return ", ".join(parts)


def steps(r: Reconciliation) -> list[tuple[str, str]]:
    """What to do next, and for which strata; each step once."""
    found: dict[str, list[str]] = {}
    for result in r.results:
        if result.verdict.next_step:
            found.setdefault(result.verdict.next_step.strip(), []).append(result.stratum.label)
    out = []
    for text, labels in found.items():
        named = "; ".join(labels[:2])
        if len(labels) > 2:
            named = words.AND_FURTHER.format(named=named, n=len(labels) - 2)
        out.append((text, named))
    return out


def moved(r: Reconciliation) -> list[str]:
    """The verdicts that are others than in the newest earlier month, a line each; at most a few."""
    if not r.history:
        return []
    newest = max(h.period for h in r.history)
    before = {h.stratum: h.verdict for h in r.history if h.period == newest}
    found = [
        words.VERDICT_MOVED.format(
            stratum=x.stratum.label, before=before[x.stratum.key], after=x.verdict.decision
        )
        for x in r.results
        if before.get(x.stratum.key, x.verdict.decision) != x.verdict.decision
    ]
    if not found:
        return [words.NO_VERDICT_MOVED.format(period=newest)]
    first = words.VERDICTS_MOVED.format(period=newest)
    lines = [f"- {line}" for line in found[:_MOVED]]
    if len(found) > _MOVED:
        lines.append(words.MORE_MOVED.format(n=len(found) - _MOVED))
    return [first, *lines]
