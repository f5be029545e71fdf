"""A sheet's samples as GeoJSON (RFC 7946): positions in WGS 84 alone, none that is made up."""

from __future__ import annotations

import json
import math
from typing import Any

from reconcile.judgement.results import Result
from reconcile.judgement.sheet_content import ResultSheet
from reconcile.judgement.sheet_counts import by_sample
from reconcile.judgement.sheet_positions import Position
from reconcile.reporting import words

NAME = "result_sheet.geojson"
_DECIMALS = 7  # of a degree: about a centimetre


def geojson(sheet: ResultSheet) -> bytes:
    """One feature for each sample that states a position; equal values give equal bytes.

    Where its coordinates are not longitude and latitude in WGS 84 the feature has no geometry
    (RFC 7946, section 3.2) and holds them as they were given among its properties.
    """
    calls = by_sample(sheet.results)
    of_sample: dict[str, list[Result]] = {}
    for r in sheet.results:
        of_sample.setdefault(r.mean.sample_id, []).append(r)
    content = {
        "type": "FeatureCollection",
        "sheet": sheet.name,
        "note": words.SHEET_GEOJSON_NOTE,
        "features": [
            {
                "type": "Feature",
                "id": p.sample_id,
                "geometry": _geometry(p),
                "properties": {
                    "sample_id": p.sample_id,
                    "lot": of_sample[p.sample_id][0].mean.lot,
                    "comes_to": words.SAMPLE_CALLS[calls[p.sample_id]],
                    "coordinate_system": p.system,
                    **_given(p),
                    "results": [_result(r) for r in of_sample[p.sample_id]],
                },
            }
            for p in sheet.positions
            if p.sample_id in of_sample
        ],
    }
    return (json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()


def _geometry(p: Position) -> dict[str, Any] | None:
    if not p.is_wgs84:
        return None
    return {"type": "Point", "coordinates": [round(p.x, _DECIMALS), round(p.y, _DECIMALS)]}


def _given(p: Position) -> dict[str, Any]:
    names = ("longitude", "latitude") if p.geographic else ("easting", "northing")
    unit = {} if p.geographic else {"coordinate_unit": p.unit}
    return {names[0]: p.x, names[1]: p.y, **unit}


def _result(r: Result) -> dict[str, Any]:
    return {
        "element": r.mean.element,
        "value_mg_kg": _number(r.value),
        "expanded_uncertainty_mg_kg": _number(r.expanded),
        "levels": [
            {
                "level": at.name,
                "level_mg_kg": _number(at.level),
                "call": words.CALL_WORDS[at.call],
            }
            for at in r.levels
        ],
    }


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
