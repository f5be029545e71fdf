"""What the releases of a workspace say of field-only results, stratum by stratum.

Of each stratum the newest release that has evidence of it speaks. Everything is read from the
files of releases that the record holds and that are as they were written.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from scipy import special

from reconcile.base import strata
from reconcile.base.errors import ReconcileError
from reconcile.base.model.further import Further
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import ACCEPTED, Ask, CorrectionFactor, Outcome
from reconcile.base.quantities import display_factor
from reconcile.base.settings.whole import Settings
from reconcile.base.spreadsheet import csv_text
from reconcile.figures.repeatability import repeatability
from reconcile.intake import workspace as ws
from reconcile.judgement import scoring
from reconcile.judgement.decision import LevelTerms, Z
from reconcile.judgement.results import Ground
from reconcile.releases import kept_rows, record, release

#: Columns of pairs.csv, and their names in the pair table.
_PAIRS = {
    "field_mean_mg_kg": "field_mean", "field_se_mg_kg": "field_se", "field_n": "field_n",
    "field_spots": "field_spots",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Grounds:
    """The newest word on every stratum, and the releases that gave it."""

    strata: tuple[Ground, ...]
    releases: tuple[tuple[str, str], ...]  # release id, SHA-256 of its manifest


def of_workspace(workspace: ws.Workspace, reading: record.Reading) -> Grounds:
    """Read them; raises ReconcileError where a release was altered or is not in the record."""
    recorded = {str(e.content["manifest_sha256"]) for e in reading.entries if e.kind == "release"}
    root = workspace.output / "releases"
    # periods that are no months have no order: they speak where no month does
    periods = [p.name for p in root.iterdir() if p.is_dir()] if root.is_dir() else []
    months = sorted(periods, key=lambda name: (ws.is_month(name), name), reverse=True)
    found: dict[str, Ground] = {}
    used: list[tuple[str, str]] = []
    for month in months:
        newest = release.latest(workspace.releases(month))
        if newest is None or all(key in found for key in newest.manifest["strata"]):
            continue
        digest = _checked(newest, recorded)
        for ground in of_release(newest):
            found.setdefault(ground.stratum.key, ground)
        used.append((str(newest.manifest["release_id"]), digest))
    return Grounds(tuple(found[key] for key in sorted(found)), tuple(sorted(used)))


def _checked(newest: release.Earlier, recorded: set[str]) -> str:
    name = newest.manifest["release_id"]
    if altered := release.altered_files(newest):
        raise ReconcileError(
            f"Release {name} was altered after it was made: {', '.join(altered)}.",
            "Restore the files from the copy that was sent out; nothing was written.",
        )
    digest = ws.sha256_of(newest.folder / release.MANIFEST)
    if digest not in recorded:
        raise ReconcileError(
            f"Release {name} is not in the record.",
            "Run its month again: a run that was cut off is completed then.",
        )
    return digest


def of_release(newest: release.Earlier) -> list[Ground]:
    """What one release says of its strata."""
    content = json.loads((newest.folder / "statistics.json").read_text(encoding="utf-8"))
    pairs = pd.read_csv(
        io.BytesIO(kept_rows.pairs_csv(newest.folder, newest.manifest)),
        dtype={"stratum": str, "used": str}, keep_default_na=False,
        na_values={name: [""] for name in _PAIRS}, usecols=["stratum", "used", *_PAIRS],
    )  # fmt: skip
    pairs = pairs.loc[pairs["used"].eq("yes")].rename(columns=_PAIRS)
    doubted = tuple(
        str(score["factor_id"])
        for score in newest.manifest.get("factor_scores", ())
        if score["call"] == scoring.WITHDRAW
    )
    found = []
    for entry in content["strata"]:
        of_it = pairs.loc[pairs["stratum"].eq(csv_text(entry["key"]))]
        found.append(
            ground_of(
                strata.from_plain(entry["stratum"]), str(content["release_id"]),
                str(content["period"]), entry["verdict"],
                entry["difference_scale"] == "log ratio", of_it, _errors(entry), doubted,
            )
        )  # fmt: skip
    return found


def ground_of(
    stratum: Stratum, release_id: str, period: str, verdict: Mapping[str, Any], relative: bool,
    pairs: pd.DataFrame, lab: tuple[float, bool] = (0.0, True), doubted: tuple[str, ...] = (),
) -> Ground:  # fmt: skip
    """The ground that a verdict gives, as plain values; ``pairs``: the used ones.

    ``lab``: lower bound of the laboratory's error variance, and whether it is relative.
    """
    accepted, criteria = verdict["decision"] == ACCEPTED, verdict["criteria"]
    return Ground(
        stratum, release_id, period, verdict["decision"], _number(verdict["range_low"]),
        _number(verdict["range_high"]), verdict["valid_until"],
        _scatter(stratum, criteria, pairs, relative, verdict) if accepted else None,
        _biases(criteria) if accepted else (), doubted, *lab,
    )  # fmt: skip


def _errors(entry: Mapping[str, Any]) -> tuple[float, bool]:
    """The lower bound of the laboratory's error variance by the error model of a stratum."""
    for detail in entry["details"]:
        if detail["name"] == Further.ERROR_MODEL.name and detail["result"] is not None:
            low = detail["result"]["lab"]["low"]
            return (0.0 if low is None else float(low)), detail["result"]["shape"] == _RELATIVE
    return 0.0, True


