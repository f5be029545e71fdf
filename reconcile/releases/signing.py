"""Signatures (Ed25519) by a person's own key: over the record's head, or over one act.

The private key stays with its person, in a PEM file; the register of people holds the
public one. A signature over the head also lies beside the record, detached: a record that
was shortened, or written anew, no longer has the head that somebody signed. Whoever lacks
the key can't make another.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.writing import write_whole
from reconcile.intake import workspace as ws
from reconcile.releases import anchors, persons, record

KIND = "signature"
Key = Ed25519PrivateKey
#: Asks the person for the key file's pass phrase.
Ask = Callable[[], str]


def _refuse() -> str:
    raise ReconcileError(
        "The key is kept with a pass phrase.", "Start the command at a terminal, which asks for it."
    )


# ---- keys -----------------------------------------------------------------------------


def load_key(path: Path, ask: Ask = _refuse) -> Ed25519PrivateKey:
    """The private key of a PEM file; raises ReconcileError where it holds none."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ReconcileError(
            f"The key {path} can't be read: {error.strerror or error}.", "Name your PEM file."
        ) from error
    try:
        key = serialization.load_pem_private_key(content, None)
    except TypeError:  # it is kept with a pass phrase
        try:
            key = serialization.load_pem_private_key(content, ask().encode())
        except (ValueError, TypeError) as error:
            raise ReconcileError(f"The pass phrase does not open {path}.", "Try again.") from error
    except ValueError as error:
        raise ReconcileError(
            f"{path} is no private key in PEM.", "'reconcile key FILE' makes one."
        ) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise ReconcileError(f"{path} is no Ed25519 key.", "'reconcile key FILE' makes one.")
    return key


def new_key(path: Path, phrase: str = "") -> Ed25519PrivateKey:
    """Make a key in a new PEM file that only its owner can read."""
    key = Ed25519PrivateKey.generate()
    how: serialization.KeySerializationEncryption = serialization.NoEncryption()
    if phrase:
        how = serialization.BestAvailableEncryption(phrase.encode())
    content = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, how)
    if path.exists():
        raise ReconcileError(f"{path} exists already.", "A key is never overwritten.")
    write_whole(path, content, new=True, private=True)
    return key


def public_text(key: Ed25519PrivateKey) -> str:
    """The public key as the register holds it: its 32 bytes in base64."""
    return base64.b64encode(key.public_key().public_bytes_raw()).decode()


# ---- signing --------------------------------------------------------------------------


def _message(content: Mapping[str, Any]) -> bytes:
    """What is signed: all but the signature itself, in one form."""
    body = {key: value for key, value in content.items() if key != "signature"}
    return json.dumps(body, sort_keys=True, ensure_ascii=True, separators=(",", ":")).encode()


def signed(
    content: Mapping[str, Any], acting: persons.Acting, key: Ed25519PrivateKey | None, head: str
) -> dict[str, Any]:
    """An act for the record, signed where its person has a key.

    ``head`` is the record's head before the act, which the signature covers too. Raises
    ReconcileError where the register gives the person a key, and another or none is used.
    """
    if key is None:
        if acting.public_key:
            raise ReconcileError(
                f"The register of people gives {acting.by} a key: acts in this name are signed.",
                "Add --key with the PEM file of that key.",
            )
        return dict(content)
    public = public_text(key)
    if acting.public_key and acting.public_key != public:
        raise ReconcileError(
            f"The key is not the one that the register of people gives {acting.by}.",
            f"Use that person's own key; this one is {public}.",
        )
    whole = {**content, "signed_after": head, "public_key": public}
    return {**whole, "signature": base64.b64encode(key.sign(_message(whole))).decode()}


def is_genuine(content: Mapping[str, Any]) -> bool:
    """Whether the signature of a content is of its own public key."""
    try:
        public = Ed25519PublicKey.from_public_bytes(
            base64.b64decode(str(content["public_key"]), validate=True)
        )
        public.verify(base64.b64decode(str(content["signature"]), validate=True), _message(content))
    except (KeyError, ValueError, InvalidSignature):
        return False
    return True


@dataclass(frozen=True, slots=True)
class SignedHead:
    """A signature over the head of the record."""

    path: Path
    by: str
    at: str
    lines: int
    head: str


def sign(folder: Path, key_file: Path, by: str, at: str, ask: Ask = _refuse) -> SignedHead:
    """Sign the head of the record; the signature is kept beside it, and entered in it.

    Raises ReconcileError where the record can't be relied on, the name or the time is
    refused, or the key is not the person's.
    """
    workspace = ws.load_workspace(folder)
    key = load_key(key_file, ask)
    reading = anchors.whole_record(workspace)
    if not reading.entries:
        raise ReconcileError("The record holds nothing yet.", "Run a month first.")
    acting = persons.acting(workspace, by, at, "sign")
    lines, head = len(reading.entries), reading.head
    content = {"record_lines": lines, "record_head": head} | acting.as_content()
    whole = signed(content, acting, key, head)
    record.extend(workspace.output / record.RECORD, [(KIND, whole)])
    for entry in record.read(workspace.output / record.RECORD).entries:
        if entry.kind == KIND:  # also one whose file a crash left out
            path = _write_file(workspace, entry.content)
    return SignedHead(path, acting.by, acting.at, lines, head)


