"""The note of a run that did not end: one file per month, there until that month is released.

It is written when a run begins and taken away by its success, so that a run that is killed
leaves it too. A note is for a person: failing to write one stops nothing.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.writing import write_whole


def note_of(output: Path, period: str) -> Path:
    """Where the note of a month lies."""
    return output / f"last_failure_{period}.txt"


def write(output: Path, period: str, what: str) -> None:
    """Leave the note; ``what`` says in plain words what happened."""
    text = (
        f"{what}\nNothing half-written stands. Mend the cause and run {period} again: its success "
        "takes this note away.\n"
    )
    with contextlib.suppress(ReconcileError):
        write_whole(note_of(output, period), text.encode("utf-8", "replace"))


def months(output: Path) -> tuple[str, ...]:
    """Months that have a note, in order."""
    before, after = "last_failure_", ".txt"
    return tuple(
        sorted(
            path.name.removeprefix(before).removesuffix(after)
            for path in output.glob(f"{before}*{after}")
        )
    )


def told(output: Path, period: str) -> str:
    """What the note of a month says first; '' where there is none."""
    try:
        with note_of(output, period).open(encoding="utf-8", errors="replace") as stream:
            return stream.readline(2000).strip()
    except OSError:
        return ""


def begun(output: Path, period: str) -> None:
    """Leave the note that stands where a run ends without a word."""
    write(output, period, f"A run of {period} began and did not end: it still runs, or was killed.")


def done(output: Path, period: str) -> None:
    """Take the note of this month away, and of no other."""
    with contextlib.suppress(OSError):
        note_of(output, period).unlink(missing_ok=True)


@contextlib.contextmanager
def noted(output: Path, period: str) -> Iterator[None]:
    """Keep the note through a run whose messages a person sees: those leave it as it was."""
    note = note_of(output, period)
    before = note.read_bytes() if note.is_file() else None
    begun(output, period)
    try:
        yield
    except ReconcileError:
        with contextlib.suppress(OSError, ReconcileError):
            note.unlink() if before is None else write_whole(note, before)
        raise
    done(output, period)
