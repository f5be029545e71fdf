"""Settings for a folder of tables that nobody has described: proposed line by line.

Each line says from what it was found. What only a person can answer stands as a question;
nothing is guessed of chemistry: digestion, moisture basis and calibration are always asked.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from reconcile.intake.facts import NORMAL_WORDS
from reconcile.intake.sources import open_sheets
from reconcile.proposing import bare, both, ids, trial
from reconcile.proposing.because import Because, Why
from reconcile.proposing.columns import with_columns
from reconcile.proposing.meeting import registers_among, with_ids
from reconcile.proposing.questions import Ask, Question
from reconcile.proposing.seen import (
    FIELD,
    LAB,
    TABLES,
    Seen,
    Unread,
    look,
    tokens,
)
from reconcile.proposing.table import (
    TRIAL_UNIT,
    Line,
    Table,
    in_digest,
    lacks_unit,
    on_trial,
    questions_in,
)
from reconcile.proposing.units import with_units

_MONTH = re.compile(r"(?<![0-9])[0-9]{4}-(?:0[1-9]|1[0-2])(?![0-9])")


@dataclass(frozen=True, slots=True)
class Proposal:
    """All that is proposed for one folder."""

    tables: tuple[Table, ...]
    unread: tuple[Unread, ...]
    left: tuple[str, ...]  # files that are no tables: photos, documents
    report: tuple[Line, ...]
    workspace: tuple[Line, ...]
    thresholds: tuple[Line, ...]
    meeting: ids.Meeting | None  # of field and laboratory ids
    elements: tuple[str, ...]  # that both sides report

    @property
    def questions(self) -> int:
        """Open ones."""
        lines = [*self.report, *self.workspace, *self.thresholds]
        lines += [line for table in self.tables for line in table.lines]
        return sum(questions_in(line.value) for line in lines)


def propose(folder: Path, sides: dict[str, str] | None = None) -> Proposal:
    """Read every table below ``folder`` and propose settings.

    ``sides``: 'field' or 'lab' for files, by their path below the folder, where a person said so.
    """
    seen: list[Seen] = []
    unread: list[Unread] = []
    left: list[str] = []
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        shown = path.relative_to(folder).as_posix()
        if any(part.startswith((".", "~$")) for part in path.relative_to(folder).parts):
            continue
        if path.suffix.lower() not in TABLES:
            left.append(shown)
            continue
        found, not_read = look(path, shown)
        said = (sides or {}).get(shown, "")
        seen += [replace(s, kind=said, sure=True) if said and _results(s) else s for s in found]
        unread += not_read
    tables = _grouped(seen)
    for table in tables:
        _described(table)
    found_too = registers_among(tables, unread)
    tables += [table for table, _ in found_too]
    unread = [u for u in unread if not any(u is known for _, known in found_too)]
    meeting = with_ids(tables)
    for table in tables:
        with_columns(table, tables)
    with_units(tables)
    if not tables:
        tables, unread = _bare_tables(unread, sides or {})
    fields, labs = ([t for t in tables if t.kind == k] for k in (FIELD, LAB))
    of_field, of_lab = (_elements(side) for side in (fields, labs))
    return Proposal(
        tuple(tables), tuple(unread), tuple(left),
        (Line(("use",), Question(Ask.USE)),),
        _rows_by(tables),
        (Line(("bias_margin",), Question(Ask.MARGIN)),),
        meeting, tuple(e for e in of_lab if e in set(of_field)),
    )  # fmt: skip


def _bare_tables(
    unread: Sequence[Unread], sides: dict[str, str]
) -> tuple[list[Table], list[Unread]]:
    """Where no table can be read: those of numbers, with a question for all that they don't say."""
    made: list[Table] = []
    left: list[Unread] = []
    for u in unread:
        entries = bare.entries(u.as_plain) if u.as_plain is not None else []
        if u.as_plain is None or not entries:
            left.append(u)
            continue
        said = sides.get(u.shown, "")
        table = Table(said or LAB, (), bool(said))
        table.plain = u.as_plain
        if not said:
            table.add("kind", value=Question(Ask.KIND, u.shown))
        for key, value, why in entries:
            table.add(*key, value=value, why=why)
        if said:
            _fixed(table)
        made.append(table)
    return made, left


def _results(seen: Seen) -> bool:
    return seen.kind in {FIELD, LAB}


def _elements(tables: Sequence[Table]) -> list[str]:
    return list(
        dict.fromkeys(a.element for t in tables for read in t.read.tables for a in read.analytes)
    )


def _grouped(seen: Sequence[Seen]) -> list[Table]:
    """Files of one making together: the same kind and headings, in one folder."""
    by: dict[tuple[Any, ...], list[Seen]] = defaultdict(list)
    for s in seen:
        folder = Path(s.shown).parent
        by[s.kind, s.sure, s.headings, s.sheet, folder].append(s)
    tables: list[Table] = []
    for (kind, sure, *_), many in by.items():
        sides = both.found(many[0].block.headings) if kind in {FIELD, LAB} else None
        if sides is None:
            for method, elements in _by_method(kind, many[0]) or (("", ()),):
                table = Table(kind, tuple(many), sure)
                if not sure:
                    table.add("kind", value=Question(Ask.KIND, many[0].shown))
                if elements:
                    why = Why(Because.METHODS, (method,))
                    table.add("only", value=list(elements), why=why)
                tables.append(table)
            continue
        for side, own, other in ((FIELD, sides.field, sides.lab), (LAB, sides.lab, sides.field)):
            table = Table(side, tuple(many), sides.sure)
            why = Why(Because.BOTH_SIDES, (own.mark, other.mark))
            if not sides.sure:
                table.add("kind", value=Question(Ask.KIND, own.mark or many[0].shown))
            if own.patterns:
                table.add("take", value=list(own.patterns), why=why)
            else:
                for pattern in other.patterns:
                    table.add("columns", pattern, value="ignore", why=why)
            tables.append(table)
    order = {LAB: 1, FIELD: 0}
    return sorted(tables, key=lambda t: (order.get(t.kind, 2), t.seen[0].shown))


