"""Where the samples of a sheet were taken, as their rows state it; nothing is reprojected."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from reconcile.base.settings.workspace import WorkspaceSettings
from reconcile.statistics.equality import equal_with_nan

WGS84 = "WGS 84"
#: Spellings of the one system in which GeoJSON may give positions (RFC 7946, section 4).
_SPELLINGS = frozenset({"wgs84", "wgs1984", "epsg4326", "crs84", "ogccrs84", "gps", "4326"})


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Position:
    """Where one sample was taken, in the system that its row or the settings name."""

    sample_id: str
    x: float  # longitude or easting
    y: float  # latitude or northing
    system: str  # as given; WGS84 where its spelling means that, "" where nobody said
    geographic: bool  # degrees of longitude and latitude
    unit: str  # of easting and northing; "°" where geographic
    taken: bool = False  # the system is taken for granted: nobody stated one

    @property
    def is_wgs84(self) -> bool:
        """Whether these are longitude and latitude that GeoJSON may give."""
        return self.geographic and self.system == WGS84


def positions_of(
    rows: Iterable[Mapping[Any, Any]], settings: WorkspaceSettings
) -> tuple[tuple[Position, ...], int]:
    """One position for each sample that states one, and how many rows can't be read.

    ``rows``: sample_id, longitude, latitude, easting, northing, coordinate_system; of each
    sample the first that can be read stands. Longitude and latitude without a stated system are
    taken as WGS 84, which is what satellite receivers give; easting and northing are never.
    """
    found: dict[str, Position] = {}
    refused = 0
    for row in rows:
        sample = str(row["sample_id"])
        if sample in found:
            continue
        made = _position(sample, row, settings)
        if made is None:
            refused += any(row[name] for name in ("longitude", "latitude", "easting", "northing"))
        else:
            found[sample] = made
    return tuple(found[sample] for sample in sorted(found)), refused


def _position(sample: str, row: Mapping[Any, Any], settings: WorkspaceSettings) -> Position | None:
    named = str(row["coordinate_system"] or settings.coordinate_system)
    system = WGS84 if re.sub(r"[^a-z0-9]", "", named.casefold()) in _SPELLINGS else named
    lon, lat = _number(row["longitude"]), _number(row["latitude"])
    if abs(lon) <= 180 and abs(lat) <= 90:
        return Position(sample, lon, lat, system or WGS84, True, "°", not system)
    east, north = _number(row["easting"]), _number(row["northing"])
    if math.isfinite(east) and math.isfinite(north):
        return Position(sample, east, north, system, False, settings.coordinate_unit)
    return None


def _number(text: object) -> float:
    try:
        value = float(str(text).strip().replace(",", "."))
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan
