"""Dates and times as text -> UTC timestamps; the order of day and month is never guessed."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.base.characters import fold
from reconcile.base.errors import ReconcileError

_ISO_DATE = re.compile(r"([0-9]{4})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})")
_NUMERIC = re.compile(r"([0-9]{1,2})([-/.])([0-9]{1,2})\2([0-9]{4}|[0-9]{2})")
_DOTTED = re.compile(r"(?:[a-zA-Z]+\.?,? )?[0-9]{1,2}\.[0-9]{1,2}\.[0-9]")
_DAY_NAME = re.compile(r"([0-9]{1,2})[-/. ]+([a-z]{3,9})\.?[-/., ]+([0-9]{4}|[0-9]{2})")
_NAME_DAY = re.compile(r"([a-z]{3,9})\.?\s+([0-9]{1,2})(?:st|nd|rd|th)?,?\s+([0-9]{4})")
_COMPACT = re.compile(r"((?:19|20)[0-9]{2})([01][0-9])([0-3][0-9])")
_SERIAL = re.compile(r"[2-7][0-9]{4}(?:\.[0-9]+)?")
_CLOCK = re.compile(
    r"[t ,]*([0-9]{1,2})[:h.]([0-9]{2})(?:[:m.]([0-9]{2})(?:[.,]([0-9]{1,9}))?s?)?"
    r"\s*(am|pm|a\.m\.|p\.m\.)?"
)
_ZONE = re.compile(r"\s*(z|utc|gmt)?\s*(?:([+-])([0-9]{2}):?([0-9]{2})?)?")
_WEEKDAY = re.compile(r"^(mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+")
_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan january janvier januar enero", "feb february februar febrero fev",
            "mar march mär mrz märz mars marzo", "apr april abr abril avr avril",
            "may mai mayo maj", "jun june juni junio juin", "jul july juli julio juil juillet",
            "aug august ago agosto", "sep sept september septiembre septembre",
            "oct october okt oktober octubre octobre", "nov november noviembre novembre",
            "dec december dez dezember dic diciembre déc décembre",
        ),
        1,
    )
    for name in names.split()
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Times:
    """A column of times. ``bad`` holds positions whose text can't be read, with the reason."""

    values: pa.Array  # timestamp[us, UTC]
    bad: dict[int, str]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Stamp:
    year: int
    first: int  # month, or the first of two numbers whose order is open
    second: int
    seconds: float  # since midnight
    offset: int | None  # minutes east of UTC
    open_order: bool


def parse_times(column: pa.Array, zone: str, day_first: bool | None, place: str) -> Times:
    """Read a column of date-times (null = empty); times without a zone are in ``zone``.

    Raises ReconcileError where nothing tells day/month from month/day.
    """
    quick = _iso(column, zone)
    if quick is not None:
        return quick
    encoded = column.dictionary_encode()
    texts = encoded.dictionary.to_pylist()
    stamps: list[_Stamp | str] = [_parse(text) for text in texts]
    notes: list[str] = []
    order = _order(stamps, texts, day_first, place, notes)
    local = np.full(len(texts), np.datetime64("NaT"), "datetime64[us]")
    shift = np.zeros(len(texts), "int64")
    aware = np.zeros(len(texts), bool)
    problems: dict[int, str] = {}
    for i, stamp in enumerate(stamps):
        if isinstance(stamp, str):
            problems[i] = stamp
            continue
        month, day = stamp.first, stamp.second
        if stamp.open_order and order:
            month, day = day, month
        try:
            whole = np.datetime64(f"{stamp.year:04d}-{month:02d}-{day:02d}", "us")
        except ValueError:
            problems[i] = f"'{_cut(texts[i])}' is no date of the calendar"
            continue
        if not 1950 <= stamp.year <= 2100:
            problems[i] = f"the year {stamp.year} can't be right"
            continue
        local[i] = whole + np.timedelta64(round(stamp.seconds * 1e6), "us")
        if stamp.offset is not None:
            aware[i] = True
            shift[i] = stamp.offset
    utc = _to_utc(local, aware, shift, zone, notes)
    places = encoded.indices.to_numpy(zero_copy_only=False)
    valid = pc.is_valid(column).to_numpy(zero_copy_only=False)
    codes = np.where(valid, np.nan_to_num(places, nan=0), 0).astype("int64")
    values = (
        np.where(valid, utc[codes], np.datetime64("NaT"))
        if len(utc)
        else np.full(len(column), np.datetime64("NaT"), "datetime64[us]")
    )
    bad = {}
    if problems:
        for at in np.flatnonzero(valid):
            if int(codes[at]) in problems:
                bad[int(at)] = problems[int(codes[at])]
    array = pa.array(values.astype("datetime64[us]"), pa.timestamp("us")).cast(
        pa.timestamp("us", "UTC")
    )
    return Times(array, bad, tuple(notes))


