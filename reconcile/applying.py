"""Correct a field-only table: raw, corrected, expanded uncertainty, factor and flags.

A value is corrected only by an approved factor of its own key, inside the factor's range
and dates. Whatever is not corrected says why; nothing is left out of the result.
"""

from __future__ import annotations

import dataclasses
import fnmatch
import io
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from openpyxl import Workbook

from reconcile import correction, eligibility, factors, pairing, pipeline
from reconcile import workspace as ws
from reconcile.errors import ReconcileError
from reconcile.factors import APPROVED, EXPIRED, PROPOSED, Life
from reconcile.intake.read import read_file
from reconcile.intake.tables import TypedTable
from reconcile.model import Stratum
from reconcile.pairing import RunFile
from reconcile.reporting import sheets, tables
from reconcile.settings import TableSettings
from reconcile.store import Store
from reconcile.workspace import Workspace

ENDINGS = (".csv", ".parquet", ".xlsx")


@dataclass(frozen=True, slots=True)
class FieldMean:
    """One sample's field mean of one element, with its key; mg/kg."""

    sample_id: str
    element: str
    field_method: str  # technique · instrument serial · calibration
    matrix: str
    specimen_form: str
    moisture_basis: str
    first_day: str  # ISO date of the first reading, in the workspace's zone; "" where unknown
    last_day: str  # of the last reading; "" where any reading has no time
    spots: int  # spots, or readings where there is one spot
    qualifier: str  # "" quantified, "<", ">", "~" some readings below their limit
    low: float  # bounds of the mean, equal where quantified
    high: float
    interference: str = ""  # what overlaps, with its evidence


@dataclass(frozen=True, slots=True)
class Corrected:
    """What became of one field mean; mg/kg. ``corrected`` is NaN where a flag stands."""

    raw: FieldMean
    corrected: float = math.nan
    expanded_uncertainty: float = math.nan  # k = 2
    low: float = math.nan  # interval in which the laboratory's result is expected, about 95 %
    high: float = math.nan
    factor_id: str = ""
    basis: str = ""
    form: str = ""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CorrectedTable:
    """All field means of one table, and what was left aside."""

    path: Path
    source: str
    source_sha256: str
    table: str  # the field table of the settings that read it
    rows: tuple[Corrected, ...]
    notes: tuple[str, ...]

    @property
    def flags(self) -> tuple[tuple[str, int], ...]:
        """How often each kind of flag stands, most frequent first."""
        found = Counter(flag.split(":")[0] for row in self.rows for flag in row.flags)
        return tuple(sorted(found.items(), key=lambda item: (-item[1], item[0])))


# ---- one value ------------------------------------------------------------------------


def correct_mean(value: FieldMean, lives: Iterable[Life], lab_method: str = "") -> Corrected:
    """Correct one field mean, or say in flags why it stays as it is.

    ``lab_method`` chooses among factors to several laboratory methods.
    """
    flags = []
    if value.qualifier:
        flags.append("censored: the value is known between its limits only")
    elif not (math.isfinite(value.low) and value.low == value.high):
        flags.append("no value")
    if value.interference:
        flags.append(f"interference: {value.interference}")
    if not value.first_day or not value.last_day:
        flags.append("no time of measurement: whether a factor is in force can't be judged")
    life, why = _factor_for(value, lives, lab_method)
    flags += why
    if life is None:
        return Corrected(value, flags=tuple(flags))
    factor = life.factor
    if not value.qualifier and not factor.low <= value.low <= factor.high:
        flags.append(
            f"outside the range: {factor.low:.6g} to {factor.high:.6g} mg/kg of {factor.factor_id}"
        )
    if flags:
        return Corrected(value, flags=tuple(flags))
    field = np.array([value.low])
    corrected, inside = correction.correct(factor, field)
    spread = correction.standard_uncertainty(factor, field, np.array([float(value.spots)]))
    if not inside[0] or not np.isfinite(corrected[0]) or not np.isfinite(spread[0]):
        return Corrected(value, flags=("not estimable: the factor gives no finite value",))
    low, high = correction.interval(factor, corrected, spread)
    return Corrected(
        value, float(corrected[0]), correction.COVERAGE * float(spread[0]),
        float(low[0]), float(high[0]), factor.factor_id, factor.basis, factor.form,
    )  # fmt: skip


