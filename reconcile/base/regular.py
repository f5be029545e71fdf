"""Opening files by name: only regular ones, and names that every table and terminal can hold."""

from __future__ import annotations

import errno
import io
import os
import stat
from collections.abc import Callable
from pathlib import Path

_KINDS: tuple[tuple[Callable[[int], bool], str], ...] = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def open_regular(path: Path) -> io.BufferedReader:
    """The file opened for reading bytes; symbolic links are followed.

    Raises OSError, also for what is no regular file: a pipe or a device may never end. The
    opened file is judged, not the name, which may mean another file a moment later; opening
    does not wait for a writer.
    """
    flags = os.O_RDONLY | sum(
        getattr(os, name, 0) for name in ("O_NONBLOCK", "O_NOCTTY", "O_CLOEXEC", "O_BINARY")
    )
    try:
        handle = os.open(path, flags)
    except OSError as error:
        # a socket can't be opened, and Windows opens no folder: say what it is
        raise _told(path, error) from error
    try:
        if kind := _kind(os.fstat(handle).st_mode):
            raise OSError(errno.EINVAL, f"it is {kind}, not a regular file", str(path))
        return io.BufferedReader(io.FileIO(handle, "rb"))
    except BaseException:
        os.close(handle)
        raise


def _kind(mode: int) -> str:
    """What a file is in plain words; '' for a regular one."""
    if stat.S_ISREG(mode):
        return ""
    return next((words for is_kind, words in _KINDS if is_kind(mode)), "of an unknown kind")


def _told(path: Path, error: OSError) -> OSError:
    try:
        kind = _kind(path.stat().st_mode)
    except (OSError, ValueError):
        return error
    return OSError(errno.EINVAL, f"it is {kind}, not a regular file", str(path)) if kind else error


def readable_name(name: str) -> str:
    """A file's name as text that can be stored and printed.

    Bytes that are no UTF-8 (which Python holds as lone surrogates) are shown as ``\\xNN``.
    """
    if name.isascii():
        return name
    return "".join(
        _escaped(letter) if "\ud800" <= letter <= "\udfff" else letter for letter in name
    )


def _escaped(surrogate: str) -> str:
    code = ord(surrogate)
    return f"\\x{code - 0xDC00:02x}" if 0xDC80 <= code <= 0xDCFF else f"\\u{code:04x}"
