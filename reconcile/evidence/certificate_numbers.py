"""Whether a certificate's pages hold the numbers that a table gives for its samples.

A result is looked for in the lines that name its sample, and, where samples stand side by side
above columns, in the lines of its element. Numbers are compared as far as both are written out:
52.1 on a page is 52.13 of a table. Units are no part of it, but a power of ten in which all
results of an element differ is seen.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from reconcile.base.registers import TextDifference
from reconcile.evidence.certificate_pages import Page, Word
from reconcile.samples.identity import comparison_form

#: By how much a page's numbers may be a table's, for all results of an element.
SCALES = (0, -4, 4, -3, 3)  # powers of ten; the first wins where others do as well
_NUMBER = re.compile(r"([<>≤≥]?)(\d[\d.,'’\u00a0\u202f]*)((?:[eE][+-]?\d{1,2})?)[%*†‡]?")
_SIGNS = ("<", ">", "≤", "≥")
_LONGEST_ID = 4  # words
_MOST_NAMED = 4  # numbers of a page that a difference names


@dataclass(frozen=True, slots=True)
class Result:
    """One result of a table, in the unit in which it was reported."""

    sample_id: str
    names: tuple[str, ...]  # under which a page may name the sample
    element: str
    species: tuple[str, ...]  # names of the column, in small letters: 'fe', 'fe2o3', 'iron'
    number: float
    below: bool  # the number is a limit below which the result lies

    @property
    def text(self) -> str:
        """As a table would write it."""
        return f"{'<' if self.below else ''}{self.number:.7g}"


@dataclass(frozen=True, slots=True)
class Compared:
    """What came of it."""

    agreeing: int
    differing: tuple[TextDifference, ...]
    absent: tuple[str, ...]  # samples that no page names
    scales: tuple[tuple[str, int], ...]  # element, power of ten by which the page differs


@dataclass(frozen=True, slots=True)
class _Number:
    """A number of a page; ``readings``: value and decimals, one for each way to read it."""

    page: int
    line: int
    word: Word
    sign: str
    digits: str  # as they stand there
    readings: tuple[tuple[float, int], ...]


def compare(results: Sequence[Result], pages: Sequence[Page]) -> Compared:
    """Look for every result; each number of a page can answer for one."""
    found = _Found(pages, {n: r.sample_id for r in results for n in r.names if n})
    there = [r for r in results if r.sample_id in found.named]
    absent = tuple(dict.fromkeys(r.sample_id for r in results if r.sample_id not in found.named))
    scales = _scales(there, found)
    taken: set[int] = set()
    agreeing, open_ = 0, []
    for r in there:  # what stands in its own column first: no other result takes its number
        near = found.in_column(r)
        if near is not None and id(near) not in taken and _agree(r, near, scales[r.element]):
            taken.add(id(near))
        else:
            open_.append(r)
    in_columns = len(there) - len(open_)
    # columns that most results contradict are not the table's: any number of the line counts
    others = found.columns_of(there) if 2 * in_columns > len(there) else {}
    differing = []
    for r in open_:
        apart = others.get(r.sample_id, frozenset())
        places = [n for n in found.numbers_of(r) if id(n) not in taken | apart]
        hit = next((n for n in places if _agree(r, n, scales[r.element])), None)
        if hit is not None:
            taken.add(id(hit))
            continue
        near = found.in_column(r)
        told = [near] if near is not None else places
        if r.below and not told:
            agreeing -= 1
            continue  # 'n.d.' and alike say the same in words
        differing.append(
            TextDifference(
                r.sample_id, r.element, r.text, tuple(_text(n) for n in told[:_MOST_NAMED]),
                told[0].page if told else found.named[r.sample_id],
            )
        )  # fmt: skip
    shown = tuple((e, power) for e, power in scales.items() if power)
    agreeing += len(there) - len(differing)
    return Compared(agreeing, tuple(differing), absent, shown)


def _scales(results: Sequence[Result], found: _Found) -> dict[str, int]:
    """The power of ten of each element under which most of its results are found."""
    of_element: dict[str, list[Result]] = {}
    for r in results:
        of_element.setdefault(r.element, []).append(r)
    scales = {}
    for element, many in of_element.items():
        hits = Counter(
            {
                power: sum(any(_agree(r, n, power) for n in found.numbers_of(r)) for r in many)
                for power in SCALES
            }
        )
        best = max(SCALES, key=lambda power: hits[power])
        # one chance agreement makes no unit
        scales[element] = best if hits[best] >= 2 and 2 * hits[0] <= hits[best] else 0
    return scales


def _text(n: _Number) -> str:
    return f"{n.sign}{n.digits}"


def _agree(r: Result, n: _Number, power: int) -> bool:
    if r.below != (n.sign in ("<", "≤")) or n.sign in (">", "≥"):
        return False
    table = r.number * 10.0**power
    decimals = _decimals(r.number) - power
    for value, written in n.readings:
        within = 0.5 * 10.0 ** -min(decimals, written)
        if abs(value - table) <= within * (1 + 1e-9) + 1e-12 * abs(table):
            return True
    return False


def _decimals(number: float) -> int:
    """Decimals in which a number of a table is written, as far as seven digits tell."""
    mantissa, _, exponent = f"{number:.7g}".partition("e")
    return len(mantissa.partition(".")[2]) - int(exponent or 0)


class _Found:
    """Where the pages name samples and elements, and the numbers there."""

    def __init__(self, pages: Sequence[Page], samples: Mapping[str, str]) -> None:
        self.named: dict[str, int] = {}  # sample: the first page that names it
        self._in_rows: dict[str, list[_Number]] = {}
        self._in_lines: dict[tuple[str, str], list[_Number]] = {}  # sample, name of an element
        self._near: dict[tuple[str, str], _Number] = {}
        for page in pages:
            above: dict[str, float] = {}  # word in small letters: where it stood last
            side_by_side: list[tuple[str, float]] = []
            for number, line in enumerate(page.lines):
                ids = list(_ids(line, samples))
                for sample, _, _ in ids:
                    self.named.setdefault(sample, page.number)
                covered = {i for _, first, last in ids for i in range(first, last)}
                numbers = list(_numbers(page.number, number, line, covered))
                if len({sample for sample, _, _ in ids}) > 1:
                    side_by_side = [
                        (sample, (line[first].start + line[last - 1].end) / 2)
                        for sample, first, last in ids
                    ]
                elif ids:
                    side_by_side = []
                    self._row(ids[0][0], numbers, above)
                elif side_by_side and numbers:
                    self._line(line, numbers, side_by_side)
                if not numbers or ids == []:
                    above.update({_name(word.text): word.middle for word in line})

    def _row(self, sample: str, numbers: list[_Number], above: Mapping[str, float]) -> None:
        self._in_rows.setdefault(sample, []).extend(numbers)
        for name, middle in above.items():
            if not numbers or not name:
                continue
            near = min(numbers, key=lambda n: abs(n.word.middle - middle))
            if abs(near.word.middle - middle) <= _reach(near, numbers):
                self._near[sample, name] = near

    def _line(
        self, line: tuple[Word, ...], numbers: list[_Number], heads: list[tuple[str, float]]
    ) -> None:
        names = {_name(word.text) for word in line[:3]} - {""}
        for sample, middle in heads:
            near = min(numbers, key=lambda n: abs(n.word.middle - middle))
            for name in names:
                self._in_lines.setdefault((sample, name), []).append(near)
                self._near.setdefault((sample, name), near)

    def numbers_of(self, r: Result) -> list[_Number]:
        """Every number that may answer for a result."""
        return [
            *self._in_rows.get(r.sample_id, ()),
            *(n for name in r.species for n in self._in_lines.get((r.sample_id, name), ())),
        ]

    def columns_of(self, results: Sequence[Result]) -> dict[str, frozenset[int]]:
        """By sample, the numbers (their ids) that stand in a column of one of its results."""
        held: dict[str, set[int]] = {}
        for r in results:
            if (near := self.in_column(r)) is not None:
                held.setdefault(r.sample_id, set()).add(id(near))
        return {sample: frozenset(numbers) for sample, numbers in held.items()}

    def in_column(self, r: Result) -> _Number | None:
        """The number under, or beside, the name of the result's element."""
        return next(
            (self._near[r.sample_id, s] for s in r.species if (r.sample_id, s) in self._near), None
        )


