"""Workbooks as sheets of text cells; a package that would grow beyond measure is refused."""

from __future__ import annotations

import datetime as dt
import itertools
import math
import re
import warnings
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from reconcile.base.characters import lowered, raised
from reconcile.base.errors import ReconcileError
from reconcile.intake import delimited
from reconcile.intake.counting import count_rows
from reconcile.intake.package import SheetScan, scan_sheets
from reconcile.intake.sheets import (
    HEAD_ROWS,
    MAX_COLUMNS,
    Body,
    Doubt,
    Row,
    Sheet,
)

MAX_XLSX_MEMBER = 1 << 30


MAX_XLSX_TOTAL = 2 << 30


MAX_XLSX_RATIO = 200


MAX_XLSX_ROWS = 1_048_576


MAX_XLSX_CELLS = 20_000_000


def xlsx(path: Path, shown: str, wanted: tuple[str, ...]) -> tuple[Sheet, ...]:
    """Every sheet of a workbook that holds something, or those wanted by name."""
    check_package(path, shown)
    import openpyxl

    damaged = ReconcileError(
        f"{shown} is damaged or is no .xlsx workbook.", "Open it in a spreadsheet and save it anew."
    )
    try:
        scans = scan_sheets(path, wanted, HEAD_ROWS)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(
                path, read_only=True, data_only=True, keep_links=False, rich_text=True
            )
    except Exception as error:  # openpyxl raises whatever the damaged part makes it raise
        raise damaged from error
    try:
        names = [ws.title for ws in book.worksheets]
        missing = [name for name in wanted if name not in names]
        if missing:
            raise ReconcileError(
                f"{shown} has no sheet '{missing[0]}'; it has {', '.join(names) or 'none'}.",
                "Mend 'sheet' in the settings.",
            )
        sheets = []
        for sheet in book.worksheets:
            if wanted and sheet.title not in wanted:
                continue
            scan = scans.get(sheet.title, SheetScan())
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    read = _sheet(sheet, shown, scan)
            except ReconcileError:
                raise
            except Exception as error:
                raise damaged from error
            if read is not None:
                sheets.append(read)
    finally:
        book.close()
    if not sheets:
        raise ReconcileError(f"{shown} has no sheet with text.", "Export the file again.")
    return tuple(sheets)


def check_package(path: Path, shown: str, holds: str = "workbook.xml") -> None:
    """Refuse packages that would unpack to too much, or whose XML declares entities.

    ``holds``: how the name of the part ends by which the package is known.
    """
    try:
        with zipfile.ZipFile(path) as package:
            members = package.infolist()
            names = {m.filename for m in members}
            if not any(n.endswith(holds) for n in names):
                raise ReconcileError(
                    f"{shown} is a zip archive, not a workbook.", "Unpack it and name the table."
                )
            total = sum(m.file_size for m in members)
            packed = sum(m.compress_size for m in members) or 1
            too_big = max((m.file_size for m in members), default=0) > MAX_XLSX_MEMBER
            if (
                too_big
                or total > MAX_XLSX_TOTAL
                or len(members) > 10_000
                or (total > 50 << 20 and total / packed > MAX_XLSX_RATIO)
            ):
                raise ReconcileError(
                    f"{shown} would unpack to {total:,} bytes; that is no ordinary workbook.",
                    "Save only the sheet that is needed, or give it as .csv.",
                )
            for member in members:
                if member.flag_bits & 1:
                    raise ReconcileError(
                        f"{shown} is protected with a password.", "Save it without one."
                    )
                if not member.filename.endswith((".xml", ".rels", ".vml")):
                    continue
                with package.open(member) as handle:
                    before = b""
                    while block := handle.read(1 << 20):
                        if b"<!DOCTYPE" in before + block or b"<!ENTITY" in before + block:
                            raise ReconcileError(
                                f"{shown}: its XML declares entities, which no spreadsheet does.",
                                "Do not trust this file; ask for it again.",
                            )
                        if block[:1000].count(b"\x00") > 100:
                            raise ReconcileError(
                                f"{shown}: its XML is in an unusual encoding.",
                                "Open it in a spreadsheet and save it anew.",
                            )
                        before = block[-16:]
    except ReconcileError:
        raise
    except Exception as error:  # zipfile and zlib raise many kinds for damaged packages
        raise ReconcileError(
            f"{shown} is damaged or is no .xlsx workbook.",
            "Open it in a spreadsheet and save it anew.",
        ) from error