def _by_method(kind: str, seen: Seen) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """The laboratory's methods that a row of headings names, with their elements; () for one.

    Each has its own digestion, so that one answer can't hold for all of them. Only where every
    result names its method and no element has two.
    """
    of_results = [c for c in seen.columns if c.role == "value" and c.species is not None]
    rows = {h.index: h.method_row for h in seen.block.headings}
    if kind != LAB or not all(rows.get(c.index) for c in of_results):
        return ()
    by: dict[str, list[str]] = defaultdict(list)
    for c in of_results:
        if c.species is not None:
            by[rows[c.index]].append(c.species.element)
    every = [e for elements in by.values() for e in elements]
    if len(by) < 2 or len(set(every)) < len(every):
        return ()
    return tuple((method, tuple(elements)) for method, elements in by.items())


def _described(table: Table) -> None:
    """The sheet, the facts that hold for every row, and what the columns don't say."""
    sheets = {s.sheet for s in table.seen if s.sheet}
    if len(sheets) == 1 and any(_has_other_sheets(s) for s in table.seen):
        table.add("sheet", value=sheets.pop(), why=Why(Because.ONE_SHEET))
    if table.kind not in {FIELD, LAB}:
        table.read = trial.read(table.files, table.settings())
        return
    unit = {"unit": TRIAL_UNIT} if lacks_unit(table) else {}
    table.read = trial.read(table.files, table.settings(fixed=on_trial(table), **unit))
    if table.sure:
        _fixed(table)


def _has_other_sheets(seen: Seen) -> bool:
    return len(open_sheets(seen.path, seen.shown)) > 1


def _fixed(table: Table) -> None:
    columns = table.seen[0].columns if table.seen else ()
    headings = table.seen[0].headings if table.seen else ()
    texts = [*(shown for _, shown in table.files), *headings, *(c.method for c in columns)]
    said = {w for text in texts for w in tokens(text)}
    stated = {c.key for c in table.read.columns if c.role == "fact"}
    if not table.read.tables:  # nothing could be read yet: what the headings say
        stated = {c.fact for c in columns if c.role == "fact"}
    if table.kind == FIELD:
        if "technique" not in stated:
            spelled = NORMAL_WORDS["technique"]
            named = {spelled[word] for word in said if word in spelled}
            if len(named) == 1:
                (word,) = named
                table.add("fixed", "technique", value=word, why=Why(Because.WORD, (word,)))
            else:
                table.add("fixed", "technique", value=Question(Ask.TECHNIQUE))
        wanted = [("instrument", Ask.INSTRUMENT), ("calibration", Ask.CALIBRATION)]
    else:
        wanted = [
            ("laboratory", Ask.LABORATORY), ("technique", Ask.LAB_TECHNIQUE),
            ("digestion", Ask.DIGESTION), ("digestion_class", Ask.DIGESTION_CLASS),
            ("moisture_basis", Ask.MOISTURE),
        ]  # fmt: skip
        if in_digest(table):
            wanted.append(("digest_volume_ml", Ask.VOLUME))
    for fact, ask in wanted:
        if fact not in stated:
            table.add("fixed", fact, value=Question(ask))


def _rows_by(tables: Sequence[Table]) -> tuple[Line, ...]:
    fields = [t for t in tables if t.kind == FIELD]
    labs = [t for t in tables if t.kind == LAB]
    # a column of times in a table of the field that nothing explains is asked about
    if fields and all(_timed(t, "measured_at") or _asks_time(t) for t in fields):
        return (Line(("assign_rows_by",), "field time", Why(Because.TIMES, ("measured_at",))),)
    if labs and all(_timed(t, "reported_at") or _timed(t, "received_at") for t in labs):
        return (Line(("assign_rows_by",), "lab time", Why(Because.TIMES, ("reported_at",))),)
    return (Line(("assign_rows_by",), "nothing", Why(Because.NO_TIMES)),)


def _asks_time(table: Table) -> bool:
    values = (line.value for line in table.lines)
    return any(isinstance(v, Question) and v.ask is Ask.TIME for v in values)


def _timed(table: Table, fact: str) -> bool:
    return bool(table.read.tables) and any(
        t.facts.num_rows and t.facts.column(fact).null_count < t.facts.num_rows
        for t in table.read.tables
        if fact in t.facts.column_names
    )


def patterns_of(files: Sequence[str]) -> tuple[str, ...]:
    """Names of files with '{period}' where a month stands in each of them, else as they are."""
    with_period = {_MONTH.sub("{period}", name) for name in files}
    if all(_MONTH.search(name) for name in files):
        return tuple(sorted(with_period))
    return tuple(sorted(files))
