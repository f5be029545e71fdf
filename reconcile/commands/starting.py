"""The start of a workspace: a template, or settings proposed from tables that are there."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.writing import write_whole
from reconcile.intake.workspace import SETTINGS_FILE, write_schema
from reconcile.proposing import answering
from reconcile.proposing.proposal import Proposal, patterns_of, propose
from reconcile.proposing.questions import Ask, Question
from reconcile.proposing.seen import FIELD, LAB
from reconcile.proposing.table import Table
from reconcile.proposing.writing import Asked, as_toml
from reconcile.reporting import words

COPIED_TO = "tables"
#: Asks a person: words, choices, default, whether an empty answer may stand.
Prompt = Callable[[str, Sequence[str], str, bool], str]


@dataclass(frozen=True, slots=True)
class Started:
    """What was proposed and written."""

    settings: Path
    proposal: Proposal
    asked: tuple[Asked, ...]  # open questions as the file holds them
    copied: int


def start_from(
    site: Path, source: Path, sides: dict[str, str] | None = None, prompt: Prompt | None = None
) -> Started:
    """Propose settings for the tables below ``source`` and write them into ``site``.

    Files that do not lie below ``site`` are copied there. ``sides``: 'field' or 'lab' by file, as
    a person said. ``prompt``: asks which side a table is, where nothing tells it.
    """
    target = site / SETTINGS_FILE
    if target.exists():
        raise ReconcileError(
            f"{target} is there already.",
            "Nothing was changed. With --ask alone its open questions are asked.",
        )
    if not source.is_dir():
        raise ReconcileError(f"{source} is no folder.", "Name the folder that holds the tables.")
    said = dict(sides or {})
    known = {p.relative_to(source).as_posix() for p in source.rglob("*") if p.is_file()}
    if unknown := sorted(set(said) - known):
        raise ReconcileError(
            f"'{unknown[0]}' is no file below {source}.",
            "Name files by their path below that folder, as the proposal shows them.",
        )
    proposal = propose(source, said)
    while prompt is not None and (name := _of_unknown_side(proposal, said)):
        said[name] = prompt(name, (FIELD, LAB), "", False)
        proposal = propose(source, said)
    if not proposal.tables:
        raise ReconcileError(
            f"No table that can be read was found below {source}.",
            "Tables are text (.csv, .txt), workbooks (.xlsx, .xls, .ods) or Parquet files.",
        )
    folder, copied = _placed(site, source, proposal)
    text, asked = as_toml(proposal, folder)
    site.mkdir(parents=True, exist_ok=True)
    write_whole(target, text.encode(), new=True)
    write_schema(site)
    return Started(target, proposal, asked, copied)


def _of_unknown_side(proposal: Proposal, said: dict[str, str]) -> str:
    for table in proposal.tables:
        for line in table.lines:
            if isinstance(line.value, Question) and line.value.ask is Ask.KIND:
                for _, shown in table.files:
                    if shown not in said:
                        return shown
    return ""


def _placed(site: Path, source: Path, proposal: Proposal) -> tuple[str, int]:
    """Where the files lie below the site, with a '/' behind it; and how many were copied there."""
    whole, inside = site.resolve(), source.resolve()
    if inside.is_relative_to(whole):
        below = inside.relative_to(whole).as_posix()
        return ("" if below == "." else f"{below}/"), 0
    files = {shown: path for table in proposal.tables for path, shown in table.files}
    if whole.is_relative_to(inside) and whole != inside:
        files = {n: p for n, p in files.items() if not p.resolve().is_relative_to(whole)}
    for shown, path in files.items():
        to = site / COPIED_TO / shown
        to.parent.mkdir(parents=True, exist_ok=True)
        if to.exists():
            raise ReconcileError(f"{to} is there already.", "Nothing is overwritten: move it away.")
        shutil.copy2(path, to)
    return f"{COPIED_TO}/", len(files)


def ask_open(site: Path, prompt: Prompt) -> int:
    """Ask the open questions of a workspace's settings one by one; how many were answered.

    Each answer is written before the next question, so that nothing is lost where a person stops.
    """
    path = site / SETTINGS_FILE
    if not path.is_file():
        raise ReconcileError(
            f"No {SETTINGS_FILE} in {site}.", "Begin with 'reconcile start FOLDER --from TABLES'."
        )
    last: dict[Ask, str] = {}
    done = 0
    while opened := answering.still_open(text := path.read_text(encoding="utf-8-sig")):
        question = opened[0]
        ask = answering.asks(question, text)
        default = last.get(ask) or answering.default_of(ask)
        answer = prompt(
            question.words, answering.choices_of(ask), default, ask in answering.MAY_BE_EMPTY
        )
        if not answering.fits(ask, answer):
            continue
        last[ask] = answer
        write_whole(path, answering.answered(text, question, ask, answer).encode())
        done += 1
    return done


def lines_of(started: Started, folder: Path) -> list[str]:
    """What to print: at most a dozen lines of what is sure, and of the questions."""
    p = started.proposal
    told = [words.WROTE.format(path=started.settings)]
    if started.copied:
        told.append(words.START_COPIED.format(n=started.copied, folder=f"{folder}/{COPIED_TO}"))
    tables = [
        (words.START_SURE if table.plain is None else words.START_BARE).format(
            kind=table.kind, files=_files(table), rows=table.read.rows,
            all=table.read.rows_in_files,
        )
        for table in p.tables
    ]  # fmt: skip
    told += _at_most(tables, _SURE)
    kinds = {table.kind for table in p.tables}
    told += [words.START_NO_SIDE.format(side=side) for side in (FIELD, LAB) if side not in kinds]
    if p.meeting is not None:
        met = words.START_MET.format(met=p.meeting.met, of=p.meeting.of)
        told.append(met if p.meeting.met else words.START_NOT_MET)
    if p.unread:
        told.append(words.START_UNREAD_SHORT.format(n=len(p.unread)))
    if not started.asked:
        return [*told, words.START_NONE_LEFT, words.START_CHECK.format(folder=folder)]
    told.append(words.START_QUESTIONS.format(n=len(started.asked)))
    told += _at_most([f"  {a.number}. {a.words}" for a in started.asked], _ASKED)
    told.append(words.START_NEXT.format(path=started.settings.name, folder=folder))
    return told


_SURE, _ASKED = 3, 4  # lines


def _at_most(lines: list[str], most: int) -> list[str]:
    if len(lines) <= most:
        return lines
    return [*lines[: most - 1], words.START_MORE.format(n=len(lines) - most + 1)]


def _files(table: Table) -> str:
    names = patterns_of([shown for _, shown in table.files])
    return names[0] if len(names) == 1 else words.START_SEVERAL.format(name=names[0], n=len(names))
