"""JSON and XML files as sheets of text cells, by the mapping that the settings give.

``at`` names where the records stand, keys or elements joined by points; lists on the way are
walked through. ``fields`` gives each column its path from the record; ``^`` goes one step up, so
that what stands around a record becomes a column of it; ``@name`` is an attribute of an element.
Texts and numbers stay as they are written in the file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from xml.parsers.expat import ExpatError

import pyarrow as pa

from reconcile.base.errors import ReconcileError
from reconcile.base.regular import open_regular
from reconcile.base.settings.tables import RecordSettings
from reconcile.intake.counting import Counted
from reconcile.intake.sheets import HEAD_ROWS, MAX_CELL, Body, Row, Sheet

_MOST_BYTES = 512 << 20
_DEEPEST = 100


def sheet(path: Path, shown: str, mapping: RecordSettings) -> Sheet:
    """The records of a file as its one sheet. Raises ReconcileError where it can't be read."""
    content = _content(path, shown)
    xml = content.lstrip().startswith(b"<")
    try:
        tree = _of_xml(content) if xml else _of_json(content)
    except (ValueError, ExpatError, ElementTree.ParseError, RecursionError) as error:
        raise ReconcileError(
            f"{shown} is no sound {'XML' if xml else 'JSON'}: {error}.", "Export it again."
        ) from error
    headings = tuple(mapping.fields)
    steps = _steps(mapping.at)
    rows = [
        tuple(_cell(shown, number, heading, _at(trail, _steps(path)))
              for heading, path in mapping.fields.items())
        for number, trail in enumerate(_records(tree, steps), start=1)
    ]  # fmt: skip
    if not rows:
        raise ReconcileError(
            f"{shown} has no record at '{mapping.at}'.",
            "Mend 'at' of the table's records: keys joined by points, from the outermost.",
        )
    counted = count(content, steps, xml)
    head = [Row(1, headings), *(Row(i, row) for i, row in enumerate(rows[: HEAD_ROWS - 1], 2))]

    def read_body(after_line: int, width: int, _: frozenset[int]) -> Body:
        below = [(line, row) for line, row in enumerate(rows, 2) if line > after_line]
        kept = [(line, row) for line, row in below if any(row)]
        columns = tuple(
            pa.array([row[i] or None for _, row in kept], pa.string()) for i in range(width)
        )
        lines = pa.array([line for line, _ in kept], pa.int64())
        return Body(columns, lines, (), blank=len(below) - len(kept))

    told = Counted(counted + 1, 1, counted)
    return Sheet("", tuple(head), read_body, lambda _: told)


def _content(path: Path, shown: str) -> bytes:
    try:
        with open_regular(path) as stream:
            content = stream.read(_MOST_BYTES + 1)
    except OSError as error:
        raise ReconcileError(
            f"{shown} can't be opened: {error.strerror or error}.", "Check that it is a file."
        ) from error
    if len(content) > _MOST_BYTES:
        raise ReconcileError(
            f"{shown} is larger than {_MOST_BYTES >> 20} MiB.", "Split it, by month say."
        )
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise ReconcileError(f"{shown} is not in UTF-8.", "Export it in UTF-8.")
    return content.removeprefix(b"\xef\xbb\xbf")


#: A node: a text, a list of nodes, or a mapping of names to nodes.
Node = Any


def _of_json(content: bytes) -> Node:
    """Numbers as they are written; a name that stands twice in one object is refused."""
    return json.loads(
        content.decode("utf-8"), parse_float=str, parse_int=str, parse_constant=_no_number,
        object_pairs_hook=_once,
    )  # fmt: skip


def _no_number(text: str) -> str:
    raise ValueError(f"'{text}' is no number of JSON")


def _once(pairs: list[tuple[str, Node]]) -> dict[str, Node]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("one name stands twice in an object")
    return found


def _of_xml(content: bytes) -> Node:
    if re.search(rb"<!\s*(DOCTYPE|ENTITY)", content, re.IGNORECASE):
        raise ValueError("it defines entities of its own, which are not read")
    root = ElementTree.fromstring(content)
    return {_plain(root.tag): _of_element(root, 0)}


def _of_element(element: ElementTree.Element, depth: int) -> Node:
    if depth > _DEEPEST:
        raise ValueError(f"elements are nested more than {_DEEPEST} deep")
    made: dict[str, Node] = {f"@{_plain(k)}": v for k, v in element.attrib.items()}
    for child in element:
        made.setdefault(_plain(child.tag), []).append(_of_element(child, depth + 1))
    text = (element.text or "").strip()
    if not made:
        return text
    return {_TEXT: text, **made}


