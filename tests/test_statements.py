"""SQL stands in ``store/sql``, named; what is put into a statement is SQL of its own making."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import cast

import duckdb
import pytest

from reconcile.store import statements
from reconcile.store.statements import Sql, listed, quoted, sql
from tests import source
from tests.test_house import modules

FOLDER = Path(statements.__file__).parent / "sql"

#: How SQL begins, or goes on; words of sentences are in small letters or stand alone.
_SQL = re.compile(
    r"\b(SELECT|INSERT (OR \w+ )?INTO|UPDATE \w+ SET|DELETE FROM|CREATE (OR |TEMP|TABLE|VIEW)|"
    r"ALTER TABLE|DROP (TABLE|VIEW)|(GROUP|ORDER) BY|UNION ALL|(LEFT )?JOIN \w|IS (NOT )?NULL|"
    r"COALESCE|count\(|coalesce\(|list_contains\(|CASE WHEN|IN \()|^\w+(\.\w+)? (=|<>) '"
)


def texts(tree: ast.AST) -> Iterator[str]:
    """Every text of a module that is no docstring, places of f-strings as {}."""
    skipped = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            skipped |= {id(part) for part in node.values}
            yield "".join(
                str(p.value) if isinstance(p, ast.Constant) else "{}" for p in node.values
            )
        if (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in skipped
        ):
            yield node.value


def test_no_module_holds_sql() -> None:
    found = [
        f"{name}: {text}"
        for name, path in modules().items()
        if name != "reconcile.store.statements"
        for text in texts(source.tree(path))
        if _SQL.search(text)
    ]
    assert found == []


@pytest.mark.parametrize(
    "line",
    [
        "store.rows('SELECT 1')", "f'{a} = 1 GROUP BY {b}'", "x = \"disposition = 'sample'\"",
        "con.execute(f'UPDATE {table} SET a = 1 WHERE list_contains(?, a)')", "x = 'r.a IS NULL'",
    ],
)  # fmt: skip
def test_the_rule_sees_sql(line: str) -> None:
    assert [text for text in texts(ast.parse(line)) if _SQL.search(text)]


def asked() -> Iterator[tuple[str, ast.Call]]:
    """Every statement that a module asks for by a constant name."""
    for name, path in modules().items():
        for node in source.nodes(path):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "sql":
                yield name, node


def names_of(call: ast.Call) -> re.Pattern[str]:
    """The names that a call can ask for; what an f-string fills in can be any."""
    first = call.args[0]
    choices = (first.body, first.orelse) if isinstance(first, ast.IfExp) else (first,)
    each = [re.escape(next(texts(choice))).replace(r"\{\}", r"\w+") for choice in choices]
    return re.compile("|".join(each))


def test_every_statement_is_asked_for_with_its_places_and_every_name_asked_for_is_there() -> None:
    held = {n: t for path in FOLDER.glob("*.sql") for n, t in statements._texts(path.stem).items()}
    assert len(held) > 140
    unused = set(held)
    for module, call in asked():
        given = {k.arg for k in call.keywords}
        any_part = None in given  # **parts
        found = {
            name
            for name in held
            if names_of(call).fullmatch(name)
            and (any_part or set(statements._PLACE.findall(held[name])) == given)
        }
        assert found, (module, ast.unparse(call))
        unused -= found
    assert unused == set(), "statements that nothing asks for"


def test_no_name_stands_twice_in_a_file() -> None:
    for path in FOLDER.glob("*.sql"):
        names = statements._NAMED.findall(path.read_text(encoding="utf-8"))
        assert len(names) == len(set(names)), path.name


def test_text_can_t_become_part_of_a_statement() -> None:
    with pytest.raises(TypeError, match="part of a statement"):
        sql("pairing.how_many", rows=cast("Sql", "field; DROP TABLE field"))
    with pytest.raises(TypeError, match="part of a statement"):
        listed([cast("Sql", "a")])
    with pytest.raises(KeyError):
        sql("pairing.how_many")
    with pytest.raises(KeyError):
        sql("pairing.nothing_of_the_kind")


@pytest.mark.parametrize("name", ['a"b', "x; --", "", "{rows}", "Größe µ", "select"])
def test_a_quoted_name_is_that_name_whatever_it_holds(name: str) -> None:
    con = duckdb.connect()
    shown = name or "empty"
    con.register("rows", con.sql(f"SELECT 1 AS {quoted(shown)}").df())
    counted = sql("pairing.how_many", rows=quoted("rows"))
    assert isinstance(counted, Sql)
    assert con.execute(counted).fetchall() == [(1,)]
    chosen = sql("pairing.column", of=quoted(shown), name=quoted(shown))
    assert con.execute(f"SELECT {chosen} FROM rows").df().columns.tolist() == [shown]


def test_pieces_are_put_together_by_their_kind() -> None:
    parts = [quoted("a"), quoted("b")]
    assert listed(parts) == '"a", "b"'
    assert listed(parts, "all") == '"a" AND "b"'
    assert listed(parts, "sum") == '"a" + "b"'
    assert listed(parts, "union") == '"a" UNION ALL "b"'
