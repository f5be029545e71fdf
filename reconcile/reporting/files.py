"""One ``Reconciliation`` in, the files of a release out; equal values give equal bytes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from reconcile.base.model.release import EACH_RUN, Reconciliation
from reconcile.releases import kept_rows, kept_value

__all__ = ["DOCUMENTS", "DRAWN", "write_release"]

Make = Callable[[Reconciliation], bytes]


# Each is loaded when it is drawn, so that reading the words alone stays quick.


def _report(r: Reconciliation) -> bytes:
    from reconcile.reporting.document.report import report

    return report(r)


def _audit(r: Reconciliation) -> bytes:
    from reconcile.reporting.document.audit import audit

    return audit(r)


def _page(r: Reconciliation) -> bytes:
    from reconcile.reporting.document.screen import page

    return page(r)


def _workbook(r: Reconciliation) -> bytes:
    from reconcile.reporting.document.workbook import workbook

    return workbook(r)


#: The documents by what a person calls them: the file's name, and what draws it.
DOCUMENTS: dict[str, tuple[str, Make]] = {
    "report": ("report.pdf", _report),
    "audit": ("audit.pdf", _audit),
    "page": ("report.html", _page),
    "workbook": ("workbook.xlsx", _workbook),
}


def _pairs(r: Reconciliation) -> bytes:
    from reconcile.reporting.render.tables import pairs_csv

    return pairs_csv(r)


#: What can be drawn of a release again: its documents, and its pairs as CSV where they are packed.
DRAWN = DOCUMENTS | {"pairs": (kept_rows.CSV, _pairs)}


def write_release(reconciliation: Reconciliation, folder: Path) -> tuple[str, ...]:
    """Write every file of the release (but the manifest) into an existing empty folder.

    Returns the names of the files: the documents (audit.pdf only where each run writes it), the
    data files, and the value that all of them are drawn from.
    Raises OSError where the folder can't be written.
    """
    from reconcile.reporting import figures, pair_lists
    from reconcile.reporting.render.tables import data_files

    files = {
        name: make(reconciliation)
        for document, (name, make) in DOCUMENTS.items()
        if document != "audit" or reconciliation.audit == EACH_RUN
    }
    files |= data_files(reconciliation)
    files[kept_value.NAME] = kept_value.packed(reconciliation)
    figures.forget()
    pair_lists.forget()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return tuple(files)