def _factor_for(
    value: FieldMean, lives: Iterable[Life], lab_method: str
) -> tuple[Life | None, list[str]]:
    """The one factor that may correct the value, or the flags that say why there is none."""
    same = [
        life
        for life in lives
        if life.factor.stratum.element == value.element
        and lab_method in ("", life.factor.stratum.lab_method)
    ]
    if not same:
        return None, ["no factor: none of this element is in the record"]
    apart = [(differences(value, life.factor.stratum), life) for life in same]
    matching = [life for found, life in apart if not found]
    if not matching:
        fewest = min(len(found) for found, _ in apart)
        return None, list(next(found for found, _ in apart if len(found) == fewest))
    approved = [life for life in matching if life.state == APPROVED]
    if not approved:
        newest = max(matching, key=lambda x: (x.state == PROPOSED, x.period, x.revision))
        word = {PROPOSED: "not approved"}.get(newest.state, newest.state)
        return None, [f"{word}: {newest.factor.factor_id}"]
    inside = [life for life in approved if not _out_of_date(value, life)]
    if not inside:
        return None, [_out_of_date(value, max(approved, key=lambda x: (x.period, x.revision)))]
    if len(inside) > 1:
        names = ", ".join(sorted(life.factor.factor_id for life in inside))
        return None, [f"more than one factor fits: {names}"]
    return inside[0], []


def _out_of_date(value: FieldMean, life: Life) -> str:
    factor = life.factor
    if not factor.valid_from or not factor.valid_until:
        return f"the factor has no dates: {factor.factor_id}"
    if value.last_day and value.last_day > factor.valid_until:
        return f"{EXPIRED}: {factor.factor_id} stood until {factor.valid_until}"
    if value.first_day and value.first_day < factor.valid_from:
        return f"before the factor: {factor.factor_id} stands from {factor.valid_from}"
    return ""


def differences(value: FieldMean, stratum: Stratum) -> tuple[str, ...]:
    """In what the key of a value differs from that of a factor; empty where in nothing.

    The pair type and the laboratory belong to the comparison, not to a field value. A
    factor over pooled instruments or forms fits no single one of them.
    """
    found = []
    if value.field_method != stratum.field_method:
        ours, theirs = value.field_method.split(" · "), stratum.field_method.split(" · ")
        names = ("technique", "instrument", "calibration")
        parts = [
            f"other {name}: {a}, the factor's is {b}"
            for name, a, b in zip(names, ours, theirs, strict=False)
            if a != b
        ]
        plain = len(ours) == len(theirs) == len(names) and parts
        found += (
            parts
            if plain
            else [f"other field method: {value.field_method}, the factor's is {theirs}"]
        )
    for name, ours_, theirs_ in (
        ("matrix", value.matrix, stratum.matrix),
        ("specimen form", value.specimen_form, stratum.specimen_form),
    ):
        if ours_ != theirs_:
            found.append(f"other {name}: {ours_ or 'not stated'}, the factor's is {theirs_ or '-'}")
    ours_, theirs_ = value.moisture_basis, stratum.moisture_basis
    if ours_ != theirs_ and not theirs_.startswith(f"field {ours_ or 'not stated'}, lab "):
        found.append(
            f"other moisture basis: {ours_ or 'not stated'}, the factor's is {theirs_ or '-'}"
        )
    return tuple(found)


# ---- a whole table --------------------------------------------------------------------


def correct_table(
    source: Path, folder: Path, target: Path, table: str = "", lab_method: str = ""
) -> CorrectedTable:
    """Read a field-only table, correct what may be corrected, write it to ``target``.

    Raises ReconcileError where the table can't be read as a field table of the settings,
    or ``target`` exists or has another ending than ENDINGS.
    """
    if target.suffix.lower() not in ENDINGS:
        raise ReconcileError(
            f"'{target.name}' does not say how to write.", f"End it in {', '.join(ENDINGS)}."
        )
    if target.exists():
        raise ReconcileError(
            f"{target} exists already.", "Name a new file: corrected results are not overwritten."
        )
    if not source.is_file():
        raise ReconcileError(f"No file {source}.", "Check the path of the field table.")
    workspace = ws.load_workspace(folder)
    lives = list(factors.of_workspace(workspace).values())
    chosen, read = _read(source, workspace, table)
    means, notes = _means(source, chosen, read, workspace)
    rows = tuple(correct_mean(value, lives, lab_method) for value in means)
    if not rows:
        raise ReconcileError(
            f"{source.name} has no sample with a result of an element of the settings.",
            "See 'reconcile check' for how its columns are understood.",
        )
    result = CorrectedTable(
        target, source.name, ws.sha256_of(source), chosen.name or ", ".join(chosen.files),
        rows, tuple(notes),
    )  # fmt: skip
    content = _bytes(result)
    target.parent.mkdir(parents=True, exist_ok=True)
    with target.open("xb") as stream:
        stream.write(content)
    return result


