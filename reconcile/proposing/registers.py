"""Sample registers known by what they hold: the numbers that a laboratory gave to samples."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from reconcile.intake import lookalikes
from reconcile.intake.vocabulary import word_set
from reconcile.intake.wording import words
from reconcile.proposing.because import Because, Why
from reconcile.proposing.ids import common_start
from reconcile.proposing.kinds_of_rows import WORDS, exactly
from reconcile.proposing.plain import Column, PlainTable
from reconcile.proposing.questions import Ask, Question

_ENOUGH = 0.5  # of the laboratory's ids, and of the rows whose ids can be built
_FEWEST = 3
#: Words of a column that may hold the mass of what was digested (common practice, no source).
_MASS = word_set("weight mass weighed einwaage masse pesée")
_NUMBERS = 0.8  # of a column: then what is no number stands for another kind of row


@dataclass(frozen=True, slots=True)
class Found:
    """What makes a sheet a register: entries of its settings, by key, with why."""

    entries: tuple[tuple[tuple[str, ...], Any, Why | None], ...]


def found(
    table: PlainTable,
    lab_ids: Collection[str],
    field_ids: Sequence[Collection[str]],
    in_digest: bool,
) -> Found | None:
    """Entries where one column holds the laboratory's ids and others the samples'; else None.

    ``field_ids``: of each table of the field. ``in_digest``: results are contents of a digest, so
    that its mass must be known.
    """
    of_lab = _best(table.columns, lab_ids, "")
    if of_lab is None:
        return None
    others = [c for c in table.columns if c.name != of_lab[0].name]
    of_sample = max(
        (
            x
            for many in field_ids
            for mark in dict.fromkeys(("", common_start(many)))
            if (x := _best(others, many, mark)) is not None
        ),
        key=lambda x: x[1],
        default=None,
    )  # fmt: skip
    if of_sample is None:
        return None
    column, met, start = of_sample
    of = str(len({*column.filled}))
    entries: list[tuple[tuple[str, ...], Any, Why | None]] = []
    why = Why(Because.IDS_OF_OTHER, (str(met), of))
    if start:
        entries.append((("sample_id_template",), f"{start}{{{column.name}}}", why))
    else:
        entries.append((("columns", column.name), "sample_id", why))
    if rules := _kinds(column):
        entries.append((("kind_rules",), rules, None))
    held = (str(of_lab[1]), str(len(set(lab_ids))))
    entries.append((("columns", of_lab[0].name), "lab_id", Why(Because.HOLDS_LAB_IDS, held)))
    for other in others:
        entries += _asked(other, column, in_digest)
    return Found(tuple(entries))


def _best(
    columns: Sequence[Column], ids: Collection[str], start: str
) -> tuple[Column, int, str] | None:
    """The column whose cells, behind ``start``, are most of the ids; None where none has enough."""
    known = set(ids)
    best: tuple[Column, int, str] | None = None
    for c in columns:
        met = len({f"{start}{cell}" for cell in c.filled} & known)
        if met > (best[1] if best else 0):
            best = (c, met, start)
    if best is None or best[1] < max(_FEWEST, _ENOUGH * len(known)):
        return None
    return best


def _kinds(column: Column) -> list[dict[str, Any]]:
    """Rules for the cells that are no number where nearly all are: known words, else asked."""
    odd = sorted({c for c in column.filled if c not in _texts_of_numbers(column)})
    if not odd or len(column.numbers) < _NUMBERS * len(column.filled):
        return []
    rules: list[dict[str, Any]] = []
    left = []
    for text in odd:
        kind = next((k for k, pattern in WORDS if re.fullmatch(pattern, text)), "")
        if kind:
            rules.append({"column": column.name, "pattern": exactly(text), "kind": kind})
        else:
            left.append(text)
    if left:
        rules.append(
            {
                "column": column.name,
                "pattern": "|".join(exactly(text) for text in left),
                "kind": Question(Ask.ROW_KIND, ", ".join(left[:3])),
            }
        )
    return rules


def _texts_of_numbers(column: Column) -> set[str]:
    return {c for c in column.filled if Column("", (c,)).of_numbers}


def _asked(
    column: Column, of_sample: Column, in_digest: bool
) -> list[tuple[tuple[str, ...], Any, Why | None]]:
    said = set(words(column.name).split())
    if in_digest and column.of_numbers and said & _MASS:
        return [(("columns", column.name), Question(Ask.MASS, column.name), None)]
    if column.name == of_sample.name or not column.filled:
        return []
    if told := lookalikes.kind_of(words(column.name)):
        question = Question(Ask.COLUMN, column.name, Why(Because.READING, (told,)))
        return [(("columns", column.name), question, None)]
    return []
