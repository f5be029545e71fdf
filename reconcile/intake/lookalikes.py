"""Columns that could change what a number means and that nothing explains: they are asked about.

A heading is known by its words; which are words of the trade or plain ones (common practice,
no source).
"""

from __future__ import annotations

from reconcile.intake.vocabulary import word_set

_KINDS: tuple[tuple[str, frozenset[str]], ...] = (
    ("a status", word_set(
        """status valid validity validated accepted accept acceptance rejected reject rejection
        approved approval pass passed fail failed usable quality qc qa qaqc outlier suspect
        exclude excluded omit omitted void voided discard discarded disposition"""
    )),
    ("a flag", word_set("flag flags flagged warning warnings alarm fault mark marker code codes")),
    ("a location", word_set(
        """location position spot point place zone weld haz region face side layer depth distance
        orientation segment quadrant area station"""
    )),
    ("an operator", word_set(
        """operator analyst technician inspector user initials crew shift tester logger sampler"""
    )),
    ("a batch", word_set(
        "batch lot run tray rack worksheet sequence series campaign job group heat cast"
    )),
    ("a dilution", word_set(
        "dilution diluted dilute aliquot multiplier factor df correction corrected scaling"
    )),
    ("an average", word_set(
        "average averages averaged avg mean replicate replicates repeat repeats statistic "
        "statistics"
    )),
    ("a kind of row", word_set("type kind class category mode")),
    ("a method or calibration", word_set("method methods calibration application programme")),
    ("a condition of the reading", word_set(
        "temperature pressure firmware filter beam collimator gas humidity"
    )),
)  # fmt: skip


def kind_of(heading: str) -> str:
    """What a heading (lower-case words) looks like: 'a status', 'an operator' …; '' for none."""
    said = set(heading.split())
    return next((kind for kind, known in _KINDS if said & known), "")


def question(heading: str) -> str:
    """What a heading (lower-case words) looks like, as a question; '' for all others."""
    kind = kind_of(heading)
    if not kind:
        return ""
    return (
        f"looks like {kind}, and nothing says what it does to the results: name its "
        "meaning in 'columns', or \"ignore\""
    )
