"""Tables whose true cells are known, injured on purpose: what may come of each is known too.

``make(number)`` gives the same file for the same number, always. A file has one to three
injuries: quotation marks (open, doubled, nested, over lines), characters that only look like
digits, digits of every script, invisible characters, rows moved by one cell, cells too many or
too few, numbers that no computer holds, files that are cut.
"""

from __future__ import annotations

import io
import random
import sys
import unicodedata
from dataclasses import dataclass, field

import openpyxl
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont

from reconcile.base.characters import raised

_NUMERIC = [
    chr(c) for c in range(0x80, sys.maxunicode + 1) if unicodedata.numeric(chr(c), None) is not None
]
DIGITS = sorted({ord(c) - unicodedata.decimal(c) for c in _NUMERIC if c.isdecimal()})
NUMERALS = [c for c in _NUMERIC if not c.isdecimal()]
INVISIBLE = ["\u200b", "\u202e", "\u2066", "\u00ad", "\x1b", "\x7f", "\u0000", "\x85", "\ufeff"]
RESULTS = (
    ("Cu ppm", "Cu", 1.0),
    ("Fe %", "Fe", 1e4),
    ("Pb mg/kg", "Pb", 1.0),
    ("Zn ppm", "Zn", 1.0),
)


@dataclass
class True_:
    """A row as it is in truth; ``line`` is where it begins in the file as written."""

    name: str
    results: dict[str, tuple[str, float] | None]  # heading: '' or '<', and number; None: empty
    written: list[str]
    line: int = 0
    lines: int = 1


@dataclass
class File:
    """A written file with the truth behind it."""

    name: str
    content: bytes
    heading: list[str]
    rows: list[True_]
    kind: str = "lab"
    injuries: list[str] = field(default_factory=list)
    data_lines: int = 0  # lines below the headings that hold something
    units: dict[str, tuple[str, float]] = field(default_factory=dict)  # heading: key, to mg/kg


def make(number: int) -> File:
    """The file of this number."""
    rng = random.Random(f"injured cells 20261127 {number}")
    book = number % 6 == 5
    chosen = sorted(rng.sample(range(4), rng.randint(2, 4)))
    results = [RESULTS[i] for i in chosen]
    before = rng.sample(["Reading No", "Certificate"], rng.randint(0, 2))
    behind = rng.choice([[], ["Note"], ["Note", "Operator"]])
    heading = ["Sample", *before, *(r[0] for r in results), *behind]
    comma = rng.random() < 0.2
    rows = [_row(rng, i, before, results, behind, comma) for i in range(rng.randint(6, 12))]
    made = File(f"t{number}." + ("xlsx" if book else "csv"), b"", heading, rows)
    made.units = {r[0]: (r[1], r[2]) for r in results}
    if book:
        _write_book(rng, made)
    else:
        _write_text(rng, made, ";" if comma else rng.choice([",", ";", "\t"]))
    return made


def _row(
    rng: random.Random,
    i: int,
    before: list[str],
    results: list[tuple[str, str, float]],
    behind: list[str],
    comma: bool,
) -> True_:
    name = rng.choice(["S-{}", "KRS {}", "A{}b", "dh{}/x"]).format(101 + i)
    truth: dict[str, tuple[str, float] | None] = {}
    written = [name]
    for what in before:
        written.append(str(500 + i) if what == "Reading No" else f"C-{i % 3}")
    for at, (heading, _, _) in enumerate(results):
        # no two cells of a file hold the same number, so that one at another place is seen
        number = round(100 * (i + 1) + 10 * (at + 1) + rng.randint(1, 99) / 100, 2)
        if "%" in heading:
            number = round(number / 100, 4)
        below = "<" if rng.random() < 0.15 else ""
        empty = rng.random() < 0.1 and at
        truth[heading] = None if empty else (below, number)
        text = "" if empty else f"{below}{number:.{2 if '%' not in heading else 4}f}"
        written.append(text.replace(".", ",") if comma else text)
    for what in behind:
        written.append(rng.choice(["", "dry", "n. of fence"]) if what == "Note" else "M. O.")
    return True_(name, truth, written)


# ---- what is done to single cells -------------------------------------------------------------


