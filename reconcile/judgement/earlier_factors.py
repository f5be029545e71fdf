"""What earlier releases and the record say of the factors that a month's pairs score."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, APPROVED, CorrectionFactor
from reconcile.base.strata import by_either_key
from reconcile.intake import workspace as ws
from reconcile.judgement import factor_life
from reconcile.judgement.scoring import Earlier, Past
from reconcile.releases import release


def of_workspace(
    workspace: ws.Workspace, period: str, strata: Iterable[Stratum]
) -> dict[str, Earlier]:
    """The factor of each stratum to be scored, of a month before ``period``.

    The one in force by the record: approved, not withdrawn before the month's end, its dates
    within the month, whatever became of the verdict since. Where none is, the newest factor
    that a release proposed, of strata whose field results it accepted. Empty where the period
    is no month. A release that can't be read, or was altered, is passed over: ``verify`` names
    it. Raises ReconcileError where the record was altered or shortened.
    """
    root = workspace.output / "releases"
    if not ws.is_month(period) or not root.is_dir():
        return {}
    wanted = by_either_key(strata)
    found: dict[str, Earlier] = {}
    past: dict[str, list[Past]] = {}
    months = sorted(p.name for p in root.iterdir() if ws.is_month(p.name) and p.name < period)
    for month in months:
        loaded = _load(root / month)
        if loaded is None:
            continue
        release_id, manifest, of_month = loaded
        for entry in manifest.get("factor_scores", ()):
            past.setdefault(str(entry["stratum"]), []).append(
                Past(
                    month, str(entry["factor_id"]), _number(entry["shift"]),
                    _number(entry["low"]), _number(entry["high"]), str(entry["call"]),
                    entry.get("relative"),
                    _number(entry.get("mean")), _number(entry.get("month_variance")),
                    _number(entry.get("fit_variance")), int(entry.get("n", 0)),
                    _number(entry.get("month_freedom")),
                )
            )  # fmt: skip
        for factor in of_month:
            key = factor.stratum.key
            verdict = manifest.get("strata", {}).get(key, {}).get("verdict", "")
            accepted = verdict in (ACCEPTED, ACCEPTED_CORRECTED)
            # one that the release kept in force is no proposal of it
            proposed = factor.status != APPROVED
            if key in wanted and accepted and proposed and factor.valid_until >= f"{period}-01":
                stratum = wanted[key]
                found[stratum.key] = Earlier(replace(factor, stratum=stratum), release_id, ())
    for life in _in_force(workspace, period):
        if (now := wanted.get(life.factor.stratum.key)) is not None:
            factor = replace(life.factor, stratum=now)
            found[now.key] = Earlier(factor, life.release_id, (), True)
    return {
        key: replace(earlier, history=tuple(past.get(key, ())))
        for key, earlier in sorted(found.items())
    }


def _in_force(workspace: ws.Workspace, period: str) -> tuple[factor_life.Life, ...]:
    """The approved factors of the month that were proposed by an earlier one.

    One withdrawn after the month's end stood in it.
    """
    begins, ends = ws.period_bounds(period, workspace.settings.workspace.time_zone)
    first, last = begins.date().isoformat(), (ends - timedelta(days=1)).date().isoformat()
    lives = [
        replace(life, factor=replace(life.factor, status=APPROVED))
        if life.state == factor_life.WITHDRAWN and life.at[:10] > last
        else life
        for life in factor_life.of_workspace(workspace).values()
        if ws.is_month(life.period) and life.period < period
    ]
    return factor_life.in_force(lives, first, last)


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _load(folder: Path) -> tuple[str, dict[str, Any], tuple[CorrectionFactor, ...]] | None:
    from reconcile.base.errors import ReconcileError

    try:
        latest = release.latest(folder)
        if latest is None or release.altered_files(latest):
            return None
        manifest = json.loads((latest.folder / release.MANIFEST).read_text(encoding="utf-8"))
        return (
            str(manifest["release_id"]), manifest, factor_life.load(latest.folder / "factors.json")
        )  # fmt: skip
    except (ReconcileError, OSError, ValueError, KeyError, TypeError):
        return None


def mark(earlier: Mapping[str, Earlier]) -> tuple[str, ...]:
    """What the scores rest on beside the period's own inputs, for its fingerprint."""
    return tuple(
        json.dumps(
            [
                key, e.release_id, e.in_force, factor_life.as_plain(e.factor),
                [[p.period, p.factor_id, p.call, repr(p.shift)] for p in e.history],
            ],
            sort_keys=True, ensure_ascii=False,
        )
        for key, e in sorted(earlier.items())
    )  # fmt: skip
