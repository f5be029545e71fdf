"""The sections after the strata, in their order; each is written once for every medium."""

from __future__ import annotations

from collections.abc import Callable

from reconcile.base.model.release import Reconciliation
from reconcile.reporting.document import (
    changes,
    conformity,
    custody,
    inputs,
    laboratories,
    left_out,
    methods,
    quality,
    registers,
    scores,
    selection,
    signing,
)
from reconcile.reporting.document.blocks import Section

SECTIONS: tuple[Callable[[Reconciliation], list[Section]], ...] = (
    scores.section,
    conformity.section,
    quality.section,
    laboratories.section,
    registers.section,
    selection.section,
    custody.section,
    left_out.section,
    changes.section,
    methods.section,
    inputs.section,
    methods.cautions,
    signing.section,
)


def sections(r: Reconciliation) -> list[Section]:
    """Every section of a release."""
    return [section for make in SECTIONS for section in make(r)]
