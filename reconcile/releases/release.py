"""Releases: immutable folders with a manifest, one revision after the other.

A release is written beside its place and moved there whole, so that a crash leaves
either the whole release or none.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reconcile.base import provenance
from reconcile.base.errors import ReconcileError
from reconcile.base.model.release import Change, InputFile, Reconciliation, StratumResult
from reconcile.base.writing import sync_files, sync_folder
from reconcile.intake.workspace import sha256_of
from reconcile.releases import in_brief

MANIFEST = "manifest.json"
_REVISION = re.compile(r"r([1-9][0-9]{0,8})")


@dataclass(frozen=True, slots=True)
class Earlier:
    """The latest release of a period."""

    folder: Path
    manifest: dict[str, Any]

    @property
    def revision(self) -> int:
        """Its number."""
        return int(self.manifest["revision"])


def latest(folder: Path) -> Earlier | None:
    """The release with the highest revision in a period's folder, or None.

    Raises ReconcileError where its manifest can't be read.
    """
    if not folder.is_dir():
        return None
    numbers = [n for p in folder.iterdir() if (n := revision_of(p)) is not None]
    if not numbers:
        return None
    return of_revision(folder, max(numbers))


def revision_of(path: Path) -> int | None:
    """The revision that a folder of a period holds by its name; None for anything else."""
    found = _REVISION.fullmatch(path.name)
    return int(found[1]) if found and path.is_dir() and not path.is_symlink() else None


def of_revision(folder: Path, revision: int) -> Earlier | None:
    """One revision of a period's folder, or None; raises as ``latest``."""
    path = folder / f"r{revision}" / MANIFEST
    if not path.parent.is_dir():
        return None
    try:
        return Earlier(path.parent, json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError) as error:
        raise ReconcileError(
            f"The manifest of an earlier release can't be read: {path}.",
            "Restore it from the copy that was sent out; a release is never overwritten.",
        ) from error


def needs_a_person(reconciliation: Reconciliation) -> bool:
    """True where something was found that a person should look at."""
    return bool(
        len(reconciliation.quarantine) or any(f.severity != "note" for f in reconciliation.findings)
    )


def fingerprint(
    period: str,
    code: str,
    settings: str,
    inputs: tuple[InputFile, ...],
    earlier: tuple[str, ...] = (),
) -> str:
    """What decides whether a run is the same as one before: SHA-256, hexadecimal.

    Versions of libraries and the kind of machine are part of it: under others the same
    inputs may give other bytes. ``earlier`` names what was taken from releases of earlier periods.
    """
    content: list[Any] = [
        period, code, sorted(provenance.made_with().items()), settings,
        sorted((f.path, f.sha256, f.kind) for f in inputs),
    ]  # fmt: skip
    if earlier:
        content.append(list(earlier))
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode()).hexdigest()


def inputs_hash(inputs: tuple[InputFile, ...]) -> str:
    """SHA-256 over the paths and digests of the inputs."""
    content = sorted((f.path, f.sha256) for f in inputs)
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode()).hexdigest()


def altered_files(earlier: Earlier) -> tuple[str, ...]:
    """Names of files of a release whose bytes are no longer those of its manifest."""
    return tuple(
        entry["name"]
        for entry in earlier.manifest["outputs"]
        if not (earlier.folder / entry["name"]).is_file()
        or sha256_of(earlier.folder / entry["name"]) != entry["sha256"]
    )


def differing_files(earlier: Earlier, made: dict[str, bytes]) -> tuple[str, ...]:
    """Names of files of a release that hold other bytes than were ``made`` again."""
    listed = {entry["name"]: entry["sha256"] for entry in earlier.manifest["outputs"]}
    return tuple(
        name
        for name, content in sorted(made.items())
        if listed.get(name) != hashlib.sha256(content).hexdigest()
    )


