"""What persons say of a release: prepared, checked, approved, accepted or refused.

Each act is an event of the chained record; the release itself is never changed. A release's
state is not stored: it follows from its acts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.release import Reconciliation, SignOff
from reconcile.intake.workspace import Workspace, sha256_of
from reconcile.releases import persons, record, signing
from reconcile.releases.signing import Key

EVENT = "release sign-off"
#: Name of the folder of signed reports beside a release's own.
BESIDE = "signed-r{revision}"
PREPARED, CHECKED, APPROVED, ACCEPTED, REFUSED = (
    "prepared", "checked", "approved", "accepted", "refused",
)  # fmt: skip
#: What a person can say, in the order of trade, and what the register of people calls the right.
ACTS = {
    PREPARED: "issue", CHECKED: "check", APPROVED: "approve", ACCEPTED: "accept", REFUSED: "accept",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Signed:
    """One act with the report that bears it and all before."""

    act: SignOff
    report: str  # name of the file in the release's folder of signed reports
    sha256: str


def of_release(reading: record.Reading, release_id: str) -> tuple[Signed, ...]:
    """The acts on one release, in the order of the record."""
    return tuple(
        _signed(e.content)
        for e in reading.entries
        if e.kind == EVENT and e.content["release_id"] == release_id
    )


def _signed(c: Mapping[str, Any]) -> Signed:
    act = SignOff(
        str(c["act"]), str(c["by"]), str(c["role"]), str(c["at"]), str(c["text"]),
        str(c.get("person", "")), "signature" in c,
    )  # fmt: skip
    return Signed(act, str(c["report"]), str(c["report_sha256"]))


def with_acts(r: Reconciliation, acts: Sequence[SignOff]) -> Reconciliation:
    """The value of a release as it is drawn with these acts; the same where there is none."""
    return replace(r, acts=tuple(acts), status=acts[-1].act) if acts else r


def before(r: Reconciliation, acts: Sequence[SignOff]) -> tuple[persons.Moment, ...]:
    """What an act can't precede: the last of the data, and the acts before."""
    moments = [(datetime.fromisoformat(a.at), f"'{a.act}' by {a.by}") for a in acts]
    if r.data_until:
        until = datetime.fromisoformat(r.data_until.replace("Z", "+00:00"))
        moments.insert(0, (until, "the last result of the release"))
    return tuple(moments)


def check_act(
    workspace: Workspace, r: Reconciliation, acts: Sequence[SignOff], act: str,
    acting: persons.Acting,
) -> None:  # fmt: skip
    """Raises ReconcileError where this person can't say this of the release as it stands."""
    done = {a.act for a in acts}
    if act in done:
        raise ReconcileError(f"Release {r.release_id} is {act} already.")
    if REFUSED in done or ACCEPTED in done:
        raise ReconcileError(
            f"Release {r.release_id} was answered by the client already.",
            "A changed input makes the next revision, of which more can be said.",
        )
    if act in (ACCEPTED, REFUSED) and APPROVED not in done:
        raise ReconcileError(
            f"Release {r.release_id} is not approved: the client has nothing to answer yet.",
            f"'reconcile signoff {r.period} --as approved' comes first.",
        )
    if act == PREPARED and done:
        raise ReconcileError(f"Release {r.release_id} was {acts[-1].act} already.")
    if act not in (CHECKED, APPROVED):
        return
    prepared = [a for a in acts if a.act == PREPARED]
    if not prepared:
        raise ReconcileError(
            f"Nobody has said yet that they prepared release {r.release_id}.",
            f"'reconcile signoff {r.period} --as prepared' comes first.",
        )
    author = prepared[0]
    persons.hold_apart(workspace, acting, author.person, author.by, "release")


def enter(
    workspace: Workspace, content: Mapping[str, Any], acting: persons.Acting, key: Key | None,
    reading: record.Reading,
) -> None:  # fmt: skip
    """Add an act to the record, signed where its person has a key."""
    whole = dict(content) | acting.as_content()
    record.extend(
        workspace.output / record.RECORD,
        [(EVENT, signing.signed(whole, acting, key, reading.head))],
    )


def folder_of(release_folder: Path) -> Path:
    """Where the signed reports of a release lie: beside it."""
    return release_folder.with_name(BESIDE.format(revision=release_folder.name[1:]))


def lies_beside(folder: Path) -> bool:
    """True for the folder of a release's signed reports."""
    return folder.is_dir() and any(
        folder == folder_of(other) for other in folder.parent.glob("r[1-9]*")
    )


def check(workspace: Workspace, reading: record.Reading, release_folder: Path, release_id: str
          ) -> list[Finding]:  # fmt: skip
    """What is wrong with the signed reports of one release."""
    folder = folder_of(release_folder)
    wanted = {s.report: s.sha256 for s in of_release(reading, release_id)}
    found = []
    for name, digest in sorted(wanted.items()):
        path = folder / name
        if path.is_symlink() or not path.is_file():
            found.append(_serious(workspace, path, "The signed report is missing."))
        elif sha256_of(path) != digest:
            found.append(_serious(workspace, path, "The signed report is not what was signed off."))
    there = sorted(folder.iterdir()) if folder.is_dir() else []
    found += [
        _serious(workspace, path, "The file is of no act that the record holds.")
        for path in there
        if path.name not in wanted
    ]
    return found


def _serious(workspace: Workspace, path: Path, text: str) -> Finding:
    return Finding(
        "record", "serious", path.relative_to(workspace.output).as_posix(), text,
        advice="The next 'reconcile signoff' of the month draws a missing one again; restore an "
        "altered one from a copy, and find out who had access.",
        code=FindingCode.SIGNED_REPORT_ALTERED,
    )  # fmt: skip
