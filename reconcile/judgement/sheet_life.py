"""The life of a result sheet: issued, signed off by named persons, revised or withdrawn.

Every change is an event of the chained record; a state is never stored, it follows from the
events. A sheet's files are written beside their place, the event is added, then they are moved
there whole: whatever a crash leaves, the next command that changes a sheet finishes or removes.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from reconcile.base.errors import ReconcileError
from reconcile.base.writing import UNFINISHED, sync_files, sync_folder, write_whole
from reconcile.intake.workspace import Workspace, sha256_of
from reconcile.releases import anchors, persons, record, signing
from reconcile.releases.release import MANIFEST
from reconcile.releases.signing import Key

EVENT = "result sheet"
FOLDER = anchors.SHEETS
SIGNED = "signed"  # folder of a sheet's PDFs with the acts on it
ISSUED, WITHDRAWN, DISPATCHED = "issued", "withdrawn", "dispatched"
CHECKED, APPROVED, ACCEPTED, REFUSED = "checked", "approved", "accepted", "refused"
#: What a person can do with a sheet, in the order of trade, and what the register calls it.
SIGN_OFFS = {CHECKED: "check", APPROVED: "approve", ACCEPTED: "accept", REFUSED: "accept"}
SUPERSEDED = "superseded"
NUMBER = re.compile(r"RS-[0-9]{1,9}")
_REVISION = re.compile(r"r([1-9][0-9]{0,8})")


@dataclass(frozen=True, slots=True)
class Act:
    """What one person did with a sheet."""

    act: str  # ISSUED, CHECKED, APPROVED, ACCEPTED, REFUSED or WITHDRAWN
    by: str
    role: str
    at: str
    text: str
    person: str = ""
    signed: bool = False
    pdf: str = ""  # name and digest of the sheet that bears this act
    pdf_sha256: str = ""


@dataclass(frozen=True, slots=True)
class SheetLife:
    """One revision of a sheet with what happened to it."""

    number: str
    revision: int
    manifest_sha256: str
    acts: tuple[Act, ...]
    superseded: bool = False
    dispatches: tuple[Mapping[str, Any], ...] = ()

    @property
    def name(self) -> str:
        """Number and revision, as printed."""
        return f"{self.number} r{self.revision}"

    @property
    def state(self) -> str:
        """What was done last: issued, checked, approved, accepted, refused, or its end."""
        if self.superseded:
            return SUPERSEDED
        return self.acts[-1].act

    @property
    def stands(self) -> bool:
        """Whether someone may act on it."""
        return self.state not in (SUPERSEDED, WITHDRAWN, REFUSED)


def lives(reading: record.Reading) -> dict[tuple[str, int], SheetLife]:
    """Every revision of every sheet of the record, in the order of issue."""
    found: dict[tuple[str, int], SheetLife] = {}
    for entry in reading.entries:
        if entry.kind != EVENT:
            continue
        c = entry.content
        key = (str(c["sheet"]), int(c["revision"]))
        if c["act"] == ISSUED:
            for other, life in found.items():
                if other[0] == key[0]:
                    found[other] = replace(life, superseded=True)
            found[key] = SheetLife(*key, str(c["manifest_sha256"]), (_act(c),))
        elif key in found and c["act"] == DISPATCHED:
            found[key] = replace(found[key], dispatches=(*found[key].dispatches, c))
        elif key in found:
            found[key] = replace(found[key], acts=(*found[key].acts, _act(c)))
    return found


def _act(c: Mapping[str, Any]) -> Act:
    return Act(
        str(c["act"]), str(c["by"]), str(c.get("role", "")), str(c["at"]), str(c.get("text", "")),
        str(c.get("person", "")), "signature" in c, str(c.get("pdf", "")),
        str(c.get("pdf_sha256", "")),
    )  # fmt: skip


def of_workspace(workspace: Workspace) -> dict[tuple[str, int], SheetLife]:
    """Every sheet; raises ReconcileError where the record was altered or shortened."""
    return lives(anchors.whole_record(workspace))


def known(found: Mapping[tuple[str, int], SheetLife], number: str, revision: int = 0) -> SheetLife:
    """The revision of a sheet, the newest where 0; raises ReconcileError where there is none."""
    wanted = number.strip().upper()
    of_it = [life for life in found.values() if life.number == wanted]
    of_it = [life for life in of_it if revision in (0, life.revision)]
    if not of_it:
        raise ReconcileError(
            f"No result sheet '{number}'{f', revision {revision}' if revision else ''} stands in "
            "the record of this workspace.",
            "'reconcile sheets' lists them.",
        )
    return of_it[-1]


def next_number(found: Iterable[tuple[str, int]]) -> str:
    """The number after the highest one; numbers are never used twice."""
    taken = [int(digits[0]) for number, _ in found if (digits := re.findall(r"[0-9]+", number))]
    return f"RS-{max(taken, default=0) + 1:04d}"


def folder_of(workspace: Workspace, number: str, revision: int) -> Path:
    """Where the files of a revision lie."""
    return workspace.output / FOLDER / number / f"r{revision}"


# ---- issuing ----------------------------------------------------------------------------


def manifest_of(
    number: str, revision: int, fingerprint: str, reading: record.Reading,
    files: Mapping[str, bytes],
) -> bytes:  # fmt: skip
    """The manifest of a revision; equal files give equal bytes."""
    content = {
        "sheet": number,
        "revision": revision,
        "fingerprint": fingerprint,
        "record_lines": len(reading.entries),
        "record_head": reading.head,
        "outputs": [
            {"name": name, "sha256": hashlib.sha256(data).hexdigest(), "size": len(data)}
            for name, data in sorted(files.items())
        ],
    }
    return (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode()


def issue(
    workspace: Workspace,
    number: str,
    revision: int,
    manifest: bytes,
    files: Mapping[str, bytes],
    acting: persons.Acting,
    key: Key | None,
    head: str,
) -> Path:
    """Write the files, enter the event, and move the files to their place."""
    target = folder_of(workspace, number, revision)
    if target.exists():
        raise ReconcileError(f"{target} exists already.", "A sheet is never overwritten.")
    working = target.with_name(f"{UNFINISHED}{target.name}")
    if working.exists():
        shutil.rmtree(working)
    working.mkdir(parents=True)
    for name, data in (*files.items(), (MANIFEST, manifest)):
        (working / name).write_bytes(data)
    sync_files(working)
    content = {
        "act": ISSUED, "sheet": number, "revision": revision,
        "manifest_sha256": hashlib.sha256(manifest).hexdigest(),
    } | acting.as_content()  # fmt: skip
    record.extend(
        workspace.output / record.RECORD, [(EVENT, signing.signed(content, acting, key, head))]
    )
    working.replace(target)
    sync_folder(target.parent)
    return target


def finish(workspace: Workspace, reading: record.Reading) -> None:
    """End what a crash left: files of a recorded revision get their place, others go."""
    root = workspace.output / FOLDER
    recorded = {(x.number, x.revision): x for x in lives(reading).values()}
    for working in sorted(root.glob(f"*/{UNFINISHED}r*")) if root.is_dir() else ():
        found = _REVISION.fullmatch(working.name[len(UNFINISHED) :])
        life = recorded.get((working.parent.name, int(found[1]))) if found else None
        target = working.with_name(working.name[len(UNFINISHED) :])
        whole = (
            life is not None
            and (working / MANIFEST).is_file()
            and sha256_of(working / MANIFEST) == life.manifest_sha256
        )
        if whole and not target.exists():
            working.replace(target)
            sync_folder(target.parent)
        elif found:
            shutil.rmtree(working)


# ---- acts on a sheet --------------------------------------------------------------------


def before(life: SheetLife) -> tuple[persons.Moment, ...]:
    """What an act on a sheet can't precede."""
    return tuple((datetime.fromisoformat(a.at), f"'{a.act}' by {a.by}") for a in life.acts)


