"""A proposal as the text of ``reconcile.toml``, each line with from what it was found."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from reconcile.base.settings.schema import SCHEMA_FILE
from reconcile.base.unanswered import FORM, standing
from reconcile.proposing.proposal import Proposal, patterns_of
from reconcile.proposing.questions import Question
from reconcile.proposing.table import Line, Table
from reconcile.reporting import words

_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")


@dataclass(frozen=True, slots=True)
class Asked:
    """A question with the number that it has in the file, and its words."""

    number: int
    question: Question
    words: str


class _Numbered:
    """Gives questions their numbers in the order of the file."""

    def __init__(self) -> None:
        self.asked: list[Asked] = []

    def text(self, q: Question) -> str:
        found = "" if q.found is None else words.BECAUSE[q.found.code].format(*q.found.values)
        said = words.QUESTION[q.ask].format(q.about, found)
        self.asked.append(Asked(len(self.asked) + 1, q, said))
        return standing(len(self.asked), said)


def as_toml(proposal: Proposal, folder: str = "") -> tuple[str, tuple[Asked, ...]]:
    """The text of the settings and its questions; ``folder``: where the files lie below it."""
    numbered = _Numbered()
    parts = [f"#:schema {SCHEMA_FILE}", words.START_HEAD.format(open=FORM), ""]
    for name, lines in (
        ("workspace", proposal.workspace), ("report", proposal.report),
        ("thresholds", proposal.thresholds),
    ):  # fmt: skip
        parts += [f"[{name}]", *_lines(lines, numbered)]
        if name == "workspace" and proposal.elements:
            parts.append(words.START_ELEMENTS.format(elements=_value(list(proposal.elements))))
        parts.append("")
    for table in proposal.tables:
        parts += [*_table(table, folder, numbered), ""]
    if proposal.unread:
        parts.append(words.START_UNREAD)
        parts += [f"# - {_one_line(u.why)}" for u in proposal.unread]
    if proposal.left:
        parts.append(words.START_OTHER.format(files=", ".join(proposal.left[:20])))
    return "\n".join(parts).rstrip() + "\n", tuple(numbered.asked)


def _table(table: Table, folder: str, numbered: _Numbered) -> list[str]:
    made = ["[[table]]"]
    by_key = {line.key: line for line in table.lines}
    kind = by_key.get(("kind",))
    (of_kind,) = _lines([kind or Line(("kind",), table.kind)], numbered)
    if kind is None and (seen := _seen_from(table)):
        of_kind += f"   # {seen}"
    made.append(of_kind)
    files = [f"{folder}{name}" for name in patterns_of([shown for _, shown in table.files])]
    made.append(f"files = {_value(files)}")
    top = [line for line in table.lines if len(line.key) == 1 and line.key != ("kind",)]
    made += _lines(top, numbered)
    groups: dict[str, list[Line]] = {}
    for line in table.lines:
        if len(line.key) == 2:
            groups.setdefault(line.key[0], []).append(line)
    for name, lines in groups.items():
        for line in lines:
            made += _lines([Line((name, line.key[1]), line.value, line.why)], numbered)
    if table.read.fault:
        made.append(words.START_FAULT.format(fault=_one_line(table.read.fault)))
    elif table.read.tables:
        made.append(
            words.START_TABLE.format(rows=table.read.rows, all=table.read.rows_in_files)
        )  # fmt: skip
    return made


def _seen_from(table: Table) -> str:
    """From what the kind of table was seen; '' where a person said it."""
    clues = dict.fromkeys(clue for s in table.seen[:1] for clue in s.clues)
    return "; ".join(words.CLUES[c.clue].format(_one_line(c.text)) for c in clues)


def _lines(lines: Iterable[Line], numbered: _Numbered) -> list[str]:
    made = []
    for line in lines:
        key = ".".join(_key(part) for part in line.key)
        text = f"{key} = {_value(_filled(line.value, numbered))}"
        if line.why is not None:
            text += f"   # {words.BECAUSE[line.why.code].format(*line.why.values)}"
        made.append(text)
    return made


def _filled(value: Any, numbered: _Numbered) -> Any:
    if isinstance(value, Question):
        return numbered.text(value)
    if isinstance(value, Mapping):
        return {k: _filled(v, numbered) for k, v in value.items()}
    if isinstance(value, list):
        return [_filled(v, numbered) for v in value]
    return value


def _key(part: str) -> str:
    return part if part and set(part) <= _BARE else _string(part)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return _string(str(value))


def _string(text: str) -> str:
    # JSON strings are basic strings of TOML, but for the one character that TOML wants escaped
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _one_line(text: str) -> str:
    return " ".join(text.split())
