"""Every number in the printed sentences is that of statistics.csv, rounded and nothing else.

The sentences are taken from the PDF's text and read role by role (difference, interval,
limits, their intervals, counts); the numbers come from the release's data files. Rounding
is checked by arithmetic, not by the code that rounds: a printed number must lie within
half of its last digit of the table's.
"""

import csv
import io
import json
import math
import re
from dataclasses import dataclass

import pytest
from pypdf import PdfReader

from reconcile.base.model.release import Reconciliation
from reconcile.reporting.document import audit
from reconcile.reporting.render.tables import data_files
from tests.reporting import builder

N = r"([+−]?\d{1,3}(?: \d{3})+(?:\.\d+)?|[+−]?\d+(?:\.\d+)?)"
UNIT = r"(?:mass %|mg/kg|g/t|µg/kg|%)"
BIAS = re.compile(
    rf"On {N} .*? result was on average "
    rf"(?:{N} ({UNIT}) (above|below)|about level with|{N} times) the laboratory's "
    rf"\(95 % interval (.*?)\)\."
)
SIDES = re.compile(rf"{N} {UNIT} below to {N} {UNIT} above")
ONE_SIDE = re.compile(rf"{N} to {N} {UNIT} (above|below)")
PLAIN = re.compile(rf"{N} to {N}")
LIMITS = re.compile(
    rf"field results(?: \(each (?:the mean )?of [\w. ]+, median\))? lie between "
    rf"{N}(?: ({UNIT}) (above|below|from))? and "
    rf"{N}(?: {UNIT} (above|below|from))?(?: times)? the laboratory's "
    rf"\(95 % intervals of these ends {N} to {N} and {N} to {N}(?: {UNIT})?, n = {N}\)"
)
CENSORED = re.compile(
    rf"{N} of {N} pairs? ha(?:ve|s) a result below or above a limit; .*? the field is {N} times "
    rf"the laboratory's \(95 % interval {N} to {N}, n = {N}\)"
)
RANGE = re.compile(
    rf"Field results may be used (?:alone|after correction with factor \S+) between {N} and {N} "
    rf"({UNIT}) until (\d{{4}}-\d\d-\d\d)"
)


@dataclass(frozen=True)
class Row:
    value: float
    low: float
    high: float
    n: int


def number(text: str) -> float:
    return float(text.replace(" ", "").replace("−", "-").lstrip("+"))


def unit_of(text: str) -> float:
    """What one step of the last digit that was kept is worth; 0 for a bare zero."""
    digits = text.replace(" ", "").lstrip("+−")
    _, _, decimals = digits.partition(".")
    if decimals:
        return 10.0 ** -len(decimals)
    return 10.0 ** (len(digits) - len(digits.rstrip("0"))) if digits.strip("0") else 0.0


def agrees(text: str, value: float, beside: tuple[str, ...] = ()) -> bool:
    """Whether the printed number is the value, rounded at its last digit.

    A bare zero doesn't tell where it was rounded: numbers printed ``beside`` it do.
    """
    unit = unit_of(text) or max([1.0, *map(unit_of, beside)])
    return abs(number(text) - value) <= 0.5 * unit * (1 + 1e-9) + 1e-12


def table_of(files: dict[str, bytes]) -> dict[str, dict[str, Row]]:
    found: dict[str, dict[str, Row]] = {}
    for row in csv.DictReader(io.StringIO(files["statistics.csv"].decode("utf-8"))):
        value, low, high = (float(row[c]) if row[c] else math.nan for c in ("value", "low", "high"))
        n = int(row["n"]) if row["n"] else 0
        found.setdefault(row["stratum"].lstrip("'"), {})[row["figure"]] = Row(value, low, high, n)
    return found


def sized(text: str, side: str) -> str:
    return f"−{text}" if side == "below" else text


def ends(text: str) -> tuple[str, str] | None:
    """Both ends of a printed interval, signs put back."""
    if m := SIDES.fullmatch(text):
        return f"−{m[1]}", m[2]
    if m := ONE_SIDE.fullmatch(text):
        return (f"−{m[2]}", f"−{m[1]}") if m[3] == "below" else (m[1], m[2])
    if m := PLAIN.fullmatch(text):
        return m[1], m[2]
    return None


