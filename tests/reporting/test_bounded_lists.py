"""Page and workbook list pairs up to a setting, and say where the rest is."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import openpyxl

from reconcile.reporting import words
from reconcile.reporting.document import screen, workbook
from tests.reporting import builder


def test_the_workbook_holds_whole_strata_up_to_its_setting_and_says_where_the_rest_is() -> None:
    r = builder.many(3, n=41)
    total = sum(len(x.pairs) for x in r.results)
    book = openpyxl.load_workbook(io.BytesIO(workbook.workbook(replace(r, workbook_pairs=100))))
    sheet = book[words.SHEETS["pairs"]]
    cells = [[c for c in row if c is not None] for row in sheet.iter_rows(values_only=True)]
    assert words.TRUNCATED.format(shown=82, total=total, file="pairs.csv") in [
        row[0] for row in cells if row
    ]
    listed = {row[1] for row in sheet.iter_rows(min_row=2, max_row=83, values_only=True)}
    assert listed == {x.stratum.element for x in r.results[:2]}


def test_the_page_lists_pairs_of_a_stratum_up_to_its_setting() -> None:
    r = replace(builder.many(1, n=41), page_pairs=10)
    page = screen.page(r).decode()
    (x,) = r.results
    shown = page.split(words.PAIRS_OF.format(label=x.stratum.label))[1]
    rows = re.findall(r"<tr>", shown.split("</details>")[0])
    assert len(rows) == 1 + 10
    assert "pairs.csv" in shown.split("</details>")[0]
