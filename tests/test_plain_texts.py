"""Pair tables whose texts are Python's own."""

from __future__ import annotations

import pandas as pd

from reconcile.pairs.plain_texts import TEXT, text_column, with_plain_texts


def _table() -> pd.DataFrame:
    return pd.DataFrame(
        {"sample_id": pd.array(["A", "B", None, "A"], dtype="str"), "n": [1, 2, 3, 4]},
        index=[3, 5, 7, 9],
    )


def test_texts_and_what_is_missing_stay_as_they_were() -> None:
    before = _table()
    after = with_plain_texts(before)
    pd.testing.assert_frame_equal(after.astype({"sample_id": "str"}), before)
    assert after["sample_id"].dtype == "str"
    assert after.to_csv() == before.to_csv()


def test_equal_texts_are_one_in_memory() -> None:
    found = text_column(_table()["sample_id"]).tolist()
    assert found[0] is found[3]


def test_a_column_that_is_plain_already_is_the_same_column() -> None:
    plain = pd.Series(["a"], dtype=TEXT)
    assert text_column(plain) is plain


def test_what_is_no_text_is_written_as_one() -> None:
    assert text_column(pd.Series([1, 2])).tolist() == ["1", "2"]
