"""Reasons as data: a code, with what it speaks of; words are put on when it is shown.

Nobody asks the words what they mean: a person's entry, a certificate or an instrument may be
named in any way.
"""

from __future__ import annotations

from enum import StrEnum


class Exclusion(StrEnum):
    """Why a pair is kept out of the statistics (column ``reason_code``; '' where it is used)."""

    LEFT_OUT = "left-out"
    CUSTODY_BROKEN = "custody-broken"
    BATCH_FAILED = "batch-failed"
    OPEN_TO_CONTAMINATION = "open-to-contamination"
    SEVERAL_ROLES = "several-roles"
    LEAD_OVERLAPS_ARSENIC = "lead-overlaps-arsenic"
    SUM_TOO_HIGH = "sum-too-high"
    BOTH_ZERO_UNSTATED = "both-zero-unstated"
    FIELD_ZERO_UNSTATED = "field-zero-unstated"
    LAB_ZERO_UNSTATED = "lab-zero-unstated"
    BOTH_OUTSIDE_LIMITS = "both-outside-limits"
    FIELD_OUTSIDE_LIMITS = "field-outside-limits"
    LAB_OUTSIDE_LIMITS = "lab-outside-limits"
    NEAR_LIMIT = "near-limit"
    REPEATED = "repeated"


#: Pairs that only a limit of a method keeps out: they stay in what keeps limits.
CENSORED = frozenset(
    {Exclusion.BOTH_OUTSIDE_LIMITS, Exclusion.FIELD_OUTSIDE_LIMITS, Exclusion.LAB_OUTSIDE_LIMITS}
)
#: Pairs that rest on a zero of which nobody has said that it was measured: no number to compare.
ZERO_UNSTATED = frozenset(
    {Exclusion.BOTH_ZERO_UNSTATED, Exclusion.FIELD_ZERO_UNSTATED, Exclusion.LAB_ZERO_UNSTATED}
)

_WORDS = {
    Exclusion.LEFT_OUT: "left out by entry: {what}",
    Exclusion.CUSTODY_BROKEN: "custody broken: {what}",
    Exclusion.BATCH_FAILED: "batch failed its control: {what}",
    Exclusion.OPEN_TO_CONTAMINATION: "open to contamination: {what}",
    Exclusion.SEVERAL_ROLES: "base metal and weld in one mean, which is the content of neither",
    Exclusion.LEAD_OVERLAPS_ARSENIC: "lead overlaps arsenic (XRF)",
    Exclusion.SUM_TOO_HIGH: "the sample's mean adds up to more than {what} %",
    Exclusion.BOTH_ZERO_UNSTATED: "zeros whose meaning is not stated in field and lab",
    Exclusion.FIELD_ZERO_UNSTATED: "a zero whose meaning is not stated in the field",
    Exclusion.LAB_ZERO_UNSTATED: "a zero whose meaning is not stated in the lab",
    Exclusion.BOTH_OUTSIDE_LIMITS: "field and lab outside their limits",
    Exclusion.FIELD_OUTSIDE_LIMITS: "field outside its limits",
    Exclusion.LAB_OUTSIDE_LIMITS: "lab outside its limits",
    Exclusion.NEAR_LIMIT: "lab value too near its limit",
    Exclusion.REPEATED: "repeats the pair of another sample, which counts",
}


def in_words(code: str, what: str = "") -> str:
    """The reason for a reader; ``what`` is the entry, control or limit of which it speaks."""
    if not code:
        return ""
    return _WORDS[Exclusion(code)].replace("{what}", what).removesuffix(": ")
