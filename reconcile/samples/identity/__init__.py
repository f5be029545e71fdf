"""One identity per sample: spellings, aliases, near misses, check characters.

Nothing here joins what only looks alike: a near miss is a suggestion for a person.
"""

from reconcile.samples.identity.check import (
    check_character,
    check_digits,
    check_findings,
    has_valid_check,
    valid_checks,
)
from reconcile.samples.identity.near import look_alike_forms, near_misses
from reconcile.samples.identity.resolve import alias_findings, resolve
from reconcile.samples.identity.text import comparison_form, normalise_id

__all__ = [
    "alias_findings",
    "check_character",
    "check_digits",
    "check_findings",
    "comparison_form",
    "has_valid_check",
    "look_alike_forms",
    "near_misses",
    "normalise_id",
    "resolve",
    "valid_checks",
]
