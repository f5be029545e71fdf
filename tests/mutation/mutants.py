"""Single breaks of a module, put into the functions of a running process."""

from __future__ import annotations

import ast
import gc
import importlib
import inspect
import random
import types
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import libcst
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation.file_mutation import Mutation, create_mutations

from tests.mutation.rooms import ROOT, Room
from tests.reporting.test_language import prose


@dataclass(frozen=True)
class Mutant:
    """One break: where it is, what the line was and became, and the code with it."""

    path: Path
    line: int
    lines: tuple[int, ...]
    was: str
    became: str
    swaps: tuple[tuple[types.CodeType, types.CodeType], ...]

    @property
    def name(self) -> str:
        """What it is known by as long as its line stays as it is."""
        return f"{_name(self.path)}: {self.was} -> {self.became}"

    def put_in(self, functions: dict[types.CodeType, list[types.FunctionType]]) -> None:
        """Give every function of the broken code that code."""
        for old, new in self.swaps:
            for function in functions.get(old, []):
                if function.__code__.co_filename == new.co_filename:
                    function.__code__ = new


def functions_of(paths: list[Path]) -> dict[types.CodeType, list[types.FunctionType]]:
    """The functions that modules made, by their code."""
    for path in paths:
        parts = path.relative_to(ROOT).with_suffix("").parts
        importlib.import_module(".".join(p for p in parts if p != "__init__"))
    files = {str(path) for path in paths}
    found: dict[types.CodeType, list[types.FunctionType]] = {}
    for value in gc.get_objects():
        if isinstance(value, types.FunctionType) and value.__code__.co_filename in files:
            found.setdefault(value.__code__, []).append(value)
    return found


def drawn(room: Room, seed: str, count: int | None, of: set[str] | None = None) -> Iterator[Mutant]:
    """Mutants of a room in the order of a seed, each usable, up to a count; or those named."""
    files = [p for p in room.sources() if of is None or any(_file(n) == _name(p) for n in of)]
    every = [(path, i) for path in files for i in range(len(_mutations(path)[1]))]
    random.Random(seed).shuffle(every)
    given = 0
    for path, i in every:
        if count is not None and given == count:
            return
        mutant = _mutant(path, _mutations(path)[1][i])
        if mutant is not None and (of is None or mutant.name in of):
            given += 1
            yield mutant


def _name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def _file(name: str) -> str:
    return name.partition(": ")[0]


@cache
def _mutations(path: Path) -> tuple[libcst.Module, list[Mutation]]:
    """Breaks inside functions; not of words for persons, which other tests hold."""
    text = path.read_text(encoding="utf-8")
    words = {value for _, value in prose(text)}
    raised = {
        line
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Raise)
        for line in range(node.lineno, (node.end_lineno or node.lineno) + 1)
    }
    module, made, _, _ = create_mutations(str(path), text)
    where = MetadataWrapper(module, unsafe_skip_copy=True).resolve(PositionProvider)
    kept = []
    for mutation in made:
        node = mutation.original_node
        if mutation.contained_by_top_level_function is None or node not in where:
            continue
        if isinstance(node, libcst.SimpleString) and (
            where[node].start.line in raised or node.evaluated_value in words
        ):
            continue
        kept.append(mutation)
    return module, kept


@cache
def _positions(path: Path) -> dict[libcst.CSTNode, object]:
    module = _mutations(path)[0]
    return dict(MetadataWrapper(module, unsafe_skip_copy=True).resolve(PositionProvider))


@cache
def _compiled(path: Path) -> types.CodeType:
    return compile(path.read_text(encoding="utf-8"), str(path), "exec")


def _mutant(path: Path, mutation: Mutation) -> Mutant | None:
    """The mutant, or None: of a default, of words, or of code that stays as it was."""
    node = mutation.original_node
    if isinstance(node, libcst.SimpleString) and prose(f"x = {node.value}"):
        return None  # a part of a longer text for persons
    module = _mutations(path)[0]
    changed = module.deep_replace(mutation.original_node, mutation.mutated_node)
    assert isinstance(changed, libcst.Module)
    try:
        compiled = compile(changed.code, str(path), "exec")
    except SyntaxError:
        return None
    swaps = tuple(_differing(_compiled(path), compiled))
    if not swaps or any(old.co_freevars != new.co_freevars for old, new in swaps):
        return None
    position = _positions(path)[mutation.original_node]
    first, last = position.start.line, position.end.line  # type: ignore[attr-defined]
    before, after = module.code.splitlines(), changed.code.splitlines()
    same = next(i for i, pair in enumerate(zip(before, after, strict=False)) if pair[0] != pair[1])
    return Mutant(
        path, same + 1, tuple(range(first, last + 1)), before[same].strip(), after[same].strip(),
        swaps,
    )  # fmt: skip


def _differing(
    old: types.CodeType, new: types.CodeType
) -> Iterator[tuple[types.CodeType, types.CodeType]]:
    """Codes of functions that are not the same, outermost first."""
    if old == new:
        return
    if old.co_flags & inspect.CO_OPTIMIZED:  # neither a module nor the body of a class
        yield old, new
    inner_old = [c for c in old.co_consts if isinstance(c, types.CodeType)]
    inner_new = [c for c in new.co_consts if isinstance(c, types.CodeType)]
    if len(inner_old) == len(inner_new):
        for a, b in zip(inner_old, inner_new, strict=True):
            yield from _differing(a, b)


def around(path: Path, line: int) -> range:
    """The lines of the smallest statement that a line is in."""
    spans = [
        range(node.lineno, (node.end_lineno or node.lineno) + 1)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.stmt) and node.lineno <= line <= (node.end_lineno or node.lineno)
    ]
    return min(spans, key=len, default=range(line, line + 1))
