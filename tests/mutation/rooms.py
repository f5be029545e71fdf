"""Which modules are broken on purpose, and which tests are to notice."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Room:
    """Modules and the files of tests that are their own, as patterns below the repository."""

    modules: tuple[str, ...]
    tests: tuple[str, ...]

    def sources(self) -> list[Path]:
        """Its modules, sorted."""
        return _found(self.modules)

    def test_files(self) -> list[Path]:
        """Its files of tests, sorted."""
        return _found(self.tests)


def _found(patterns: tuple[str, ...]) -> list[Path]:
    return sorted({path for pattern in patterns for path in ROOT.glob(pattern)})


ROOMS = {
    "pairs": Room(
        ("reconcile/pairs/*.py",),
        (
            "tests/test_pairing.py", "tests/test_pairs_*.py", "tests/test_averaging.py",
            "tests/test_repeats.py", "tests/test_pooling.py", "tests/test_zeros.py",
            "tests/test_sums.py", "tests/test_month.py", "tests/test_certificates.py",
            "tests/test_laboratories.py", "tests/test_without_result.py",
            "tests/test_late_results.py", "tests/test_contradictions.py",
        ),
    ),
    "figures": Room(
        ("reconcile/figures/*.py",),
        (
            "tests/test_evaluation.py", "tests/test_figures_*.py", "tests/test_further.py",
            "tests/test_partial.py", "tests/test_selection.py", "tests/test_operators.py",
            "tests/test_laboratories.py", "tests/test_bias_moved.py",
            "tests/reporting/test_registry.py", "tests/reporting/test_further.py",
            "tests/test_verdicts.py",
        ),
    ),
    "judgement": Room(
        ("reconcile/judgement/*.py",),
        (
            "tests/test_decision.py", "tests/test_judgement_*.py", "tests/test_verdicts.py",
            "tests/test_many_verdicts.py", "tests/test_needs.py", "tests/test_part*.py",
            "tests/test_conformity.py", "tests/test_correction.py", "tests/test_factors*.py",
            "tests/test_scoring.py", "tests/test_sheet*.py", "tests/test_results.py",
            "tests/test_sensitivity.py", "tests/test_dossier.py", "tests/test_coming_months.py",
            "tests/test_reasons.py", "tests/test_zeros.py", "tests/test_applying.py",
            "tests/published/test_decision*.py",
        ),
    ),
    "evidence": Room(
        ("reconcile/evidence/**/*.py",),
        (
            "tests/test_evidence*.py", "tests/test_quality*.py", "tests/test_custody*.py",
            "tests/test_certificate_texts.py", "tests/test_diagnosis*.py",
            "tests/test_limits_of_controls.py", "tests/test_inspection.py",
            "tests/test_registers.py", "tests/published/test_control_*.py",
        ),
    ),
    "cells": Room(
        (
            "reconcile/intake/cells.py", "reconcile/intake/result_cells.py",
            "reconcile/intake/result_parts.py", "reconcile/intake/result_units.py",
            "reconcile/intake/decimal_marks.py", "reconcile/intake/averages.py",
            "reconcile/intake/moisture.py", "reconcile/intake/fitting.py",
        ),
        (
            "tests/intake/test_cells*.py", "tests/intake/test_plain.py",
            "tests/intake/test_read.py", "tests/intake/test_cuts.py",
            "tests/intake/test_fitting.py", "tests/intake/test_injured_cells.py",
            "tests/intake/test_both_sides.py", "tests/intake/test_deliverables.py",
            "tests/intake/test_averages.py", "tests/intake/test_headings.py",
            "tests/intake/test_folding.py", "tests/intake/test_hostile.py",
            "tests/intake/test_round_trip.py", "tests/intake/test_counts.py",
        ),
    ),
}  # fmt: skip