_RELATIVE = "proportional"  # shape of an error model whose variances are relative


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _facts(criteria: Sequence[Mapping[str, Any]], ask: Ask) -> Mapping[str, Any] | None:
    return next((c["facts"] for c in criteria if c["ask"] == ask), None)


def _scatter(
    stratum: Stratum,
    criteria: Sequence[Mapping[str, Any]],
    pairs: pd.DataFrame,
    relative: bool,
    verdict: Mapping[str, Any],
) -> CorrectionFactor | None:
    """The scatter of all pairs of the evidence as read, as a factor that changes nothing.

    As of a factor, 2/a of the variance between a months is added. The criterion of the spread
    holds 1.96 SD, as a factor less 1 where relative, else over the lower end of the range.
    """
    spread = _facts(criteria, Ask.SPREAD)
    if spread is None or spread["value"] is None or pairs.empty:
        return None
    low, n = float(verdict["range_low"]), int(spread["n"])
    share = float(spread["value"])
    sd = (math.log1p(share) if relative else share * low) / Z
    months = _facts(criteria, Ask.COMING)
    if months is not None and months["months"] and months["spread"] is not None:
        between = float(months["spread"]) * (1.0 if relative else low)
        sd = math.sqrt(sd**2 + 2 * between**2 / int(months["months"]))
    variance, spots = repeatability(pairs, relative)
    return CorrectionFactor(
        "", stratum, "none", 0.0, 1.0, ((0.0, 0.0), (0.0, 0.0)), sd, relative,
        float(pairs["field_mean"].min()), float(pairs["field_mean"].max()), n, "", math.nan,
        math.nan, "", spot_variance=variance, spots=spots,
    )  # fmt: skip


def _biases(criteria: Sequence[Mapping[str, Any]]) -> tuple[tuple[float, float, float], ...]:
    found = []
    for c in criteria:
        if c["ask"] != Ask.LEVEL_BIAS or c["outcome"] != Outcome.SHOWN:
            continue
        f = c["facts"]
        freedom = max(float(f["effective"]) - 2, 1.0)
        times = float(special.stdtrit(freedom, (1 + float(f["confidence"])) / 2))
        half = (float(f["high"]) - float(f["low"])) / 2
        found.append((float(f["at"]), float(f["value"]), half / times))
    return tuple(found)


def levels_of(
    settings: Settings, wanted: set[tuple[str, str]]
) -> dict[tuple[str, str], tuple[LevelTerms, ...]]:
    """The decision levels of each element and matrix with their two rates; mg/kg."""
    t = settings.thresholds
    found = {}
    for element, matrix in sorted(wanted):
        own = settings.of(element, matrix)
        factor = display_factor(own.unit) if own else 1.0
        found[element, matrix] = tuple(
            LevelTerms(
                x.name, x.value / factor, x.acts == "below",
                missed=x.false_negative_rate or t.false_negative_rate,
                false_alarms=x.false_alarm_rate or t.false_alarm_rate,
            )
            for x in (own.levels or () if own else ())
        )  # fmt: skip
    return found
