from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence import custody
from reconcile.intake.tables import CUSTODY_FACTS
from tests.test_custody_faults import START, Tables, clean

NOTHING = pd.DataFrame()
GAPS = st.sampled_from([None, float("nan"), pd.NaT, pd.NA, ""])


def test_without_any_event_every_sample_is_not_recorded_and_one_note_says_so() -> None:
    lab = pd.DataFrame({"sample_id": ["A-1", "A-2"]})
    judgement = custody.judge(NOTHING, NOTHING, lab, NOTHING, Thresholds())
    assert judgement.status == {"A-1": "not recorded", "A-2": "not recorded"}
    assert [f.severity for f in judgement.findings] == ["note"]
    assert judgement.of("never met") == "not recorded"


def test_empty_tables_give_an_empty_judgement() -> None:
    judgement = custody.judge(NOTHING, NOTHING, NOTHING, NOTHING, Thresholds())
    assert judgement.status == {}
    assert "0 samples" in judgement.sentence()


def test_every_spelling_of_one_id_carries_the_same_status() -> None:
    tables = clean()
    first = tables.ids()[0]
    tables.lab[0]["sample_id"] = f" {first.lower()} "
    judgement = tables.judged()
    assert judgement.of(first) == judgement.of(f" {first.lower()} ") == "complete"


def test_a_dispatch_number_in_the_sample_column_covers_the_dispatch() -> None:
    tables = clean()
    for event in tables.events:
        if event["dispatch"]:
            event["sample_id"], event["dispatch"] = event["dispatch"], ""
    judgement = tables.judged()
    assert judgement.findings == ()


def test_several_ids_in_one_cell_are_each_covered() -> None:
    tables = clean()
    for event in tables.events:
        if event["dispatch"]:
            members = [s["sample_id"] for s in tables.samples if s["dispatch"] == event["dispatch"]]
            event["sample_id"], event["dispatch"] = " ; ".join(members), ""
    assert tables.judged().findings == ()


def test_a_break_shared_by_a_dispatch_is_told_once() -> None:
    tables = clean()
    event = next(e for e in tables.events if e["dispatch"] == "D-2" and e["event"] == "received")
    event["containers"] = 9.0
    judgement = tables.judged()
    assert len(judgement.findings) == 1
    assert "and 5 more" in judgement.findings[0].subject
    assert sum(word == "broken" for word in judgement.status.values()) == 11
    why = judgement.broken_by()
    assert {s for s, word in judgement.status.items() if word == "broken"} == set(why)
    assert all(why.values())  # a pair that is left out says which rule broke its chain


def test_dates_without_time_of_day_are_taken_as_whole_days_of_the_zone() -> None:
    tables = clean()
    for row in tables.lab:
        # midnight at UTC+2 of the day on which the dispatch arrived, hours before its release
        row["received_at"] = pd.Timestamp("2026-10-05T22:00Z")
    frames = (
        pd.DataFrame(tables.events), pd.DataFrame(tables.samples), pd.DataFrame(tables.lab),
        pd.DataFrame(tables.field),
    )  # fmt: skip
    assert custody.judge(*frames, Thresholds(), zone="Etc/GMT-2").findings == ()


@pytest.mark.parametrize("word", ["yes", "Y", "TRUE", "intact", "1", True, 1.0])
def test_words_for_an_intact_seal_are_understood(word: object) -> None:
    tables = clean()
    for event in tables.events:
        if event["event"] == "opened":
            event["seal_intact"] = word
    assert tables.judged().findings == ()


