"""Parts place by place in report, page and workbook."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

import reconcile
from reconcile.reporting import words
from tests import volumes
from tests.test_parts import site


@pytest.mark.slow
def test_places_profiles_and_ordered_grades_stand_in_report_page_and_workbook(
    tmp_path: Path,
) -> None:
    outcome = reconcile.run_period(site(tmp_path / "w"), "all")
    page = (outcome.release_folder / "report.html").read_text("utf-8")
    assert words.PARTS_PLACES in page
    assert words.PARTS_ORDERED in page
    assert words.PARTS_PROFILE_TITLE.format(element="Cr", sample="L1") in page
    book = openpyxl.load_workbook(outcome.release_folder / "workbook.xlsx")
    cells = [str(c.value) for row in book["Conformity"].iter_rows() for c in row]
    assert {"70 mm", "weld, weld metal", "Lean"} <= set(cells)
    text = "\n".join(p.extract_text() for p in volumes.pages_of(outcome.release_folder))
    assert words.PARTS_APART in text
