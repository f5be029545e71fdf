"""What earlier periods' releases said: the past of each stratum, from their manifests alone."""

from __future__ import annotations

import hashlib
import json
import math
import re
from pathlib import Path
from typing import Any

from reconcile.base.model.release import Change, EarlierResult
from reconcile.releases import release

_MONTH = re.compile(r"\d{4}-\d{2}")


def earlier_results(releases: Path, period: str) -> tuple[EarlierResult, ...]:
    """The strata of the latest release of each month before ``period``, oldest first.

    ``releases`` holds one folder per period. Periods that are no months have no order and
    therefore no past. Raises ReconcileError where a manifest can't be read.
    """
    if not (_MONTH.fullmatch(period) and releases.is_dir()):
        return ()
    months = sorted(p.name for p in releases.iterdir() if _MONTH.fullmatch(p.name))
    found: list[EarlierResult] = []
    for month in months:
        if month >= period or (earlier := release.latest(releases / month)) is None:
            continue
        found += [
            EarlierResult(
                period=month,
                release_id=str(earlier.manifest["release_id"]),
                stratum=key,
                used=int(summary["used"]),
                ratio=_number(summary.get("ratio")),
                low=_number(summary.get("ratio_low")),
                high=_number(summary.get("ratio_high")),
                verdict=str(summary["verdict"]),
                wrong_at_most=_number(summary.get("wrong_at_most")),
            )
            for key, summary in earlier.manifest["strata"].items()
        ]
    return tuple(found)


def later_releases(releases: Path, period: str, revision: int) -> tuple[release.Earlier, ...]:
    """The newest later revision of the period, then the latest of each month after it, in order.

    Raises ReconcileError where a manifest can't be read.
    """
    months = []
    if _MONTH.fullmatch(period) and releases.is_dir():
        names = (p.name for p in releases.iterdir() if _MONTH.fullmatch(p.name))
        months = sorted(name for name in names if name > period)
    found = [release.latest(releases / name) for name in (period, *months)]
    return tuple(
        r
        for name, r in zip((period, *months), found, strict=True)
        if r is not None and (name != period or r.revision > revision)
    )


def releases_of(history: tuple[EarlierResult, ...]) -> dict[str, str]:
    """Period -> release id of what was taken."""
    return {h.period: h.release_id for h in history}


def bound(mark: str, history: tuple[EarlierResult, ...]) -> str:
    """A fingerprint that also stands for the earlier releases; ``mark`` where there are none."""
    if not history:
        return mark
    content = json.dumps([mark, sorted(releases_of(history).items())])
    return hashlib.sha256(content.encode()).hexdigest()


def changes(
    before: dict[str, Any] | None, history: tuple[EarlierResult, ...]
) -> tuple[Change, ...]:
    """Earlier periods that were issued again since the manifest ``before``."""
    if before is None:
        return ()
    was, now = dict(before.get("earlier_releases", {})), releases_of(history)
    return tuple(
        Change(f"release of {period}", was.get(period, "not there"), now.get(period, "not there"))
        for period in sorted({*was, *now})
        if was.get(period) != now.get(period)
    )


def _number(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else math.nan