def compared(text: str, figures: dict[str, Row], stratum: dict) -> list[tuple[str, float]]:
    """Printed number and table's number, for every number of the stratum's sentences."""
    per = stratum["shown_per_mg_kg"]
    absolute = stratum["difference_scale"] == "absolute"
    out: list[tuple[str, float]] = []
    if m := BIAS.search(text):
        n, size, unit, side, times, interval = m.groups()
        if times:
            row, scale = figures["geometric_mean_ratio"], 1.0
        elif unit == "%" or not absolute:
            row, scale = figures["ratio_as_difference"], 100.0
        else:
            row, scale = figures["mean_difference"], per
        out.append((n, row.n))
        if times or size:
            out.append((times or sized(size, side), row.value * scale))
        both = ends(interval)
        assert both, interval
        out += [(both[0], row.low * scale), (both[1], row.high * scale)]
    if m := LIMITS.search(text):
        low, unit, low_side, high, high_side, *four, n = m.groups()
        key, scale = ("absolute", per) if unit else ("log_ratio", 1.0)
        assert absolute == bool(unit)
        lower, upper = figures[f"limits_{key}_lower"], figures[f"limits_{key}_upper"]
        out += [
            (sized(low, low_side or ""), lower.value * scale),
            (sized(high, high_side or ""), upper.value * scale),
            (four[0], lower.low * scale), (four[1], lower.high * scale),
            (four[2], upper.low * scale), (four[3], upper.high * scale), (n, lower.n),
        ]  # fmt: skip
    if m := CENSORED.search(text):
        row = figures["censored_ratio"]
        counts = {k: figures[f"{k}_censored"].value for k in ("field", "lab", "both")}
        out += [
            (m[1], counts["field"] + counts["lab"] - counts["both"]),
            (m[2], figures["pairs"].value),
            (m[3], row.value), (m[4], row.low), (m[5], row.high), (m[6], row.n),
        ]  # fmt: skip
    if m := RANGE.search(text):
        verdict = stratum["verdict"]
        out += [(m[1], verdict["range_low"] * per), (m[2], verdict["range_high"] * per)]
        assert m[4] == verdict["valid_until"]
    return out


def squeezed(text: str) -> str:
    """One blank for many, and one before a sign of a percentage, as the report sets it off."""
    return re.sub(r"\s*%", " %", re.sub(r"\s+", " ", text))


def check(files: dict[str, bytes]) -> int:
    """Compare every stratum; returns how many numbers were compared."""
    table = table_of(files)
    strata = json.loads(files["statistics.json"])["strata"]
    pages = [
        squeezed(page.extract_text()) for page in PdfReader(io.BytesIO(files["audit.pdf"])).pages
    ]
    total = 0
    for stratum in strata:
        key = stratum["key"].lstrip("'")
        said = [squeezed(s).replace("-", "−") for s in stratum["sentences"]]
        mine = [p for p in pages if all(s in p.replace("-", "−") for s in said)]
        assert mine, f"no page has the sentences of {key}"
        # From the first sentence to the end of the last; a page may hold two strata.
        plain = mine[0].replace("-", "−")
        start = plain.index(said[0])
        text = mine[0][start : plain.index(said[-1], start) + len(said[-1])]
        figures = table[key]
        pairs = compared(text, figures, stratum)
        for i, (shown, value) in enumerate(pairs):
            beside = tuple(text for text, _ in pairs[max(0, i - 1) : i + 2])
            assert agrees(shown, value, beside), (key, shown, value)
        if math.isfinite(figures["geometric_mean_ratio"].value):
            assert BIAS.search(text), text
        if math.isfinite(figures["limits_log_ratio_lower"].value):
            assert LIMITS.search(text), text
        total += len(pairs)
    return total


@pytest.mark.parametrize(
    ("text", "value", "right"),
    [
        ("3.8", 3.84, True), ("3.8", 3.86, False), ("−0.5", -0.46, True), ("−0.5", 0.46, False),
        ("1840", 1838.0, True), ("1840", 1846.0, False), ("10 100", 10_140.0, True),
        ("10 100", 10_160.0, False), ("0", 0.4, True), ("22", 22.0, True), ("22", 23.0, False),
    ],
)  # fmt: skip
def test_the_comparison_tells_rounding_from_another_number(
    text: str, value: float, right: bool
) -> None:
    assert agrees(text, value) is right


@pytest.mark.slow
def test_numbers_in_the_sentences_of_each_kind_of_stratum_are_those_of_the_table() -> None:
    value = builder.reconciliation(
        [builder.ordinary(), builder.absolute(), builder.censored(), builder.insufficient()]
    )
    files = {**data_files(value), "audit.pdf": audit.audit(value)}
    assert check(files) > 30


@pytest.mark.slow
def test_numbers_in_the_sentences_of_the_example_are_those_of_the_table(
    demo_month: tuple[Reconciliation, dict[str, bytes]],
) -> None:
    reconciliation, files = demo_month
    assert len(reconciliation.results) > 40
    assert check(files) > 8 * len(reconciliation.results)


def test_a_table_that_says_otherwise_is_noticed() -> None:
    value = builder.reconciliation([builder.ordinary()])
    files = {**data_files(value), "audit.pdf": audit.audit(value)}
    rows = list(csv.reader(io.StringIO(files["statistics.csv"].decode("utf-8"))))
    place, column = rows[0].index("figure"), rows[0].index("value")
    for row in rows:
        if row[place] == "limits_log_ratio_upper":
            row[column] = repr(float(row[column]) * 1.03)
    target = io.StringIO()
    csv.writer(target).writerows(rows)
    with pytest.raises(AssertionError):
        check({**files, "statistics.csv": target.getvalue().encode()})