def _write_file(workspace: ws.Workspace, content: Mapping[str, Any]) -> Path:
    mark = hashlib.sha256(str(content["signature"]).encode()).hexdigest()[:8]
    name = f"{content['record_lines']:06d}-{str(content['record_head'])[:12]}-{mark}.json"
    return anchors.save_new(workspace.output / anchors.SIGNATURES, name, _as_file(content))


def _as_file(content: Mapping[str, Any]) -> bytes:
    text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=True)
    return f"{text}\n".encode()


# ---- checking -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found of all signatures, and what the decisions rest on."""

    heads: int  # signatures over the head that are genuine and of a registered key
    acts: int  # decisions of persons in the record
    acts_signed: int  # of these, signed with a key that the register gives their person
    findings: tuple[Finding, ...]


def check(workspace: ws.Workspace, reading: record.Reading) -> Checked:
    """Check every signature, offline, against the public keys of the register of people."""
    findings: list[Finding] = []
    try:
        register = persons.register_of(workspace)
    except ReconcileError as error:
        register = persons.Register(workspace.settings.people.file, False)
        findings.append(
            Finding(
                "record",
                "warning",
                register.path,
                error.message,
                advice=error.advice,
                code=FindingCode.PEOPLE_UNREADABLE,
            )
        )
    heads = 0
    entered = {str(e.content["signature"]): e.content for e in reading.entries if e.kind == KIND}
    found = set()
    for path, content in _files(workspace):
        name = path.relative_to(workspace.output).as_posix()
        if content is None or not is_genuine(content):
            findings.append(_serious(name, "The signature is not genuine: its file was altered."))
            continue
        found.add(str(content["signature"]))
        told = _whose(register, content, name)
        findings += told
        heads += not told
        if str(content["signature"]) not in entered:
            findings.append(
                _serious(
                    name, f"{content['by']} signed the record's head at {content['at']}, and the "
                    "record does not hold that: it was shortened, or the signature was cut off.",
                )
            )  # fmt: skip
    findings += [
        _serious(
            anchors.SIGNATURES, f"The signature of {content['by']}, made at {content['at']}, is "
            "gone; the next 'reconcile sign' writes it again.",
        )
        for signature, content in sorted(entered.items())
        if signature not in found
    ]  # fmt: skip
    acts = acts_signed = 0
    seen: set[str] = set()
    signers: set[str] = set()  # persons who had a key by then: all their later acts are signed
    for entry in reading.entries:
        content = entry.content
        if "at" not in content or "by" not in content:
            continue
        name = f"{record.RECORD}, line {entry.number}"
        if "signature" in content:
            signers.add(str(content["by"]))
        elif str(content["by"]) in signers:
            findings.append(
                _serious(name, f"{content['by']} signs with a key, and this act is not signed.")
            )
        if entry.kind == KIND:
            continue
        acts += 1
        if "signature" not in content:
            continue
        before = reading.lines_up_to(str(content.get("signed_after", "")))
        twice = str(content["signature"]) in seen
        seen.add(str(content["signature"]))
        if not is_genuine(content) or before is None or before >= entry.number or twice:
            findings.append(_serious(name, f"The signature of {content['by']} is not genuine."))
            continue
        told = _whose(register, content, name)
        findings += told
        acts_signed += not told
    return Checked(heads, acts, acts_signed, tuple(findings))


def _files(workspace: ws.Workspace) -> Iterator[tuple[Path, dict[str, Any] | None]]:
    for path in sorted((workspace.output / anchors.SIGNATURES).glob("*.json")):
        try:
            raw = path.read_bytes()
            content = json.loads(raw)
            whole = isinstance(content, dict) and _as_file(content) == raw
        except (OSError, ValueError):
            whole = False
        yield path, content if whole else None


def _whose(
    register: persons.Register, content: Mapping[str, Any], name: str
) -> tuple[Finding, ...]:
    """What speaks against a genuine signature being of the person that it names."""
    by, public = str(content.get("by", "")), str(content.get("public_key", ""))
    person = register.of_id(str(content.get("person", ""))) or register.find(by)
    if person is not None and person.public_key == public:
        return ()
    if person is not None and person.public_key:
        return (_serious(name, f"It is signed with another key than the register gives {by}."),)
    return (
        Finding(
            "record", "warning", name,
            f"It is signed in the name of {by}, with a key that the register of people "
            f"({register.path}) does not hold: anybody can have made it.",
            advice=f"Ask {by} for the public key, and enter it: {public}",
            code=FindingCode.KEY_NOT_REGISTERED,
        ),
    )  # fmt: skip


def _serious(subject: str, text: str) -> Finding:
    return Finding(
        "record", "serious", subject, text,
        advice="Compare with a copy that is known to be good, and find out who had access.",
        code=FindingCode.SIGNATURE_DOUBTED,
    )  # fmt: skip
