"""The workbook's first sheet: the answer, the picture, the largest risk and what to do now."""

from __future__ import annotations

import io

from openpyxl.drawing.image import Image

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import answers, words
from reconcile.reporting.document import cover, glance, signing
from reconcile.reporting.manner import styled
from reconcile.reporting.plots import glance as drawn
from reconcile.reporting.render import raster, sheets
from reconcile.reporting.render.grid import Look, Sheet

_WIDTHS = (32.0, *(11.0,) * 9)
_ACROSS = len(_WIDTHS) - 1
_CHARACTERS = sum(_WIDTHS[1:])
_DRAWN, _SCALE = 560.0, 2.4  # points of the picture, and of its image for each of them
_SHOWN = 640.0  # points that it is wide on the sheet
_ROW = 15.0  # points of a row that holds nothing but the picture
_POINTS_TO_PIXELS = 96 / 72
_STEPS = 6


def sheet(sheet: Sheet, r: Reconciliation) -> None:
    """One page."""
    sheets.widths(sheet, _WIDTHS)
    sheets.title(sheet, 1, r.title)
    row = 2
    for label, value in (
        (words.RELEASE, f"{r.release_id} · {words.RELEASE_STATES[r.status]}"),
        *([(words.SITE, r.site)] if r.site else []),
        (words.PERIOD, words.REVISION.format(period=r.period, revision=r.revision)),
        (words.FACTS["prepared_for"], r.prepared_for or words.NOT_STATED),
        (words.FACTS["prepared_by"], r.prepared_by or words.NOT_STATED),
        (words.FACTS["purpose"], r.purpose or words.NOT_STATED),
        *signing.on_cover(r),
        (words.FACTS["data_until"], styled(r.data_until) or words.NOT_STATED),
        (words.FACTS["supersedes"], r.supersedes or words.NOTHING_SUPERSEDED),
    ):
        sheets.line(sheet, row, label, value)
        row += 1
    row = _said(sheet, row + 1, words.Q_MAY_I, [answers.answer(r)], size=12)
    row = _picture(sheet, row, r)
    row = _said(sheet, row, words.Q_RISK, cover.open_risks(r))
    steps = [text for text in (cover.look_at(r), answers.approvals(r)) if text]
    found = answers.steps(r)
    steps += [f"{text} ({named})" for text, named in found[:_STEPS]]
    if len(found) > _STEPS:
        steps.append(words.MORE_STEPS.format(n=len(found) - _STEPS))
    row = _said(sheet, row, words.Q_NEXT, steps or [words.NOTHING_NEXT])
    row = _said(sheet, row, words.NOT_USABLE_TITLE, [words.COVER_CAUTION])
    _said(sheet, row, words.SHEETS_TITLE, [words.SHEETS_HOW])
    sheets.freeze(sheet, 2, 1)
    sheets.set_up(sheet, r.paper, r.release_id, one_page=True)
    sheet.worksheet.page_setup.orientation = "portrait"
    sheet.worksheet.sheet_view.showGridLines = False


def _said(sheet: Sheet, row: int, label: str, texts: list[str], size: int = 0) -> int:
    """A label and its texts, one below the other; the row after them."""
    sheet.text(row, 1, label, Look(wrap=True, bold=True))
    for text in texts:
        shown = styled(text)
        sheet.text(row, 2, shown, Look(wrap=True, size=size))
        sheet.merge(row, 2, 1 + _ACROSS)
        lines = sheets.high(shown, _CHARACTERS * (0.85 if size else 1))
        least = sheets.high(label, _WIDTHS[0] * 0.9) if text is texts[0] else 0
        sheet.heights[row] = max(lines * (1.2 if size else 1), least)
        row += 1
    return row + 1


def _picture(sheet: Sheet, row: int, r: Reconciliation) -> int:
    """The picture over as many rows as it is high; the row after it."""
    plot = glance.picture(r, {})
    if plot is None:
        return row
    made = drawn.glance(plot, _DRAWN)
    image = Image(io.BytesIO(raster.png(made, _SCALE)))
    larger = _SHOWN / _DRAWN
    image.width = round((made.width + 2 * raster.RIM) * larger * _POINTS_TO_PIXELS)
    image.height = round((made.height + 2 * raster.RIM) * larger * _POINTS_TO_PIXELS)
    sheet.text(row, 1, words.GLANCE, Look(bold=True))
    sheet.worksheet.add_image(image, f"A{row + 1}")
    sheet.pictures.append(glance.told(plot))
    rows = int(made.height * larger / _ROW) + 2
    for each in range(row + 1, row + rows):
        sheet.heights[each] = _ROW
    return row + rows
