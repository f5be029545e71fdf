"""What failed controls mean for the results beside them."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.controls import QualityCheck

#: A blank spoils results below this multiple of what it carries: a tenth of the result
#: (common practice, no source).
SPOILED_UNTIL = 10.0


def failed_batches(checks: Iterable[QualityCheck]) -> pd.DataFrame:
    """Batches whose reference material or check standard failed: their pairs are kept out.

    Columns side, batch, method, element, reason; one row per batch, method and element.
    Blanks and duplicates are not among them: a blank spoils only low results (see
    ``contaminated_below``), and duplicates speak of a method, not of a batch.
    """
    reasons: dict[tuple[str, str, str, str], list[str]] = {}
    for check in checks:
        if check.passed is False and check.kind in ("reference material", "check standard"):
            key = (check.side, check.batch, check.method, check.element)
            reasons.setdefault(key, []).append(f"{check.kind} {check.code}")
    rows = [(*key, ", ".join(sorted(set(codes)))) for key, codes in sorted(reasons.items())]
    columns = ["side", "batch", "method", "element", "reason"]
    return pd.DataFrame(rows, columns=columns).astype("str")


def contaminated_below(checks: Iterable[QualityCheck]) -> pd.DataFrame:
    """Where a blank failed: results below ``below_mg_kg`` (ten times the blank) are open to it.

    Columns side, batch, method, element, below_mg_kg, reason.
    """
    worst: dict[tuple[str, str, str, str], tuple[float, str]] = {}
    for check in checks:
        if check.passed is False and check.kind == "blank":
            key = (check.side, check.batch, check.method, check.element)
            edge = SPOILED_UNTIL * check.found if check.found == check.found else float("inf")
            if key not in worst or edge > worst[key][0]:
                worst[key] = (edge, f"blank {check.code}")
    rows = [(*key, edge, reason) for key, (edge, reason) in sorted(worst.items())]
    return pd.DataFrame(
        rows, columns=["side", "batch", "method", "element", "below_mg_kg", "reason"]
    )


def findings(checks: Iterable[QualityCheck]) -> tuple[Finding, ...]:
    """One finding per failed control, with what it means and what to do; severest first."""
    made = [_finding(check) for check in checks if check.passed is False]
    rank = {"serious": 0, "warning": 1, "note": 2}
    return tuple(sorted(made, key=lambda f: (rank[f.severity], f.subject, f.text)))


def _finding(check: QualityCheck) -> Finding:
    if check.kind == "blank":
        severity = "warning"
        advice = (
            f"Results below {SPOILED_UNTIL:g} times the blank are open to contamination; look at "
            "the sample before the blank and ask for a repeat of low results."
        )
    elif check.kind == "duplicate":
        severity = "warning"
        advice = "Look for the stage that scatters: splitting, preparation or measurement."
    else:
        severity = "serious"
        advice = (
            "Results of this batch are kept out of the statistics; ask the laboratory to repeat it."
            if check.side == "lab"
            else "Readings of that day are kept out; check instrument, window and calibration, "
            "and repeat them."
        )
    return Finding(
        area="quality",
        severity=severity,
        subject=f"{check.side} {check.batch}".strip(),
        text=f"{check.kind.capitalize()} {check.code}, {check.element}, {check.method}: failed.",
        evidence=check.told,
        advice=advice,
        code=FindingCode.CONTROL_FAILED,
    )
