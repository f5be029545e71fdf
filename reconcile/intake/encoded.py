"""In which encoding a text file is written, and whether it is text at all."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from reconcile.base.errors import ReconcileError


def encoding(path: Path, shown: str) -> tuple[str, str, bool]:
    """The encoding, a note, and whether there are quotation marks; refuses what is no text."""
    with path.open("rb") as handle:
        quote = (b'"',)
        start = handle.read(1 << 16)
        for mark, name in (
            (codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF32_LE, "utf-32"),
            (codecs.BOM_UTF32_BE, "utf-32"), (codecs.BOM_UTF16_LE, "utf-16"),
            (codecs.BOM_UTF16_BE, "utf-16"),
        ):  # fmt: skip
            if start.startswith(mark):
                return _checked(handle, name, shown), "", _holds(handle, quote)
        if b"\x00" in start:
            even, odd = start[0::2].count(0), start[1::2].count(0)
            half, unmarked = len(start) // 2, "read as UTF-16 without a mark"
            if odd > 0.3 * half and even < 0.05 * half:
                return _checked(handle, "utf-16-le", shown), unmarked, _holds(handle, quote)
            if even > 0.3 * half and odd < 0.05 * half:
                return _checked(handle, "utf-16-be", shown), unmarked, _holds(handle, quote)
            raise _not_text(shown)
        if len(re.findall(rb"[\x01-\x08\x0b\x0e-\x19\x1c-\x1f\x7f]", start)) > 0.002 * len(start):
            raise _not_text(shown)
        utf8, quoted = _looked_through(handle, shown)
        if utf8:
            return "utf-8", "", quoted
        cp1252 = not _holds(handle, (b"\x81", b"\x8d", b"\x8f", b"\x90", b"\x9d"))
    name = "cp1252" if cp1252 else "latin-1"
    shown_name = "Windows-1252" if cp1252 else "ISO 8859-1"
    note = f"the file is not UTF-8; it was read as {shown_name}: check letters with accents"
    return name, note, quoted


def _looked_through(handle: Any, shown: str) -> tuple[bool, bool]:
    """Whether all of the file is UTF-8, and has quotation marks; refuses a zero byte."""
    utf8, quoted, between = True, False, False  # between: in the midst of a letter
    decoder = codecs.getincrementaldecoder("utf-8")()
    for block in _blocks(handle):
        if b"\x00" in block:
            raise _not_text(shown)
        quoted = quoted or b'"' in block
        if utf8 and (between or not block.isascii()):
            try:
                decoder.decode(block)
                between = bool(decoder.getstate()[0])
            except UnicodeDecodeError:
                utf8 = False
    return utf8 and not between, quoted


def _blocks(handle: Any) -> Iterator[bytes]:
    handle.seek(0)
    while block := handle.read(1 << 20):
        yield block


def _holds(handle: Any, marks: tuple[bytes, ...]) -> bool:
    return any(mark in block for block in _blocks(handle) for mark in marks)


def _checked(handle: Any, name: str, shown: str) -> str:
    handle.seek(0)
    decoder = codecs.getincrementaldecoder(name)()
    try:
        while block := handle.read(1 << 24):
            text = decoder.decode(block)
            strange = len(re.findall(r"[\x00-\x08\x0b\x0e-\x1f\x7f]", text[: 1 << 16]))
            if "\x00" in text or strange > 0.002 * len(text[: 1 << 16]):
                raise _not_text(shown)
        decoder.decode(b"", final=True)
    except UnicodeError as error:
        raise ReconcileError(
            f"{shown} says that it is {name} text but is damaged.", "Export the file again."
        ) from error
    return name


def _not_text(shown: str) -> ReconcileError:
    return ReconcileError(
        f"{shown} is binary, not a table of text.", "Give the table as .csv, .xlsx or .parquet."
    )
