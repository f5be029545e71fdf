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
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from reconcile.base.errors import ReconcileError
from reconcile.base.model.controls import QualityCheck
from reconcile.base.regular import readable_name
from reconcile.base.settings.tables import TableSettings
from reconcile.base.spreadsheet import to_csv
from reconcile.base.writing import write_whole
from reconcile.evidence import control_results, quality
from reconcile.intake import workspace as ws
from reconcile.intake.read import read_balanced
from reconcile.intake.tables import TypedTable
from reconcile.intake.workspace import FoundFile, Workspace
from reconcile.judgement import factor_life, factor_proposal, part_places
from reconcile.judgement.field_values import Corrected, FieldMean, correct_mean, field_means
from reconcile.judgement.part_places import PartPlace
from reconcile.judgement.sheet_positions import Position, positions_of
from reconcile.pairs import sides
from reconcile.pairs.pairing import RunFile
from reconcile.releases import anchors
from reconcile.reporting.render import sheets
from reconcile.reporting.render.grid import Book
from reconcile.run import pipeline
from reconcile.run.state import of_run
from reconcile.store.database import Store
from reconcile.store.statements import sql

ENDINGS = (".csv", ".parquet", ".xlsx")


@dataclass(frozen=True, slots=True)
class CorrectedTable:
    """All field means of one table, and what was left aside."""

    path: Path
    source: str
    source_sha256: str
    record_head: str  # of the record whose approvals were used
    table: str  # the field table of the settings that read it
    rows: tuple[Corrected, ...]
    notes: tuple[str, ...]

    @property
    def flags(self) -> tuple[tuple[str, int], ...]:
        """How often each kind of flag stands, most frequent first."""
        found = Counter(flag.kind.value for row in self.rows for flag in row.flags)
        return tuple(sorted(found.items(), key=lambda item: (-item[1], item[0])))


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
    shown = readable_name(source.name)
    workspace = ws.load_workspace(folder)
    reading = anchors.whole_record(workspace)
    lives = list(factor_life.lives(reading).values())
    found = read_means(source, workspace, table)
    rows = tuple(correct_mean(value, lives, lab_method) for value in found.values)
    if not rows:
        raise ReconcileError(
            f"{shown} has no sample with a result of an element of the settings.",
            "See 'reconcile check' for how its columns are understood.",
        )
    result = CorrectedTable(
        target, shown, ws.sha256_of(source), reading.head, found.table, rows, found.notes
    )
    write_whole(target, _bytes(result), new=True)
    return result


@dataclass(frozen=True, slots=True)
class FieldTable:
    """What one field table gives, whatever its month."""

    table: str  # of the settings, that read it
    values: tuple[FieldMean, ...]
    notes: tuple[str, ...]
    checks: tuple[QualityCheck, ...]  # of reference materials that stand in it
    positions: tuple[Position, ...] = ()  # of its samples
    places: tuple[PartPlace, ...] = ()  # of the part, where the table holds one sample


def read_means(source: Path, workspace: Workspace, table: str = "") -> FieldTable:
    """Read a field table with the named table of the settings, else with the first that fits."""
    known = _known(workspace)
    chosen, read = _read(source, workspace, table, known.ids)
    values, notes, checks, positions, at = _means(source, chosen, read, workspace, known)
    name = chosen.name or ", ".join(chosen.files)
    return FieldTable(name, tuple(values), tuple(notes), checks, positions, at)


@dataclass(frozen=True, slots=True)
class _Known:
    """The sample register and the aliases, whatever their month."""

    tables: tuple[tuple[FoundFile, tuple[TypedTable, ...]], ...]
    notes: tuple[str, ...]

    @property
    def ids(self) -> frozenset[str]:
        """The ids that stand in them, by which one of several id columns is chosen."""
        columns = [
            sheet.facts.column(fact)
            for _, sheets_read in self.tables
            for sheet in sheets_read
            if sheet.kind != "reference materials"
            for fact in (("written_id",) if sheet.kind == "aliases" else ("sample_id",))
        ]
        return frozenset(str(t) for column in columns for t in column.to_pylist() if t)


def _known(workspace: Workspace) -> _Known:
    read, notes = [], []
    for file in ws.files_of_every_month(
        workspace, "sample register", "aliases", "reference materials"
    ):
        table, zone = workspace.table(file.table_index), workspace.settings.workspace.time_zone
        try:
            read.append((file, read_balanced(file.path, file.shown, table, zone=zone)))
        except ReconcileError as error:
            notes.append(f"{file.shown} was not used: {error.message}")
    return _Known(tuple(read), tuple(notes))


def _read(
    source: Path, workspace: Workspace, name: str, met_ids: frozenset[str]
) -> tuple[TableSettings, tuple[TypedTable, ...]]:
    """Read with the named field table, else with the first that fits: by its pattern first."""
    settings, shown = workspace.settings, readable_name(source.name)
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
            zone = settings.workspace.time_zone
            read = read_balanced(source, shown, table, zone=zone, met_ids=met_ids)
        except ReconcileError as error:
            problems.append(f"  - as '{table.name or table.files[0]}': {error}")
            continue
        if any(sheet.analytes and len(sheet.facts) for sheet in read):
            return table, read
        problems.append(f"  - as '{table.name or table.files[0]}': no row with a result")
    raise ReconcileError(
        "\n".join(
            [
                f"{shown} can't be read as a field table of reconcile.toml:",
                *problems,
            ]
        ),
        "Name the table whose settings fit with --table.",
    )


