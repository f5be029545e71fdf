import subprocess
import sys
import time
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
import pandera.pandas as pa
import pytest

import schemas
from reconcile.base.model.tables import PAIR_COLUMNS
from reconcile.intake import tables
from schemas.common import contract


def facts(names: Iterable[str], rows: int = 3, **given: Any) -> pd.DataFrame:
    frame = pd.DataFrame({name: [None] * rows for name in names if name != "row"})
    for name, values in given.items():
        frame[name] = values
    return frame


def field(**given: Any) -> pd.DataFrame:
    given.setdefault("sample_id", ["S1", "S2", "S3"])
    given.setdefault("technique", ["XRF"] * 3)
    return facts(tables.FIELD_FACTS, **given)


def test_valid_rows_break_nothing() -> None:
    values = pd.DataFrame({"Cu": [1.0, np.nan, 3.0], schemas.SUM_COLUMN: [1.0, 0.0, 3.0]})
    assert schemas.validate("field", field(), values) == []


def test_the_quick_answer_is_pandera_s_own() -> None:
    """Whatever a column holds: rows pass without the full account where it finds nothing."""
    columns = {
        "sample_id": [["S1", "S2"], ["S1", None], ["S1", "x" * 201], [None, None], ["", pd.NA]],
        "technique": [["XRF", "LIBS"], ["XRF", "NMR"], [None, None], [np.nan, "XRF"]],
        "moisture_pct": [[1.0, np.nan], [-1.0, 2.0], [np.nan, np.nan], [None, None], [None, 3.0]],
        "count_time_s": [[1, 2], [0, 1], [np.inf, 5.0], ["60", 1.0]],
    }
    asked = []
    for name, tried in columns.items():
        for values in tried:
            for dtype in (None, "string", "str"):
                frame = pd.DataFrame({name: pd.Series(values, dtype=dtype)})
                rules = contract({name: schemas.field_reading.SCHEMA.columns[name]}, "one column")
                try:
                    rules.pandera.validate(frame, lazy=True)
                    whole = True
                except (pa.errors.SchemaErrors, pa.errors.SchemaError):
                    whole = False
                assert rules.kept_by(frame) == whole, (name, values, dtype)
                asked.append(whole)
    assert True in asked
    assert False in asked


