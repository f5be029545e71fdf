"""The store bound to the archive: what it holds of a file is what was read from the file.

The store is a cache. Of every reading the ledger keeps what it gave; before the store's
answer is used, both are compared. An archived file is digested while it is read.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.intake import workspace as ws
from reconcile.intake.tables import TypedTable
from reconcile.intake.workspace import Workspace
from reconcile.store import contents, ledger
from reconcile.store.database import Store, StoredFile
from reconcile.store.ledger import Ledger, Name, Reading

_Result = TypeVar("_Result")


class Doubted(Exception):
    """The store holds something else than was read; the message says of which file."""


def finding(subject: str, text: str, severity: str = "serious") -> Finding:
    """Something found about the store or the archive, not about the data."""
    return Finding(
        "store", severity, subject, text,
        advice="Find out who had access, or whether the disk fails."
        if severity == "serious" else "",
        code=FindingCode.STORE_MENDED,
    )  # fmt: skip


class Binding:
    """The store of a workspace with its ledger. ``told`` gathers what was found and mended."""

    def __init__(self, workspace: Workspace, store: Store) -> None:
        """Read the ledger; lines that are damaged are taken away, and told of."""
        self.workspace, self.store = workspace, store
        self.told: list[Finding] = []
        self.contents: dict[int, str] = {}  # by file_id
        self._held: dict[int, str] = {}  # the same, of files that nobody asked for yet
        self._added: dict[int, Reading] = {}  # by file_id, not yet written down
        self._together = False
        self._ledger = ledger.read(workspace.ledger_file)
        if self._ledger.damaged:
            numbers = ", ".join(map(str, self._ledger.damaged))
            self.told.append(
                finding(
                    workspace.ledger_file.name,
                    f"Line {numbers} was not what had been written; it was taken away, and its "
                    "file is read again.",
                )
            )
            ledger.rewrite(workspace.ledger_file, self._ledger.readings.values())
            self._ledger = Ledger(self._ledger.readings)

    def look_ahead(self, paths: Collection[str]) -> None:
        """Digest at once what the store holds of these files: one by one it takes far longer."""
        last = {f.path: f.file_id for f in self.store.files().values() if f.path in paths}
        self._held = contents.digests_of(self.store, [*last.values()])

    def known(self, name: Name) -> StoredFile | None:
        """The file as the store holds it, or None.

        Raises Doubted where that is not what was read.
        """
        file = self.store.find(*name)
        if file is None or file.file_id in self._added:
            return file
        expected = self._ledger.contents_of(name)
        held = self._held.get(file.file_id) or contents.digest_of(self.store, file.file_id)
        if held != expected:
            what = "other values than were read from it" if expected else "values of unknown origin"
            raise Doubted(f"The store held {what} for {file.path}.")
        self.contents[file.file_id] = held
        return file

    def add(
        self,
        reading: Reading,
        kind: str,
        size: int,
        read: Sequence[TypedTable] | ReconcileError,
    ) -> StoredFile:
        """Store what was read of a file, and write down what that was."""
        with self.together():
            if isinstance(read, ReconcileError):
                file = self.store.add(*reading.name, kind, size, (), read.message, read.advice)
            else:
                file = self.store.add(*reading.name, kind, size, read)
            self._added[file.file_id] = reading
        return file

    @contextmanager
    def together(self) -> Iterator[None]:
        """Files that are added within stand for good together, or none of them."""
        if self._together:
            yield
            return
        self._together = True
        try:
            with self.store.transaction():
                yield
                self._write_down()
        finally:
            self._together = False
            self._added.clear()

    def _write_down(self) -> None:
        """What the added files gave, before they stand for good."""
        whole = []
        held = contents.digests_of(self.store, [*self._added])
        for file_id, reading in self._added.items():
            before = self._ledger.contents_of(reading.name)
            if before != held[file_id]:
                if before:
                    text = f"The ledger held other contents of {reading.path} than its copy gives."
                    self.told.append(finding(self.workspace.ledger_file.name, text))
                whole.append(replace(reading, contents=held[file_id]))
        if whole:
            ledger.append(self.workspace.ledger_file, whole)
        self._ledger.readings.update((reading.name, reading) for reading in whole)
        self.contents |= held


def moved_aside(workspace: Workspace, path: Path) -> Path:
    """Move a file that is not what it should be into the folder 'aside' of the output."""
    folder = workspace.output / "aside"
    folder.mkdir(parents=True, exist_ok=True)
    number = 1
    while (target := folder / f"{number}-{path.name}").exists():
        number += 1
    path.replace(target)
    return target


def digested(copy: Path, read: Callable[[], _Result]) -> tuple[str, _Result]:
    """What ``read`` gives of an archived file, and the digest of the bytes that it read.

    '' where the file changed meanwhile or can't be opened.
    """
    with ThreadPoolExecutor(1) as beside:
        before = _state(copy)
        digesting = beside.submit(_digest, copy)
        result = read()
        digest = digesting.result()
    return (digest if before == _state(copy) else ""), result


def restored(workspace: Workspace, shown: str, original: Path, digest: str, copy: Path) -> Finding:
    """Put the file itself in the place of its altered copy; raises where it does not fit."""
    working = copy.with_name(f".unfinished-{copy.name}")
    if original.is_file():
        shutil.copyfile(original, working)
    if _digest(working) != digest:
        working.unlink(missing_ok=True)
        raise ReconcileError(
            f"The archived copy of {shown} ({copy}) is not what was read, and {shown} is not "
            "either.",
            "Restore one of them from a copy that is known to be good; nothing was released.",
        )
    aside = moved_aside(workspace, copy)
    working.replace(copy)
    return finding(
        f"archive/{copy.name}",
        f"The archived copy of {shown} was not what had been read. It was not used: it was moved "
        f"to {aside}, and the file itself was archived again.",
    )


def _state(path: Path) -> tuple[int, int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino


def _digest(path: Path) -> str:
    try:
        return ws.sha256_of(path)
    except OSError:
        return ""


def recipe_of(
    table: dict[str, Any],
    zone: str,
    reader: str,
    register: Sequence[Name] | None,
    corrections: Sequence[Sequence[Any]],
    met_ids: Sequence[str],
) -> dict[str, Any]:
    """What a reading depends on beside the file, as the ledger keeps it."""
    return {
        "table": table,
        "zone": zone,
        "reader": reader,
        "register": None if register is None else [list(name) for name in register],
        "corrections": [list(c) for c in corrections],
        "met_ids": list(met_ids),
    }