def _read(
    source: Path, workspace: Workspace, name: str
) -> tuple[TableSettings, tuple[TypedTable, ...]]:
    """Read with the named field table, else with the first that fits: by its pattern first."""
    settings = workspace.settings
    offered = [t for t in settings.table if t.kind == "field" and name in ("", t.name)]
    if not offered:
        named = ", ".join(f"'{t.name}'" for t in settings.table if t.kind == "field" and t.name)
        raise ReconcileError(
            f"No field table named '{name}' in reconcile.toml.", f"There are: {named or 'none'}."
        )

    def by_pattern(table: TableSettings) -> bool:
        return any(
            fnmatch.fnmatch(source.name, Path(pattern.replace("{period}", "*")).name)
            for pattern in table.files
        )

    problems = []
    for table in sorted(offered, key=lambda t: not by_pattern(t)):
        try:
            read = tuple(read_file(source, source.name, table, zone=settings.workspace.time_zone))
        except ReconcileError as error:
            problems.append(f"  - as '{table.name or table.files[0]}': {error}")
            continue
        if any(sheet.analytes and len(sheet.facts) for sheet in read):
            return table, read
        problems.append(f"  - as '{table.name or table.files[0]}': no row with a result")
    raise ReconcileError(
        "\n".join([f"{source.name} can't be read as a field table of reconcile.toml:", *problems]),
        "Name the table whose settings fit with --table.",
    )


def _means(
    source: Path, chosen: TableSettings, read: tuple[TypedTable, ...], workspace: Workspace
) -> tuple[list[FieldMean], list[str]]:
    settings = workspace.settings
    # Every row of the table counts, whatever its month; dates are judged per value.
    whole = settings.model_copy(
        update={"workspace": settings.workspace.model_copy(update={"assign_rows_by": "nothing"})}
    )
    workspace = replace(workspace, settings=whole)
    zone = settings.workspace.time_zone
    notes: list[str] = []
    with Store(None) as store:
        added = store.add(source.name, "", "field only", "field", source.stat().st_size, read)
        run_files = [RunFile(added.file_id, 0, False)]
        for place, file in enumerate(
            ws.files_of_every_month(workspace, "sample register", "aliases"), start=1
        ):
            table = workspace.table(file.table_index)
            try:
                content = tuple(read_file(file.path, file.shown, table, zone=zone))
            except ReconcileError as error:
                notes.append(f"{file.shown} was not used: {error.message}")
                continue
            stored = store.add(
                file.shown, str(file.table_index), "register", table.kind, 0, content
            )
            run_files.append(RunFile(stored.file_id, place, False))
        run = pipeline.begin(workspace, "field-only", store)
        run = pipeline.settle_identities(replace(run, run_files=tuple(run_files)))
        side = pairing.Side(store, "field")
        keys = pairing.keys_of(store, "field", settings.element)
        overlap = eligibility.lead_on_arsenic(
            store, side, pairing.keys_of(store, "field", ()), settings.thresholds
        )
        overlapped = dict(zip(overlap["sample_id"], overlap["evidence"], strict=True))
        samples = store.frame(_SAMPLES)
        means = [
            value
            for key in keys
            for value in _of_key(key, side, samples, overlapped, ZoneInfo(zone))
        ]
        notes += [
            f"{count} rows: {reason}"
            for reason, count in store.rows(
                "SELECT disposition, count(*) FROM field_row WHERE disposition <> 'sample' "
                "GROUP BY 1 ORDER BY 1"
            )
        ]
    refused = pd.concat([sheet.quarantine for sheet in read])
    notes += [
        f"row {row['row']}, {row['column'] or 'whole row'}: refused, {row['reason']}"
        for row in refused.to_dict("records")
    ]
    means.sort(key=lambda m: (m.sample_id, m.element, m.field_method, m.specimen_form))
    return means, notes


_SAMPLES = """
SELECT s.*, max(r.measured_at) AS last_time,
    count(*) FILTER (WHERE r.measured_at IS NULL) AS untimed
FROM field_sample AS s
JOIN field_row AS r
    ON r.disposition = 'sample' AND r.sample_id = s.sample_id
    AND r.technique IS NOT DISTINCT FROM s.technique
    AND r.instrument IS NOT DISTINCT FROM s.instrument
    AND r.calibration IS NOT DISTINCT FROM s.calibration
    AND r.matrix = s.matrix AND r.specimen_form = s.specimen_form
    AND r.moisture_basis = s.moisture_basis AND r.pair_type = s.pair_type
    AND r."group" = s."group"
GROUP BY ALL
ORDER BY number
"""


