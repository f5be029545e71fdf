"""Opening files: text, XLSX, XLS, ODS, Parquet, JSON or XML -> rows and columns of text.

Nothing is understood here. What comes out has the true line (or sheet row) of every data
row. Files are hostile: sizes are bounded before anything is unpacked, and every way in
which a file can be unreadable ends in a ReconcileError.
"""

from __future__ import annotations

import hashlib
import os
import threading
import zipfile
import zlib
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.regular import open_regular
from reconcile.base.settings.tables import RecordSettings
from reconcile.intake import columnar, delimited, old_workbooks, records, workbooks
from reconcile.intake.sheets import (
    MAX_TEXT_BYTES,
    Sheet,
)

#: Quieting the workbook reader's warnings holds for all threads, so one thread at a time does it.
_ONE_WORKBOOK = threading.Lock()


def _is_open_document(path: Path) -> bool:
    """True for a spreadsheet of the open document format, which names itself in its package."""
    try:
        with zipfile.ZipFile(path) as package:
            return b"opendocument.spreadsheet" in package.read("mimetype")[:200]
    except (OSError, KeyError, zipfile.BadZipFile, NotImplementedError, RuntimeError, zlib.error):
        return False


def digest(path: Path, shown: str) -> str:
    """SHA-256 of the file. Raises ReconcileError where it can't be read."""
    try:
        with open_regular(path) as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except FileNotFoundError as error:
        raise ReconcileError(f"{shown} does not exist.", "Check the path.") from error
    except OSError as error:
        raise ReconcileError(
            f"{shown} can't be opened: {error.strerror or error}.", "Check that it is a file."
        ) from error


def state_of(path: Path) -> tuple[int, ...]:
    """What changes when a file is written: its size, times and place; empty where it is gone."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return ()
    return (found.st_size, found.st_mtime_ns, found.st_ino)


def open_sheets(
    path: Path,
    shown: str,
    wanted: tuple[str, ...] = (),
    open_end: bool = False,
    mapping: RecordSettings | None = None,
) -> tuple[Sheet, ...]:
    """Every non-empty sheet of the file, or those wanted by name.

    ``open_end``: the last line of a text is whole also where it has no line end; ``mapping``:
    of JSON and XML files.
    """
    try:
        with open_regular(path) as handle:
            start = handle.read(8)
            size = os.fstat(handle.fileno()).st_size
    except OSError as error:
        raise ReconcileError(
            f"{shown} can't be opened: {error.strerror or error}.", "Check the path."
        ) from error
    if size == 0:
        raise ReconcileError(f"{shown} is empty.", "Export the file again.")
    if start.startswith(b"PAR1"):
        return (columnar.parquet(path, shown),)
    if start.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        with _ONE_WORKBOOK:
            if _is_open_document(path):
                return old_workbooks.ods(path, shown, wanted)
            return workbooks.xlsx(path, shown, wanted)
    if start.startswith(b"\xd0\xcf\x11\xe0"):
        return old_workbooks.xls(path, shown, wanted)
    kinds = (
        (b"%PDF", "a PDF"), (b"\x1f\x8b", "compressed (gzip)"), (b"\x89PNG", "a picture"),
        (b"7z\xbc\xaf", "an archive"), (b"Rar!", "an archive"), (b"\xff\xd8\xff", "a picture"),
    )  # fmt: skip
    for mark, kind in kinds:
        if start.startswith(mark):
            raise ReconcileError(
                f"{shown} is {kind}, not a table.", "Give the table as .csv, .xlsx or .parquet."
            )
    if path.suffix.lower() in {".xlsx", ".xlsm", ".parquet"}:
        raise ReconcileError(
            f"{shown} has the ending {path.suffix} but not that format (it may be cut off).",
            "Export the file again.",
        )
    if mapping is not None:
        return (records.sheet(path, shown, mapping),)
    if path.suffix.lower() in {".json", ".xml"}:
        raise ReconcileError(
            f"{shown} holds records, and its table does not say where.",
            'Write records = { at = "…", fields = { "Sample" = "…" } } in its [[table]].',
        )
    if size > MAX_TEXT_BYTES:
        raise ReconcileError(
            f"{shown} is larger than {MAX_TEXT_BYTES >> 30} GiB.", "Split it, by month say."
        )
    return (delimited.text(path, shown, size, open_end),)
