"""A third technique, kept as an exercise: field gamma-ray spectrometry of potassium, U and Th.

It sees these three alone, uranium and thorium by their daughters ('equivalent', eU and eTh: IAEA
TECDOC-1363, 2003, section 2, from memory); moisture and counting time matter.
"""

from __future__ import annotations

from reconcile.base.quantities import ELEMENTS
from reconcile.techniques.technique import Judged, Technique

TECHNIQUE = Technique(
    "gamma-ray",
    ("gamma", "gamma ray", "gamma-ray", "gamma-ray spectrometry", "radiometric"),
    frozenset({Judged.COUNT_TIME, Judged.MOISTURE}),
    cannot_report=frozenset(ELEMENTS) - {"K", "U", "Th"},
    also_called={"eU": "U", "eTh": "Th"},
)
