"""The ledger: what each archived file gave when it was read, one line per reading.

It lies beside the archive, so that a change of the store can't follow it, and holds the
recipe of each reading: whoever has the archived file can read it again in the same way.
Each line carries its own digest; the last line of a reading stands.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from reconcile.base.writing import write_whole

#: Which reading is meant: path, SHA-256 of the file, reading key.
Name = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Reading:
    """One file, read in one way."""

    path: str
    sha256: str  # '' where the file could not even be opened
    key: str  # digest of the recipe and the register that it names
    contents: str  # what the store then held of it, see ``contents.digest_of``
    copy: str = ""  # name in the archive
    recipe: dict[str, Any] | None = None  # see ``binding.recipe_of``

    @property
    def name(self) -> Name:
        """Which reading it is."""
        return self.path, self.sha256, self.key


@dataclass(frozen=True, slots=True)
class Ledger:
    """The ledger as it lies there."""

    readings: dict[Name, Reading]
    damaged: tuple[int, ...] = ()  # numbers of lines that are not what was written
    whole: int = 0  # bytes up to the end of the last whole line

    def contents_of(self, name: Name) -> str:
        """What the reading gave; '' where it is not known."""
        known = self.readings.get(name)
        return known.contents if known else ""


def read(path: Path) -> Ledger:
    """Every reading by its name, in the order of the ledger."""
    data = path.read_bytes() if path.is_file() else b""
    readings: dict[Name, Reading] = {}
    damaged: list[int] = []
    whole = data.rfind(b"\n") + 1
    for number, line in enumerate(data[:whole].split(b"\n")[:-1], 1):
        reading = _reading(line)
        if reading is None:
            damaged.append(number)
        else:
            readings.pop(reading.name, None)
            readings[reading.name] = reading
    return Ledger(readings, tuple(damaged), whole)


def append(path: Path, readings: Iterable[Reading]) -> None:
    """Add a line for each; what a crash left unfinished before them is taken away."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("r+b" if path.exists() else "w+b") as stream:
        whole = stream.read().rfind(b"\n") + 1
        stream.truncate(whole)
        stream.seek(whole)
        stream.write(b"".join(_line(reading) for reading in readings))
        stream.flush()
        os.fsync(stream.fileno())


def rewrite(path: Path, readings: Iterable[Reading]) -> None:
    """Write the ledger anew, whole or not at all."""
    write_whole(path, b"".join(_line(reading) for reading in readings))


def _line(reading: Reading) -> bytes:
    values = {field.name: getattr(reading, field.name) for field in fields(Reading)}
    body = json.dumps(values, sort_keys=True, separators=(",", ":"))
    digest = hashlib.sha256(body.encode()).hexdigest()
    return f'{{"hash":"{digest}","reading":{body}}}\n'.encode()


def _reading(line: bytes) -> Reading | None:
    """The reading of a line; None where a byte of it is not what was written."""
    try:
        values = json.loads(line)["reading"]
        reading = Reading(**{field.name: values[field.name] for field in fields(Reading)})
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return reading if _line(reading) == line + b"\n" else None