def check_act(workspace: Workspace, life: SheetLife, act: str, acting: persons.Acting) -> None:
    """Raises ReconcileError where this person can't do this with the sheet as it stands."""
    if not life.stands:
        raise ReconcileError(
            f"Sheet {life.name} is {life.state}; nothing more can be said of it.",
            "'reconcile sheets' shows what stands in its place.",
        )
    done = {a.act for a in life.acts}
    if act in done:
        raise ReconcileError(f"Sheet {life.name} is {act} already.")
    if act in (ACCEPTED, REFUSED) and APPROVED not in done:
        raise ReconcileError(
            f"Sheet {life.name} is not approved: the client has nothing to answer yet.",
            f"'reconcile signoff {life.number} --as approved' comes first.",
        )
    if act in (CHECKED, APPROVED) and ({ACCEPTED, REFUSED} & done):
        raise ReconcileError(f"Sheet {life.name} was answered by the client already.")
    if act not in (CHECKED, APPROVED):
        return
    author = life.acts[0]
    persons.hold_apart(workspace, acting, author.person, author.by, "sheet")


def enter(
    workspace: Workspace, life: SheetLife, content: Mapping[str, Any], acting: persons.Acting,
    key: Key | None, reading: record.Reading,
) -> None:  # fmt: skip
    """Add an act on a sheet to the record."""
    whole = {"sheet": life.number, "revision": life.revision, **content} | acting.as_content()
    record.extend(
        workspace.output / record.RECORD,
        [(EVENT, signing.signed(whole, acting, key, reading.head))],
    )


def signed_pdf(workspace: Workspace, life: SheetLife, act: str) -> Path:
    """Where the sheet that bears this act lies."""
    name = f"{life.number}-r{life.revision}-{len(life.acts):02d}-{act}.pdf"
    return workspace.output / FOLDER / life.number / SIGNED / name


def keep_signed(path: Path, content: bytes) -> None:
    """Write the PDF with the acts; the same bytes may be there."""
    if not path.exists() or path.read_bytes() != content:
        write_whole(path, content)


def files_of(workspace: Workspace, life: SheetLife, names: Sequence[str]) -> dict[str, bytes]:
    """Files of a revision by name; raises ReconcileError where one is not as it was issued."""
    folder = folder_of(workspace, life.number, life.revision)
    try:
        manifest = (folder / MANIFEST).read_bytes()
        listed = {e["name"]: e["sha256"] for e in json.loads(manifest)["outputs"]}
        found = {name: (folder / name).read_bytes() for name in names}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ReconcileError(
            f"Sheet {life.name} can't be read: {error}.",
            "Restore it from the copy that was sent out; 'reconcile verify' says what is wrong.",
        ) from error
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in found.items()}
    altered = [name for name in names if digests[name] != listed.get(name)]
    if hashlib.sha256(manifest).hexdigest() != life.manifest_sha256 or altered:
        raise ReconcileError(
            f"Sheet {life.name} is not what was issued: {', '.join(altered) or MANIFEST}.",
            "Restore it from the copy that was sent out.",
        )
    return found
