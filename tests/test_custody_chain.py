from __future__ import annotations

import json
import random

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.evidence import custody
from reconcile.evidence.custody.chain import canonical_event, canonical_json
from tests.test_custody_faults import clean


def _events() -> pd.DataFrame:
    return pd.DataFrame(clean().events)


def test_an_unaltered_record_verifies() -> None:
    events = _events()
    verified = custody.verify_chain(events, custody.chain(events))
    assert verified.intact
    assert verified.first_altered is None
    assert "not show that what was recorded is true" in verified.sentence()


@pytest.mark.slow
def test_any_single_altered_cell_is_found_at_its_event() -> None:
    rng = random.Random(5)
    kept = custody.chain(_events())
    for _ in range(60):
        events = _events().astype("object")
        place = rng.randrange(len(events))
        column = rng.choice(["sample_id", "event", "by", "to", "seal", "place", "note", "mass_g"])
        events.at[place, column] = 12.5 if column == "mass_g" else "altered"
        verified = custody.verify_chain(events, kept)
        assert not verified.intact
        assert verified.first_altered == place + 1
        assert column in verified.text


def test_a_removed_event_is_found_where_it_stood() -> None:
    events = _events()
    kept = custody.chain(events)
    for place in (0, 17, len(events) - 1):
        verified = custody.verify_chain(events.drop(index=place), kept)
        assert not verified.intact
        assert verified.first_altered == place + 1


def test_events_that_change_places_are_found() -> None:
    events = _events()
    kept = custody.chain(events)
    order = list(range(len(events)))
    order[8], order[9] = order[9], order[8]
    assert custody.verify_chain(events.iloc[order], kept).first_altered == 9


def test_events_added_at_the_end_are_additions_and_no_alteration() -> None:
    events = _events()
    kept = custody.chain(events.iloc[:50])
    verified = custody.verify_chain(events, kept)
    assert verified.intact
    assert verified.added == len(events) - 50


def test_hashes_alone_are_enough_to_find_the_first_difference() -> None:
    events = _events()
    hashes = [link.hash for link in custody.chain(events)]
    altered = events.copy()
    altered.loc[30, "by"] = "someone else"
    assert custody.verify_chain(events, hashes).intact
    assert custody.verify_chain(altered, hashes).first_altered == 31


def test_a_kept_chain_that_was_itself_edited_is_named_as_such() -> None:
    events = _events()
    kept = list(custody.chain(events))
    edited = kept[4].canonical.replace("technician", "nobody")
    kept[4] = custody.ChainedEvent(5, edited, kept[4].previous, kept[4].hash)
    verified = custody.verify_chain(events, kept)
    assert verified.first_altered == 5
    assert "kept chain itself" in verified.text


def test_the_head_of_no_event_is_all_zeros_and_each_event_moves_it() -> None:
    events = _events()
    assert custody.head(events.iloc[:0]) == "0" * 64
    assert len({custody.head(events.iloc[:n]) for n in range(10)}) == 10
    assert custody.head(events) == custody.head(custody.chain(events))


def test_row_numbers_and_the_zone_a_time_is_written_in_do_not_change_the_chain() -> None:
    events = _events()
    events["at"] = pd.to_datetime(events["at"], utc=True)
    other = events.assign(row=0, at=events["at"].dt.tz_convert("Africa/Accra"))
    naive = events.assign(at=events["at"].dt.tz_localize(None))
    assert custody.head(events) == custody.head(other) == custody.head(naive)


def test_missing_cells_of_every_kind_have_one_form() -> None:
    forms = {
        canonical_event({"event": "sealed", "seal": missing, "mass_g": missing, "at": missing})
        for missing in (None, float("nan"), pd.NA, pd.NaT, "")
    }
    assert len(forms) == 1


def test_composed_and_decomposed_letters_have_one_form() -> None:
    assert canonical_event({"by": "Jos\u00e9"}) == canonical_event({"by": "Jose\u0301"})


# RFC 8785 (JSON Canonicalization Scheme), section 3.2.2, its example and its output;
# both from memory.
def test_the_canonical_form_of_the_example_of_rfc_8785_is_as_printed() -> None:
    value = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/",
        "literals": [None, True, False],
    }
    assert canonical_json(value) == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )


# RFC 8785 appendix B: IEEE 754 doubles and their text (a selection, from memory).
@pytest.mark.parametrize(
    ("bits", "text"),
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("444b1ae4d6e2ef4f", "999999999999999900000"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("41b3de4355555555", "333333333.3333333"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_numbers_are_written_as_rfc_8785_lists_them(bits: str, text: str) -> None:
    import struct

    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical_json(value) == text


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_reads_back_as_itself(value: float) -> None:
    assert float(json.loads(canonical_json(value))) == value


@given(st.dictionaries(st.text(max_size=4), st.text(max_size=20), max_size=5))
def test_any_text_at_all_makes_valid_utf_8_json(value: dict[str, str]) -> None:
    text = canonical_json(value)
    json.loads(text.encode("utf-8"))


def test_an_altered_first_event_changes_every_later_link() -> None:
    events = _events()
    altered = events.copy()
    altered.loc[0, "by"] = "someone else"
    pairs = zip(custody.chain(events), custody.chain(altered), strict=True)
    assert all(one.hash != two.hash for one, two in pairs)
