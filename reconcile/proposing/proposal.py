"""Settings for a folder of tables that nobody has described: proposed line by line.

Each line says from what it was found. What only a person can answer stands as a question;
nothing is guessed of chemistry: digestion, moisture basis and calibration are always asked.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from reconcile.base.settings import TableSettings
from reconcile.intake import lookalikes
from reconcile.intake.facts import NORMAL_WORDS
from reconcile.intake.headings import understand
from reconcile.intake.sources import open_sheets
from reconcile.intake.vocabulary import fact_of
from reconcile.intake.wording import words
from reconcile.proposing import bare, both, ids, kinds_of_rows, magnitudes, registers, trial
from reconcile.proposing.because import Because, Why
from reconcile.proposing.plain import PlainTable
from reconcile.proposing.questions import CHOICES, Ask, Question
from reconcile.proposing.seen import (
    FIELD,
    LAB,
    TABLES,
    Clue,
    Found,
    Seen,
    Unread,
    look,
    seen_as,
    tokens,
)

NO_UNIT = "no unit is stated"
_MONTH = re.compile(r"(?<![0-9])[0-9]{4}-(?:0[1-9]|1[0-2])(?![0-9])")
_TRIAL_UNIT = "mg/kg"
_SEVERAL = 3  # headings that one pattern may stand for
REGISTER = "sample register"
MATERIALS = "reference materials"


@dataclass(frozen=True, slots=True)
class Line:
    """One entry of a table's settings: its key, value or question, and why."""

    key: tuple[str, ...]
    value: Any
    why: Why | None = None


@dataclass(slots=True)
class Table:
    """One [[table]] as it is proposed, and what its files show when read so."""

    kind: str
    seen: tuple[Seen, ...]
    sure: bool = True  # of the side; else a person says first which it is
    lines: list[Line] = field(default_factory=list)
    read: trial.Read = field(default_factory=lambda: trial.Read(()))
    plain: PlainTable | None = None  # where its headings say nothing, in place of ``seen``

    @property
    def files(self) -> list[tuple[Path, str]]:
        """Each file once."""
        if self.plain is not None:
            return [(self.plain.path, self.plain.shown)]
        return list(dict.fromkeys((s.path, s.shown) for s in self.seen))

    def add(self, *key: str, value: Any, why: Why | None = None) -> None:
        """One more line."""
        self.lines.append(Line(key, value, why))

    def settings(self, **more: Any) -> TableSettings:
        """As far as it goes without its questions; ``more`` stands where nothing does."""
        raw: dict[str, Any] = {"kind": self.kind, "files": ["x"]}
        for line in self.lines:
            value = _without_questions(line.value)
            if value is None:
                continue
            at = raw
            for part in line.key[:-1]:
                at = at.setdefault(part, {})
            at[line.key[-1]] = value
        for name, value in more.items():
            if isinstance(value, dict):
                raw[name] = value | raw.get(name, {})
            else:
                raw.setdefault(name, value)
        return TableSettings.model_validate(raw)


def _without_questions(value: Any) -> Any:
    """What of an entry can be read before its questions are answered; None where nothing can."""
    if isinstance(value, Question):
        return None
    if isinstance(value, dict):
        return {k: v for k, v in value.items() if not isinstance(v, Question)}
    if isinstance(value, list):
        whole = [v for v in value if v == _without_questions(v)]
        return whole or None
    return value


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
        return sum(_count(line.value) for line in lines)


def _count(value: Any) -> int:
    """Questions within an entry."""
    if isinstance(value, dict):
        return sum(map(_count, value.values()))
    if isinstance(value, list):
        return sum(map(_count, value))
    return int(isinstance(value, Question))


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
    found_too = _registers(tables, unread)
    tables += [table for table, _ in found_too]
    unread = [u for u in unread if not any(u is known for _, known in found_too)]
    meeting = _with_ids(tables)
    for table in tables:
        _settled(table, tables)
    _with_units(tables)
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


