"""A finding as its reader sees it: what was found, what a person settled, what to do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from reconcile.base.model.account import Finding
from reconcile.reporting import words

if TYPE_CHECKING:
    from reconcile.base.model.release import Reconciliation


def settled(finding: Finding) -> str:
    """Who settled it as what, when and why; '' where nobody did."""
    s = finding.settled
    if s is None:
        return ""
    return words.SETTLED.format(verdict=s.verdict, by=s.by, at=s.at, reason=s.reason.rstrip("."))


def told(finding: Finding) -> str:
    """What was found, with its evidence and what was settled."""
    parts = (finding.text, settled(finding), finding.evidence)
    return " ".join(part for part in parts if part)


def subject(finding: Finding, labels: Mapping[str, str] | None = None) -> str:
    """What it speaks of, and the id by which a person can settle it.

    ``labels``: names of strata by their keys, which no reader should have to take apart.
    """
    shown = (labels or {}).get(finding.subject, finding.subject)
    return f"{shown} ({finding.id})" if finding.id else shown


def labels_of(r: Reconciliation) -> dict[str, str]:
    """The name of each stratum by its key."""
    return {x.stratum.key: x.stratum.label for x in r.results}


def of_verdict(fault: Finding | None) -> str:
    """What a verdict's criterion of suspected faults found."""
    if fault is None:
        return words.FAULT_NONE
    said = settled(fault) or (fault.text if fault.blocks else words.FAULT_TOLD)
    if fault.blocks and fault.settled is not None:
        said = f"{fault.text} {said}"
    return said.rstrip(".")