def _of_key(
    key: pairing.Key,
    side: pairing.Side,
    samples: pd.DataFrame,
    overlapped: dict[str, str],
    zone: ZoneInfo,
) -> Iterable[FieldMean]:
    means = side.of(key)
    for i, row in enumerate(samples.to_dict("records")):
        n, censored = int(means.n[i]), int(means.censored[i])
        if not n:
            continue
        low, high = float(means.low[i]), float(means.high[i])
        qualifier = (
            "" if not censored else ">" if math.isinf(high) else "<" if censored == n else "~"
        )
        parts = [_text(row[name]) for name in ("technique", "instrument", "calibration")]
        spots = int(means.spots[i])
        yield FieldMean(
            _text(row["sample_id"]),
            key.element,
            pairing.joined_method("field", key, parts[0], parts[1], parts[2]),
            _text(row["matrix"]),
            _text(row["specimen_form"]),
            _text(row["moisture_basis"]),
            _day(row["field_time"], zone),
            "" if int(row["untimed"]) else _day(row["last_time"], zone),
            spots if spots >= 2 else n,
            qualifier,
            low,
            high,
            overlapped.get(_text(row["sample_id"]), "") if key.element == "As" else "",
        )


def _text(value: Any) -> str:
    return "" if value is None or value != value else str(value)


def _day(value: Any, zone: ZoneInfo) -> str:
    if value is None or pd.isna(value):
        return ""
    moment = pd.Timestamp(value).to_pydatetime()
    assert isinstance(moment, datetime)
    return moment.replace(tzinfo=UTC).astimezone(zone).date().isoformat()


# ---- writing --------------------------------------------------------------------------

_TEXTS = (
    "sample_id", "element", "field_method", "matrix", "specimen_form", "moisture_basis",
    "first_day", "last_day", "qualifier", "result", "factor_id", "form", "basis", "flags",
    "source", "source_sha256",
)  # fmt: skip
COLUMNS = (
    "sample_id", "element", "field_method", "matrix", "specimen_form", "moisture_basis",
    "first_day", "last_day", "spots", "qualifier", "raw_mg_kg", "raw_low_mg_kg",
    "raw_high_mg_kg", "result", "corrected_mg_kg", "expanded_uncertainty_mg_kg",
    "coverage_factor", "low_mg_kg", "high_mg_kg", "factor_id", "form", "basis", "flags",
    "source", "source_sha256",
)  # fmt: skip


def _cells(row: Corrected, table: CorrectedTable) -> list[Any]:
    raw = row.raw
    done = not row.flags
    result = "not corrected" if not done else "as read" if row.form == "none" else "corrected"
    values = {
        **{field.name: getattr(raw, field.name) for field in dataclasses.fields(FieldMean)},
        "raw_mg_kg": raw.low if not raw.qualifier else math.nan,
        "raw_low_mg_kg": raw.low,
        "raw_high_mg_kg": raw.high,
        "result": result,
        "corrected_mg_kg": row.corrected,
        "expanded_uncertainty_mg_kg": row.expanded_uncertainty,
        "coverage_factor": correction.COVERAGE if done else math.nan,
        "low_mg_kg": row.low,
        "high_mg_kg": row.high,
        "factor_id": row.factor_id,
        "form": row.form,
        "basis": row.basis,
        "flags": "; ".join(row.flags),
        "source": table.source,
        "source_sha256": table.source_sha256,
    }
    return [values[name] for name in COLUMNS]


def _bytes(table: CorrectedTable) -> bytes:
    rows: Sequence[list[Any]] = [_cells(row, table) for row in table.rows]
    ending = table.path.suffix.lower()
    if ending == ".csv":
        return tables.to_csv(COLUMNS, rows)
    if ending == ".parquet":
        types = {name: pa.string() for name in _TEXTS} | {"spots": pa.int64()}
        arrays = {
            name: pa.array(
                [None if value != value else value for value in column],
                types.get(name, pa.float64()),
            )
            for name, column in zip(COLUMNS, zip(*rows, strict=True), strict=True)
        }
        buffer = io.BytesIO()
        pq.write_table(pa.table(arrays), buffer)
        return buffer.getvalue()
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "corrected"
    columns = [
        sheets.Column(
            name, "text" if name in _TEXTS else "integer" if name == "spots" else "number"
        )
        for name in COLUMNS
    ]
    sheets.table(sheet, columns, rows)
    notes = book.create_sheet("notes")
    sheets.table(notes, [sheets.Column("note", "text", 100.0)], [[n] for n in table.notes])
    return sheets.saved(book, "Corrected field results", "")
