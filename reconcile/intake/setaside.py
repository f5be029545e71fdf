"""Rows that are no data: repeated headings, summary lines, remarks below the table."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.intake.blocks import Block
from reconcile.intake.headings import Column
from reconcile.intake.sheets import Body

_SUMMARY_WORD = (
    r"(?:ave|avg|average|mean|median|st\.? ?dev\.?|s\.?dev\.?|std\.? ?dev\.?|std|sd|rsd|%rsd|cv|"
    r"standard deviation|min|minimum|max|maximum|range|count|n|total|totals|sum)"
)
_SUMMARY = re.compile(rf"{_SUMMARY_WORD}[ .:]*", re.I)
_SUMMARY_OF = re.compile(rf"{_SUMMARY_WORD}\.? of [0-9]+(?: .*)?", re.I)
_SUMMARY_OF_RE2 = rf"(?i)^\s*{_SUMMARY_WORD}\.? of [0-9]+"


_OF_FACTS = frozenset({"fact", "ignored", "unclear", "asked"})


def set_aside(
    body: Body, columns: tuple[Column, ...], block: Block
) -> tuple[Body, tuple[tuple[str, int], ...]]:
    """The body without rows that are no data, and how many of which sort were set aside."""
    n = len(body.lines)
    if n == 0:
        return body, ()
    aside: dict[str, npt.NDArray[np.int64]] = {}
    taken = np.zeros(n, bool)
    for name, places in (
        ("repeated heading", _repeated(body, block)),
        ("remark", remarks := _remarks(body, columns)),
        ("summary line", _summaries(body, columns, n - len(remarks))),
        ("blank line", _blank(body, columns)),
        ("empty but for columns left to another table", _of_another_table(body, columns)),
    ):
        fresh = places[~taken[places]]
        if len(fresh):
            aside[name] = fresh
            taken[fresh] = True
    if not aside:
        return body, ()
    keep = pa.array(~taken)
    kept = replace(
        body, columns=tuple(c.filter(keep) for c in body.columns), lines=body.lines.filter(keep)
    )
    # a blank line was never a row of the file
    return kept, tuple((k, len(v)) for k, v in aside.items() if k != "blank line")


def _text(column: pa.Array | pa.ChunkedArray, at: int) -> str:
    """A cell without outer blanks; '' where it is empty."""
    cell = column[at].as_py()
    return "" if cell is None else str(cell).strip()


def _where(mask: pa.Array) -> npt.NDArray[np.int64]:
    return np.flatnonzero(pc.fill_null(mask, False).to_numpy(zero_copy_only=False))


def _empty(column: pa.Array | pa.ChunkedArray) -> pa.Array:
    """Where cells are empty or blank."""
    if pa.types.is_floating(column.type):
        return pc.is_null(column)
    return pc.fill_null(pc.equal(pc.utf8_trim_whitespace(column), ""), True)


def _repeated(body: Body, block: Block) -> npt.NDArray[np.int64]:
    """Rows equal to the headings, as where exports were appended to each other."""
    named = [(i, t) for i, t in enumerate(block.anchor[: len(body.columns)]) if t]
    if len(named) < 2:
        return np.empty(0, np.int64)
    if any(pa.types.is_floating(body.columns[i].type) for i, _ in named):
        return np.empty(0, np.int64)  # a heading among numbers would not have been a number
    places = _where(pc.equal(body.columns[named[0][0]], named[0][1]))
    for index, text in named[1:]:
        if not len(places):
            break
        cells = body.columns[index].take(pa.array(places)).to_pylist()
        places = places[[c == text for c in cells]]
    return places


def _fact_columns(columns: tuple[Column, ...]) -> list[int]:
    return [c.index for c in columns if c.role in _OF_FACTS and not c.species]


def _summaries(body: Body, columns: tuple[Column, ...], end: int) -> npt.NDArray[np.int64]:
    """'Ave of 24' anywhere among the facts; 'Average' alone only in the last rows before end."""
    n = len(body.lines)
    hits: set[int] = set()
    last = range(max(0, end - 12), end)
    for index in _fact_columns(columns)[:40]:
        column = body.columns[index]
        if column.null_count == n:
            continue
        if (n <= 200_000 or _could_be_text(column)) and _may_hold(column, b" of "):
            places = _where(pc.match_substring_regex(column, _SUMMARY_OF_RE2))
            hits.update(int(p) for p in places if _SUMMARY_OF.fullmatch(column[int(p)].as_py()))
    ids = [c.index for c in columns if c.fact in {"sample_id", "lab_id"}]
    leading = list(dict.fromkeys([*ids, *_fact_columns(columns)[:3]]))
    for at in reversed(last):
        own = [_text(body.columns[i], at) for i in ids]
        if any(own) and not any(_SUMMARY.fullmatch(text) for text in own):
            break  # of a sample that it names: 'averages' holds it against that sample's rows
        if any(_SUMMARY.fullmatch(_text(body.columns[i], at)) for i in leading):
            hits.add(at)
        elif at not in hits:
            break
    return np.array(sorted(hits), np.int64)


def _may_hold(column: pa.Array | pa.ChunkedArray, word: bytes) -> bool:
    """False where the word, in any case, surely stands in no cell: quicker than a pattern."""
    if isinstance(column, pa.ChunkedArray):
        return any(_may_hold(chunk, word) for chunk in column.chunks)
    content = column.buffers()[2]
    return content is None or word in content.to_pybytes().lower()


def _could_be_text(column: pa.Array) -> bool:
    sample = [t for t in column.slice(0, 1000).to_pylist() if t]
    return any(re.search(r"[a-z]", t, re.I) for t in sample[:50])


def _remarks(body: Body, columns: tuple[Column, ...]) -> npt.NDArray[np.int64]:
    """Text in one cell alone, below the table: footnotes, signatures, 'end of report'."""
    n = len(body.lines)
    if len(body.columns) < 3:
        return np.empty(0, np.int64)
    found: list[int] = []
    for at in range(n - 1, max(-1, n - 41), -1):
        cells = [t for c in body.columns if (t := _text(c, at))]
        if len(cells) == 1 and (
            re.search(r"\s|[*:]", cells[0]) or not re.search(r"[0-9]", cells[0])
        ):
            found.append(at)
            continue
        if len(cells) > 1:
            first = _text(body.columns[0], at)
            rest = [t for c in body.columns[1:] if (t := _text(c, at))]
            if len(rest) <= 1 and not _SUMMARY.fullmatch(first) and first.endswith(":"):
                found.append(at)
                continue
        break
    return np.array(sorted(found), np.int64)


def _of_another_table(body: Body, columns: tuple[Column, ...]) -> npt.NDArray[np.int64]:
    """Rows of a longer table beside this one, whose columns the settings ignore."""
    left = {c.index for c in columns if c.role == "ignored" and c.why == "settings"}
    own = [c for i, c in enumerate(body.columns) if i not in left]
    ids = [c.index for c in columns if c.fact in {"sample_id", "lab_id"}]
    if not left or not own or not ids:
        return np.empty(0, np.int64)
    empty = _empty(body.columns[ids[0]])
    return np.array(
        [int(p) for p in _where(empty)[:100_000] if not any(_text(c, int(p)) for c in own)],
        np.int64,
    )


def _blank(body: Body, columns: tuple[Column, ...]) -> npt.NDArray[np.int64]:
    """Rows that hold nothing but blanks, which the quick reading keeps."""
    ids = [c.index for c in columns if c.fact in {"sample_id", "lab_id"}] or [0]
    places = _where(_empty(body.columns[ids[0]]))
    blank = [int(p) for p in places[:10_000] if not any(_text(c, int(p)) for c in body.columns)]
    return np.array(blank, np.int64)
