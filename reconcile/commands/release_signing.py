"""Sign off a month's release: an act in the record, and the report that bears all acts."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.model.release import Reconciliation, SignOff
from reconcile.base.writing import write_whole
from reconcile.intake import workspace as ws
from reconcile.intake.workspace import Workspace
from reconcile.releases import anchors, kept_value, persons, release, sign_off
from reconcile.releases.signing import Key
from reconcile.reporting.files import DOCUMENTS
from reconcile.store.database import Store

_DOCUMENT = "report"


@dataclass(frozen=True, slots=True)
class Done:
    """A release after an act, and the report that bears all acts."""

    release_id: str
    acts: tuple[SignOff, ...]
    path: Path


def sign(
    folder: Path, month: str, act: str, by: str, at: str, role: str, text: str,
    key: Key | None = None,
) -> Done:  # fmt: skip
    """Record what a person says of the latest release of a month.

    Raises ReconcileError where the record or the release can't be relied on, or the person, the
    time or the act is refused.
    """
    if act not in sign_off.ACTS:
        raise ReconcileError(
            f"'{act}' is nothing that is said of a release.",
            f"Write --as with one of {', '.join(sign_off.ACTS)}.",
        )
    if not any(c.isalnum() for c in role) or not any(c.isalnum() for c in text):
        raise ReconcileError(
            "Role and text are needed.", "Say as what the person acts (--role), and what (--text)."
        )
    workspace = ws.load_workspace(folder)
    with Store(workspace.store_file):  # one writer at a time
        reading = anchors.whole_record(workspace)
        found, value = _of_month(workspace, month)
        before = sign_off.of_release(reading, value.release_id)
        acts = tuple(s.act for s in before)
        _keep_every_report(found.folder, value, before)
        moments = sign_off.before(value, acts)
        acting = persons.acting(workspace, by, at, sign_off.ACTS[act], moments)
        sign_off.check_act(workspace, value, acts, act, acting)
        said = SignOff(
            act, acting.by, " ".join(role.split()), acting.at, " ".join(text.split()),
            acting.person, key is not None,
        )  # fmt: skip
        acts = (*acts, said)
        path, content = _report(found.folder, value, acts)
        event = {
            "release_id": value.release_id, "period": value.period, "revision": value.revision,
            "act": act, "role": said.role, "text": said.text, "report": path.name,
            "manifest_sha256": ws.sha256_of(found.folder / release.MANIFEST),
            "report_sha256": hashlib.sha256(content).hexdigest(),
        }  # fmt: skip
        sign_off.enter(workspace, event, acting, key, reading)
        _keep(path, content)
    return Done(value.release_id, acts, path)


def _of_month(workspace: Workspace, month: str) -> tuple[release.Earlier, Reconciliation]:
    """The latest release of a month with its value, where nothing of it was altered."""
    ws.check_period(workspace, month)
    found = release.latest(workspace.releases(month))
    if found is None:
        raise ReconcileError(
            f"There is no release of {month}.", f"'reconcile run {month}' makes one."
        )
    if altered := release.altered_files(found):
        raise ReconcileError(
            f"Release {found.manifest['release_id']} was altered after it was made: "
            f"{', '.join(altered)}.",
            "Restore the files from the copy that was sent out; nothing was recorded.",
        )
    recorded = {
        str(e.content["manifest_sha256"])
        for e in anchors.whole_record(workspace).entries
        if e.kind == "release"
    }
    if ws.sha256_of(found.folder / release.MANIFEST) not in recorded:
        raise ReconcileError(
            f"Release {found.manifest['release_id']} is not in the record.",
            f"Run 'reconcile run {month}' again, which enters it.",
        )
    return found, kept_value.read(found.folder)


def _report(folder: Path, value: Reconciliation, acts: tuple[SignOff, ...]) -> tuple[Path, bytes]:
    name, make = DOCUMENTS[_DOCUMENT]
    path = sign_off.folder_of(folder) / f"{len(acts):02d}-{acts[-1].act}-{name}"
    return path, make(sign_off.with_acts(value, acts))


def _keep_every_report(
    folder: Path, value: Reconciliation, signed: tuple[sign_off.Signed, ...]
) -> None:
    """Write reports of acts that a crash left out; each is drawn from value and record again."""
    for count, one in enumerate(signed, start=1):
        path = sign_off.folder_of(folder) / one.report
        if path.exists():
            continue
        content = _report(folder, value, tuple(s.act for s in signed[:count]))[1]
        if hashlib.sha256(content).hexdigest() == one.sha256:
            _keep(path, content)


def _keep(path: Path, content: bytes) -> None:
    path.parent.mkdir(exist_ok=True)
    if not path.exists() or path.read_bytes() != content:
        write_whole(path, content)
