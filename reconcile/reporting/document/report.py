"""report.pdf: the sections in their order."""

from __future__ import annotations

from reportlab.platypus import Flowable, PageBreak

from reconcile.base.model import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.document import contents, cover, more, stratum_page, verdicts
from reconcile.reporting.document.stratum_page import Small
from reconcile.reporting.manner import written_for
from reconcile.reporting.render import book, paper
from reconcile.reporting.render.book import Group, Heading, Meta, Pages
from reconcile.reporting.text import printable


def report(r: Reconciliation) -> bytes:
    """The whole report as PDF; equal values give equal bytes."""
    with written_for(r):
        return _report(r)


def _report(r: Reconciliation) -> bytes:
    meta = Meta(
        title=printable(r.title)[:200],
        author=printable(r.prepared_by)[:200] or words.NOT_STATED,
        subject=words.REVISION.format(period=printable(r.period)[:40], revision=r.revision),
        release_id=printable(r.release_id)[:60],
        status=words.DRAFT if r.status == "draft" else "",
        running=words.REVISION.format(period=printable(r.period)[:40], revision=r.revision),
        paper=r.paper,
    )
    size = book.body_size(r.paper)
    anchors = verdicts.anchors_of(r)
    small = {x.stratum.key: stratum_page.small_plots(r, x) for x in r.results}
    return book.make(meta, lambda pages: _story(r, size, anchors, small, pages))


def _story(
    r: Reconciliation,
    size: tuple[float, float],
    anchors: dict[str, str],
    small: dict[str, list[Small]],
    pages: Pages,
) -> list[Flowable]:
    width = size[0]
    story: list[Flowable] = [
        *cover.cover(r, size, anchors, pages),
        PageBreak(),
        *paper.flowables(verdicts.section(r), width, pages),
    ]
    full = [x for x in r.results if not stratum_page.is_short(x)]
    short = [x for x in r.results if stratum_page.is_short(x)]
    notes_left: dict[str, tuple[str, ...]] = {}
    plots_left: list[tuple[str, Small]] = []
    for number, result in enumerate(full):
        key = result.stratum.key
        page, left = stratum_page.full_page(result, anchors[key], size, small[key], pages)
        first = [Group(words.STRATA, "strata")] if number == 0 else []
        story += [PageBreak(), *first, *page]
        notes_left[key] = left.notes
        plots_left += [(result.stratum.label, plot) for plot in left.plots]
    if short:
        story += [PageBreak(), Heading(words.SMALL_STRATA, "small-strata")]
    for result in short:
        page, left = stratum_page.half_page(result, anchors[result.stratum.key], size)
        story += page
        notes_left[result.stratum.key] = left.notes
    return [
        *story,
        *more.more_plots(plots_left, width),
        *more.details(r, notes_left, anchors, width),
        *paper.flowables(contents.sections(r), width, pages),
    ]
