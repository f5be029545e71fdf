"""What a release keeps of the findings that a person can settle, for later months."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reconcile.base.model.account import Finding, Settlement


def as_manifest(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """What a release keeps of the findings that a person can settle."""
    return [
        {
            "id": f.id, "code": f.code, "subject": f.subject,
            "parameters": [list(p) for p in f.parameters], "strata": list(f.strata),
            "text": f.text, "settled": None if f.settled is None else as_plain(f.settled),
        }
        for f in findings
        if f.id
    ]  # fmt: skip


def asking(findings: Sequence[Finding]) -> list[dict[str, str]]:
    """What a release keeps of the findings that ask for a person, for the page over all."""
    return [
        {"severity": f.severity, "subject": f.subject, "text": f.text}
        for f in findings
        if f.severity != "note" and f.settled is None
    ]


def as_plain(settlement: Settlement) -> dict[str, str]:
    """The settlement as JSON values."""
    return {
        "as": settlement.verdict, "by": settlement.by, "reason": settlement.reason,
        "at": settlement.at,
    }  # fmt: skip