def _spoil_cell(rng: random.Random, text: str) -> tuple[str, str]:
    """A cell injured by characters, and the name of the injury."""
    at = rng.randint(0, len(text))
    zero = rng.choice(DIGITS)
    kind = rng.randrange(9)
    if kind == 0:
        return text + rng.choice("⁰¹²³⁴⁵⁶⁷⁸⁹₀₁₂₃ªº"), "raised behind"
    if kind == 1:
        return text[:at] + rng.choice(NUMERALS) + text[at:], "numeral"
    if kind == 2:
        return "".join(chr(zero + int(c)) if c in "0123456789" else c for c in text), "script"
    if kind == 3:
        places = [i for i, c in enumerate(text) if c in "0123456789"]
        if not places:
            return text, "nothing"
        place = rng.choice(places)
        return text[:place] + chr(zero + int(text[place])) + text[place + 1 :], "mixed script"
    if kind == 4:
        return text[:at] + rng.choice(INVISIBLE) + text[at:], "invisible"
    if kind == 5:
        wide = {c: chr(ord(c) + 0xFEE0) for c in "0123456789.<-,"}
        return "".join(wide.get(c, c) for c in text), "wide"
    if kind == 6:
        return text + rng.choice(["e-400", "e400", "e-330", "x10⁻⁴⁰⁰", " x 10^999"]), "beyond"
    if kind == 7:
        return text + rng.choice([" ½", "①", "×10³²x", " ²"]), "numeral"
    return rng.choice(["\u00a0", "\u2009", "\u3000"]) + text + "\u202f", "spaces"


def _cell_injury(rng: random.Random, made: File) -> None:
    row = rng.choice(made.rows)
    at = rng.choice([0, *(i for i, h in enumerate(made.heading) if h in made.units)])
    if not row.written[at]:
        return
    row.written[at], name = _spoil_cell(rng, row.written[at])
    made.injuries.append(f"{name} in {made.heading[at]} of {row.name}: {row.written[at]!r}")


def _heading_injury(rng: random.Random, made: File) -> None:
    at = rng.randrange(len(made.heading))
    before = made.heading[at]
    mark = rng.choice(["²", "¹", "₂", "①", "\u200b", "\u00a0"])
    made.heading[at] = before + mark if rng.random() < 0.5 else before.replace(" ", mark + " ", 1)
    if before in made.units:
        made.units[made.heading[at]] = made.units.pop(before)
        for row in made.rows:
            row.results[made.heading[at]] = row.results.pop(before)
    made.injuries.append(f"heading {made.heading[at]!r}")


def _shift(rng: random.Random, made: File) -> None:
    """A row one place to the left or right of its headings, as where a cell was deleted.

    One row of a file: where several of a few rows are moved nothing tells which of them are.
    """
    if any(injury.startswith("shifted") for injury in made.injuries):
        return
    row = rng.choice(made.rows)
    if rng.random() < 0.5:
        row.written = ["", *row.written]
    else:
        row.written = [*row.written[1:], ""]
    made.injuries.append(f"shifted {row.name}")


# ---- text -----------------------------------------------------------------------------------


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def _quote_injury(rng: random.Random, made: File, cells: list[list[str]]) -> None:
    """Injure the quotation marks of one or two cells, in the text as written."""
    at = rng.randrange(len(cells))
    place = rng.randrange(len(cells[at]))
    cell = cells[at][place]
    kind = rng.randrange(7)
    row = made.rows[at]
    if kind == 0:
        cells[at][place] = '"' + cell
        name = "open"
    elif kind == 1:
        cells[at][place] = cell + '"'
        name = "at the end"
    elif kind == 2:
        cut = rng.randint(0, len(cell))
        cells[at][place] = cell[:cut] + '"' + cell[cut:]
        name = "in the midst"
    elif kind == 3:
        cells[at][place] = '""' + cell + '""'
        name = "doubled"
    elif kind == 4:
        cells[at][place] = f'"{cell}"x"{cell}"'
        name = "nested"
    elif kind == 5:
        cells[at][place] = '"' + cell
        other = rng.randrange(at, len(cells))
        last = rng.randrange(len(cells[other]))
        cells[other][last] += '"'
        name = f"open until {made.rows[other].name}"
    else:
        cells[at][place] = '"""' + cell + '"'
        name = "tripled"
    if place == 0:
        row.written[0] = cells[at][0]
    made.injuries.append(f"quote {name} in {row.name}, cell {place}")


