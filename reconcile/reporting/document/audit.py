"""audit.pdf: all that stands behind the report of the same release."""

from __future__ import annotations

from functools import partial

from reportlab.platypus import CondPageBreak, Flowable, PageBreak

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.document import contents, cover, more, signing, stratum_page, verdicts
from reconcile.reporting.document.report import meta_of
from reconcile.reporting.document.stratum_page import Small
from reconcile.reporting.manner import written_for
from reconcile.reporting.plots.evidence import one_scale
from reconcile.reporting.render import book, paper
from reconcile.reporting.render.book import Group, Heading
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import facts, gap, own, style
from reconcile.reporting.text import markup

#: Stands before the numbers of this volume's pages, so that no page is taken for the report's.
LABEL = "A"
#: Of a page that is as empty as this the next stratum takes the rest.
_FREE = 0.45
_SIGNED = "sign-off"  # the report has lines to sign by hand; here stand acts that were recorded


def audit(r: Reconciliation) -> bytes:
    """The audit volume as PDF; equal values give equal bytes."""
    with written_for(r), one_scale(r):
        meta = meta_of(r, words.AUDIT_PAGE, LABEL)
        return book.make(meta, partial(_story, r, book.body_size(r.paper)))


def _story(r: Reconciliation, size: tuple[float, float]) -> list[Flowable]:
    width = size[0]
    anchors = verdicts.anchors_of(r)
    body: list[Flowable] = [PageBreak(), *paper.flowables(verdicts.section(r), width)]
    full = [x for x in r.results if not stratum_page.is_short(x)]
    short = [x for x in r.results if stratum_page.is_short(x)]
    notes_left: dict[str, tuple[str, ...]] = {}
    plots_left: list[tuple[str, Small]] = []
    for number, result in enumerate(full):
        key = result.stratum.key
        small = stratum_page.small_plots(r, result)
        page, left = stratum_page.full_page(result, anchors[key], size, small)
        first = [Group(words.STRATA, "strata")] if number == 0 else []
        # What is over of the page before fills no page of its own.
        begin = PageBreak() if number == 0 else CondPageBreak(_FREE * size[1])
        body += [begin, *first, gap(8), *page]
        notes_left[key] = left.notes
        plots_left += [(result.stratum.label, plot) for plot in left.plots]
    if short:
        body += [PageBreak(), Heading(words.SMALL_STRATA, "small-strata")]
    for result in short:
        page, left = stratum_page.half_page(result, anchors[result.stratum.key], size)
        body += page
        notes_left[result.stratum.key] = left.notes
    body += [
        *more.more_plots(plots_left, width),
        *more.details(r, notes_left, anchors, width),
        *paper.flowables([s for s in contents.sections(r) if s.anchor != _SIGNED or r.acts], width),
        own(f"{words.AUDIT_END} {r.release_id}", "h3"),
    ]
    named = {
        entry[1]: entry[0] for f in body if (entry := getattr(f, "entry", None)) and entry[2] == 0
    }
    strata = [(anchors[x.stratum.key], x.stratum.label) for x in r.results]
    return [*_first(r, list(named.items()), strata, width), *body]


def _first(
    r: Reconciliation,
    sections: list[tuple[str, str]],
    strata: list[tuple[str, str]],
    width: float,
) -> list[Flowable]:
    """What the volume is, of which release, and where everything stands."""
    rows: list[tuple[str, object]] = [
        (words.RELEASE, r.release_id),
        (words.FACTS["prepared_for"], r.prepared_for or words.NOT_STATED),
        (words.FACTS["prepared_by"], r.prepared_by or words.NOT_STATED),
        (words.FACTS["purpose"], r.purpose or words.NOT_STATED),
        *signing.on_cover(r),
        (words.FACTS["code_version"], r.code_version),
        (words.FACTS["inputs_hash"], r.inputs_hash),
        (words.FACTS["settings_hash"], r.settings_hash),
    ]
    revision = words.REVISION.format(period=r.period, revision=r.revision)
    return [
        Heading(r.title, "audit", name="title", title=words.AUDIT),
        Paragraph(f"{markup(words.AUDIT)} &nbsp; {markup(revision)}", style("subtitle")),
        facts(rows, width, 52 * 2.835),
        gap(4),
        own(words.AUDIT_INTRO),
        own(words.CONTENTS, "h2"),
        cover.contents(sections, width, 2),
        *([own(words.AUDIT_STRATA, "h2"), cover.contents(strata, width)] if strata else []),
    ]
