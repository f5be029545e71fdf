"""One ``Reconciliation`` in, the files of a release out; equal values give equal bytes."""

from __future__ import annotations

from pathlib import Path

from reconcile.base.model import Reconciliation
from reconcile.releases import kept_value

__all__ = ["write_release"]


def write_release(reconciliation: Reconciliation, folder: Path) -> tuple[str, ...]:
    """Write every file of the release (but the manifest) into an existing empty folder.

    Returns the names of the files: report.pdf, report.html, workbook.xlsx, the data
    files, and the value that all of them are drawn from.
    Raises OSError where the folder can't be written.
    """
    from reconcile.reporting import figures

    # Loaded here so that reading the words alone stays quick.
    from reconcile.reporting.document.report import report
    from reconcile.reporting.document.screen import page
    from reconcile.reporting.document.workbook import workbook
    from reconcile.reporting.render.tables import data_files

    files = {
        "report.pdf": report(reconciliation),
        "report.html": page(reconciliation),
        "workbook.xlsx": workbook(reconciliation),
        **data_files(reconciliation),
        kept_value.NAME: kept_value.packed(reconciliation),
    }
    figures.forget()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return tuple(files)
