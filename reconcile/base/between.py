"""The values of a comparison between sites: what the rooms hand to each other."""

from __future__ import annotations

from dataclasses import dataclass

from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.random_effects import Apart, RandomEffects
from reconcile.statistics.suspects import Suspect


@dataclass(frozen=True, slots=True)
class SiteRelease:
    """One site's release that the comparison rests on."""

    site: str
    release_id: str
    manifest_sha256: str


@equal_with_nan
@dataclass(frozen=True, slots=True)
class SiteBias:
    """The bias of one stratum at one site, as ln(field/lab)."""

    site: str
    comparison: str  # element, technique, material and form: what is held against its like
    element: str
    method: str  # the comparison without its element
    instrument: str
    calibration: str
    laboratory: str
    lab_method: str
    pairs: int
    value: float  # ln(field/lab)
    se: float  # of it
    low: float  # ratios field/lab
    high: float
    verdict: str
    apart: Apart | None = None  # against its peers, ln


@dataclass(frozen=True, slots=True)
class Compared:
    """The biases that are of one element, technique, material and form."""

    name: str
    element: str
    method: str
    effect: RandomEffects  # ln(field/lab)
    lines: tuple[SiteBias, ...]


@equal_with_nan
@dataclass(frozen=True, slots=True)
class BetweenSites:
    """One month of a portfolio: all that its report, page, workbook and tables show."""

    title: str
    period: str
    revision: int
    release_id: str
    supersedes: str
    level: float  # of intervals
    rate: float  # of false discoveries
    matters: float  # difference from peers that matters, as a fraction
    code_version: str
    releases: tuple[SiteRelease, ...]
    without: tuple[tuple[str, str], ...]  # sites of the list that do not count, and why
    compared: tuple[Compared, ...]
    suspects: tuple[Suspect, ...]  # instruments, laboratories, sites
    operators: tuple[Suspect, ...] = ()