def test_valid_rows_need_no_pandera() -> None:
    code = (
        "import sys, pandas as pd\n"
        "from reconcile import schemas\n"
        "frame = pd.DataFrame({'sample_id': ['S1', 'S2'], 'technique': ['XRF', None]})\n"
        "assert schemas.validate('field', frame) == []\n"
        "assert schemas.fact_failures('field', 'moisture_basis', 'dry') == []\n"
        "assert 'pandera' not in sys.modules\n"
        "assert schemas.fact_failures('field', 'moisture_basis', 'damp')\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_empty_tables_are_valid() -> None:
    for kind, names in (
        ("field", tables.FIELD_FACTS),
        ("lab", tables.LAB_FACTS),
        ("sample register", tables.REGISTER_FACTS),
        ("custody", tables.CUSTODY_FACTS),
        ("reference materials", tables.REFERENCE_FACTS),
        ("aliases", tables.ALIAS_FACTS),
    ):
        assert schemas.validate(kind, facts(names, rows=0), None) == []


@pytest.mark.parametrize(
    ("given", "reason"),
    [
        ({"sample_id": ["S1", None, "S3"]}, "no sample id"),
        ({"sample_id": ["S1", "x" * 201, "S3"]}, "longer than 200"),
        ({"technique": ["XRF", "NMR", "LIBS"]}, "the technique is none of: LIBS, XRF"),
        ({"sample_kind": [None, "mystery", "blank"]}, "sample kind"),
        ({"moisture_pct": [5.0, 130.0, None]}, "moisture is outside 0 to 100 %"),
        ({"moisture_basis": [None, "soggy", "dry"]}, "moisture basis"),
        ({"spot_class": [None, "pretty", "random"]}, "spot class"),
        ({"count_time_s": [60.0, 0.0, None]}, "count time is not above zero"),
        ({"duplicate_kind": [None, "odd", "pulp"]}, "kind of duplicate"),
    ],
)
def test_broken_field_facts_name_the_row_and_the_reason(given: dict[str, Any], reason: str) -> None:
    (failure,) = schemas.validate("field", field(**given), None)
    assert (failure.row, failure.column) == (1, "")
    assert reason in failure.reason
    assert failure.advice


def test_one_row_may_break_several_rules() -> None:
    found = schemas.validate("field", field(sample_id=[None] * 3, technique=["?"] * 3), None)
    assert len(found) == 6
    assert [f.row for f in found] == [0, 0, 1, 1, 2, 2]


def test_results_are_checked_cell_by_cell() -> None:
    values = pd.DataFrame({"Cu@ICP": [1.0, 1e6 + 1, -5.0], "Zn": [np.nan, 1e6, 0.0]})
    found = schemas.validate("lab", _lab(), values)
    assert [(f.row, f.column, f.found) for f in found] == [(1, "Cu@ICP", "1000001")]
    found = schemas.validate("lab", _lab(), values, negative_allowed=False)
    assert [(f.row, f.reason) for f in found][1] == (2, "a negative result")


def test_a_row_may_not_exceed_the_whole_sample_by_more_than_two_percent() -> None:
    values = pd.DataFrame({"Si": [4e5] * 3, schemas.SUM_COLUMN: [1.02e6, 1.0201e6, 5e5]})
    (failure,) = schemas.validate("lab", _lab(), values)
    assert (failure.row, failure.column) == (1, "")


def test_light_elements_are_refused_for_xrf_only() -> None:
    values = pd.DataFrame({"Li": [1.0, 2.0, np.nan], "C@x": [1.0, 1.0, 1.0], "Na": [1.0] * 3})
    frame = field(technique=["XRF", "LIBS", None])
    found = schemas.validate("field", frame, values)
    assert [(f.row, f.column) for f in found] == [(0, "C@x"), (0, "Li"), (0, "Na")]
    assert schemas.validate("lab", _lab(), values) == []


def test_lab_facts_are_checked() -> None:
    frame = _lab(digestion_class=["partial", "brief", None], digest_volume_ml=[100.0, None, 0.0])
    assert [(f.row, f.reason[:20]) for f in schemas.validate("lab", frame, None)] == [
        (1, "the digestion class "),
        (2, "the digest volume is"),
    ]


def _lab(**given: Any) -> pd.DataFrame:
    given.setdefault("sample_id", ["S1", "S2", "S3"])
    return facts(tables.LAB_FACTS, **given)


def test_custody_events_need_an_act_a_time_and_a_thing() -> None:
    time = pd.Timestamp("2026-10-01", tz="UTC")
    frame = facts(
        tables.CUSTODY_FACTS,
        event=["sealed", None, "sealed"],
        at=[time, time, pd.NaT],
        sample_id=["S1", "S1", None],
        dispatch=[None, None, "D1"],
    )
    assert [(f.row, f.reason) for f in schemas.validate("custody", frame, None)] == [
        (1, "no event"),
        (2, "no date and time"),
    ]
    frame["dispatch"] = None
    reasons = [f.reason for f in schemas.validate("custody", frame, None)]
    assert "neither a sample nor a dispatch is named" in reasons


def test_reference_materials_need_a_known_element_and_a_possible_value() -> None:
    frame = facts(
        tables.REFERENCE_FACTS,
        reference_code=["R1", "R1", None],
        element=["Cu", "Unobtainium", "Zn"],
        certified_mg_kg=[5.0, 5.0, 2e6],
    )
    found = [(f.row, f.reason) for f in schemas.validate("reference materials", frame, None)]
    assert found == [
        (1, "no known element"),
        (2, "no reference material code"),
        (2, "the certified value is outside 0 to 1e+06 mg/kg"),
    ]


def test_registers_and_aliases_need_ids() -> None:
    register = facts(tables.REGISTER_FACTS, sample_id=["S1", None, "S3"])
    assert [f.row for f in schemas.validate("sample register", register, None)] == [1]
    aliases = facts(tables.ALIAS_FACTS, written_id=["a", "b", None], sample_id=["A", None, "C"])
    assert [f.row for f in schemas.validate("aliases", aliases, None)] == [1, 2]


def pairs(**given: Any) -> pd.DataFrame:
    frame = pd.DataFrame({name: [None] * 2 for name in PAIR_COLUMNS})
    frame = frame.assign(
        stratum="Cu | x", sample_id=["S1", "S2"], field_qualifier="", lab_qualifier="",
        field_n=3, lab_n=1, field_low=1.0, field_high=1.0, lab_low=1.0, lab_high=2.0,
        custody="complete", used=[True, False], reason_code=["", "custody-broken"],
    )  # fmt: skip
    return frame.assign(**given)


def test_pairs_are_balanced_and_ordered() -> None:
    assert schemas.pair.failures(pairs()) == []
    (failure,) = schemas.pair.failures(pairs(reason_code=["", ""]))
    assert (failure.row, failure.reason[:30]) == (1, "a pair that is not used carrie")
    (failure,) = schemas.pair.failures(pairs(lab_low=[3.0, 1.0]))
    assert failure.row == 0
    found = schemas.pair.failures(pairs(field_n=[0, 3], custody=["complete", "lost"]))
    assert [f.row for f in found] == [0, 1]


def test_big_tables_are_checked_in_seconds() -> None:
    n = 200_000
    frame = pd.DataFrame({"sample_id": ["S"] * n, "technique": ["XRF"] * n})
    values = pd.DataFrame(np.ones((n, 40)), columns=[f"E{i}" for i in range(40)])
    start = time.process_time()
    assert schemas.validate("field", frame, values) == []
    assert time.process_time() - start < 5