_TEXT = "#"


def _plain(tag: str) -> str:
    """A name without its namespace."""
    return tag.rpartition("}")[2]


def _steps(path: str) -> tuple[str, ...]:
    return tuple(part for part in path.split(".") if part)


def _records(tree: Node, steps: tuple[str, ...]) -> Iterator[tuple[Node, ...]]:
    """Each record with all that stands around it, the record last."""
    yield from _walk(tree, steps, ())


def _walk(
    node: Node, steps: tuple[str, ...], trail: tuple[Node, ...]
) -> Iterator[tuple[Node, ...]]:
    if isinstance(node, list):
        for each in node:
            yield from _walk(each, steps, trail)
    elif not steps:
        if node is not None:
            yield (*trail, node)
    elif isinstance(node, Mapping) and steps[0] in node:
        yield from _walk(node[steps[0]], steps[1:], (*trail, node))


def _at(trail: tuple[Node, ...], steps: tuple[str, ...]) -> Node:
    """What a field's path leads to from a record; None where nothing is there."""
    up = 0
    while up < len(steps) and steps[up] == "^":
        up += 1
    if up >= len(trail):
        return None
    node = trail[len(trail) - 1 - up]
    for step in steps[up:]:
        if isinstance(node, list) and len(node) == 1:
            node = node[0]
        if not isinstance(node, Mapping):
            return None
        node = node.get(step)
    return node


def _cell(shown: str, number: int, heading: str, node: Node) -> str:
    """The text of a cell."""
    if isinstance(node, list) and len(node) == 1:
        node = node[0]
    if isinstance(node, Mapping) and _TEXT in node:
        node = node[_TEXT]
    if isinstance(node, (list, Mapping)):
        what = "a list" if isinstance(node, list) else "an object"
        raise ReconcileError(
            f"{shown}, record {number}: '{heading}' holds {what}.",
            "Write a longer path in the table's records, so that one value is left.",
        )  # fmt: skip
    if node is None:
        return ""
    text = ("true" if node else "false") if isinstance(node, bool) else str(node).strip()
    if len(text) > MAX_CELL:
        raise ReconcileError(
            f"{shown}, record {number}: '{heading}' holds {len(text):,} characters.",
            f"A cell holds at most {MAX_CELL:,}.",
        )
    return text


# ---- counted over the bytes, apart from the parsers -----------------------------------------

_JSON = re.compile(rb'"(?:[^"\\]|\\.)*"|[{}\[\],:]|[^\s{}\[\],:"]+')
_TAGS = re.compile(
    rb"<!--.*?-->|<!\[CDATA\[.*?\]\]>|<\?.*?\?>"
    rb"|<(/?)([^\s/>!?]+)((?:\"[^\"]*\"|'[^']*'|[^>\"'])*?)(/?)>",
    re.DOTALL,
)


def count(content: bytes, steps: tuple[str, ...], xml: bool) -> int:
    """How many records the bytes hold at a path."""
    return _count_xml(content, steps) if xml else _count_json(content, steps)


def _count_xml(content: bytes, steps: tuple[str, ...]) -> int:
    wanted, found = [s.encode() for s in steps], 0
    stack: list[bytes] = []
    for match in _TAGS.finditer(content):
        closing, name, _, alone = match.groups()
        if name is None:
            continue
        if closing:
            stack.pop()
            continue
        stack.append(name.rpartition(b":")[2])
        found += stack == wanted
        if alone:
            stack.pop()
    return found


def _count_json(content: bytes, steps: tuple[str, ...]) -> int:
    """Values whose path of names, lists aside, is the wanted one, and that are no list or null."""
    wanted = list(steps)
    frames: list[tuple[bool, list[str]]] = []  # open objects (True) and lists, with their paths
    name: str | None = None
    found = 0
    for match in _JSON.finditer(content):
        token = match[0]
        if token in (b"}", b"]"):
            frames.pop()
            name = None
            continue
        if token in (b",", b":"):
            name = None if token == b"," else name
            continue
        in_object, path = frames[-1] if frames else (False, [])
        if in_object and name is None:
            name = json.loads(token)
            continue
        here = [*path, name] if in_object and name is not None else path
        if token in (b"[", b"{"):
            found += token == b"{" and here == wanted
            frames.append((token == b"{", here))
            name = None
        else:
            found += here == wanted and token != b"null"
    return found
