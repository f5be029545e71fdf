"""Pairs and left-out results of a release, from its own files; its manifest holds their digests.

The table of pairs is ``pairs.csv``, or ``pairs.parquet`` where it is long: the same columns, and
the same CSV can be made of it. Manifests of earlier versions list the pairs themselves.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from reconcile.base.errors import ReconcileError
from reconcile.base.spreadsheet import csv_text, from_csv, to_csv

CSV, PACKED = "pairs.csv", "pairs.parquet"
EXCLUSIONS, LAB_RESULT = "exclusions.csv", "lab result"
#: Values of a pair: field and lab bounds (mg/kg), why it is left out, of a repeat the one kept.
Values = list[Any]
_BOUNDS = ("field_low", "field_high", "lab_low", "lab_high")


def packed(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """A table of pairs as Parquet; the same rows give the same bytes."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    whole = list(rows)
    arrays = [_array([row[i] for row in whole]) for i in range(len(columns))]
    out = io.BytesIO()
    pq.write_table(pa.table(arrays, names=list(columns)), out, compression="zstd")
    return out.getvalue()


def _array(values: list[Any]) -> Any:
    import pyarrow as pa

    try:
        return pa.array(values, from_pandas=True)
    except (pa.ArrowInvalid, pa.ArrowTypeError):  # of several kinds
        return pa.array([None if v is None or v != v else str(v) for v in values], pa.string())


def as_csv(content: bytes) -> bytes:
    """The CSV file of a table that ``packed`` made."""
    import pyarrow.parquet as pq

    table = pq.read_table(io.BytesIO(content))
    columns = [column.to_pylist() for column in table.columns]
    return to_csv(table.column_names, zip(*columns, strict=True))


def pairs_file(manifest: Mapping[str, Any]) -> str:
    """Name of the table of pairs of a release."""
    return PACKED if any(e["name"] == PACKED for e in manifest["outputs"]) else CSV


def pairs_csv(folder: Path, manifest: Mapping[str, Any]) -> bytes:
    """The table of pairs of a release as CSV, whatever form it has; raises OSError."""
    name = pairs_file(manifest)
    content = (folder / name).read_bytes()
    return as_csv(content) if name == PACKED else content


def unaltered(folder: Path, manifest: Mapping[str, Any], name: str) -> bytes:
    """A file of a release; raises ReconcileError where it is not as it was released."""
    listed = {entry["name"]: entry["sha256"] for entry in manifest["outputs"]}
    try:
        content = (folder / name).read_bytes()
    except OSError:
        content = b""
    if hashlib.sha256(content).hexdigest() != listed.get(name):
        raise ReconcileError(
            f"{name} of release {manifest['release_id']} is not as it was released.",
            "Restore it from the copy that was sent out.",
        )
    return content


def unaltered_pairs(folder: Path, manifest: Mapping[str, Any]) -> bytes:
    """``pairs_csv`` of a table that is as it was released; raises ReconcileError."""
    name = pairs_file(manifest)
    content = unaltered(folder, manifest, name)
    return as_csv(content) if name == PACKED else content


def named(
    strata: Sequence[str], samples: Sequence[str], manifest: Mapping[str, Any]
) -> list[tuple[str, str]]:
    """Stratum and sample of each row of a table of pairs, as they were before it was written."""
    known = {csv_text(key): key for key in manifest["strata"]}
    return [(known[s], from_csv(sample)) for s, sample in zip(strata, samples, strict=True)]


def pair_key(stratum: str, sample_id: str) -> str:
    """What names a pair among those of a release; nothing takes it apart again."""
    return f"{stratum} | {sample_id}"


def values_of(pairs: pd.DataFrame) -> dict[str, Values]:
    """Bounds and use of every pair, so that the next revision can say what changed."""
    return {
        pair_key(str(row.stratum), str(row.sample_id)): [
            *(_finite(getattr(row, name)) for name in _BOUNDS),
            str(row.reason),
            *([row.repeat_of] if getattr(row, "repeat_of", "") else []),
        ]
        for row in pairs.itertuples(index=False)
    }


def kept_values(folder: Path, manifest: Mapping[str, Any]) -> dict[str, Values]:
    """The same of a release, from its files; raises ReconcileError where they were altered."""
    if "pairs" in manifest:
        return dict(manifest["pairs"])
    return {pair_key(*names): values for *names, values in each_pair(folder, manifest)}


def each_pair(
    folder: Path, manifest: Mapping[str, Any], known: Sequence[str] = ()
) -> Iterator[tuple[str, str, Values]]:
    """Stratum, sample and values of each pair of a release, as ``kept_values``.

    A manifest of the first versions does not list its samples: those ``known`` are looked up.
    """
    if "pairs" in manifest:
        of = manifest.get("pair_samples", {})
        for stratum in manifest["strata"]:
            for sample in of.get(stratum, known):
                listed = manifest["pairs"].get(pair_key(stratum, sample))
                if listed is not None:
                    yield stratum, sample, listed
        return
    rows = _rows(unaltered_pairs(folder, manifest))
    names = named([row["stratum"] for row in rows], [row["sample_id"] for row in rows], manifest)
    for (stratum, sample), row in zip(names, rows, strict=True):
        values: Values = [_finite(row[f"{name}_mg_kg"] or math.nan) for name in _BOUNDS]
        values.append(from_csv(row["reason"]))
        if kept := row.get("repeat_of", ""):
            values.append(from_csv(kept))
        yield stratum, sample, values


def superseded(folder: Path, manifest: Mapping[str, Any]) -> list[tuple[str, str, str, str]]:
    """Sample, element, why and its link of each laboratory result that does not stand."""
    if "superseded_results" in manifest:
        listed = manifest["superseded_results"]
        return [(e["sample_id"], e["element"], e["why"], e["link"]) for e in listed]
    return [
        (
            from_csv(row["sample_id"]), from_csv(row["element"]), from_csv(row["reason"]),
            from_csv(row["evidence"]),
        )
        for row in _rows(unaltered(folder, manifest, EXCLUSIONS))
        if row["kind"] == LAB_RESULT
    ]  # fmt: skip


def _rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8"), newline="")))


def _finite(value: Any) -> float | None:
    number = float(value)
    return number if math.isfinite(number) else None