def _sheet(sheet: Any, shown: str, scan: SheetScan) -> Sheet | None:
    rows: list[Row] = []
    as_written: dict[int, dict[int, str]] = {}  # where the library's value is not the cell's
    for (row, column), text in (*scan.uncomputed.items(), *scan.too_small.items()):
        as_written.setdefault(row, {})[column] = text
    cells_seen = 0
    for line, texts in _sheet_rows(sheet, shown):
        for column, text in as_written.get(line, {}).items():
            if column < len(texts):
                texts[column] = text
        while texts and not texts[-1]:
            texts.pop()
        if not texts:
            continue
        if len(texts) > MAX_COLUMNS:
            raise ReconcileError(
                f"{shown}, sheet '{sheet.title}': {len(texts)} columns; at most {MAX_COLUMNS} "
                "are read.",
                "Leave out what is not needed.",
            )
        cells_seen += len(texts)
        if cells_seen > MAX_XLSX_CELLS:
            raise ReconcileError(
                f"{shown}, sheet '{sheet.title}' is too large for a workbook.", "Give it as .csv."
            )
        if any(text.strip() for text in texts):
            rows.append(Row(line, tuple(texts)))
    if not rows:
        return None
    doubts = tuple(
        Doubt(line, column, formula, _NEVER_COMPUTED, _COMPUTE)
        for (line, column), formula in scan.uncomputed.items()
    )

    def read_body(after_line: int, width: int, _: frozenset[int]) -> Body:
        body = delimited.collect((r for r in rows if r.line > after_line), width)
        return replace(
            body, doubts=tuple(d for d in doubts if d.line > after_line and d.index < width)
        )

    return Sheet(
        sheet.title,
        tuple(rows[:HEAD_ROWS]),
        read_body,
        lambda last_line: count_rows(np.array(scan.rows, np.int64), last_line),
        typed_numbers=True,
        merged={line: tuple(sorted(spans)) for line, spans in scan.merged.items()},
        notes=(f"sheet '{sheet.title}' is hidden in the workbook; it was read",)
        if getattr(sheet, "sheet_state", "visible") != "visible"
        else (),
    )


def _sheet_rows(sheet: Any, shown: str) -> Iterator[tuple[int, list[str]]]:
    """The rows of a sheet with their numbers, as they stand, whatever size the sheet claims.

    The library's own way through the rows flattens raised text of inline strings, and drops rows
    and cells that do not stand in order.
    """
    from openpyxl.cell.read_only import ReadOnlyCell
    from openpyxl.worksheet._reader import WorkSheetParser

    book, before = sheet.parent, 0
    with sheet._get_source() as source:
        parser = WorkSheetParser(
            source,
            sheet._shared_strings,
            data_only=True,
            epoch=book.epoch,
            date_formats=book._date_formats,
            timedelta_formats=book._timedelta_formats,
            rich_text=True,
        )
        for number, cells in parser.parse():
            line = cells[0]["row"] if cells else number
            columns = [cell["column"] for cell in cells]
            in_order = all(a < b for a, b in itertools.pairwise(columns))
            in_row = all(cell["row"] == line for cell in cells)
            if not (before < line <= MAX_XLSX_ROWS and in_order and in_row):
                raise ReconcileError(
                    f"{shown}, sheet '{sheet.title}': row {line} or its cells do not stand in "
                    "order; what belongs where can't be told.",
                    "Open it in a spreadsheet and save it anew.",
                )
            before = line
            texts = [""] * max(columns, default=0)
            for cell in cells:
                texts[cell["column"] - 1] = _cell_text(ReadOnlyCell(sheet, **cell))
            yield line, texts


_NEVER_COMPUTED = "the cell holds a formula whose result was never computed"


_COMPUTE = "Open the workbook in a spreadsheet and save it, so that it holds the result."


def _cell_text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, list | tuple):
        value = "".join(map(_run_text, value))
    if isinstance(value, str):
        return value.strip(" \t\r\n\f\v\ufeff")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return shown_number(value, getattr(cell, "number_format", "") or "")
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ")
    return str(value)


def shown_number(value: float, form: str) -> str:
    """A number as its cell shows it, with all its digits; ``form``: the cell's number format."""
    text = number_text(value)
    if re.fullmatch("0{2,20}", form) and text.isdigit():
        return text.zfill(len(form))  # an id such as 00123, shown with its zeros
    # a cell formatted as percent shows 5 % where it holds 0.05
    return text_times_100(value) + " %" if "%" in form and '"' not in form else text


def _run_text(run: Any) -> str:
    """A part of a cell: raised and lowered text stays told from text on the line."""
    if isinstance(run, str):
        return run
    place = run.font.vertAlign if run.font is not None else None
    if place == "superscript":
        return raised(run.text)
    return lowered(run.text) if place == "subscript" else str(run.text)


def number_text(value: float) -> str:
    """The shortest text that reads back as the same number; whole numbers without a point."""
    if isinstance(value, int):
        return str(value)
    if math.isfinite(value) and value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return repr(value)


def text_times_100(value: float) -> str:
    """The number in percent, without the noise of a binary product."""
    return number_text(float(f"{value * 100:.15g}"))
