"""Time-stamp tokens (RFC 3161) over the record's head, fetched by the user elsewhere.

A token says that its authority saw a digest at a time. The head of the record is such a
digest (SHA-256), and is what is stamped. The token is kept with its own SHA-256; which head
it stamps is read from it. Whether the authority's own signature holds is not checked here:
that needs the certificates that the user trusts, and is done with the tool that fetched it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from rfc3161_client import decode_timestamp_response

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.intake import workspace as ws
from reconcile.releases import anchors, record

KIND = "time-stamp token"
_SHA256 = "2.16.840.1.101.3.4.2.1"  # RFC 5754, section 2.2
_MOST_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Stamp:
    """What a token says."""

    imprint: str  # the digest that was stamped, hexadecimal
    sha256: bool  # whether it is a SHA-256
    at: str  # ISO 8601, by the authority's clock


@dataclass(frozen=True, slots=True)
class Stamped:
    """A token that was recorded."""

    path: Path
    at: str
    lines: int
    head: str


def read_token(content: bytes) -> Stamp | None:
    """The token of a time-stamp response; None where the bytes are none, or it was refused."""
    try:
        response = decode_timestamp_response(content)
        info = response.tst_info
        imprint = info.message_imprint
        return Stamp(
            bytes(imprint.message).hex(), imprint.hash_algorithm.dotted_string == _SHA256,
            info.gen_time.isoformat(timespec="seconds"),
        )  # fmt: skip
    except (ValueError, TypeError, AttributeError, OverflowError):
        return None


def stamped_lines(reading: record.Reading, stamp: Stamp) -> tuple[int, str] | None:
    """Which head a token stamps: lines up to it, and the head; None where it stamps none.

    The head itself may have been stamped, or its 64 characters as text.
    """
    if not stamp.sha256:
        return None
    for entry in reading.entries:
        as_text = hashlib.sha256(entry.hash.encode()).hexdigest()
        if stamp.imprint in (entry.hash, as_text):
            return entry.number, entry.hash
    return None


def keep_token(folder: Path, token: Path) -> Stamped:
    """Record a token file (.tsr) with its SHA-256, bound to the head that it stamps.

    Raises ReconcileError where the file is no token, or stamps no head of this record.
    """
    workspace = ws.load_workspace(folder)
    try:
        with token.open("rb") as stream:
            content = stream.read(_MOST_BYTES + 1)
    except OSError as error:
        raise ReconcileError(
            f"{token} can't be read: {error.strerror or error}.", "Name the .tsr file."
        ) from error
    stamp = read_token(content) if len(content) <= _MOST_BYTES else None
    if stamp is None:
        raise ReconcileError(
            f"{token} is no time-stamp response (RFC 3161) that holds a token.",
            "Name the .tsr file as the authority gave it.",
        )
    reading = anchors.whole_record(workspace)
    place = stamped_lines(reading, stamp)
    if place is None:
        raise ReconcileError(
            f"{token} stamps {stamp.imprint}, which is no head of this record.",
            "Have the head of the record stamped, as a SHA-256; 'reconcile verify' prints it.",
        )
    digest = hashlib.sha256(content).hexdigest()
    path = anchors.save_new(workspace.output / anchors.TOKENS, f"{digest}.tsr", content)
    lines, head = place
    entry = {
        "token_sha256": digest, "stamped_at": stamp.at, "record_lines": lines, "record_head": head
    }  # fmt: skip
    record.extend(workspace.output / record.RECORD, [(KIND, entry)])
    return Stamped(path, stamp.at, lines, head)


def check(workspace: ws.Workspace, reading: record.Reading) -> tuple[int, tuple[Finding, ...]]:
    """How many tokens fit the record, and what is wrong with the others."""
    findings: list[Finding] = []
    entered = {str(e.content["token_sha256"]) for e in reading.entries if e.kind == KIND}
    found: set[str] = set()
    fitting = 0
    for path in _files(workspace):
        name = path.relative_to(workspace.output).as_posix()
        content = path.read_bytes()
        digest = hashlib.sha256(content).hexdigest()
        if path.name != f"{digest}.tsr":
            findings.append(_serious(name, "The token is not what was recorded."))
            continue
        found.add(digest)
        stamp = read_token(content)
        place = stamped_lines(reading, stamp) if stamp else None
        if place is None or digest not in entered:
            findings.append(
                _serious(
                    name, "The token stamps a head that the record does not hold, or the record "
                    "does not name it: it was shortened, or written anew.",
                )
            )  # fmt: skip
            continue
        fitting += 1
    findings += [
        _serious(record.RECORD, f"The time-stamp token {digest}.tsr is gone.")
        for digest in sorted(entered - found)
    ]
    return fitting, tuple(findings)


def _files(workspace: ws.Workspace) -> Iterator[Path]:
    folder = workspace.output / anchors.TOKENS
    yield from (p for p in sorted(folder.glob("*.tsr")) if p.is_file())


def _serious(subject: str, text: str) -> Finding:
    return Finding(
        "record", "serious", subject, text,
        advice="Compare with a copy that is known to be good, and find out who had access.",
        code=FindingCode.TIME_STAMP_DOUBTED,
    )  # fmt: skip