def _registers(tables: Sequence[Table], unread: Sequence[Unread]) -> list[tuple[Table, Unread]]:
    """Sheets that nothing names a register and that hold the laboratory's numbers of samples."""
    labs, fields = ([t for t in tables if t.kind == k] for k in (LAB, FIELD))
    of_field = [{i for c in _id_choices(t) for i in c.ids} for t in fields]
    made: list[tuple[Table, Unread]] = []
    for lab in labs:
        of_lab = {i for c in _id_choices(lab) for i in c.ids}
        for u in unread:
            if u.as_plain is None or any(u is known for _, known in made):
                continue
            found = registers.found(u.as_plain, of_lab, of_field, _in_digest(lab))
            table = _as_register(u.as_plain, found) if found is not None else None
            if table is not None:
                made.append((table, u))
    return made


def _as_register(plain: PlainTable, found: registers.Found) -> Table | None:
    table = Table(REGISTER, ())
    for key, value, why in found.entries:
        table.add(*key, value=value, why=why)
    sheets = open_sheets(plain.path, plain.shown)
    sheet = next(s for s in sheets if s.name == plain.sheet)
    clues = (Found(Clue.LAB_IDS, ""),)
    seen = seen_as(plain.path, plain.shown, sheet, table.settings(), clues)
    if seen is None:
        return None
    if len(sheets) > 1:
        table.add("sheet", value=plain.sheet, why=Why(Because.ONE_SHEET))
    table.seen = (seen,)
    table.read = trial.read(table.files, table.settings())
    return table


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
    unit = {"unit": _TRIAL_UNIT} if _lacks_unit(table) else {}
    table.read = trial.read(table.files, table.settings(fixed=_on_trial(table), **unit))
    if table.sure:
        _fixed(table)


def _has_other_sheets(seen: Seen) -> bool:
    return len(open_sheets(seen.path, seen.shown)) > 1


def _lacks_unit(table: Table) -> bool:
    columns = understand(table.seen[0].block, table.settings(), table.seen[0].shown)
    facts = {c.fact for c in columns}
    long = {"element", "value"} <= facts
    if long:
        return "unit" not in facts
    return any(c.role == "unclear" and c.question == NO_UNIT for c in columns)


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
        if _in_digest(table):
            wanted.append(("digest_volume_ml", Ask.VOLUME))
    for fact, ask in wanted:
        if fact not in stated:
            table.add("fixed", fact, value=Question(ask))


IDS = frozenset({"sample_id", "lab_id"})


def _id_choices(table: Table) -> tuple[trial.IdColumn, ...]:
    """Columns that may hold the ids; the known one alone where there is one."""
    known = table.read.ids()
    if known:
        return (trial.IdColumn("", known, table.read.rows),)
    if table.kind not in {FIELD, LAB, REGISTER}:
        return ()
    columns = table.seen[0].columns
    taken = frozenset(
        c.heading for c in columns
        if c.species is not None or (c.role == "fact" and c.fact not in IDS)
    )  # fmt: skip
    return trial.id_columns(table.files, table.settings(), taken)