def _iso(column: pa.Array, zone: str) -> Times | None:
    """The usual case for big files: every cell 'YYYY-MM-DD[ T]HH:MM[:SS[.f]]', no zone."""
    if column.null_count == len(column):
        return Times(pa.nulls(len(column), pa.timestamp("us", "UTC")), {})
    if len(column) < 1000:
        return None
    form = r"^(19|20)[0-9]{2}-[0-9]{2}-[0-9]{2}[ T][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,6})?)?$"
    if not pc.all(pc.fill_null(pc.match_substring_regex(column, form), True)).as_py():
        return None
    try:
        local = pc.cast(column, pa.timestamp("us"))
        return Times(pc.assume_timezone(local, zone).cast(pa.timestamp("us", "UTC")), {})
    except (pa.ArrowInvalid, pa.ArrowException):
        return None  # an impossible date, or an hour that a clock change skips or doubles


def _cut(text: str) -> str:
    return text if len(text) <= 40 else text[:37] + "..."


def _parse(text: str) -> _Stamp | str:
    unread = f"'{_cut(text)}' can't be read as a date"
    low = re.sub(r"\s+", " ", fold(text[:80])).strip().lower()
    if len(text) > 80:
        return unread
    low = _WEEKDAY.sub("", low)
    open_order = False
    if match := _ISO_DATE.match(low):
        year, first, second = int(match[1]), int(match[2]), int(match[3])
    elif match := _NUMERIC.match(low):
        first, second, year = int(match[1]), int(match[3]), int(match[4])
        open_order = True
    elif match := _DAY_NAME.match(low):
        if match[2] not in _MONTHS:
            return unread
        year, first, second = int(match[3]), _MONTHS[match[2]], int(match[1])
    elif match := _NAME_DAY.match(low):
        if match[1] not in _MONTHS:
            return unread
        year, first, second = int(match[3]), _MONTHS[match[1]], int(match[2])
    elif (match := _COMPACT.match(low)) and not low[match.end() : match.end() + 1].isdecimal():
        year, first, second = int(match[1]), int(match[2]), int(match[3])
    elif match := _SERIAL.fullmatch(low):
        days = float(low)
        base = np.datetime64("1899-12-30") + np.timedelta64(int(days), "D")
        year, first, second = (int(p) for p in str(base).split("-"))
        return _Stamp(year, first, second, round(days % 1 * 86400), None, False)
    else:
        return unread
    if year < 100:
        year += 2000 if year < 70 else 1900
    rest = low[match.end() :]
    seconds = 0.0
    clock = _CLOCK.match(rest)
    if clock:
        hour, minute, second_of = int(clock[1]), int(clock[2]), int(clock[3] or 0)
        half = (clock[5] or "").replace(".", "")
        if half:
            if not 1 <= hour <= 12:
                return unread
            hour = hour % 12 + (12 if half == "pm" else 0)
        if hour > 24 or minute > 59 or second_of > 60 or (hour == 24 and minute + second_of):
            return f"'{_cut(text)}': no such time of day"
        seconds = hour * 3600 + minute * 60 + second_of + float(f"0.{clock[4] or 0}")
        rest = rest[clock.end() :]
    zone = _ZONE.fullmatch(rest)
    if zone is None:
        return f"'{_cut(text)}': '{_cut(rest.strip())}' behind the date is not understood"
    offset = None
    if zone[1] or zone[2]:
        minutes = int(zone[3] or 0) * 60 + int(zone[4] or 0)
        offset = -minutes if zone[2] == "-" else minutes
    return _Stamp(year, first, second, seconds, offset, open_order)


def _order(
    stamps: list[_Stamp | str],
    texts: list[str],
    day_first: bool | None,
    place: str,
    notes: list[str],
) -> bool:
    """True where the first number is the day."""
    open_ones = [(s, t) for s, t in zip(stamps, texts, strict=True) if not isinstance(s, str)]
    open_ones = [(s, t) for s, t in open_ones if s.open_order]
    if not open_ones or day_first is not None:
        return bool(day_first)
    day = any(s.first > 12 for s, _ in open_ones)
    month = any(s.second > 12 for s, _ in open_ones)
    if day != month:
        notes.append(
            f"{place}: dates are read as {'day/month' if day else 'month/day'}/year, because some "
            "fit no other order"
        )
        return day
    if not day and all(s.first == s.second for s, _ in open_ones):
        return True
    if not day and all(_DOTTED.match(fold(t).strip()) for _, t in open_ones):
        notes.append(f"{place}: dates with dots are read as day.month.year")
        return True
    shown = "' and '".join(t for _, t in open_ones[:2])
    raise ReconcileError(
        f"{place}: nothing tells whether dates such as '{_cut(shown)}' are day/month or month/day"
        + (" (some fit only one order, some only the other)." if day else "."),
        "Set cells = { day_first = true } or { day_first = false } for this table.",
    )


def _to_utc(
    local: np.ndarray, aware: np.ndarray, shift: np.ndarray, zone: str, notes: list[str]
) -> np.ndarray:
    result = local - shift * np.timedelta64(1, "m")
    naive = ~aware & ~np.isnat(local)
    if naive.any():
        series = pd.Series(local[naive])
        placed = series.dt.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
        again = series.dt.tz_localize(zone, ambiguous=False, nonexistent="shift_backward")
        doubtful = int((placed != again).sum())
        if doubtful:
            notes.append(
                f"{doubtful} times lie in an hour that a change of clocks in {zone} doubles or "
                "skips; the earlier of two was taken"
            )
        result[naive] = placed.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[us]")
    return result