def _means(
    source: Path,
    chosen: TableSettings,
    read: tuple[TypedTable, ...],
    workspace: Workspace,
    known: _Known,
) -> tuple[
    list[FieldMean], list[str], tuple[QualityCheck, ...], tuple[Position, ...],
    tuple[PartPlace, ...],
]:  # fmt: skip
    settings = workspace.settings
    # Every row of the table counts, whatever its month; dates are judged per value.
    whole = settings.model_copy(
        update={"workspace": settings.workspace.model_copy(update={"assign_rows_by": "nothing"})}
    )
    workspace = replace(workspace, settings=whole)
    zone = settings.workspace.time_zone
    notes: list[str] = [*known.notes]
    notes += [
        f"column '{column.heading}' may hold the sample id too: {column.why}"
        for sheet in read
        for column in sheet.columns
        if (column.role, column.key) == ("unclear", "sample_id")
    ]
    with Store(None) as store:
        shown, size = readable_name(source.name), source.stat().st_size
        added = store.add(shown, "", "field only", "field", size, read)
        run_files = [RunFile(added.file_id, 0, False)]
        for place, (file, content) in enumerate(known.tables, start=1):
            kind = workspace.table(file.table_index).kind
            stored = store.add(file.shown, str(file.table_index), "register", kind, 0, content)
            run_files.append(RunFile(stored.file_id, place, False))
        run = pipeline.begin(workspace, "field-only", store)
        run = pipeline.settle_identities(replace(run, run_files=tuple(run_files)))
        keys = sides.keys_of(store, "field", settings.workspace.elements)
        means = field_means(store, keys, settings.thresholds, zone)
        stated = store.frame(sql("field_values.positions")).to_dict("records")
        positions, refused_positions = positions_of(stated, settings.workspace)
        one = len({m.sample_id for m in means}) == 1
        at = part_places.of_one(store, keys) if one else ()
        controls = control_results.control_rows(store, "field", keys, zone)
        checks = quality.judge_reference_materials(
            controls, controls[:0], of_run(run, "reference_material"), settings.thresholds,
            settings.limits_of,
        )  # fmt: skip
        notes += [
            f"{count} rows: {reason}"
            for reason, count in store.rows(sql("applying.other_dispositions"))
        ]
    if refused_positions:
        notes.append(f"{refused_positions} rows: coordinates that can't be read as two numbers")
    refused = pd.concat([sheet.quarantine for sheet in read])
    notes += [
        f"row {row['row']}, {row['column'] or 'whole row'}: refused, {row['reason']}"
        for row in refused.to_dict("records")
    ]
    means.sort(key=lambda m: (m.sample_id, m.element, m.field_method, m.specimen_form))
    return means, notes, tuple(checks), positions, at


# ---- writing --------------------------------------------------------------------------

_TEXTS = (
    "sample_id", "element", "field_method", "matrix", "specimen_form", "moisture_basis",
    "first_day", "last_day", "qualifier", "result", "factor_id", "form", "basis", "flags",
    "source", "source_sha256", "record_head",
)  # fmt: skip
COLUMNS = (
    "sample_id", "element", "field_method", "matrix", "specimen_form", "moisture_basis",
    "first_day", "last_day", "spots", "qualifier", "raw_mg_kg", "raw_low_mg_kg",
    "raw_high_mg_kg", "result", "corrected_mg_kg", "expanded_uncertainty_mg_kg",
    "coverage_factor", "low_mg_kg", "high_mg_kg", "factor_id", "form", "basis", "flags",
    "source", "source_sha256", "record_head",
)  # fmt: skip


def _cells(row: Corrected, table: CorrectedTable) -> list[Any]:
    raw = row.raw
    done = not row.flags
    result = "not corrected" if not done else "as read" if row.form == "none" else "corrected"
    values = {
        **{field.name: getattr(raw, field.name) for field in dataclasses.fields(FieldMean)},
        "field_method": raw.field_method,
        "raw_mg_kg": raw.low if not raw.qualifier else math.nan,
        "raw_low_mg_kg": raw.low,
        "raw_high_mg_kg": raw.high,
        "result": result,
        "corrected_mg_kg": row.corrected,
        "expanded_uncertainty_mg_kg": row.expanded_uncertainty,
        "coverage_factor": factor_proposal.COVERAGE if done else math.nan,
        "low_mg_kg": row.low,
        "high_mg_kg": row.high,
        "factor_id": row.factor_id,
        "form": row.form,
        "basis": row.basis,
        "flags": "; ".join(flag.text for flag in row.flags),
        "source": table.source,
        "source_sha256": table.source_sha256,
        "record_head": table.record_head,
    }
    return [values[name] for name in COLUMNS]


def _bytes(table: CorrectedTable) -> bytes:
    rows: Sequence[list[Any]] = [_cells(row, table) for row in table.rows]
    ending = table.path.suffix.lower()
    if ending == ".csv":
        return to_csv(COLUMNS, rows)
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
    book = Book()
    sheet = book.sheet("corrected")
    columns = [
        sheets.Column(
            name, "text" if name in _TEXTS else "integer" if name == "spots" else "number"
        )
        for name in COLUMNS
    ]
    sheets.table(sheet, columns, rows)
    notes = book.sheet("notes")
    sheets.table(notes, [sheets.Column("note", "text", 100.0)], [[n] for n in table.notes])
    return book.saved("Corrected field results", "")