def _with_ids(tables: list[Table]) -> ids.Meeting | None:
    """Id columns, rules and look-ups by which the sides meet; how many do in the end."""
    choices = {id(t): _id_choices(t) for t in tables if t.kind in {FIELD, LAB, REGISTER}}
    known: dict[str, set[str]] = defaultdict(set)
    for t in tables:
        for c in choices.get(id(t), ()):
            known[t.kind] |= c.ids
    for table in tables:
        if table.kind not in {FIELD, LAB, REGISTER}:
            continue
        others = set().union(*(v for k, v in known.items() if k != table.kind))
        if table.kind != REGISTER:
            _choose_among_named(table, others)
        _choose_id(table, choices[id(table)], others)
    _look_up(tables)
    fields, labs = ([t for t in tables if t.kind == k] for k in (FIELD, LAB))
    of_field, of_lab = (set().union(*(t.read.ids() for t in side)) for side in (fields, labs))
    if not of_field or not of_lab:
        return None
    for lab in labs:
        if any(line.key == ("look_up",) for line in lab.lines):
            continue
        own = lab.read.ids()
        meeting = ids.best(of_field, own)
        if meeting.side < 0:
            continue
        changed = fields if meeting.side == 0 else [lab]
        why = Why(Because.IDS_MEET, (str(meeting.met), str(meeting.of), str(meeting.before)))
        rules = [{"find": f, "replace": r} for f, r in meeting.rules]
        for t in changed:
            if not any(line.key == ("sample_id_rules",) for line in t.lines):
                t.add("sample_id_rules", value=rules, why=why)
                _read_again(t)
        of_field = set().union(*(t.read.ids() for t in fields))
    _by_register(tables, fields)
    of_field = set().union(*(t.read.ids() for t in fields))
    of_lab = set().union(*(t.read.ids() for t in labs))
    met = len(of_field & of_lab)
    return ids.Meeting(met, min(len(of_field), len(of_lab)), met)


def _by_register(tables: Sequence[Table], fields: Sequence[Table]) -> None:
    """Rules by which a field table's ids meet those of the register."""
    registered = set().union(*(t.read.ids() for t in tables if t.kind == REGISTER))
    for table in fields:
        if any(line.key == ("sample_id_rules",) for line in table.lines):
            continue
        # controls of the register share no mark with the samples
        of_others = set().union(*(t.read.ids() for t in fields if t is not table))
        meeting = ids.best(table.read.ids(), registered & of_others or registered, of_first=True)
        if meeting.side == 0:
            why = Why(Because.IDS_MEET, (str(meeting.met), str(meeting.of), str(meeting.before)))
            rules = [{"find": f, "replace": r} for f, r in meeting.rules]
            table.add("sample_id_rules", value=rules, why=why)
            _read_again(table)


def _choose_among_named(table: Table, others: set[str]) -> None:
    """Of several columns that say that they hold the id, the one whose ids the others have."""
    named = {c.heading for c in table.seen[0].columns if c.fact == "sample_id"}
    if len(named) < 2:
        return
    _read_again(table, others)
    own = table.read.ids()
    chosen = [c for c in table.read.columns if c.role == "fact" and c.key == "sample_id"]
    if chosen and own & others:
        why = Why(Because.IDS_OF_OTHER, (str(len(own & others)), str(len(own))))
        table.add("columns", chosen[0].heading, value="sample_id", why=why)
        _read_again(table)


def _choose_id(table: Table, choices: Sequence[trial.IdColumn], others: set[str]) -> None:
    if not choices or choices[0].name == "":
        return
    best = max(choices, key=lambda c: (len(c.ids & others), c.names, len(c.ids)))
    met = len(best.ids & others)
    if met == 0:
        if 2 * len(best.ids) < best.rows and table.kind != FIELD:
            return
        why = Why(Because.IDS_DIFFER, (str(len(best.ids)), str(best.rows)))
    else:
        why = Why(Because.IDS_OF_OTHER, (str(met), str(len(best.ids))))
    table.add("columns", best.name, value="sample_id", why=why)
    _read_again(table)


def _look_up(tables: list[Table]) -> None:
    """Laboratories that give numbers of their own, which the register knows."""
    register = set().union(*(t.read.ids("lab_id") for t in tables if t.kind == REGISTER))
    fields = set().union(*(t.read.ids() for t in tables if t.kind == FIELD))
    for table in tables:
        own = table.read.ids() | table.read.ids("lab_id")
        if table.kind != LAB or not register or not own:
            continue
        met, plainly = len(own & register), len(table.read.ids() & fields)
        if met > plainly and met >= 0.5 * len(own):
            table.add(
                "look_up", value="lab_id",
                why=Why(Because.LAB_IDS, (str(met), str(len(own)), str(plainly))),
            )  # fmt: skip


