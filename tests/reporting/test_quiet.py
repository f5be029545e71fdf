"""Strata in brief: what they say of a verdict is said whole, conditions too."""

from __future__ import annotations

from dataclasses import replace

from reconcile.reporting.document import quiet
from tests.reporting import builder
from tests.reporting.test_blocks import leaves


def test_no_condition_of_a_verdict_is_cut() -> None:
    result = builder.ordinary()
    last = "the factor is not extrapolated and ends with the year"
    reason = f"bias was shown to be within what was agreed, n 41; {'and so on, ' * 60}{last}"
    long = replace(
        result,
        verdict=replace(result.verdict, reason=reason),
        sentences=(f"{'What was found is told at length. ' * 20}This is its end.",),
    )
    story = quiet.strips([long], {long.stratum.key: "stratum-1"}, {}, 480.0)
    said = " ".join(getattr(leaf, "text", "") for leaf in leaves(story))
    assert last in said
    assert "This is its end." in said
