"""Every file is copied under its digest before it is read."""

from __future__ import annotations

import hashlib
import re
import shutil
import time
from collections.abc import Sequence
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.regular import open_regular
from reconcile.base.settings.tables import TableSettings
from reconcile.intake import workspace as ws
from reconcile.intake.delimited import lacks_line_end
from reconcile.intake.sources import state_of
from reconcile.intake.workspace import FoundFile, Workspace
from reconcile.run.state import Run

_ENDING = re.compile(r"\.[a-z0-9]{1,16}")


class Archive:
    """The archived copies of a run's files, each taken once, and how each is to be read."""

    def __init__(self, run: Run) -> None:
        self._workspace = run.workspace
        self._taken: dict[Path, tuple[str, Path] | OSError | BeingWritten] = {}
        self._unended = self._without_last_line_ends(run.found)

    def of(self, file: FoundFile) -> tuple[str, Path] | OSError | BeingWritten:
        """Digest and copy, or why there is none."""
        if file.path not in self._taken:
            try:
                self._taken[file.path] = archived(self._workspace, file)
            except (OSError, BeingWritten) as error:
                self._taken[file.path] = error
        return self._taken[file.path]

    def copy_of(self, file: FoundFile) -> tuple[str, Path]:
        """Digest and copy. Raises OSError or BeingWritten where there is none."""
        taken = self.of(file)
        if isinstance(taken, Exception):
            raise taken
        return taken

    def table_of(self, file: FoundFile) -> TableSettings:
        """The settings of its [[table]], with what its files have in common."""
        table = self._workspace.table(file.table_index)
        if file.table_index in self._unended:
            return table.model_copy(update={"final_line_end": "absent"})
        return table

    def _without_last_line_ends(self, found: Sequence[FoundFile]) -> frozenset[int]:
        """The [[table]] entries of whose text files, two at least, none has a last line end.

        The program that writes them sets none, so its lack is no sign of a file that was cut off.
        """
        lacking: dict[int, dict[str, bool]] = {}
        for file in found:
            if self._workspace.table(file.table_index).kind == "evidence":
                continue
            taken = self.of(file)
            if isinstance(taken, Exception):
                continue
            digest, copy = taken
            if copy.is_file() and (lacks := lacks_line_end(copy)) is not None:
                lacking.setdefault(file.table_index, {})[digest] = lacks
        return frozenset(at for at, each in lacking.items() if len(each) > 1 and all(each.values()))


_ATTEMPTS = 4

_PAUSE_S = 0.2  # before the second attempt; longer before each further one


class BeingWritten(ReconcileError):
    """A file that changed each time that it was copied."""


def archived(workspace: Workspace, file: FoundFile) -> tuple[str, Path]:
    """Digest and archived copy; what is read later is the copy, whatever becomes of the file.

    The digest is that of one state of the file: one that changes meanwhile is taken again.
    Raises BeingWritten where it changes every time.
    """
    ending = file.path.suffix.lower()
    if not _ENDING.fullmatch(ending):  # another file system may not take it
        ending = ""
    for attempt in range(_ATTEMPTS):
        time.sleep(_PAUSE_S * attempt)
        working = None
        with open_regular(file.path) as stream:
            before = state_of(file.path)
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            copy = workspace.archive / f"{digest}{ending}"
            if not copy.exists():
                workspace.archive.mkdir(parents=True, exist_ok=True)
                working = copy.with_name(f".unfinished-{copy.name}")
                stream.seek(0)
                with working.open("wb") as target:
                    shutil.copyfileobj(stream, target, 1 << 20)
        if state_of(file.path) == before and (working is None or ws.sha256_of(working) == digest):
            if working is not None:
                working.replace(copy)
            return digest, copy
        if working is not None:
            working.unlink()
    raise BeingWritten(
        f"{file.shown} is being written; it was not read this time.",
        "Run again when it is whole.",
    )
