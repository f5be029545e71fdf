"""Two marks say what a release was computed with and what a file was read with."""

from __future__ import annotations

import ast
import importlib.metadata
import io
import token
import tokenize
from pathlib import Path

import pytest

from reconcile.base import provenance

ROOT = Path(__file__).parents[1]


def _docstrings(source: str) -> set[tuple[int, int]]:
    return {
        (node.body[0].value.lineno, node.body[0].value.col_offset)
        for node in ast.walk(ast.parse(source))
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef))
        and ast.get_docstring(node) is not None
        and isinstance(node.body[0], ast.Expr)
    }


def _tokens(source: str, left_out: set[tuple[int, int]]) -> list[str]:
    layout = {token.COMMENT, token.NL, token.NEWLINE, token.INDENT, token.DEDENT}
    return [
        t.string
        for t in tokenize.generate_tokens(io.StringIO(source).readline)
        if t.type not in layout and t.start not in left_out
    ]


def _written_again(code: str, strings: tuple[str, ...]) -> str:
    left = list(strings)
    parts = provenance.PLACE.split(code)
    return "".join(part + (left.pop(0) if left else "") for part in parts)


@pytest.mark.slow
def test_what_is_left_of_every_source_is_its_code_and_all_its_strings() -> None:
    for path in sorted([*ROOT.glob("reconcile/**/*.py"), *ROOT.glob("schemas/*.py")]):
        source = path.read_text("utf-8")
        rest = _written_again(*provenance.essence(source))
        assert _tokens(rest, set()) == _tokens(source, _docstrings(source)), path


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("x = 1\n", "x = 1  # why\n"),
        ("x = 1\ny = 2\n", "# one\n\nx = 1\n\n\n# two\ny = 2\n"),
        ('"""Old."""\nx = 1\n', '"""New words."""\n\nx = 1\n'),
        ('def f():\n    """Old."""\n    return 1\n', 'def f():\n    """New."""\n    return 1\n'),
    ],
)
def test_a_comment_or_a_docstring_changes_no_mark(before: str, after: str) -> None:
    assert provenance.essence(before) == provenance.essence(after)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("x = 1\n", "x = 2\n"),
        ('x = "a # b"\n', 'x = "a # c"\n'),
        ("x = '''\n# one\n'''\n", "x = '''\n# two\n'''\n"),
        ("x = '''a\n\nb'''\n", "x = '''a\nb'''\n"),
        ("if a:\n    b()\nc()\n", "if a:\n    b()\n    c()\n"),
        ('f(\n    """SELECT 1"""\n)\n', 'f(\n    """SELECT 2"""\n)\n'),
        ("x = 'a'\ny = 'b'\n", "x = 'b'\ny = 'a'\n"),
        ("x = r'\\'' # 1\n", "x = r'\\'' + '' # 1\n"),
    ],
)
def test_code_and_strings_change_the_mark(before: str, after: str) -> None:
    assert provenance.essence(before) != provenance.essence(after)


def _mark_with(change: dict[str, bytes], monkeypatch: pytest.MonkeyPatch) -> tuple[str, str]:
    sources = dict(provenance.sources()) | change
    monkeypatch.setattr(provenance, "sources", lambda: sources)
    provenance.code_version.cache_clear()
    provenance.reading_version.cache_clear()
    marks = provenance.code_version(), provenance.reading_version()
    monkeypatch.undo()
    provenance.code_version.cache_clear()
    provenance.reading_version.cache_clear()
    return marks


@pytest.mark.parametrize(
    ("name", "read_again"),
    [
        ("reconcile/statistics/bias.py", False),
        ("reconcile/judgement/verdicts.py", False),
        ("reconcile/reporting/document/report.py", False),
        ("reconcile/intake/cells.py", True),
        ("reconcile/intake/sources.py", True),
        ("reconcile/base/quantities.py", True),
        ("reconcile/store/database.py", True),
        ("schemas/common.py", True),
    ],
)
def test_only_a_change_of_what_reads_files_reads_them_again(
    name: str, read_again: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    code, reading = provenance.code_version(), provenance.reading_version()
    changed = {name: provenance.sources()[name] + b" changed"}
    if name.endswith(".py"):
        changed = {name: provenance.sources()[name].replace(b'"', b'"pass; ', 1)}
    other_code, other_reading = _mark_with(changed, monkeypatch)
    assert other_code != code
    assert (other_reading != reading) is read_again


@pytest.mark.parametrize(
    "name", ["reconcile/reporting/render/page.css", "reconcile/reporting/render/page.js"]
)
def test_what_shapes_the_page_is_part_of_the_program(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = provenance.code_version()
    assert _mark_with({name: provenance.sources()[name] + b" "}, monkeypatch)[0] != code


def test_another_version_of_a_library_that_reads_reads_files_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = provenance.reading_version()
    known = importlib.metadata.version
    monkeypatch.setattr(
        importlib.metadata, "version", lambda name: "99" if name == "openpyxl" else known(name)
    )
    provenance.reading_version.cache_clear()
    after = provenance.reading_version()
    provenance.reading_version.cache_clear()
    assert after != before
