"""What a place of a metal part is: words of the trade (common practice, no source)."""

from __future__ import annotations

BASE_METAL, HEAT_AFFECTED, WELD_METAL, OTHER_ROLE = (
    "base metal", "heat-affected zone", "weld metal", "other",
)  # fmt: skip


def form_of(form: str, role: str) -> str:
    """The specimen form of pairs at places of one role, as ``store/sql/pair_facts.sql`` has it."""
    return ", ".join(part for part in (form, role) if part)
