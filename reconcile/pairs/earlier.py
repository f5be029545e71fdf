"""Pairs of earlier months, from the digested tables of their latest releases."""

from __future__ import annotations

import hashlib
import io
import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.tables import PAIR_COLUMNS
from reconcile.base.settings.pairs import EvidenceSettings
from reconcile.intake import workspace as ws
from reconcile.pairs.clusters import BOTH_ROWS, LAB_ROW, REPEAT_OF
from reconcile.pairs.plain_texts import TEXT, text_column
from reconcile.releases import kept_rows, record, release

#: Months that are looked through for a change of the bias, for each that may count.
WATCHED = 2
VERDICTS = "verdicts.csv"
_MASS = "_mg_kg"
NUMBERS = (
    "field_mean", "field_se", "field_sd", "field_n", "field_spots", "field_low", "field_high",
    "lab_mean", "lab_se", "lab_n", "lab_low", "lab_high",
)  # fmt: skip
TIMES = ("field_time", "lab_time")
LABORATORY = "laboratory"
MARKS = (LAB_ROW, BOTH_ROWS, REPEAT_OF, "selection")  # '' in releases that did not look for repeats
#: What a stratum is known by in a table of verdicts.
_FACTS = (
    "element", "technique", "field_method", LABORATORY, "lab_method", "matrix",
    "specimen_form", "moisture_basis", "pair_type",
)  # fmt: skip


@dataclass(frozen=True)
class EarlierMonth:
    """What one earlier month's latest release holds of its pairs."""

    period: str
    release_id: str
    sha256: str  # of its table of pairs
    pairs: pd.DataFrame  # PAIR_COLUMNS of every stratum, used or not
    strata: tuple[dict[str, str], ...] = ()  # texts of each stratum, by name

    @cached_property
    def _by_stratum(self) -> dict[str, pd.DataFrame]:
        groups = plain(self.pairs).groupby("stratum", sort=False)
        return {str(key): rows for key, rows in groups}

    def of(self, stratum_key: str) -> pd.DataFrame | None:
        """The pairs of one stratum as :func:`plain` gives them; None where there is none."""
        return self._by_stratum.get(stratum_key)

    def mark(self) -> dict[str, str]:
        """What a manifest keeps of it."""
        return {"period": self.period, "release_id": self.release_id, "pairs_sha256": self.sha256}


def plain(pairs: pd.DataFrame) -> pd.DataFrame:
    """PAIR_COLUMNS as plain kinds of columns, the same whether read now or from a release."""
    made: dict[str, Any] = {}
    nothing = pd.Series("", index=pairs.index, dtype=TEXT)
    for name in PAIR_COLUMNS:
        values = pairs[name]
        if name in NUMBERS:
            made[name] = values.to_numpy("float64", na_value=math.nan)
        elif name in TIMES:
            made[name] = pd.to_datetime(values, utc=True)
        elif name == "used":
            made[name] = values.to_numpy(bool)
        elif name == "certificate":
            made[name] = values.astype(object)
        else:
            made[name] = text_column(values).array
    for name in MARKS:  # '' where repeats were not looked for
        made[name] = text_column(pairs.get(name, nothing)).array
    return pd.DataFrame(made)


def months_before(
    workspace: ws.Workspace, period: str
) -> tuple[tuple[EarlierMonth, ...], tuple[Finding, ...]]:
    """The earlier months that the settings let be looked at, oldest first, and what is lacking.

    Twice as many as may count: a change of the bias anywhere in those that count is then seen
    against as many months before it.

    A release that was altered, or that the record knows and that is gone, is told and does not
    count. Empty where the period is no month or the settings gather nothing.
    """
    settings = workspace.settings.evidence
    if not (settings.gather and ws.is_month(period)):
        return (), ()
    root = workspace.output / "releases"
    known = _in_record(workspace)
    months: list[EarlierMonth] = []
    findings: list[Finding] = []
    on_disk = {p.name for p in root.iterdir()} if root.is_dir() else set()
    for month in sorted(m for m in on_disk | set(known) if _counts(m, period, settings)):
        latest = release.latest(root / month)
        revision = latest.revision if latest is not None else 0
        if revision < known.get(month, 0):
            findings.append(_gone(month, known[month]))
        if latest is None:
            continue
        found = _read(month, latest)
        if found is None:
            findings.append(_altered(str(latest.manifest.get("release_id", month))))
        else:
            months.append(found)
    return tuple(months), tuple(findings)


def _counts(month: str, period: str, settings: EvidenceSettings) -> bool:
    if not ws.is_month(month) or month >= period:
        return False
    first = settings.not_before
    if first is not None and month < first.strftime("%Y-%m"):
        return False
    return ws.months_between(month, period) <= WATCHED * settings.months_back


