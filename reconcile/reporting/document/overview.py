"""index.html: one page over all releases of a workspace, static, with nothing from outside it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from urllib.parse import quote

from reconcile.base.model.verdict import APPROVED, DECISIONS
from reconcile.judgement.factor_life import EXPIRED, PROPOSED, Life
from reconcile.releases.overview import Month
from reconcile.reporting import words
from reconcile.reporting.plots.svg import escaped
from reconcile.reporting.render import shell
from reconcile.reporting.render.elements import Cell, Raw, paragraph, table

_DOCUMENTS = ("report.pdf", "audit.pdf", "report.html", "workbook.xlsx")
_STATES = ("expiring", "waiting", "standing", "over")


def page(
    title: str,
    language: str,
    months: Sequence[Month],
    unread: Sequence[str],
    lives: Iterable[Life],
) -> bytes:
    """The page; equal values give equal bytes. Links are relative to the output folder."""
    heading = words.OVERVIEW_TITLE.format(title=title)
    body = [f"<header><h1>{escaped(heading)}</h1>{_newest(months)}"]
    if unread:
        said = words.OVERVIEW_UNREAD.format(periods=", ".join(unread))
        body.append(f'<p class="caution">{escaped(said)}</p>')
    body.append(f"{paragraph(words.OVERVIEW_AS_OF, 'small')}</header>")
    for anchor, name, content in (
        ("strata", words.OVERVIEW_STRATA, _strata(months)),
        ("factors", words.OVERVIEW_FACTORS, _factors(months, lives)),
        ("findings", words.OVERVIEW_FINDINGS, _findings(months)),
        ("files", words.OVERVIEW_FILES, _files(months)),
    ):
        body.append(f'<section id="{anchor}"><h2>{name}</h2>{content}</section>')
    return shell.page(heading, "", language, "\n".join(body))


def _newest(months: Sequence[Month]) -> str:
    if not months:
        return paragraph(words.OVERVIEW_NONE)
    last = months[-1]
    counts = [(sum(s.verdict == d for s in last.strata.values()), d) for d in DECISIONS]
    verdicts = ", ".join(words.OVERVIEW_COUNT.format(n=n, verdict=d) for n, d in counts if n)
    return paragraph(
        words.OVERVIEW_NEWEST.format(
            period=last.period, revision=last.revision, release=last.release_id, verdicts=verdicts
        )
    )


def _link(month: Month, name: str, text: str, anchor: str = "", beside: bool = False) -> str:
    folder = f"{'drawn-' if beside else ''}r{month.revision}"
    path = quote(f"releases/{month.period}/{folder}/{name}")
    return f'<a href="{path}{anchor}">{escaped(text)}</a>'


def _mark(month: Month, key: str) -> Raw:
    then = month.strata.get(key)
    if then is None:
        return Raw("", len(DECISIONS))
    kind = DECISIONS.index(then.verdict) if then.verdict in DECISIONS else len(DECISIONS) - 1
    said = words.OVERVIEW_MARK.format(
        period=month.period,
        verdict=words.DECISION_TITLE.get(then.verdict, then.verdict),
        n=then.used,
    )
    path = quote(f"releases/{month.period}/r{month.revision}/report.html")
    text = (
        f'<a class="mark v{kind}" href="{path}#stratum-{then.place}" title="{escaped(said)}" '
        f'aria-label="{escaped(said)}">{words.VERDICT_MARKS[kind]}</a>'
    )
    return Raw(text, kind)


def _strata(months: Sequence[Month]) -> str:
    """Months against strata; the newest month's strata first, in its order."""
    labels: dict[str, str] = {}
    for month in reversed(months):
        for key, then in month.strata.items():
            labels.setdefault(key, then.label)
    marks = ", ".join(
        f"{mark} {words.DECISION_TITLE[d].lower()}"
        for mark, d in zip(words.VERDICT_MARKS, DECISIONS, strict=True)
    )
    headings = (words.OVERVIEW_STRATUM, *(m.period for m in months))
    rows: list[list[Cell | int]] = [
        [label, *(_mark(m, key) for m in months)] for key, label in labels.items()
    ]
    intro = paragraph(words.OVERVIEW_STRATA_INTRO.format(marks=marks), "small")
    numeric = range(1, len(headings))
    return intro + table(headings, rows, tuple(numeric), kind="marks")


def _factors(months: Sequence[Month], lives: Iterable[Life]) -> str:
    newest = months[-1].period if months else ""
    found = []
    for life in lives:
        state = _state(life, newest)
        if state:
            found.append((_STATES.index(state), life))
    found.sort(key=lambda one: (one[0], one[1].factor.valid_until, one[1].factor.factor_id))
    if not found:
        return paragraph(words.OVERVIEW_NO_FACTORS)
    rows = [
        [
            words.OVERVIEW_STATES[_STATES[place]], f.factor_id, f.stratum.label,
            words.FACTOR_FORM.get(f.form, f.form), f.valid_from, f.valid_until, life.approver,
        ]
        for place, life in found
        for f in (life.factor,)
    ]  # fmt: skip
    return table(words.OVERVIEW_FACTOR_HEADINGS, rows)


def _state(life: Life, newest: str) -> str:
    """What a reader must know of a factor now; '' where nothing."""
    f = life.factor
    if f.form == "none" or not newest:
        return ""
    if life.state == APPROVED:
        soon = f.valid_until and _months_left(newest, f.valid_until) <= 1
        return "expiring" if soon else "standing"
    if life.state == EXPIRED and life.approver and f.valid_until >= newest:
        return "over"
    return "waiting" if life.state == PROPOSED and life.period == newest else ""


def _months_left(newest: str, until: str) -> float:
    """Whole months from the newest period to the last day; many where one of them is no date."""
    try:
        last, month = date.fromisoformat(until), date.fromisoformat(f"{newest}-01")
    except ValueError:
        return float("inf")
    return 12 * (last.year - month.year) + last.month - month.month


def _findings(months: Sequence[Month]) -> str:
    rows = [
        [m.period, o.severity, o.subject, o.text] for m in reversed(months) for o in m.open or ()
    ]
    not_kept = [m.period for m in months if m.open is None]
    note = words.OVERVIEW_NOT_KEPT.format(periods=", ".join(not_kept))
    said = paragraph(note, "small") if not_kept else ""
    if not rows:
        return said or paragraph(words.OVERVIEW_NO_FINDINGS)
    return table(words.OVERVIEW_FINDING_HEADINGS, rows) + said


def _files(months: Sequence[Month]) -> str:
    rows: list[list[Cell | int]] = []
    for m in reversed(months):
        documents = [_link(m, name, name) for name in _DOCUMENTS if name in m.files]
        documents += [
            _link(m, name, words.OVERVIEW_DRAWN.format(name=name), beside=True) for name in m.drawn
        ]
        data = [_link(m, n, n) for n in (*m.files, "manifest.json") if n not in _DOCUMENTS]
        revision = str(m.revision)
        if m.earlier:
            said = ", ".join(f"r{n}" for n in m.earlier)
            revision += f" ({words.OVERVIEW_EARLIER.format(revisions=said)})"
        rows.append(
            [
                m.period, m.release_id, revision, words.YES_NO[m.needs_a_person],
                Raw(", ".join(documents), 0), Raw(", ".join(data), 0),
            ]
        )  # fmt: skip
    return table(words.OVERVIEW_FILE_HEADINGS, rows, sortable=False)
