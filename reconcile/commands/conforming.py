"""One month's specimens against the specification limits, without a release."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.grades import ConformityRecord
from reconcile.base.model.account import Finding
from reconcile.base.spreadsheet import to_csv
from reconcile.base.writing import write_whole
from reconcile.intake import workspace as ws
from reconcile.reporting import words
from reconcile.reporting.document import conformity_sheet
from reconcile.reporting.render import conformity_table, sheets
from reconcile.reporting.render.grid import Book
from reconcile.reporting.render.sheets import Column
from reconcile.run import pipeline
from reconcile.store.database import Store

ENDINGS = (".csv", ".xlsx")


@dataclass(frozen=True, slots=True)
class Conformed:
    """What was judged, and where it was written."""

    period: str
    record: ConformityRecord
    samples: tuple[str, ...]  # asked for; empty: all
    path: Path | None
    told: tuple[Finding, ...] = ()  # of store and archive


def conform(
    folder: Path, period: str, samples: tuple[str, ...] = (), to: Path | None = None
) -> Conformed:
    """Judge the specimens of a period; write them to ``to`` (.csv or .xlsx), a new file.

    ``samples`` keeps these ids only. Raises ReconcileError where the settings name no table
    of specification limits, none could be read, or a sample has no result of its elements.
    """
    if to is not None and to.suffix.lower() not in ENDINGS:
        raise ReconcileError(
            f"'{to.name}' does not say how to write.", f"End it in {' or '.join(ENDINGS)}."
        )
    if to is not None and to.exists():
        raise ReconcileError(f"{to} exists already.", "Name a new file.")
    workspace = ws.load_workspace(folder)
    if not any(t.kind == words.CONFORM_SPECIFICATION_LIMITS for t in workspace.settings.table):
        raise ReconcileError(
            "reconcile.toml names no table of specification limits.",
            'Add a [[table]] with kind = "specification limits": one row per grade and element, '
            "with the columns grade, element, minimum, maximum and unit.",
        )
    with Store(workspace.store_file, engine=workspace.engine) as store:
        run = pipeline.begin(workspace, period, store)
        for _, step in pipeline.STEPS[:-1]:
            run = step(run)
    record = run.conformity
    if record is None or not record.grades:
        raise ReconcileError(
            "No specification limit could be read.",
            f"'reconcile check {period}' shows how the table was understood.",
        )
    if samples:
        wanted = set(samples)
        kept = tuple(s for s in record.specimens if s.results.sample_id in wanted)
        if lost := wanted - {s.results.sample_id for s in kept}:
            raise ReconcileError(
                f"No result of an element with limits for {', '.join(sorted(lost))} in {period}.",
                "Check the id, and 'specimen_forms' under [conformity].",
            )
        record = replace(record, specimens=kept)
    if to is not None:
        paper = workspace.settings.report.paper
        write_whole(to, _bytes(record, to.suffix.lower(), period, paper), new=True)
    return Conformed(period, record, samples, to, run.told)


def _bytes(record: ConformityRecord, ending: str, period: str, paper: str) -> bytes:
    rows = list(conformity_table.rows(record))
    if ending == ".csv":
        return to_csv(conformity_table.COLUMNS, rows)
    book = Book()
    conformity_sheet.sheet(book.sheet("conformity"), record)
    texts = conformity_table.TEXT_COLUMNS
    columns = [Column(c, "text" if c in texts else "number", 14) for c in conformity_table.COLUMNS]
    sheets.table(book.sheet("elements"), columns, rows[: sheets.MOST_ROWS])
    for sheet in book.sheets:
        sheets.set_up(sheet, paper, period)
    return book.saved(words.CONFORM_CONFORMITY_WITH_SPECIFICATION, "")