def write(
    reconciliation: Reconciliation,
    folder: Path,
    mark: str,
    writer: Callable[[Reconciliation, Path], tuple[str, ...]],
) -> Path:
    """Write one revision whole; ``writer`` makes the files, the manifest comes last.

    Returns the release's folder. Raises ReconcileError where it exists already.
    """
    target = folder / f"r{reconciliation.revision}"
    if target.exists():
        raise ReconcileError(f"{target} exists already.", "A release is never overwritten.")
    folder.mkdir(parents=True, exist_ok=True)
    working = folder / f".unfinished-{target.name}"
    if working.exists():
        shutil.rmtree(working)
    working.mkdir()
    names = writer(reconciliation, working)
    manifest = _manifest(reconciliation, mark, working, names)
    (working / MANIFEST).write_text(
        json.dumps(manifest, indent=1, ensure_ascii=False, allow_nan=False) + "\n",
        encoding="utf-8",
        newline="\n",
    )
    sync_files(working)  # a name must not reach the disk before what it names
    working.replace(target)
    sync_folder(folder)
    return target


def _manifest(
    reconciliation: Reconciliation, mark: str, folder: Path, names: tuple[str, ...]
) -> dict[str, Any]:
    return {
        "release_id": reconciliation.release_id,
        "site": reconciliation.site,
        "period": reconciliation.period,
        "revision": reconciliation.revision,
        "supersedes": reconciliation.supersedes,
        "fingerprint": mark,
        "code_version": reconciliation.code_version,
        "reading_version": provenance.reading_version(),
        "made_with": provenance.made_with(),
        "settings_sha256": reconciliation.settings_hash,
        "inputs_sha256": reconciliation.inputs_hash,
        "custody_head": reconciliation.custody_head,
        "data_until": reconciliation.data_until,
        "custody_gone": list(reconciliation.custody_gone),
        "record_lines": reconciliation.record_lines,
        "record_head": reconciliation.record_head,
        "rows": reconciliation.rows,
        "audit": reconciliation.audit,
        "awaited": [dataclasses.asdict(a) for a in reconciliation.awaited],
        "instruments": [
            {"instrument": i.instrument, "calibration_due": i.calibration_due}
            for i in reconciliation.registers.instruments
        ],
        "laboratories": [
            {"laboratory": x.laboratory, "lab_method": x.lab_method, "valid_until": x.valid_until}
            for x in reconciliation.registers.laboratories
        ],
        "open_findings": sum(
            f.severity != "note" and f.settled is None for f in reconciliation.findings
        ),
        "needs_a_person": needs_a_person(reconciliation),
        "settings": {line.name: line.value for line in reconciliation.settings},
        "inputs": [
            {"path": f.path, "sha256": f.sha256, "size": f.size, "kind": f.kind}
            | ({"contents": f.contents} if f.contents else {})
            for f in reconciliation.inputs
        ],
        "earlier_releases": {h.period: h.release_id for h in reconciliation.history},
        "strata": {r.stratum.key: _summary(r) for r in reconciliation.results},
        "findings": in_brief.as_manifest(reconciliation.findings),
        "open": in_brief.asking(reconciliation.findings),
        "evidence": list(reconciliation.evidence_in_brief),
        "factor_scores": list(reconciliation.factor_scores_in_brief),
        "outputs": [
            {
                "name": name,
                "sha256": sha256_of(folder / name),
                "size": (folder / name).stat().st_size,
            }
            for name in sorted(names)
        ],
    }


def _summary(result: StratumResult) -> dict[str, Any]:
    ratio = result.statistics.bias.geometric_mean_ratio
    return {
        "label": result.stratum.label,
        "used": result.statistics.n_used,
        "ratio": _finite(ratio.value),
        "ratio_low": _finite(ratio.low),
        "ratio_high": _finite(ratio.high),
        "verdict": result.verdict.decision,
        "wrong_at_most": result.verdict.wrong_at_most,
        "factor": result.factor.form if result.factor else "",
    }


def _finite(value: Any) -> float | None:
    number = float(value)
    return number if math.isfinite(number) else None


_MOST_PAIR_CHANGES = 40
_FIGURES = {
    "used": "pairs used",
    "ratio": "geometric field/lab ratio",
    "factor": "form of the correction",
}


