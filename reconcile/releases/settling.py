"""What a person settles about a finding: an event of the chained record, and what follows.

A finding is named by its id, which follows from its code, its subject and its parameters, so
that what was settled holds for the same finding of later runs and months, whatever its words.
The last event of a finding counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.model.account import FAULT, NO_FAULT, Finding, Settlement
from reconcile.intake import workspace as ws
from reconcile.intake.workspace import Workspace
from reconcile.releases import anchors, in_brief, persons, record, release, signing
from reconcile.store.database import Store

EVENT = "finding event"
SETTLED = "settled"


@dataclass(frozen=True, slots=True)
class Known:
    """A finding as the latest release of some period holds it."""

    finding_id: str
    code: str
    subject: str
    parameters: tuple[tuple[str, str], ...]
    text: str
    period: str
    release_id: str
    data_until: str  # ISO time; "" where none


def settlements(reading: record.Reading) -> dict[str, Settlement]:
    """By the id of the finding, what was settled last."""
    found = {}
    for entry in reading.entries:
        if entry.kind == EVENT and entry.content["act"] == SETTLED:
            content = entry.content
            found[str(content["finding"])] = Settlement(
                str(content["as"]), str(content["by"]), str(content["reason"]), str(content["at"])
            )
    return found


def applied(workspace: Workspace, findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The findings with what persons settled; one settled as no fault asks for nobody more."""
    if not any(f.id for f in findings):
        return tuple(findings)
    known = settlements(anchors.whole_record(workspace))
    result = []
    for finding in findings:
        settled = known.get(finding.id)
        if settled is not None:
            severity = "note" if settled.verdict == NO_FAULT else "serious"
            finding = replace(finding, settled=settled, severity=severity)
        result.append(finding)
    return tuple(result)


def marks(findings: Sequence[Finding]) -> tuple[str, ...]:
    """What the settlements bring into the fingerprint of a release."""
    return tuple(
        "\n".join((f.id, *in_brief.as_plain(f.settled).values()))
        for f in findings
        if f.settled is not None
    )  # fmt: skip


def settle(
    folder: Path,
    finding_id: str,
    by: str,
    reason: str,
    at: str,
    verdict: str,
    key: signing.Key | None = None,
) -> tuple[Known, Settlement]:
    """Settle a finding of the latest release of some period, as FAULT or NO_FAULT.

    Raises ReconcileError where no latest release holds the finding, a reason is missing, the
    verdict is another word, or name, time or key do not pass ``persons.acting`` and
    ``signing.signed``.
    """
    workspace = ws.load_workspace(folder)
    if verdict not in (FAULT, NO_FAULT):
        raise ReconcileError(
            f"'{verdict}' settles nothing.", f'Write --as "{FAULT}" or --as "{NO_FAULT}".'
        )
    if not any(c.isalnum() for c in reason):
        raise ReconcileError("No reason was given.", "Say what was looked at, with --reason.")
    with Store(workspace.store_file):  # one writer at a time
        head = anchors.whole_record(workspace).head
        known = _newest(workspace, finding_id)
        acting = persons.acting(workspace, by, at, "settle", _before(known))
        content = {
            "act": SETTLED, "finding": known.finding_id, "code": known.code,
            "subject": known.subject, "parameters": [list(p) for p in known.parameters],
            "text": known.text, "release_id": known.release_id, "as": verdict,
            "reason": reason, **acting.as_content(),
        }  # fmt: skip
        signed = signing.signed(content, acting, key, head)
        record.extend(workspace.output / record.RECORD, [(EVENT, signed)])
    return known, Settlement(verdict, acting.by, reason, acting.at)


def _newest(workspace: Workspace, finding_id: str) -> Known:
    found = [known for known in _findings(workspace) if known.finding_id == finding_id]
    if not found:
        raise ReconcileError(
            f"No latest release of this workspace holds a finding '{finding_id}'.",
            "The id stands with the finding in the report, the workbook and on the terminal.",
        )
    return max(found, key=lambda known: known.period)


def _findings(workspace: Workspace) -> Iterator[Known]:
    root = workspace.output / "releases"
    if not root.is_dir():
        return
    for folder in sorted(path for path in root.iterdir() if path.is_dir()):
        latest = release.latest(folder)
        for entry in latest.manifest.get("findings", ()) if latest is not None else ():
            assert latest is not None
            yield Known(
                str(entry["id"]), str(entry["code"]), str(entry["subject"]),
                tuple((str(name), str(value)) for name, value in entry["parameters"]),
                str(entry["text"]), str(latest.manifest["period"]),
                str(latest.manifest["release_id"]), str(latest.manifest.get("data_until", "")),
            )  # fmt: skip


def _before(known: Known) -> tuple[persons.Moment, ...]:
    """A finding can't be settled before the data that it rests on were there."""
    try:
        moment = datetime.fromisoformat(known.data_until)
    except ValueError:
        return ()
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return ((moment, f"the last result that release {known.release_id} rests on"),)