def _frames(tables: Tables) -> tuple[pd.DataFrame, ...]:
    return (
        pd.DataFrame(tables.events, columns=[*CUSTODY_FACTS]).astype("object"),
        pd.DataFrame(tables.samples).astype("object"),
        pd.DataFrame(tables.lab).astype("object"),
        pd.DataFrame(tables.field).astype("object"),
    )


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_no_combination_of_missing_cells_stops_the_judgement(data: st.DataObject) -> None:
    tables = clean()
    tables.events = tables.events[:40]
    frames: list[pd.DataFrame] = []
    for frame in _frames(tables):
        for _ in range(data.draw(st.integers(0, 12))):
            row = data.draw(st.integers(0, len(frame) - 1))
            column = data.draw(st.integers(0, frame.shape[1] - 1))
            frame.iat[row, column] = data.draw(GAPS)
        drop = data.draw(st.sets(st.sampled_from(list(frame.columns)), max_size=3))
        frames.append(frame.drop(columns=sorted(drop)))
    events, samples, lab, field = frames
    judgement = custody.judge(events, samples, lab, field, Thresholds())
    assert set(judgement.status.values()) <= {"complete", "deviation", "broken", "not recorded"}
    custody.story("Q1-100", frames[0], frames[1], frames[3], frames[2])
    custody.chain(frames[0])


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.fixed_dictionaries(
            {
                "sample_id": st.sampled_from(["A-1", "A-2", "A-1;A-2", "D-1", "", "=1+1"]),
                "dispatch": st.sampled_from(["", "D-1"]),
                "event": st.sampled_from([*sorted(set(custody.EVENT_WORDS.values())), "odd"]),
                "at": st.one_of(st.just(pd.NaT), st.datetimes(START.replace(tzinfo=None)).map(
                    lambda t: pd.Timestamp(t.replace(year=2026)) if (t.month, t.day) != (2, 29)
                    else pd.NaT)),
                "by": st.sampled_from(["a", "b", ""]),
                "to": st.sampled_from(["a", "b", ""]),
                "seal": st.sampled_from(["", "1", "2"]),
                "seal_intact": st.sampled_from(["", "yes", "no", "perhaps"]),
                "containers": st.sampled_from([float("nan"), 1.0, 2.0, -1.0, float("inf")]),
                "mass_g": st.sampled_from([float("nan"), 0.0, 5.0, 500.0, float("inf")]),
            }
        ),
        max_size=14,
    )
)  # fmt: skip
def test_any_record_at_all_is_judged_and_a_clean_sample_beside_it_changes_nothing(
    events: list[dict[str, Any]],
) -> None:
    samples = pd.DataFrame({"sample_id": ["A-1", "A-2"], "dispatch": ["D-1", ""]})
    lab = pd.DataFrame({"sample_id": ["A-1"], "received_at": [START]})
    record = pd.DataFrame(events, columns=[*CUSTODY_FACTS])
    before = custody.judge(record, samples, lab, NOTHING, Thresholds())
    other = clean()
    own = [e for e in other.events if e["sample_id"] == "Q1-100"]
    more = pd.concat([record.astype("object"), pd.DataFrame(own).astype("object")])
    wider = pd.concat([samples, pd.DataFrame({"sample_id": ["Q1-100"]})])
    after = custody.judge(more, wider, lab, NOTHING, Thresholds())
    if events:
        assert {s: after.status[s] for s in before.status} == dict(before.status)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(st.integers(0, 19), st.data())
def test_adding_a_clean_sample_never_changes_the_status_of_another(
    which: int, data: st.DataObject
) -> None:
    import random

    from tests.test_custody_faults import FAULTS

    name = data.draw(st.sampled_from(sorted(FAULTS)))
    whole = clean()
    extra = whole.ids()[which]
    others = [s for s in whole.ids() if s != extra]
    sample = data.draw(st.sampled_from(others))

    def judged(keep_extra: bool) -> dict[str, str]:
        tables = clean()
        touched = FAULTS[name][0](tables, sample, random.Random(3))
        if extra in touched and len(touched) <= 2:
            return {}  # the sample added would not be a clean one
        if not keep_extra:
            tables.events = [e for e in tables.events if e["sample_id"] != extra]
            tables.samples = [s for s in tables.samples if s["sample_id"] != extra]
            tables.lab = [r for r in tables.lab if r["sample_id"] != extra]
            tables.field = [r for r in tables.field if r["sample_id"] != extra]
        return {s: w for s, w in tables.judged().status.items() if s != extra}

    with_it, without = judged(True), judged(False)
    if with_it and without:
        assert with_it == without


def test_the_story_is_in_order_of_time_and_holds_every_act() -> None:
    tables = clean()
    frames = _frames(tables)
    exclusions = pd.DataFrame(
        {"sample_id": ["Q1-100"], "kind": ["pair"], "element": ["Cu"], "reason": ["batch failed"]}
    )
    releases = pd.DataFrame({"release_id": ["2026-10-r1"], "issued_at": ["2026-11-03T06:00Z"]})
    lines = custody.story(
        "q1-100", frames[0], frames[1], frames[3], frames[2], exclusions, releases
    )
    dated = [line.at for line in lines if line.at]
    assert dated == sorted(dated)
    told = " ".join(line.what for line in lines)
    for word in ("collected", "relinquished", "received", "sealed", "opened", "dried", "analysed",
                 "field reading", "reported", "batch failed", "part of a release"):  # fmt: skip
        assert word in told
    assert "with 8 other sample(s)" in told
    assert lines[-1].at == ""


def test_the_story_of_an_unknown_sample_is_empty() -> None:
    assert custody.story("nobody", _frames(clean())[0]) == ()


def test_a_date_without_time_of_day_is_before_only_what_begins_after_its_day() -> None:
    from zoneinfo import ZoneInfo

    from reconcile.evidence.custody.events import span_of

    day, noon, next_noon, midnight = (
        span_of(pd.Timestamp(text, tz="UTC"), ZoneInfo("UTC"))
        for text in ("2026-10-05", "2026-10-05 12:00", "2026-10-06 12:00", "2026-10-06")
    )
    assert day is not None
    assert noon is not None
    assert next_noon is not None
    assert midnight is not None
    assert not day.before(noon)
    assert not noon.before(day)
    assert day.before(next_noon)
    assert day.before(midnight)
    assert noon.before(next_noon)
    assert not next_noon.before(midnight)
    assert not noon.before(noon)
