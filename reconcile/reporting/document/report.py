"""report.pdf, for the client: the answer, what someone must look at, the rest in brief."""

from __future__ import annotations

from functools import partial

from reportlab.platypus import Flowable, PageBreak

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.document import (
    attention,
    brief,
    cover,
    methods,
    quiet,
    signing,
    stratum_page,
    verdicts,
)
from reconcile.reporting.manner import written_for
from reconcile.reporting.plots.evidence import one_scale
from reconcile.reporting.render import book, paper
from reconcile.reporting.render.book import Group, Heading, Meta
from reconcile.reporting.render.styles import own
from reconcile.reporting.text import printable

#: Sections with their titles, in their order, for the list of contents.
_SECTIONS = (
    ("strata", words.LOOK_AT_STRATA),
    ("quiet", words.QUIET),
    ("quality", words.QUALITY),
    ("custody", words.CUSTODY),
    ("cautions", words.CAUTIONS),
    ("sign-off", words.SIGN_OFF),
)


def report(r: Reconciliation) -> bytes:
    """The client's report as PDF; equal values give equal bytes."""
    with written_for(r), one_scale(r):
        return book.make(meta_of(r), partial(_story, r, book.body_size(r.paper)))


def meta_of(r: Reconciliation, footer: str = words.PAGE, label: str = "") -> Meta:
    """What the furniture of a volume of this release says."""
    running = words.REVISION.format(period=printable(r.period)[:40], revision=r.revision)
    return Meta(
        title=printable(r.title)[:200],
        author=printable(r.prepared_by)[:200] or words.NOT_STATED,
        subject=running,
        release_id=printable(r.release_id)[:80],
        status=words.RELEASE_STATES[r.status],
        running=running,
        paper=r.paper,
        footer=footer,
        label=label,
    )


def _story(r: Reconciliation, size: tuple[float, float]) -> list[Flowable]:
    width = size[0]
    anchors = verdicts.anchors_of(r)
    found = attention.to_look_at(r)
    reasons = {x.stratum.key: words.LOOKS[why] for x, why in found}
    whole = [x for x, _ in found if not stratum_page.is_short(x)][: r.own_pages]
    own_page = {x.stratum.key for x in whole}
    others = [x for x in r.results if x.stratum.key not in own_page]
    there = {"strata": bool(r.results), "quiet": bool(others)}
    entries = [entry for entry in _SECTIONS if there.get(entry[0], True)]
    story: list[Flowable] = cover.cover(r, size, anchors, entries)
    for number, x in enumerate(whole):
        key = x.stratum.key
        page, _ = stratum_page.full_page(
            x, anchors[key], size, stratum_page.small_plots(r, x), reasons[key]
        )
        first = [Group(words.LOOK_AT_STRATA, "strata")] if number == 0 else []
        story += [PageBreak(), *first, *page]
    if others:
        first = [] if whole else [Group(words.LOOK_AT_STRATA, "strata")]
        story += [PageBreak(), *first, Heading(words.QUIET, "quiet")]
        story.append(own(words.QUIET_INTRO, "small"))
        left = sum(x.stratum.key in reasons for x in others)
        if left:
            story.append(own(words.MORE_TO_LOOK_AT.format(n=left), "small"))
        story += quiet.strips(others, anchors, reasons, width)
    sections = [
        *brief.controls(r), *brief.findings(r), *methods.cautions(r), *signing.section(r),
    ]  # fmt: skip
    return [*story, *paper.flowables(sections, width)]