def _in_record(workspace: ws.Workspace) -> dict[str, int]:
    """The newest revision of each period that the record knows."""
    newest: dict[str, int] = {}
    for entry in record.read(workspace.output / record.RECORD).entries:
        if entry.kind == "release":
            period, revision = str(entry.content["period"]), int(entry.content["revision"])
            newest[period] = max(newest.get(period, 0), revision)
    return newest


def _gone(month: str, revision: int) -> Finding:
    return Finding(
        "release", "serious", f"{month}, revision {revision}",
        "The record knows this release and its folder is gone: its pairs do not count.",
        advice="Put the folder back from the copy that was sent out, then run again.",
        code=FindingCode.EARLIER_RELEASE_GONE,
    )  # fmt: skip


def _altered(release_id: str) -> Finding:
    return Finding(
        "release", "serious", release_id,
        "Its table of pairs can't be read or is not what its manifest says: it does not count.",
        advice="Restore the release from the copy that was sent out, then run again.",
        code=FindingCode.EARLIER_RELEASE_ALTERED,
    )  # fmt: skip


def _read(month: str, latest: release.Earlier) -> EarlierMonth | None:
    manifest = latest.manifest
    try:
        listed = {entry["name"]: entry["sha256"] for entry in manifest["outputs"]}
        table = kept_rows.pairs_file(manifest)
        content = {name: (latest.folder / name).read_bytes() for name in (table, VERDICTS)}
        digests = {name: hashlib.sha256(data).hexdigest() for name, data in content.items()}
        if any(listed[name] != digest for name, digest in digests.items()):
            return None
        pairs = content[table]
        if table == kept_rows.PACKED:
            pairs = kept_rows.as_csv(pairs)
        return EarlierMonth(
            month, str(manifest["release_id"]), digests[table], _pairs(pairs, manifest),
            _strata(content[VERDICTS]),
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _pairs(content: bytes, manifest: dict[str, Any]) -> pd.DataFrame:
    """A table of pairs as it was before it was written."""
    masses = {f"{name}{_MASS}": name for name in NUMBERS}
    read = pd.read_csv(io.BytesIO(content), dtype=str, keep_default_na=False).rename(columns=masses)
    names = _names(read, manifest)
    if len(names) != len(read):
        raise ValueError("the manifest names other pairs")
    told: dict[str, Any] = {name: read[name].tolist() for name in PAIR_COLUMNS}
    for name in MARKS:
        told[name] = read[name].tolist() if name in read else [""] * len(read)
    told["stratum"] = [stratum for stratum, _ in names]
    told["sample_id"] = [sample for _, sample in names]
    told["certificate"] = [(text,) if text else () for text in told["certificate"]]
    told["used"] = [text == "yes" for text in told["used"]]
    for name in NUMBERS:
        told[name] = [float(text) if text else float("nan") for text in told[name]]
    for name in TIMES:
        told[name] = pd.to_datetime(read[name].where(read[name].ne("")), utc=True, format="ISO8601")
    return pd.DataFrame(told)[[*PAIR_COLUMNS, *MARKS]]


def _names(read: pd.DataFrame, manifest: dict[str, Any]) -> list[tuple[str, str]]:
    """Stratum and sample of each row: in the table they may have an apostrophe, for spreadsheets.

    Manifests of earlier versions list them.
    """
    if "pair_samples" in manifest:
        return [(key, one) for key, many in manifest["pair_samples"].items() for one in many]
    return kept_rows.named(read["stratum"].tolist(), read["sample_id"].tolist(), manifest)


def _strata(content: bytes) -> tuple[dict[str, str], ...]:
    read = pd.read_csv(io.BytesIO(content), dtype=str, keep_default_na=False)
    if LABORATORY not in read:  # as releases were written before they named it
        read[LABORATORY] = ""
    return tuple(dict(zip(_FACTS, row, strict=True)) for row in read[list(_FACTS)].to_numpy())


def nearest(stratum: Stratum, months: Iterable[EarlierMonth]) -> tuple[str, tuple[str, ...]]:
    """The last month with a stratum that differs least from this one, and what differs.

    Of the same element and technique; ('', ()) where there is none. A month that names no
    laboratory differs in that alone.
    """
    own = {name: str(getattr(stratum, name)) for name in _FACTS}
    unnamed = own | {"lab_method": stratum.determined_by.anywhere.text}
    best: tuple[str, tuple[str, ...]] = ("", ())
    for month in months:
        for facts in month.strata:
            if (facts["element"], facts["technique"]) != (own["element"], own["technique"]):
                continue
            mine = own if facts[LABORATORY] else unnamed
            differing = tuple(name for name in _FACTS if facts[name] != mine[name])
            if not best[0] or len(differing) <= len(best[1]):
                best = (month.period, differing)
    return best
