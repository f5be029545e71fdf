"""Files are written whole or not at all, and by one process at a time.

Whatever a command writes for a person goes through ``write_whole``: a full disk, a kill or
a power cut leaves the old file or the new one under the final name, never a part of it.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from reconcile.base.errors import ReconcileError

#: What stands beside a file while it is written begins so; readers of folders pass over it.
UNFINISHED = ".unfinished-"
#: Seconds to wait for another process that writes the same file: it holds it for one line.
LONGEST_WAIT = 60.0


def write_whole(path: Path, content: bytes, *, new: bool = False, private: bool = False) -> None:
    """Write beside the place, sync to disk, and move there; folders are made as needed.

    With ``new`` a file that is there already is left as it is, also where two processes
    name it at the same moment; with ``private`` only its owner can read it. Raises
    ReconcileError where that is so, or where the file can't be written; nothing half-written
    stands then.
    """
    target = Path(os.path.realpath(path))  # through a link, to the file that it means
    # A name of its own: another thread or machine may be writing the same file.
    working = target.with_name(f"{UNFINISHED}{secrets.token_hex(6)}-{target.name[-100:]}")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            if private:
                working.touch(mode=0o600)
            with working.open("wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            if new:
                _place_new(working, target)
            else:
                working.replace(target)
            sync_folder(target.parent)
        finally:
            with suppress(OSError):
                working.unlink(missing_ok=True)
    except FileExistsError as error:
        raise ReconcileError(
            f"{path} exists already.", "Name a new file: what is there is not overwritten."
        ) from error
    except OSError as error:
        raise ReconcileError(
            f"{path} can't be written: {error.strerror or error}.",
            "Nothing half-written stands. Check that the folder can be written, that the disk is "
            "not full and that no other program has the file open; then start again.",
        ) from error


def _place_new(working: Path, target: Path) -> None:
    """Give the file its name where nothing bears it; raises FileExistsError else."""
    if os.name == "nt":
        working.rename(target)  # which Windows refuses where the name is taken
        return
    try:
        os.link(working, target)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if target.exists():
            raise FileExistsError(target) from None
        working.replace(target)


def sync_folder(folder: Path) -> None:
    """Have the names of a folder's files on disk, where the system can do that."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def sync_files(folder: Path) -> None:
    """Have the files that lie in a folder on disk, with their names."""
    for path in sorted(folder.iterdir()):
        if path.is_file():
            with path.open("r+b") as stream:
                os.fsync(stream.fileno())
    sync_folder(folder)


def hold(path: Path, wait: float) -> FileLock | None:
    """A file held against all others that ask the same, until released; it need not exist.

    A hidden file beside it bears the lock, which ends with the process, however that ends.
    None where another holds it for longer than ``wait`` seconds.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    lock = FileLock(path.with_name(f".{path.name}.lock"), timeout=wait, thread_local=False)
    try:
        lock.acquire(poll_interval=0.01)
    except Timeout:
        return None
    return lock


@contextmanager
def one_at_a_time(path: Path) -> Iterator[None]:
    """Hold a file while it is read and written.

    Raises ReconcileError where another process holds it for longer than LONGEST_WAIT.
    """
    lock = hold(path, LONGEST_WAIT)
    if lock is None:
        raise ReconcileError(
            f"Another program is writing {path}.",
            "Wait until it ends, then start again; nothing was changed.",
        )
    try:
        yield
    finally:
        lock.release()
