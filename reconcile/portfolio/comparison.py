"""Sites held against each other, from the files of their releases alone."""

from __future__ import annotations

import csv
import io
import json
import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from reconcile.base.between import Compared, SiteBias, SiteRelease
from reconcile.base.errors import ReconcileError
from reconcile.base.methods import joined
from reconcile.intake.workspace import Workspace, sha256_of
from reconcile.releases import kept_rows, release
from reconcile.statistics.random_effects import apart_from_peers, random_effects
from reconcile.statistics.suspects import Suspect, suspects

_STATISTICS = "statistics.json"
_RATIO = "geometric_mean_ratio"
#: Pairs of one operator in a stratum, below which nothing is said of them.
_FEWEST_OF_OPERATOR = 3


@dataclass(frozen=True, slots=True)
class OperatorBias:
    """The mean ln(field/lab) of one operator's pairs in one stratum of a site."""

    comparison: str
    site: str
    operator: str
    instrument: str
    laboratory: str
    value: float
    variance: float


@dataclass(frozen=True, slots=True)
class Taken:
    """What one site's release gives."""

    release: SiteRelease
    biases: tuple[SiteBias, ...]
    by_operator: tuple[OperatorBias, ...]


def taken(workspace: Workspace, period: str) -> Taken:
    """The biases of a site's latest release of a month.

    Raises ReconcileError where there is none, or its files are not those of its manifest.
    """
    found = release.latest(workspace.releases(period))
    if found is None:
        raise ReconcileError(f"There is no release of {period}.")
    value = json.loads(kept_rows.unaltered(found.folder, found.manifest, _STATISTICS))
    pairs = kept_rows.unaltered_pairs(found.folder, found.manifest)
    of = SiteRelease(
        workspace.site,
        str(found.manifest["release_id"]),
        sha256_of(found.folder / release.MANIFEST),
    )
    strata = {entry["key"]: entry for entry in value["strata"]}
    return Taken(
        of,
        tuple(_bias(workspace.site, entry) for entry in strata.values()),
        tuple(_by_operator(workspace.site, strata, pairs)),
    )


def comparison_of(stratum: dict[str, Any]) -> str:
    """What a stratum is comparable within: element, technique, material and form."""
    return joined(stratum["element"], _method(stratum))


def _method(stratum: dict[str, Any]) -> str:
    return joined(stratum["technique"], stratum["matrix"], stratum["specimen_form"])


def _bias(site: str, entry: dict[str, Any]) -> SiteBias:
    stratum, ratio = entry["stratum"], entry["figures"].get(_RATIO, {})
    value, se = _number(ratio.get("value")), _number(ratio.get("standard_error"))
    read_by = stratum["read_by"]
    positive = value > 0 and se > 0
    return SiteBias(
        site, comparison_of(stratum), stratum["element"], _method(stratum),
        str(read_by.get("instrument", "")), str(read_by.get("calibration", "")),
        stratum["laboratory"], stratum["lab_method"], int(ratio.get("n") or 0),
        math.log(value) if positive else math.nan, se / value if positive else math.nan,
        _number(ratio.get("low")), _number(ratio.get("high")), entry["verdict"]["decision"],
    )  # fmt: skip


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _by_operator(
    site: str, strata: dict[str, dict[str, Any]], content: bytes
) -> Iterable[OperatorBias]:
    reader = csv.DictReader(io.StringIO(content.decode("utf-8")))
    if "operator" not in (reader.fieldnames or ()):
        return
    logs: dict[tuple[str, str], list[float]] = defaultdict(list)
    for row in reader:
        field, lab = (_number(row[f"{s}_mean_mg_kg"] or None) for s in ("field", "lab"))
        if row["used"] == "yes" and row["operator"] and field > 0 and lab > 0:
            logs[row["stratum"], row["operator"]].append(math.log(field / lab))
    for (key, operator), values in sorted(logs.items()):
        if key not in strata or len(values) < _FEWEST_OF_OPERATOR:
            continue
        mean = sum(values) / len(values)
        variance = sum((v - mean) ** 2 for v in values) / (len(values) - 1) / len(values)
        line = _bias(site, strata[key])
        yield OperatorBias(
            line.comparison, site, operator, line.instrument, line.laboratory, mean, variance
        )


def compare(biases: Sequence[SiteBias], level: float) -> tuple[Compared, ...]:
    """The biases by what they are comparable within, each against its peers."""
    groups: dict[str, list[SiteBias]] = defaultdict(list)
    for bias in biases:
        groups[bias.comparison].append(bias)
    found = []
    for name, lines in sorted(groups.items()):
        lines.sort(key=lambda b: (b.site, b.instrument, b.calibration, b.laboratory, b.lab_method))
        values, variances = [b.value for b in lines], [b.se**2 for b in lines]
        apart = apart_from_peers(values, variances, level)
        found.append(
            Compared(
                name, lines[0].element, lines[0].method, random_effects(values, variances, level),
                tuple(replace(b, apart=a) for b, a in zip(lines, apart, strict=True)),
            )
        )  # fmt: skip
    return tuple(found)


def suspected(biases: Sequence[SiteBias], rate: float, level: float) -> tuple[Suspect, ...]:
    """Instruments, laboratories and sites, those that differ first."""
    return suspects(
        [b.value for b in biases], [b.se**2 for b in biases], [b.comparison for b in biases],
        {
            "instrument": [b.instrument for b in biases],
            "laboratory": [b.laboratory for b in biases],
            "site": [b.site for b in biases],
        },
        rate, level,
    )  # fmt: skip


def suspected_operators(
    lines: Sequence[OperatorBias], rate: float, level: float
) -> tuple[Suspect, ...]:
    """Operators, where what their instruments, laboratories and sites explain is taken off."""
    found = suspects(
        [b.value for b in lines], [b.variance for b in lines], [b.comparison for b in lines],
        {
            "instrument": [b.instrument for b in lines],
            "laboratory": [b.laboratory for b in lines],
            "site": [b.site for b in lines],
            "operator": [b.operator for b in lines],
        },
        rate, level,
    )  # fmt: skip
    return tuple(s for s in found if s.kind == "operator")