def _reach(near: _Number, numbers: Sequence[_Number]) -> float:
    """How far a heading may stand from its number: half the way to the next one."""
    others = [abs(n.word.middle - near.word.middle) for n in numbers if n is not near]
    return max(min(others, default=12.0) / 2, (near.word.end - near.word.start) / 2 + 1)


def _name(text: str) -> str:
    """A heading without what follows its species: 'Cu_ppm', 'Cu,' and 'Cu(mg/kg)' are 'cu'."""
    found = re.match(r"[A-Za-z][A-Za-z0-9]*", text)
    return found[0].casefold() if found else ""


def _ids(line: Sequence[Word], samples: Mapping[str, str]) -> Iterator[tuple[str, int, int]]:
    """Samples that a line names: id, first word, and the one after the last."""
    at = 0
    while at < len(line):
        for many in range(min(_LONGEST_ID, len(line) - at), 0, -1):
            text = " ".join(word.text for word in line[at : at + many])
            sample = samples.get(comparison_form(text)) or samples.get(
                comparison_form(text.strip(",;:()"))
            )
            if sample is not None:
                yield sample, at, at + many
                at += many - 1
                break
        at += 1


def _numbers(page: int, number: int, line: Sequence[Word], covered: set[int]) -> Iterator[_Number]:
    sign = ""
    for i, word in enumerate(line):
        if word.text in _SIGNS:
            sign = word.text
            continue
        found = None if i in covered else _NUMBER.fullmatch(word.text)
        if found is not None:
            yield _Number(
                page,
                number,
                word,
                found[1] or sign,
                found[2] + found[3],
                _readings(found[2], found[3]),
            )
        sign = ""


def _readings(digits: str, exponent: str) -> tuple[tuple[float, int], ...]:
    """Values that digits may mean, each with its decimals: '1,234' is 1234 or 1.234."""
    plain = re.sub(r"['’\u00a0\u202f]", "", digits).rstrip(".,")
    power = int(exponent[1:] or 0) if exponent else 0
    points, commas = plain.count("."), plain.count(",")
    forms = set()
    if points and commas:
        last = max(".,", key=plain.rfind)
        other = "," if last == "." else "."
        forms.add(plain.replace(other, "").replace(last, "."))
    elif points + commas > 1:
        forms.add(plain.replace(".", "").replace(",", ""))
    else:
        forms.add(plain.replace(",", "."))
        if commas and re.fullmatch(r"\d{1,3},\d{3}", plain):
            forms.add(plain.replace(",", ""))
    found = []
    for form in sorted(forms):
        if form.count(".") <= 1 and form[:1].isdigit():
            value = float(form) * 10.0**power
            if math.isfinite(value):
                found.append((value, len(form.partition(".")[2]) - power))
    return tuple(found)
