"""The source of the three packages as trees, each parsed once a process."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path


@cache
def tree(path: Path) -> ast.Module:
    """The syntax tree of a module."""
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    """Every node of a module's tree."""
    return tuple(ast.walk(tree(path)))
