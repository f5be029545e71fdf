"""Figures are records: one more record and its words, and it stands everywhere."""

import csv
import html
import io
import json
import re
from dataclasses import replace

import numpy as np
import openpyxl
import pytest

from reconcile.base.model.release import Reconciliation
from reconcile.figures import registry
from reconcile.figures.definition import Definition, Group, Place, Side, Studied
from reconcile.reporting import words
from reconcile.reporting.document import figure_rows, screen, workbook
from reconcile.reporting.figures import by_key, figures_of
from reconcile.reporting.manner import styled
from reconcile.reporting.render.tables import data_files
from reconcile.statistics.result import Estimate
from tests.reporting import builder

CODE, LABEL = "middle_ratio", "Middle of the ratios, field/lab"


def middle(x: Studied) -> Estimate:
    ratio = np.quantile(x.field / x.lab, [0.25, 0.5, 0.75])
    return Estimate(ratio[1], float("nan"), ratio[0], ratio[2], len(x.lab), 0.5, "quartiles")


@pytest.fixture
def release(monkeypatch: pytest.MonkeyPatch) -> Reconciliation:
    """A release made while the registry holds one figure more."""
    one: Definition[object] = Definition(
        CODE, "ratio", compute=middle, places=(Place(Side.LEFT, 15),), source="this test"
    )
    more = Group(lambda s: (s,), (one,))
    monkeypatch.setattr(registry, "FIGURES", (*registry.FIGURES, more))
    monkeypatch.setitem(words.FIGURES, CODE, LABEL)
    return builder.reconciliation([builder.ordinary.__wrapped__()])  # not the kept one


def test_one_more_record_stands_in_csv_json_sheet_and_page(release: Reconciliation) -> None:
    (result,) = release.results
    used = result.pairs.loc[result.pairs["used"]]
    truth = float(np.median(used["field_mean"] / used["lab_mean"]))

    rows = csv.DictReader(io.StringIO(data_files(release)["statistics.csv"].decode()))
    (row,) = (row for row in rows if row["figure"] == CODE)
    assert (row["label"], row["unit"], row["n"]) == (LABEL, "1", "40")
    assert float(row["value"]) == pytest.approx(truth)

    (stratum,) = json.loads(data_files(release)["statistics.json"])["strata"]
    assert stratum["figures"][CODE]["value"] == pytest.approx(truth)

    book = openpyxl.load_workbook(io.BytesIO(workbook.workbook(release)))
    sheet = book[words.SHEETS["statistics"]]
    (cells,) = (r for r in sheet.iter_rows(values_only=True) if r[4] == LABEL)
    assert cells[5] == pytest.approx(truth)

    shown, _ = by_key(result.statistics)[CODE].texts(1)
    page = screen.page(release).decode()
    assert re.search(f"{re.escape(LABEL)}</td><td[^>]*>{re.escape(shown)}<", page)
    names = [row[0] for row in figure_rows.left_rows(result)]
    assert names.index(LABEL) == 1  # in its place: behind the ratio


def test_a_record_without_words_is_told_by_its_code(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(words.FIGURES, "hodges_lehmann")
    with pytest.raises(KeyError, match="hodges_lehmann"):
        figures_of(builder.ordinary.__wrapped__().statistics)


def test_every_record_has_its_words_its_source_and_a_code_of_its_own() -> None:
    codes = [d.code for d in registry.definitions()]
    assert len(codes) == len(set(codes)) > 90
    for d in registry.definitions():
        assert d.source, d.code
        assert (d.label or d.code) in words.FIGURES, d.code
        assert (d.read is None) == (d.compute is not None), d.code
    labels = {d.label or d.code for d in registry.definitions()}
    assert set(words.FIGURES) == labels  # no words without a figure


def test_every_figure_of_a_release_is_in_csv_json_sheet_and_further_ones_on_the_page() -> None:
    value = builder.mixed()
    made = data_files(value)
    rows = csv.DictReader(io.StringIO(made["statistics.csv"].decode()))
    in_csv = {(row["stratum"].lstrip("'"), row["figure"]) for row in rows}
    in_json = {
        (s["key"], code)
        for s in json.loads(made["statistics.json"])["strata"]
        for code in s["figures"]
    }
    expected = {(x.stratum.key, f.key) for x in value.results for f in figures_of(x.statistics)}
    assert {(key.lstrip("'"), code) for key, code in expected} == in_csv
    assert expected == in_json
    seen = {f.definition.code for x in value.results for f in figures_of(x.statistics)}
    # limits by level: where the spread changes with it; york needs a mixed error structure
    assert {d.code for d in registry.definitions()} - seen <= {
        "limits_at_{n}", "limits_at_{n}_lower", "limits_at_{n}_upper",
    }  # fmt: skip


def test_the_number_of_a_figure_is_its_own_in_its_group() -> None:
    result = builder.censored()  # two decision levels
    found = [f for f in figures_of(result.statistics) if f.definition.code == "level_{n}_value"]
    assert [(f.key, f.order) for f in found] == [("level_1_value", 1), ("level_2_value", 2)]
    bare = replace(result.statistics, levels=())
    assert not [f for f in figures_of(bare) if f.key.startswith("level_1_")]


def test_every_figure_of_a_release_stands_on_the_page_in_the_part_of_its_stratum() -> None:
    value = builder.mixed()
    page = screen.page(value).decode()
    for place, x in enumerate(value.results, start=1):
        part = re.search(rf'<section id="stratum-{place}".*?</section>', page, re.DOTALL)[0]
        text = html.unescape(re.sub(r"<svg.*?</svg>|<[^>]+>", "\n", part, flags=re.DOTALL))
        cells = {line.strip() for line in text.split("\n")}
        missing = []
        for f in figures_of(x.statistics):
            shown, interval = map(styled, f.texts(x.per_mg_kg))
            if not {shown, interval} & cells and shown not in text:
                missing.append(f.key)
        assert missing == [], x.stratum.label