def _write_text(rng: random.Random, made: File, delimiter: str) -> None:
    style = rng.choice(["plain", "plain", "all", "texts"])
    kinds = ["cell", "cell", "quote", "quote", "shift", "more", "fewer", "heading", "blank", "cut"]
    wanted = rng.choices(kinds, k=rng.randint(1, 3))
    for kind in wanted:
        if kind == "cell":
            _cell_injury(rng, made)
        elif kind == "shift":
            _shift(rng, made)
        elif kind == "heading":
            _heading_injury(rng, made)
    notes = [i for i, h in enumerate(made.heading) if h == "Note"]
    over_lines = bool(notes) and rng.random() < 0.2
    cells = []
    for row in made.rows:
        texts = []
        for at, text in enumerate(row.written):
            number = 0 < at < len(made.heading) and made.heading[at] in made.units
            needed = delimiter in text or '"' in text or "\n" in text
            quote = needed or style == "all" or (style == "texts" and not number and text)
            texts.append(_quoted(text) if quote else text)
        cells.append(texts)
    if over_lines and len(made.rows) > 2:
        which = rng.randrange(len(made.rows))
        moved = any(i == f"shifted {made.rows[which].name}" for i in made.injuries)
        if len(cells[which]) == len(made.heading) and not moved:
            cells[which][notes[0]] = '"first\nsecond ""part"""'
            made.injuries.append(f"note over lines in {made.rows[which].name}")
    for kind in wanted:
        if kind == "quote":
            _quote_injury(rng, made, cells)
        elif kind in ("more", "fewer"):
            at = rng.randrange(len(cells))
            place = rng.randrange(1, len(made.heading))
            if any("cells in" in injury for injury in made.injuries):
                continue  # two such slips may undo each other's count
            if f"shifted {made.rows[at].name}" in made.injuries:
                continue
            if kind == "more":
                cells[at].insert(place, rng.choice(["", "9.5"]))
            else:
                del cells[at][place]
            made.injuries.append(f"{kind} cells in {made.rows[at].name}")
    end = rng.choice(["\n", "\r\n"])
    head = [_quoted(h) if style == "all" or delimiter in h else h for h in made.heading]
    lines = [delimiter.join(head)]
    line = 2
    for row, texts in zip(made.rows, cells, strict=True):
        if "blank" in wanted and rng.random() < 0.2:
            lines.append("")
            line += 1
        row.line, row.lines = line, 1 + sum(text.count("\n") for text in texts)
        line += row.lines
        lines.append(delimiter.join(texts))
    text = end.join(lines) + end
    content = text.encode()
    if "cut" in wanted:
        _cut(rng, made, content, len(end.join(lines[:6]).encode()))
        return
    made.content = content
    made.data_lines = sum(row.lines for row in made.rows)


def _cut(rng: random.Random, made: File, content: bytes, first: int) -> None:
    """The file ends at any byte below its fifth line; what is lost was never in it.

    Above it nothing would tell a row that was moved from those beside it.
    """
    at = rng.randrange(first + 1, len(content))
    made.content = content[:at]
    kept = made.content.decode("utf-8", "ignore")
    last = kept.count("\n") + 1
    made.rows = [row for row in made.rows if row.line <= last]
    whole = kept.endswith("\n")
    made.rows = [r for r in made.rows if r.line < last or not whole]
    open_line = [r for r in made.rows if r.line + r.lines > last]
    for row in open_line:
        row.lines = last - row.line + 1 - whole
    made.data_lines = sum(row.lines for row in made.rows)
    if not whole and not kept.rsplit("\n", 1)[-1].strip('" \t,;'):
        made.data_lines -= 1  # nothing but marks: no cell had begun
        made.rows = [row for row in made.rows if row.line < last]
    made.injuries.append(f"cut at byte {at}")


# ---- workbooks ------------------------------------------------------------------------------


def _write_book(rng: random.Random, made: File) -> None:
    for kind in rng.choices(["cell", "cell", "shift", "heading", "raised", "none"], k=2):
        if kind == "cell":
            _cell_injury(rng, made)
        elif kind == "shift":
            _shift(rng, made)
        elif kind == "heading":
            _heading_injury(rng, made)
        elif kind == "raised":
            made.injuries.append("raised")
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append([_bookable(h) for h in made.heading])
    for number, row in enumerate(made.rows, 2):
        row.line = number
        for column, text in enumerate(row.written, 1):
            heading = made.heading[column - 1] if column <= len(made.heading) else ""
            value: object = _bookable(text)
            try:
                if heading in made.units and rng.random() < 0.7:
                    value = float(text) if text.isascii() and "e" not in text else value
            except ValueError:
                pass
            sheet.cell(number, column).value = value if value != "" else None
    if "raised" in made.injuries:
        row = rng.choice(made.rows)
        column = rng.randint(1, len(row.written))
        text = str(row.written[column - 1])
        if text:
            mark = TextBlock(
                InlineFont(vertAlign="superscript"), rng.choice(["2", "a", "12", "-3"])
            )
            sheet.cell(row.line, column).value = CellRichText(_bookable(text), mark)
            if column == 1:  # an id of its own, which no other is
                row.written[0] = text + raised(str(mark))
    out = io.BytesIO()
    book.save(out)
    made.content = out.getvalue()
    made.data_lines = len(made.rows)


def _bookable(text: str) -> str:
    """Without what no workbook can hold."""
    return "".join(c for c in text if c >= " " or c in "\t\n")
