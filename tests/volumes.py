"""Pages of a release's two volumes, for tests that ask what stands in either."""

from __future__ import annotations

import io
from pathlib import Path

from pypdf import PageObject, PdfReader

from reconcile.base.model.release import Reconciliation
from reconcile.releases import kept_value
from reconcile.reporting.document.audit import audit
from reconcile.reporting.document.report import report


def pages_of(folder: Path) -> list[PageObject]:
    """The report of the release in ``folder``, then its audit volume, drawn from its value."""
    drawn = audit(kept_value.read(folder))
    return [*PdfReader(folder / "report.pdf").pages, *PdfReader(io.BytesIO(drawn)).pages]


def both(r: Reconciliation) -> list[PageObject]:
    """The same of a value that was never released."""
    return [page for make in (report, audit) for page in PdfReader(io.BytesIO(make(r))).pages]
