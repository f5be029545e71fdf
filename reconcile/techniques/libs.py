"""Laser-induced breakdown spectroscopy: single shots that make a spot, spots that make a sample."""

from __future__ import annotations

from reconcile.techniques.technique import Judged, Technique

TECHNIQUE = Technique(
    "LIBS",
    ("libs", "handheld libs", "hhlibs"),
    frozenset({Judged.SHOTS}),
    told_when_missing=(("spot_class", "spot class"), ("shot_no", "shot number")),
    sums_close=False,  # predictions of single elements from one shot are not closed to 100 %
)
