"""Portable energy-dispersive X-ray fluorescence."""

from __future__ import annotations

from reconcile.techniques.technique import Judged, Technique

TECHNIQUE = Technique(
    "XRF",
    (
        "xrf", "pxrf", "hhxrf", "fpxrf", "portable xrf", "handheld xrf", "ed-xrf", "edxrf",
    ),
    frozenset(
        {
            Judged.COUNT_TIME, Judged.MOISTURE, Judged.ERRORS, Judged.AIR, Judged.OVERLAPS,
            Judged.DAILY,
        }
    ),
    # their characteristic lines do not reach the detector of a hand-held instrument in air
    # (common practice, no source)
    cannot_report=frozenset({"H", "He", "Li", "Be", "B", "C", "N", "O", "F", "Ne", "Na"}),
    # magnesium to chlorine: air absorbs most of the line (common practice, no source)
    hard=frozenset({"Mg", "Al", "Si", "P", "S", "Cl"}),
    quality_levels_written_for=True,
)  # fmt: skip