def _on_trial(table: Table) -> dict[str, Any]:
    """A technique, and a mass and volume of a digest, so that a table can be read to be looked at.

    Only for looking: none of these is written down.
    """
    if table.kind == FIELD:
        return {"technique": CHOICES[Ask.TECHNIQUE][0]}
    digest = {"sample_mass_g": 1.0, "digest_volume_ml": 1.0} if _in_digest(table) else {}
    return {"technique": "not stated", **digest}


def _in_digest(table: Table) -> bool:
    """Whether results are contents of a digest, and no fractions of the sample."""
    columns = table.seen[0].columns if table.seen else ()
    return table.kind == LAB and any(
        c.role == "value" and c.unit is not None and c.unit.is_solution for c in columns
    )


def _read_again(table: Table, met_ids: Collection[str] = ()) -> None:
    if table.kind not in {FIELD, LAB}:
        table.read = trial.read(table.files, table.settings())
        return
    unit = {"unit": _TRIAL_UNIT} if _lacks_unit(table) else {}
    table.read = trial.read(table.files, table.settings(fixed=_on_trial(table), **unit), met_ids)


def _settled(table: Table, tables: Sequence[Table]) -> None:
    """Kinds of rows, what cells mean, and columns that nothing explains."""
    if table.kind not in {FIELD, LAB}:
        return
    codes = {
        c for t in tables if t.kind == MATERIALS for c in t.read.texts_of("reference_code")
    }  # fmt: skip
    free = {c.heading for c in table.read.columns if c.role in {"ignored", "asked"}}
    free -= {line.key[1] for line in table.lines if line.key[0] == "columns"}
    cells = trial.texts_of_columns(table.files, table.settings(), free)
    rules = (*kinds_of_rows.rules(table.read, codes), *kinds_of_rows.by_cells(cells))
    for name in kinds_of_rows.own_ids(cells, table.read.ids()):
        table.add("columns", name, value="duplicate_of", why=Why(Because.OWN_IDS))
    if rules:
        table.add(
            "kind_rules", value=[r.as_settings() for r in rules],
            why=Why(Because.KINDS, (", ".join(r.example for r in rules),)),
        )  # fmt: skip
    if zeros := table.read.zeros():
        told = ", ".join(f"{e} {n}" for e, (n, _) in sorted(zeros.items())[:4])
        table.add("cells", "zero", value=Question(Ask.ZERO, "", Why(Because.COUNTED, (told,))))
    by_element = {
        c.species.element: c.index
        for c in table.seen[0].columns if c.role == "error" and c.species is not None
    }  # fmt: skip
    beside_errors = [
        (c.index, by_element[c.species.element])
        for c in table.seen[0].columns
        if c.species is not None and c.role in {"value", "unclear"}
        and c.species.element in by_element
    ]  # fmt: skip
    if beside := trial.limits_beside(table.files, table.settings(), beside_errors):
        table.add(
            "cells",
            "limit_from",
            value=Question(Ask.LIMIT, "", Why(Because.COUNTED, (str(beside),))),
        )
    errors = [c for c in table.read.columns if c.role == "error"]
    sigma_column = any(c.key == "sigma" for c in table.read.columns) or _sigma_column(table)
    if errors and not sigma_column and any(math.isnan(c.sigma) for c in errors):
        table.add("cells", "error_sigma", value=Question(Ask.SIGMA, errors[0].heading))
    named = {line.key[1] for line in table.lines if line.key[0] == "columns"}
    named |= {r.column for r in rules}
    named |= _unnamed_times(table, named)
    odd = [
        c for c in table.read.columns
        if c.role in {"asked", "unclear"} and c.heading not in named and c.why != NO_UNIT
    ]  # fmt: skip
    for name, many in _alike([c.heading for c in odd]).items():
        told = lookalikes.kind_of(words(many[0])) or next(
            c.why for c in odd if c.heading == many[0]
        )
        why = Why(Because.READING, (told,))
        table.add("columns", name, value=Question(Ask.COLUMN, many[0], why))


