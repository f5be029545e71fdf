"""JSON and XML tables by a mapping in the settings."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.intake import records
from reconcile.intake.read import read_balanced

JSON = """{"run": [{"started": "2026-10-05T08:00Z", "readings": [
 {"sample": {"id": "S1"}, "results": {"Cu": 12.50, "Zn": "<5"}},
 {"sample": {"id": "S2"}, "results": {"Cu": 7, "Zn": null}}]},
 {"started": "2026-10-06T08:00Z", "readings": [{"sample": {"id": "S3"}, "results": {"Cu": 9}}]}]}"""
XML = """<?xml version="1.0"?><lab:report xmlns:lab="urn:x"><!-- <sample id="no"/> -->
<lab:batch number="C7"><lab:sample id="S1"><lab:value unit="mg/kg">12.50</lab:value></lab:sample>
<lab:sample id="S2"><lab:value unit="mg/kg">&lt;5</lab:value></lab:sample></lab:batch>
<lab:batch number="C8"><lab:sample id="S3"/></lab:batch></lab:report>"""


def table(kind: str, at: str, **fields: str) -> TableSettings:
    return TableSettings.model_validate(
        {"kind": kind, "files": ["x"], "unit": "mg/kg", "records": {"at": at, "fields": fields}}
    )


def test_records_of_json_are_rows_and_what_stands_around_them_is_a_column(tmp_path: Path) -> None:
    path = tmp_path / "f.json"
    path.write_text(JSON, "utf-8")
    how = table("field", "run.readings", **{
        "Sample": "sample.id", "Cu": "results.Cu", "Zn": "results.Zn", "Date Time": "^.started",
    })  # fmt: skip
    (read,) = read_balanced(path, "f.json", how, zone="UTC")
    assert read.facts.column("sample_id").to_pylist() == ["S1", "S2", "S3"]
    assert read.facts.column("row").to_pylist() == [2, 3, 4]
    assert [t.day for t in read.facts.column("measured_at").to_pylist()] == [5, 5, 6]
    assert read.counted.records == 3


def test_elements_and_attributes_of_xml_are_columns(tmp_path: Path) -> None:
    path = tmp_path / "l.xml"
    path.write_text(XML, "utf-8")
    how = table("lab", "report.batch.sample", **{
        "Sample": "@id", "Cu": "value", "Certificate": "^.@number",
    })  # fmt: skip
    (read,) = read_balanced(path, "l.xml", how, zone="UTC")
    assert read.facts.column("sample_id").to_pylist() == ["S1", "S2"]
    assert read.facts.column("certificate").to_pylist() == ["C7", "C7"]
    assert read.quarantine["row"].tolist() == [4]  # S3 holds no result
    assert read.counted.records == 3


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", "no sound JSON"), ('{"a": [{"x": 1, "x": 2}]}', "stands twice"),
        ('{"a": [{"x": [1, 2]}]}', "holds a list"), ('{"b": 1}', "no record at 'a'"),
        ('{"a": [{"x": NaN}]}', "no number of JSON"), ("[" * 100_000, "no sound JSON"),
        ("<a><x>1</x>", "no sound XML"),
        ('<!DOCTYPE a [<!ENTITY b "c">]><a><x>&b;</x></a>', "entities of its own"),
    ],
)  # fmt: skip
def test_what_is_damaged_or_hostile_is_told_and_ends_in_no_traceback(
    tmp_path: Path, text: str, says: str
) -> None:
    path = tmp_path / "f.json"
    path.write_text(text, "utf-8")
    with pytest.raises(ReconcileError) as told:
        read_balanced(path, "f.json", table("field", "a", Sample="x"), zone="UTC")
    assert says in told.value.message


def test_a_file_of_records_without_a_mapping_says_what_to_write(tmp_path: Path) -> None:
    path = tmp_path / "f.json"
    path.write_text(JSON, "utf-8")
    with pytest.raises(ReconcileError) as told:
        read_balanced(path, "f.json", TableSettings(kind="field", files=("x",)), zone="UTC")
    assert "records = {" in told.value.advice


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 9) | st.text('a"\\{}[],:é', max_size=4),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["a", "b", "c"]), inner, max_size=3)
    ),
    max_leaves=12,
)


@settings(max_examples=150)
@given(value=VALUES, at=st.lists(st.sampled_from(["a", "b"]), min_size=1, max_size=3))
def test_the_count_over_the_bytes_is_that_of_the_parser(value: object, at: list[str]) -> None:
    content = json.dumps({"a": value}, ensure_ascii=False).encode()
    found = list(records._records(json.loads(content), tuple(at)))
    assert records.count(content, tuple(at), False) == len(found)
