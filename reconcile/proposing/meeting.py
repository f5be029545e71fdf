"""By which columns, rules and look-ups the ids of the two sides meet."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from reconcile.intake.sources import open_sheets
from reconcile.proposing import ids, registers, trial
from reconcile.proposing.because import Because, Why
from reconcile.proposing.plain import PlainTable
from reconcile.proposing.seen import (
    FIELD,
    LAB,
    Clue,
    Found,
    Unread,
    seen_as,
)
from reconcile.proposing.table import REGISTER, Table, in_digest, read_again

IDS = frozenset({"sample_id", "lab_id"})


def id_choices(table: Table) -> tuple[trial.IdColumn, ...]:
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


def with_ids(tables: list[Table]) -> ids.Meeting | None:
    """Id columns, rules and look-ups by which the sides meet; how many do in the end."""
    choices = {id(t): id_choices(t) for t in tables if t.kind in {FIELD, LAB, REGISTER}}
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
                read_again(t)
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
            read_again(table)


def _choose_among_named(table: Table, others: set[str]) -> None:
    """Of several columns that say that they hold the id, the one whose ids the others have."""
    named = {c.heading for c in table.seen[0].columns if c.fact == "sample_id"}
    if len(named) < 2:
        return
    read_again(table, others)
    own = table.read.ids()
    chosen = [c for c in table.read.columns if c.role == "fact" and c.key == "sample_id"]
    if chosen and own & others:
        why = Why(Because.IDS_OF_OTHER, (str(len(own & others)), str(len(own))))
        table.add("columns", chosen[0].heading, value="sample_id", why=why)
        read_again(table)


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
    read_again(table)


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


def registers_among(
    tables: Sequence[Table], unread: Sequence[Unread]
) -> list[tuple[Table, Unread]]:
    """Sheets that nothing names a register and that hold the laboratory's numbers of samples."""
    labs, fields = ([t for t in tables if t.kind == k] for k in (LAB, FIELD))
    of_field = [{i for c in id_choices(t) for i in c.ids} for t in fields]
    made: list[tuple[Table, Unread]] = []
    for lab in labs:
        of_lab = {i for c in id_choices(lab) for i in c.ids}
        for u in unread:
            if u.as_plain is None or any(u is known for _, known in made):
                continue
            found = registers.found(u.as_plain, of_lab, of_field, in_digest(lab))
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
