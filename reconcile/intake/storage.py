"""Input files of a site that lie on object storage: laid there, and staged by digest for a run.

Below the address (``inputs`` under ``[workspace]``, read by ``pyarrow.fs``) lie ``objects/`` with
each file once, named by its SHA-256, and ``manifests/`` with lists that say which object bears
which name. A list is written last, so that whoever reads it finds all that it names. It is written
on the condition that no other is: each has the number after the newest one, whoever has written
then looks whether another bears the same number, and takes his own away where it is so. Of two
writers at most one stands, and the other is told; storage that shows a finished write to whoever
lists afterwards is enough.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import Any

import pyarrow as pa
import pyarrow.fs as pafs

from reconcile.base.errors import ReconcileError, UnreachableError
from reconcile.base.writing import one_at_a_time, write_whole
from reconcile.intake import workspace as ws
from reconcile.intake.workspace import SETTINGS_FILE, Workspace

_OBJECTS, _MANIFESTS = "objects", "manifests"
_STAGED, _PLACED = "staged", "placed.json"
_MANIFEST = re.compile(r"(\d{8})-([0-9a-f]{64})\.json")
_DIGEST = re.compile("[0-9a-f]{64}")


def lay(workspace: Workspace) -> int:
    """Lay the input files of every month on the site's storage; how many were not there.

    Raises UnreachableError where the storage can't be reached, ReconcileError where another has
    written a list at the same time or a file lies outside the site's folder.
    """
    if not workspace.settings.workspace.inputs:
        return 0
    kinds = {table.kind for table in workspace.settings.table}
    found = {file.shown: file.path for file in ws.files_of_every_month(workspace, *kinds)}
    for name in found:
        _place(workspace, name)
    with _reached(workspace) as (files, root):
        there = {*_names(files, f"{root}/{_OBJECTS}")}
        wanted, laid = {}, 0
        for name, path in sorted(found.items()):
            content = path.read_bytes()
            digest = hashlib.sha256(content).hexdigest()
            wanted[name] = digest
            if digest not in there:
                _write(files, f"{root}/{_OBJECTS}/{digest}", content)
                there.add(digest)
                laid += 1
        numbered = _newest(files, root)
        if numbered is None or _listed(files, root, numbered[1]) != wanted:
            _list(files, root, wanted, numbered[0] + 1 if numbered else 1)
    return laid


def fetch(workspace: Workspace) -> int:
    """Bring the files of the site's storage under their names; how many were brought.

    Nothing is placed before all is here and is what the list says. Nothing happens where the
    settings name no storage. Raises UnreachableError where it can't be reached, ReconcileError
    where it holds no list, other bytes than listed, or a name that can't be placed.
    """
    if not workspace.settings.workspace.inputs:
        return 0
    staged = workspace.output / _STAGED
    with one_at_a_time(staged / "staging"):
        with _reached(workspace) as (files, root):
            newest = _newest(files, root)
            if newest is None:
                raise ReconcileError(
                    f"{_address(workspace)} holds no list of files.",
                    "'reconcile portfolio stage' lays a site's files there.",
                )
            wanted = _listed(files, root, newest[1])
            placed = _placed(staged)
            missing = _to_bring(workspace, wanted, placed)
            for digest in sorted(set(missing.values())):
                _bring(files, f"{root}/{_OBJECTS}/{digest}", staged / digest, digest)
        _put_in_place(workspace, staged, wanted, placed, missing)
    return len(missing)


def _put_in_place(
    workspace: Workspace, staged: Path, wanted: Mapping[str, str],
    placed: Mapping[str, list[str]], missing: Mapping[str, str],
) -> None:  # fmt: skip
    """What is here gets its name, what is listed no more goes; a kill between is mended again."""
    both = {
        name: sorted({*placed.get(name, []), *([wanted[name]] if name in wanted else [])})
        for name in {*placed, *wanted}
    }
    _note(staged, both)  # these may be changed again, whenever this ends
    for name, digest in missing.items():
        write_whole(_place(workspace, name), (staged / digest).read_bytes())
    for name in sorted({*placed} - {*wanted}):
        path = _place(workspace, name)
        if path.is_file() and ws.sha256_of(path) in placed[name]:
            path.unlink()
    _note(staged, {name: [digest] for name, digest in wanted.items()})
    for digest in set(missing.values()):
        (staged / digest).unlink(missing_ok=True)


def _to_bring(
    workspace: Workspace, wanted: Mapping[str, str], placed: Mapping[str, list[str]]
) -> dict[str, str]:
    missing = {}
    for name, digest in wanted.items():
        path = _place(workspace, name)
        if not path.exists():
            missing[name] = digest
            continue
        here = ws.sha256_of(path)
        if here == digest:
            continue
        if here not in placed.get(name, []):
            raise ReconcileError(
                f"{name} lies in {workspace.folder} with other content than on the storage "
                f"{_address(workspace)}, and was not brought from there.",
                "Nothing was changed. Take one of the two away: the file, or 'inputs' under "
                "[workspace] of reconcile.toml.",
            )
        missing[name] = digest
    return missing


def _bring(files: pafs.FileSystem, source: str, target: Path, digest: str) -> None:
    if target.is_file() and ws.sha256_of(target) == digest:  # brought by a try before
        return
    content = _read(files, source)
    if hashlib.sha256(content).hexdigest() != digest:
        raise ReconcileError(
            f"{source} holds other bytes than its name says.",
            "Nothing was changed. Lay the files there again from the copy that is right.",
        )
    write_whole(target, content)


def _place(workspace: Workspace, name: str) -> Path:
    """Where a name of the list lies in the site's folder; refuses what leads anywhere else."""
    parts = PurePosixPath(name).parts
    path = workspace.folder.joinpath(*parts)
    plain = (
        parts
        and not name.startswith("/")
        and not any(
            part.startswith(".") or "\\" in part or ":" in part or "\0" in part for part in parts
        )
        and name != SETTINGS_FILE
    )
    if plain:
        whole = path.resolve()
        if whole.is_relative_to(workspace.folder) and not whole.is_relative_to(workspace.output):
            return path
    raise ReconcileError(
        f"'{name}' can't be the name of an input file of {workspace.folder}.",
        "Files on storage lie below the site's folder, and outside its results.",
    )


