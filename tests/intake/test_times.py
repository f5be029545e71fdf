from datetime import UTC, datetime

import pyarrow as pa
import pytest

from reconcile.base.errors import ReconcileError
from reconcile.intake.times import parse_times


def at(text: str, zone: str = "UTC", day_first: bool | None = None) -> datetime | None:
    read = parse_times(pa.array([text], pa.string()), zone, day_first, "t.csv")
    assert not read.bad
    return read.values[0].as_py()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-10-05", datetime(2026, 10, 5, tzinfo=UTC)),
        ("2026-10-05 14:03", datetime(2026, 10, 5, 14, 3, tzinfo=UTC)),
        ("2026-10-05T14:03:09.25Z", datetime(2026, 10, 5, 14, 3, 9, 250000, tzinfo=UTC)),
        ("2026-10-05T14:03+02:00", datetime(2026, 10, 5, 12, 3, tzinfo=UTC)),
        ("2026-10-05 14:03 -0330", datetime(2026, 10, 5, 17, 33, tzinfo=UTC)),
        ("8/28/2017 11:45", datetime(2017, 8, 28, 11, 45, tzinfo=UTC)),
        ("28.08.2017 11:45:01", datetime(2017, 8, 28, 11, 45, 1, tzinfo=UTC)),
        ("1/24/2025 3:54 PM", datetime(2025, 1, 24, 15, 54, tzinfo=UTC)),
        ("1/24/2025 12:05 am", datetime(2025, 1, 24, 0, 5, tzinfo=UTC)),
        ("10-Jan-2019 14:45:47", datetime(2019, 1, 10, 14, 45, 47, tzinfo=UTC)),
        ("Mon, 5 Oct 2026", datetime(2026, 10, 5, tzinfo=UTC)),
        ("October 5, 2026", datetime(2026, 10, 5, tzinfo=UTC)),
        ("5. Okt. 2026", datetime(2026, 10, 5, tzinfo=UTC)),
        ("20261005", datetime(2026, 10, 5, tzinfo=UTC)),
        # 43000.5: serial number of noon on 2017-09-22 in the 1900 date system (from memory)
        ("43000.5", datetime(2017, 9, 22, 12, tzinfo=UTC)),
        ("25/08/17", datetime(2017, 8, 25, tzinfo=UTC)),
    ],
)
def test_dates_are_read_in_many_shapes(text: str, expected: datetime) -> None:
    assert at(text) == expected


def test_times_without_a_zone_are_in_the_workspaces_zone() -> None:
    assert at("2026-07-01 12:00", "Europe/Berlin") == datetime(2026, 7, 1, 10, tzinfo=UTC)
    assert at("2026-01-01 12:00", "Europe/Berlin") == datetime(2026, 1, 1, 11, tzinfo=UTC)


def test_an_open_order_of_day_and_month_is_asked_about() -> None:
    with pytest.raises(ReconcileError, match="day/month or month/day"):
        at("03/04/2026")
    assert at("03/04/2026", day_first=True) == datetime(2026, 4, 3, tzinfo=UTC)
    assert at("03/04/2026", day_first=False) == datetime(2026, 3, 4, tzinfo=UTC)
    assert at("04/04/2026") == datetime(2026, 4, 4, tzinfo=UTC)


def test_dates_with_dots_are_day_first_unless_one_speaks_against_it() -> None:
    assert at("03.04.2026") == datetime(2026, 4, 3, tzinfo=UTC)
    read = parse_times(pa.array(["03.04.2026", "04.25.2026"]), "UTC", None, "t.csv")
    assert read.values[0].as_py() == datetime(2026, 3, 4, tzinfo=UTC)


def test_one_date_that_fits_one_order_settles_the_column() -> None:
    column = pa.array(["03/04/2026", "25/04/2026"])
    read = parse_times(column, "UTC", None, "t.csv")
    assert read.values[0].as_py() == datetime(2026, 4, 3, tzinfo=UTC)
    assert "day/month" in read.notes[0]


def test_dates_that_contradict_each_other_are_asked_about() -> None:
    with pytest.raises(ReconcileError, match="only the other"):
        parse_times(pa.array(["25/04/2026", "04/25/2026"]), "UTC", None, "t.csv")


@pytest.mark.parametrize(
    "text",
    ["2026-02-30", "yesterday", "2026-13-01", "12:30", "5", "1026-01-01", "2026-01-01 25:00",
             "2026-01-01 10:00 EST", "x" * 500, "2026-01-01; DROP"],
)  # fmt: skip
def test_what_is_no_date_is_left_out_with_a_reason(text: str) -> None:
    read = parse_times(pa.array([text, None, "2026-01-01"]), "UTC", None, "t.csv")
    assert list(read.bad) == [0]
    assert read.values.to_pylist()[:2] == [None, None]


def test_an_hour_doubled_by_the_clocks_is_noted() -> None:
    read = parse_times(pa.array(["2026-10-25 02:30"]), "Europe/Berlin", None, "t.csv")
    assert read.values[0].as_py() == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert "change of clocks" in read.notes[0]


def test_long_plain_columns_are_read_like_short_ones() -> None:
    texts = [
        f"2026-{i % 12 + 1:02d}-{i % 28 + 1:02d} {i % 24:02d}:{i % 60:02d}" for i in range(3000)
    ]
    quick = parse_times(pa.array(texts), "Africa/Accra", None, "t.csv")
    slow = parse_times(pa.array([*texts, "bad"]), "Africa/Accra", None, "t.csv")
    assert quick.values.equals(slow.values[:-1])
    assert not quick.bad
