"""What an acceptance dossier says, read from the files of one release.

What later releases and the record say of the same strata and factors is held against it:
an acceptance that was contradicted since is not handed out unmarked.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.errors import ReconcileError
from reconcile.base.model.release import SignOff
from reconcile.base.model.verdict import (
    ACCEPTED,
    ACCEPTED_CORRECTED,
    INSUFFICIENT,
    LABORATORY_ONLY,
    Ask,
    CorrectionFactor,
    Verdict,
)
from reconcile.base.spreadsheet import csv_text
from reconcile.intake import workspace as ws
from reconcile.intake.settings_listed import NOT_GIVEN
from reconcile.judgement import criterion_words, factor_life, factor_proposal, scoring
from reconcile.judgement.criterion_words import Written
from reconcile.releases import anchors, history, kept_rows, release, sign_off
from reconcile.statistics.equality import equal_with_nan


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Covered:
    """One stratum of the release with its verdict and what shows it."""

    label: str
    key: str
    facts: tuple[str, ...]  # that make the key, in its order; '' where not stated
    unit: str
    per_mg_kg: float
    verdict: Verdict
    n: int
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    factor: CorrectionFactor | None
    levels: tuple[tuple[str, float], ...]  # name, mg/kg
    ratio: bool  # differences judged as ratios
    lab: NDArray[np.float64]  # of the used pairs, mg/kg
    field: NDArray[np.float64]  # as read, or corrected where the verdict asks for it
    score: dict[str, Any] | None  # of the factor that stood before
    criteria: tuple[Written, ...]  # as the release wrote them
    lab_variance: float  # the lab's error that was taken off; NaN where none was

    @property
    def element(self) -> str:
        """Its symbol."""
        return self.facts[0]

    @property
    def field_method(self) -> str:
        """With what the field read."""
        return self.facts[1]

    @property
    def lab_method(self) -> str:
        """How the laboratory determined."""
        return self.facts[2]

    @property
    def accepted(self) -> bool:
        """Whether field results may be used alone, as read or corrected."""
        return self.verdict.decision in (ACCEPTED, ACCEPTED_CORRECTED)

    @property
    def corrected(self) -> bool:
        """Whether ``field`` holds corrected values."""
        return self.verdict.decision == ACCEPTED_CORRECTED


@dataclass(frozen=True, slots=True)
class Since:
    """What was found of one stratum after the release that the dossier is drawn from."""

    label: str
    here: str  # decision of the dossier's release
    now: str  # decision of the later release; '' where only the factor's state changed
    factor_state: str  # withdrawn, superseded or CALLED, of the stratum's factor; '' else
    source: str  # the later release, or what was recorded of the factor
    contradicts: bool  # what the dossier accepts may no longer be done


@dataclass(frozen=True, slots=True)
class Dossier:
    """All that the dossier shows."""

    client: str
    period: str
    manifest: dict[str, Any]
    manifest_sha256: str
    strata: tuple[Covered, ...]
    since: tuple[Since, ...] = ()  # strata that have another verdict, or lost their factor, since
    acts: tuple[SignOff, ...] = ()  # of persons on the release, in the order of the record

    def setting(self, name: str) -> str:
        """A setting as the release kept it; '' where it was not given."""
        value = str(self.manifest["settings"].get(name, ""))
        return "" if value == NOT_GIVEN else value

    @property
    def release_id(self) -> str:
        """The release that it is drawn from."""
        return str(self.manifest["release_id"])


def read(
    folder: Path, period: str, revision: int = 0, client: str = "", elements: tuple[str, ...] = ()
) -> Dossier:
    """The dossier of a release of the workspace in ``folder``; the latest where ``revision`` is 0.

    ``client`` stands in the place of the settings' reader; ``elements`` keeps these only.
    Raises ReconcileError where there is no such release, or a file of it was altered.
    """
    workspace = ws.load_workspace(folder)
    of_period = workspace.releases(ws.check_period(workspace, period))
    found = release.latest(of_period)
    if found is not None and revision and revision != found.revision:
        found = release.of_revision(of_period, revision)
    if found is None:
        raise ReconcileError(
            f"No release of {period}{f', revision {revision}' if revision else ''}.",
            f"'reconcile run {period}' makes one.",
        )
    if altered := release.altered_files(found):
        raise ReconcileError(
            f"Release {found.manifest['release_id']} was altered after it was made: "
            f"{', '.join(altered)}.",
            "Restore the files from the copy that was sent out; no dossier was written.",
        )
    _check_recorded(workspace, found)
    strata = tuple(s for s in _strata(found) if not elements or s.element in elements)
    if elements and not strata:
        raise ReconcileError(
            f"The release has no stratum of {', '.join(elements)}.", "Check the symbols."
        )
    settings = found.manifest["settings"]
    reader = str(settings.get("report.prepared_for", ""))
    return Dossier(
        client or ("" if reader == NOT_GIVEN else reader), period, found.manifest,
        ws.sha256_of(found.folder / release.MANIFEST), strata,
        _found_since(workspace, period, found, strata),
        tuple(
            signed.act
            for signed in sign_off.of_release(
                anchors.whole_record(workspace), str(found.manifest["release_id"])
            )
        ),
    )  # fmt: skip


def _found_since(
    workspace: ws.Workspace, period: str, drawn_from: release.Earlier, strata: tuple[Covered, ...]
) -> tuple[Since, ...]:
    """The strata that later releases judge otherwise, and those whose factor was ended.

    Of the releases after this one, of its own period and of later months, the newest that has
    evidence of a stratum speaks; where none has, the newest that could not judge it.
    """
    later = history.later_releases(workspace.releases(period).parent, period, drawn_from.revision)
    lives = factor_life.of_workspace(workspace)
    found: list[Since] = []
    for s in strata:
        here = s.verdict.decision
        said = [
            (str(summary["verdict"]), str(other.manifest["release_id"]))
            for other in later
            if (summary := other.manifest["strata"].get(s.key)) is not None
        ]
        judged = [(now, name) for now, name in said if now != INSUFFICIENT]
        if said and (newest := (judged or said)[-1])[0] != here:
            now, name = newest
            found.append(Since(s.label, here, now, "", name, _contradicts(here, now)))
        life = lives.get(s.factor.factor_id) if s.corrected and s.factor else None
        if life is not None and life.state in (factor_life.WITHDRAWN, factor_life.SUPERSEDED):
            ended = life.state == factor_life.WITHDRAWN
            found.append(Since(s.label, here, "", life.state, life.reason, ended))
        elif life is not None and (by := _withdrawal_called(s.factor, later)):
            found.append(Since(s.label, here, "", CALLED, by, True))
    return tuple(found)


#: State of a factor that later pairs say to withdraw, where nobody has done so.
CALLED = "called to be withdrawn"


def _withdrawal_called(factor: CorrectionFactor | None, later: Sequence[release.Earlier]) -> str:
    """The newest of the later releases whose pairs say to withdraw the factor; '' where none."""
    calls = [
        (str(score["call"]), str(other.manifest["release_id"]))
        for other in later
        for score in other.manifest.get("factor_scores", ())
        if factor is not None and score["factor_id"] == factor.factor_id
    ]
    return calls[-1][1] if calls and calls[-1][0] == scoring.WITHDRAW else ""


def _contradicts(here: str, now: str) -> bool:
    """Whether a later verdict takes back what the earlier one allowed.

    Too little evidence later takes nothing back; needing a factor takes back use as read.
    """
    if here == ACCEPTED:
        return now in (ACCEPTED_CORRECTED, LABORATORY_ONLY)
    return here == ACCEPTED_CORRECTED and now == LABORATORY_ONLY


def _check_recorded(workspace: ws.Workspace, found: release.Earlier) -> None:
    """A dossier rests on a release that the record holds, and on custody that is there."""
    release_id = str(found.manifest["release_id"])
    if gone := found.manifest.get("custody_gone"):
        raise ReconcileError(
            f"Release {release_id} lacks custody records that an earlier one rests on: "
            f"{', '.join(map(str, gone))}. No dossier was written.",
            "Put them back as they were, and run the month again.",
        )
    digest = ws.sha256_of(found.folder / release.MANIFEST)
    if not any(
        entry.kind == "release" and entry.content.get("manifest_sha256") == digest
        for entry in anchors.whole_record(workspace).entries
    ):
        raise ReconcileError(
            f"Release {release_id} is not in the record. No dossier was written.",
            "Run the month again: a run that was cut off is completed then.",
        )


_FACTS = (
    "element", "field_method", "lab_method", "matrix", "specimen_form", "moisture_basis",
    "pair_type",
)  # fmt: skip


def _strata(found: release.Earlier) -> list[Covered]:
    folder = found.folder
    content = json.loads((folder / "statistics.json").read_text(encoding="utf-8"))
    pairs = pd.read_csv(
        io.BytesIO(kept_rows.pairs_csv(folder, found.manifest)),
        dtype={"stratum": str, "used": str},
        keep_default_na=False, na_values={"lab_mean_mg_kg": [""], "field_mean_mg_kg": [""]},
        usecols=["stratum", "used", "lab_mean_mg_kg", "field_mean_mg_kg"],
    )  # fmt: skip
    pairs = pairs.loc[pairs["used"].eq("yes")]
    by_id = {f.factor_id: f for f in factor_life.load(folder / "factors.json")}
    scores = {s["stratum"]: s for s in found.manifest.get("factor_scores", ())}
    made = []
    for entry in content["strata"]:
        used = pairs.loc[pairs["stratum"].eq(csv_text(entry["key"]))]
        lab, field = (used[f"{side}_mean_mg_kg"].to_numpy("float64") for side in ("lab", "field"))
        verdict = _verdict(entry["verdict"])
        factor = by_id.get(entry["factor_id"] or "")
        if verdict.decision == ACCEPTED_CORRECTED and factor is not None:
            field = factor_proposal.correct(factor, field)[0]
            keep = np.isfinite(field)
            lab, field = lab[keep], field[keep]
        s = entry["stratum"]
        made.append(
            Covered(
                " · ".join(p for p in (s["element"], s["technique"], s["matrix"]) if p),
                entry["key"], tuple(str(s[name]) for name in _FACTS), entry["unit_shown"],
                float(entry["shown_per_mg_kg"]), verdict, len(used),
                tuple(entry["sentences"]), tuple(entry["notes"]), factor,
                tuple((x["name"], float(x["value_mg_kg"])) for x in entry["decision_levels"]),
                entry["difference_scale"] == "log ratio", lab, field, scores.get(entry["key"]),
                tuple(criterion_words.as_released(c) for c in entry["verdict"]["criteria"]),
                _lab_variance(entry["verdict"]["criteria"]),
            )
        )  # fmt: skip
    return _told_apart(made)


def _told_apart(strata: list[Covered]) -> list[Covered]:
    """The strata, each label that several share completed by what they differ in.

    Else 'Cu · XRF · soil' could stand as accepted and as not accepted, for two forms.
    """
    alike: dict[str, list[tuple[str, ...]]] = {}
    for s in strata:
        alike.setdefault(s.label, []).append(s.facts)
    made = []
    for s in strata:
        own = [
            fact or "not stated"
            for fact, *others in zip(s.facts, *alike[s.label], strict=True)
            if len(set(others)) > 1
        ]
        made.append(replace(s, label=f"{s.label} ({', '.join(own)})") if own else s)
    return made


def _lab_variance(criteria: list[dict[str, Any]]) -> float:
    """The lab's error variance that the release's verdict took off; NaN where none was kept."""
    for c in criteria:
        if c.get("ask") == Ask.RANGE and c["facts"].get("lab_variance") is not None:
            return float(c["facts"]["lab_variance"])
    return math.nan


def _verdict(entry: dict[str, Any]) -> Verdict:
    def number(name: str) -> float:
        return math.nan if entry.get(name) is None else float(entry[name])

    return Verdict(
        entry["decision"], entry["reason"], number("range_low"), number("range_high"),
        entry["valid_until"], (), entry["next_step"], number("alpha"),
        int(entry.get("decisions", 0)), int(entry.get("put_back", 0)),
        entry.get("decision_put_back", ""), entry.get("reason_put_back", ""),
    )  # fmt: skip