def _newest(files: pafs.FileSystem, root: str) -> tuple[int, str] | None:
    """Number and name of the newest list that stands alone under its number."""
    by_number: dict[int, list[str]] = {}
    for name in _names(files, f"{root}/{_MANIFESTS}"):
        if match := _MANIFEST.fullmatch(name):
            by_number.setdefault(int(match[1]), []).append(name)
    alone = [number for number, names in by_number.items() if len(names) == 1]
    return (max(alone), by_number[max(alone)][0]) if alone else None


def _listed(files: pafs.FileSystem, root: str, name: str) -> dict[str, str]:
    content = _read(files, f"{root}/{_MANIFESTS}/{name}")
    match = _MANIFEST.fullmatch(name)
    if match is None or hashlib.sha256(content).hexdigest() != match[2]:
        raise ReconcileError(
            f"The list {root}/{_MANIFESTS}/{name} holds other bytes than its name says.",
            "'reconcile portfolio stage' writes a new one.",
        )
    found: dict[str, Any] = json.loads(content)
    entries = {str(name): str(digest) for name, digest in found["files"].items()}
    if any(not _DIGEST.fullmatch(digest) for digest in entries.values()):
        raise ReconcileError(
            f"The list {root}/{_MANIFESTS}/{name} names what is no SHA-256.",
            "'reconcile portfolio stage' writes a new one.",
        )
    return entries


def _list(files: pafs.FileSystem, root: str, wanted: Mapping[str, str], number: int) -> None:
    content = json.dumps({"files": wanted}, indent=1, sort_keys=True, ensure_ascii=False).encode()
    name = f"{number:08d}-{hashlib.sha256(content).hexdigest()}.json"
    _write(files, f"{root}/{_MANIFESTS}/{name}", content)
    beside = {
        other
        for other in _names(files, f"{root}/{_MANIFESTS}")
        if other != name and (at := _MANIFEST.fullmatch(other)) and int(at[1]) == number
    }
    if beside:
        files.delete_file(f"{root}/{_MANIFESTS}/{name}")
        raise ReconcileError(
            f"Another has written a list of {root} at the same time.",
            "Neither list may stand: lay the files there again, one after the other.",
        )


def _names(files: pafs.FileSystem, folder: str) -> Iterator[str]:
    found = files.get_file_info(pafs.FileSelector(folder, allow_not_found=True))
    return (info.base_name for info in found if info.type == pafs.FileType.File)


def _read(files: pafs.FileSystem, path: str) -> bytes:
    with files.open_input_stream(path) as stream:
        content: bytes = stream.read()
    return content


def _write(files: pafs.FileSystem, path: str, content: bytes) -> None:
    """Whole or not at all: an object appears when it is complete; on a folder the file is written
    beside its place and moved there."""
    files.create_dir(str(PurePosixPath(path).parent), recursive=True)
    beside = f"{path}.unfinished"
    if isinstance(files, pafs.S3FileSystem | pafs.GcsFileSystem):
        beside = path
    with files.open_output_stream(beside) as stream:
        stream.write(content)
    if beside != path:
        files.move(beside, path)


def _address(workspace: Workspace) -> str:
    return workspace.settings.workspace.inputs


def opened(address: str) -> tuple[pafs.FileSystem, str]:
    """The file system of an address (s3://…, gs://…, file://…) and the path in it."""
    files, root = pafs.FileSystem.from_uri(address)
    return files, str(root).rstrip("/")


@contextmanager
def _reached(workspace: Workspace) -> Iterator[tuple[pafs.FileSystem, str]]:
    address = _address(workspace)
    try:
        yield opened(address)
    except (OSError, pa.ArrowException) as error:
        raise UnreachableError(
            f"The storage {address} can't be read or written: {error}.",
            "Nothing half-written stands; the next try goes on where this one ended. Check the "
            "address, the network and the rights.",
        ) from error


def _placed(staged: Path) -> dict[str, list[str]]:
    """By name, the digests that were brought under it."""
    path = staged / _PLACED
    found: dict[str, list[str]] = json.loads(path.read_bytes()) if path.is_file() else {}
    return found


def _note(staged: Path, placed: Mapping[str, list[str]]) -> None:
    text = json.dumps(placed, indent=1, sort_keys=True, ensure_ascii=False)
    write_whole(staged / _PLACED, text.encode())