def _unnamed_times(table: Table, named: Collection[str]) -> set[str]:
    """Asks about columns of times, and of a duration without its unit, that nothing explains."""
    free = {c.heading for c in table.read.columns if c.role == "ignored"} - set(named)
    if not free:
        return set()
    found = trial.times_in(table.files, table.settings(), free)
    asked = dict.fromkeys(found, Ask.TIME)
    for name in free - set(asked):
        in_seconds = fact_of(table.kind, words(f"{name} (s)")) == "count_time_s"
        if in_seconds and not fact_of(table.kind, words(name)):
            asked[name] = Ask.SECONDS
    for name, ask in sorted(asked.items()):
        table.add("columns", name, value=Question(ask, name))
    return set(asked)


def _sigma_column(table: Table) -> bool:
    """Whether a column that no known word names says how many sigma the errors hold."""
    taken = frozenset(c.heading for c in table.read.columns if c.role != "ignored")
    for column in trial.id_columns(table.files, table.settings(), taken):
        if "sigma" in tokens(column.name) and column.ids <= set(CHOICES[Ask.SIGMA]):
            told = (", ".join(sorted(column.ids)),)
            table.add("columns", column.name, value="sigma", why=Why(Because.CELLS, told))
            return True
    return False


def _alike(headings: Sequence[str]) -> dict[str, list[str]]:
    """Headings of elements that differ in the element alone together, under a pattern of all."""
    patterns: dict[str, list[str]] = defaultdict(list)
    for heading in headings:
        patterns[both.pattern_of(heading) or heading].append(heading)
    found: dict[str, list[str]] = {}
    for pattern, many in patterns.items():
        if len(many) >= _SEVERAL:
            found[pattern] = many
        else:
            found |= {heading: [heading] for heading in many}
    return found


def _with_units(tables: Sequence[Table]) -> None:
    """The unit of results that name none, and units that the other side's results contradict."""
    for table in tables:
        if table.kind not in {FIELD, LAB}:
            continue
        other = LAB if table.kind == FIELD else FIELD
        means = table.read.means()
        found: list[magnitudes.Ratio] = []
        for t in tables:
            if t.kind == other and not _lacks_unit(t):
                found += magnitudes.ratios(means, t.read.means())
        if _lacks_unit(table):
            table.add(
                "unit", value=Question(Ask.UNIT, "", _of_unit(tuple(found), table.read.sums()))
            )
            continue
        if table.kind == FIELD:
            for doubt in magnitudes.doubts(tuple(found)):
                first = doubt.ratios[0]
                heading = next(
                    (c.heading for c in table.read.columns
                     if c.role == "value" and c.element == first.element), "",
                )  # fmt: skip
                if heading:
                    names = ", ".join(r.element for r in doubt.ratios)
                    code = Because.UNIT_OFF if doubt.unit else Because.OXIDE
                    why = Why(code, (f"{first.ratio:.3g}", names, doubt.unit))
                    unit = Question(Ask.UNIT_AGAIN, heading, why)
                    table.add("columns", heading, value={"means": "value", "unit": unit})


def _of_unit(found: tuple[magnitudes.Ratio, ...], sums: Sequence[float]) -> Why | None:
    """What the sizes of results say of their unit."""
    if found:
        middle = sorted(found, key=lambda r: r.ratio)[len(found) // 2]
        unit = magnitudes.explained_by(found)
        said = (f"{middle.ratio:.3g}", str(middle.samples), unit)
        return Why(Because.UNIT_RATIO if unit else Because.UNIT_RATIO_ODD, said)
    if magnitudes.adds_up_to_percent(sums):
        return Why(Because.UNIT_PERCENT)
    return None


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
