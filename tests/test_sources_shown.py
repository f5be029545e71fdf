"""What a reader is told has its source or none: nothing in a document rests on a memory."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import reconcile

_NOT_FOR_READERS = ("from memory",)


def strings_of(tree: ast.Module) -> Iterator[ast.Constant]:
    """Every text of a module that is no docstring, and so may be shown."""
    told = {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
            yield node


def test_no_text_that_may_be_shown_says_that_it_is_from_memory() -> None:
    root = Path(reconcile.__file__).parent
    paths = [*root.rglob("*.py"), *root.rglob("*.toml")]
    found = [
        f"{path.name}:{text.lineno}"
        for path in paths
        if path.suffix == ".py"
        for text in strings_of(ast.parse(path.read_text("utf-8")))
        if any(words in " ".join(str(text.value).split()) for words in _NOT_FOR_READERS)
    ]
    found += [
        path.name
        for path in paths
        if path.suffix == ".toml"
        if any(words in path.read_text("utf-8") for words in _NOT_FOR_READERS)
    ]
    assert found == []


def test_the_search_for_such_texts_finds_one() -> None:
    tree = ast.parse('"""A docstring, from memory."""\nSAID = "ISO 1, from memory"\n')
    assert [text.value for text in strings_of(tree)] == ["ISO 1, from memory"]