def changes(
    earlier: Earlier | None,
    code: str,
    settings: dict[str, str],
    inputs: tuple[InputFile, ...],
    results: tuple[StratumResult, ...],
    further: tuple[Change, ...] = (),
) -> tuple[Change, ...]:
    """What differs from the revision before: verdicts, counts, figures, causes, single pairs.

    What a reader acts on stands first. ``further`` is what other rooms found (earlier
    releases issued again, other rows); it stands among the causes.
    """
    if earlier is None:
        return ()
    before = earlier.manifest
    verdicts: list[Change] = []
    figures: dict[str, list[Change]] = {"used": [], "ratio": [], "factor": []}
    now_there = {result.stratum.key: _summary(result) for result in results}
    for key in [*now_there, *(key for key in before["strata"] if key not in now_there)]:
        old, new = before["strata"].get(key), now_there.get(key)
        was, now = (x["verdict"] if x else "not reported" for x in (old, new))
        if was != now:
            verdicts.append(Change(f"result {key}: verdict", was, now))
        if old is None or new is None:
            continue
        for what, word in _FIGURES.items():
            if old[what] != new[what]:
                change = Change(f"result {key}: {word}", _text(old[what]), _text(new[what]))
                figures[what].append(change)
    from reconcile.releases import kept_rows  # loads pandas, which what stands needs not

    pairs_now = {k: v for r in results for k, v in kept_rows.values_of(r.pairs).items()}
    pairs_before = kept_rows.kept_values(earlier.folder, before)
    pairs = _pair_changes(pairs_before, pairs_now)
    if pairs:
        differ = {k for k in {*pairs_before, *pairs_now}
                  if pairs_before.get(k) != pairs_now.get(k)}  # fmt: skip
        figures["used"].append(Change("pairs with another value or use", "none", str(len(differ))))
    causes = list(further)
    if before["code_version"] != code:
        causes.append(Change("program", before["code_version"], code))
    causes += _dict_changes("library", before.get("made_with", {}), provenance.made_with())
    causes += _dict_changes("setting", before["settings"], settings)
    files_before = {f["path"]: f["sha256"][:12] for f in before["inputs"]}
    causes += _dict_changes("input file", files_before, {f.path: f.sha256[:12] for f in inputs})
    left = len(pairs) - _MOST_PAIR_CHANGES
    more = [Change("further pairs", "", f"{left} more changed")] if left > 0 else []
    return (
        *verdicts, *figures["used"], *figures["ratio"], *figures["factor"], *causes,
        *pairs[:_MOST_PAIR_CHANGES], *more,
    )  # fmt: skip


def _dict_changes(what: str, was: dict[str, str], now: dict[str, str]) -> list[Change]:
    return [
        Change(f"{what} {key}", was.get(key, "not there"), now.get(key, "not there"))
        for key in sorted({*was, *now})
        if was.get(key) != now.get(key)
    ]


def _pair_changes(was: dict[str, list[Any]], now: dict[str, list[Any]]) -> list[Change]:
    found = []
    for key in sorted({*was, *now}):
        old, new = was.get(key), now.get(key)
        if old == new:
            continue
        if old is None or new is None:
            found.append(
                Change(f"pair {key}", "not there" if old is None else "there",
                       "not there" if new is None else "there")
            )  # fmt: skip
            continue
        if old[:2] != new[:2]:
            found.append(Change(f"pair {key}: field, mg/kg", _bounds(old[:2]), _bounds(new[:2])))
        if old[2:4] != new[2:4]:
            found.append(Change(f"pair {key}: lab, mg/kg", _bounds(old[2:4]), _bounds(new[2:4])))
        if old[4] != new[4]:
            found.append(Change(f"pair {key}: use", old[4] or "used", new[4] or "used"))
    return found


def _bounds(values: list[float | None]) -> str:
    low, high = values
    if low == high and low is not None:
        return f"{low:.6g}"
    if high is None:
        return f"above {low:.6g}" if low else "outside its limits"
    return f"between {low or 0:.6g} and {high:.6g}"


def _text(value: Any) -> str:
    if value is None or value == "":
        return "none"
    return f"{value:.4g}" if isinstance(value, float) else str(value)
