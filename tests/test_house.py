"""The house has one direction: what DEVELOPERS.md draws is what the modules import."""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from reconcile.base.finding_codes import FAULTS, FindingCode
from tests import source

ROOT = Path(__file__).parents[1]

#: The rooms, top to bottom: a room imports rooms below it, never one above.
ROOMS = (
    "reconcile.cli",
    "flows",
    "reconcile.commands",
    "reconcile.portfolio",
    "reconcile.run",
    "reconcile.reporting.files",
    "reconcile.reporting.document",
    "reconcile.reporting.render",
    "reconcile.reporting.document.blocks",  # what sections are made of, known to every medium
    "reconcile.reporting.plots",
    "reconcile.reporting",  # numbers, figures and sentences that every section uses
    "reconcile.trials",
    "reconcile.judgement",
    "reconcile.figures",
    "reconcile.evidence",
    "reconcile.pairs",
    "reconcile.samples",
    "reconcile.releases",
    "reconcile.store",
    "reconcile.proposing",
    "reconcile.intake",
    "schemas",
    "reconcile.techniques",
    "reconcile.reporting.words",  # strings alone: any room may name one
    "reconcile.base",
    "reconcile.statistics",
)
#: The only modules that stand in no room: the library's face and the command line's parser.
LOOSE = {"__init__", "__main__", "cli"}


_INSIDE = ("reconcile.flows", "reconcile.schemas")


@cache
def modules() -> dict[str, Path]:
    """Every module of the three packages by its dotted name."""
    found = {}
    for package in ("reconcile", "flows", "schemas"):
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def package_of(module: str) -> str:
    """The package in which a module stands."""
    return module.rpartition(".")[0]


def room_of(module: str) -> str:
    """The room in which a module stands; '' for the library's face."""
    rooms = [r for r in ROOMS if module == r or module.startswith(f"{r}.")]
    return max(rooms, key=len, default="")


def wanted(node: ast.AST, known: dict[str, Path], of: str = "") -> Iterator[str]:
    """What a statement imports of the project, both 'import x' and 'from x import y'.

    ``of``: the package in which it stands, for what it imports from beside itself. flows and
    schemas lie beside reconcile here and inside it in a wheel: either name means them.
    """
    if isinstance(node, ast.Import):
        for alias in node.names:
            if alias.name in known:
                yield alias.name
    elif isinstance(node, ast.ImportFrom):
        for alias in node.names:
            module = ".".join(p for p in (of if node.level else "", node.module) if p)
            for name in (f"{module}.{alias.name}", module):
                if name.startswith(_INSIDE):
                    name = name.removeprefix("reconcile.")
                if name in known:
                    yield name
                    break


@cache
def imports(types: bool) -> dict[str, set[str]]:
    """What each module imports, inside functions too; with ``types``, what only types ask for."""
    known = modules()
    graph: dict[str, set[str]] = {}
    for name, path in known.items():
        whole = source.nodes(path)
        typing_only = {
            id(inner)
            for node in whole
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
            for inner in ast.walk(node)
        }
        graph[name] = {
            found
            for node in whole
            if types or id(node) not in typing_only
            for found in wanted(node, known, name if path.stem == "__init__" else package_of(name))
            if found != name
        }
    return graph


def test_no_modules_import_each_other() -> None:
    try:
        TopologicalSorter(imports(types=False)).prepare()
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_imports_only_rooms_below_it(room: str) -> None:
    below = set(ROOMS[ROOMS.index(room) :])
    upward = [
        f"{name} -> {used}"
        for name, many in imports(types=True).items()
        if room_of(name) == room
        for used in sorted(many)
        if room_of(used) and room_of(used) not in below
    ]
    assert upward == []


def test_every_module_stands_in_a_room() -> None:
    loose = {path.stem for path in (ROOT / "reconcile").glob("*.py")}
    assert loose == LOOSE
    assert not [
        name
        for name in modules()
        if name not in ("reconcile", "reconcile.__main__") and not room_of(name)
    ]


#: Lines of a module, beyond which it is to be divided; and those that are longer, with the reason.
MOST_LINES = 400
_ONE_SUBJECT = "one subject; its parts call each other, and what could be taken out was"
LONGER = {
    "reconcile.cli": "every command with its options, as they are typed",
    "reconcile.reporting.words.en.report": "the words of the report in one language",
    "reconcile.intake.vocabulary": "the words of headings, and the rules that combine them",
    "reconcile.figures.of_further": "a list of figures, one record each",
    "reconcile.statistics.selftest": "a list of studies of known truth, one for each estimator",
    "reconcile.judgement.criterion_words": "the sentence of each criterion",
    **dict.fromkeys(
        (
            "reconcile.commands.forms", "reconcile.commands.planning",
            "reconcile.commands.storytelling", "reconcile.evidence.diagnosis.faults",
            "reconcile.evidence.documents",
            "reconcile.evidence.quality.references", "reconcile.intake.cells",
            "reconcile.intake.delimited", "reconcile.intake.facts",
            "reconcile.judgement.decision", "reconcile.judgement.factor_life",
            "reconcile.judgement.factor_proposal", "reconcile.judgement.scoring",
            "reconcile.reporting.document.cover", "reconcile.reporting.document.result_sheet",
            "reconcile.reporting.document.stratum_page", "reconcile.reporting.further",
            "reconcile.reporting.render.recompute", "reconcile.statistics.censored_summary",
            "reconcile.statistics.error_model", "reconcile.store.database",
        ),
        _ONE_SUBJECT,
    ),
}  # fmt: skip


def test_no_module_is_longer_than_400_lines_but_these_for_a_reason() -> None:
    long = {
        name
        for name, path in modules().items()
        if len(path.read_text(encoding="utf-8").splitlines()) > MOST_LINES
    }
    assert long - set(LONGER) == set(), "divide it, or say in LONGER why not"
    assert set(LONGER) - long == set(), "no longer long: take it out of LONGER"


def test_the_rooms_of_the_guide_are_those_of_the_house() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    drawn = guide.split("```")[3]
    missing = [r for r in ROOMS if f"{r.removeprefix('reconcile.')}" not in drawn]
    assert missing == []


def test_the_statistics_import_nothing_of_the_project() -> None:
    for name, used in imports(types=True).items():
        if name.startswith("reconcile.statistics"):
            assert all(u.startswith("reconcile.statistics") for u in used), name


def test_the_rule_sees_a_plain_import_and_an_import_inside_a_function() -> None:
    tree = ast.parse("import reconcile.cli\ndef f():\n    from reconcile.store import database\n")
    known = modules()
    found = {name for node in ast.walk(tree) for name in wanted(node, known)}
    assert found == {"reconcile.cli", "reconcile.store.database"}


# ---- facts are not read back out of text ----------------------------------------------

#: What takes a text apart, or looks how it begins or ends.
_TAKING_APART = {
    "split", "rsplit", "splitlines", "partition", "rpartition", "startswith", "endswith",
    "removeprefix", "removesuffix",
}  # fmt: skip
#: Attributes that hold words for a reader.
_WORDED = {
    "text", "told", "evidence", "advice", "sentence", "reason", "found", "rule", "label", "what",
    "why", "subject", "outcome", "next_step",
}  # fmt: skip
#: Rooms that read what others wrote (files, settings, Unicode) or know nothing of the project.
_READERS = ("reconcile.intake", "reconcile.proposing", "reconcile.base", "reconcile.statistics")

_LIST_OF_SAMPLES = "a cell in which a person names several samples"
_OWN_NAMES = "names of files and columns that this room gives and that hold no words of others"
_FOREIGN_ERROR = "the first line of an error of another library"
_OF_A_NUMBER = "the digits of a number that this function wrote a line before"
_TYPESETTING = "line breaks, punctuation and widths; no fact depends on it"
_PERSONS_ENTRY = "what a person entered"
_OF_PERSONS = (
    "_JOINERS.split(text)", "at.split()", "by.split()", "cell.split()",
    "cells.get('also known as', '').split(';')", "cells.get('authorised for', '').split(';')",
    "long.startswith(short)", "shown.translate(_ALIKE).split()",
)  # fmt: skip
#: Every use that may stand: what is read there and why no text of ours is taken for a fact.
ALLOWED = {
    "reconcile.cli": {"str(error).splitlines()": _FOREIGN_ERROR},
    "reconcile.commands.arrived": {
        "text.split(';')": _LIST_OF_SAMPLES,
        "text.splitlines()": "the codes that a person scanned",
    },
    "reconcile.commands.demonstration": {
        "line.split('=')": "the settings file of the example",
        "text.splitlines()": "the settings file of the example",
    },
    "reconcile.commands.forms": {"text_of(cell).split(';')": _LIST_OF_SAMPLES},
    "reconcile.commands.dispatching": {"dispatch_number.split()": _PERSONS_ENTRY},
    "reconcile.commands.issuing": {
        "role.split()": _PERSONS_ENTRY, "text.split()": _PERSONS_ENTRY,
    },
    "reconcile.commands.release_signing": {
        "role.split()": _PERSONS_ENTRY, "text.split()": _PERSONS_ENTRY,
    },
    "reconcile.commands.receiving": {
        "before.endswith(b'\\n')": "a person's file, to which a line is added",
        "text.splitlines()": "a person's file, to which a line is added",
        "text_of(row['sample_id']).split(';')": _LIST_OF_SAMPLES,
    },
    "reconcile.commands.storytelling": {"name.split(';')": _LIST_OF_SAMPLES},
    "reconcile.commands.printing": {"relative.startswith('..')": "a relative path"},
    "reconcile.commands.verifying": {"folder.name.startswith('.unfinished-')": _OWN_NAMES},
    "reconcile.evidence.custody.events": {"text_of(cell).split(';')": _LIST_OF_SAMPLES},
    "reconcile.evidence.custody.judgement": {"text_of(cell).split(';')": _LIST_OF_SAMPLES},
    "reconcile.evidence.certificate_pages": {"text.splitlines()": "a document of others"},
    "reconcile.evidence.certificate_numbers": {
        "f'{number:.7g}'.partition('e')": _OF_A_NUMBER,
        "form.partition('.')": "the digits of a number in a document of others",
        "mantissa.partition('.')": _OF_A_NUMBER,
    },
    "reconcile.evidence.certificate_texts": {
        "file.shown.lower().endswith('.pdf')": "the ending of a file's name",
    },
    "reconcile.evidence.documents": {
        "cell.split()": _PERSONS_ENTRY,
        "content.startswith((b'\\xff\\xd8\\xff', b'\\x89PNG\\r\\n\\x1a\\n'))": "bytes of a picture",
        "name.lower().endswith('.csv')": "the ending of a file's name",
        "text.removesuffix('%')": _PERSONS_ENTRY,
        "row.get(key, '').split(';')": _LIST_OF_SAMPLES,
        "text.partition('\\n')": "the first line of a person's file",
    },
    "reconcile.evidence.eligibility": {"cell.split(';')": _LIST_OF_SAMPLES},
    "reconcile.releases.anchors": {"head.split()": _PERSONS_ENTRY},
    "reconcile.releases.kept_value": {
        "module.startswith(_PACKAGE)": "names of this program's own modules",
    },
    "reconcile.releases.unfinished": {
        "path.name.removeprefix(before)": "names of files that the program itself gives",
        "path.name.removeprefix(before).removesuffix(after)": "the same",
    },
    "reconcile.commands.portfolio_commands": {"smtp.rpartition(':')": _PERSONS_ENTRY},
    "reconcile.run.unchanged": {
        "path.name.startswith(_NOT_READ)": "names of files that the program itself gives",
    },
    "reconcile.releases.kept_custody": {
        "p.read_bytes().removeprefix(b'\\xef\\xbb\\xbf')": "bytes of a custody file",
        "p.read_bytes().removeprefix(b'\\xef\\xbb\\xbf').splitlines()": "bytes of a custody file",
    },
    "reconcile.releases.persons": dict.fromkeys(_OF_PERSONS, _PERSONS_ENTRY),
    "reconcile.reporting.further": {"text.startswith('<')": _OF_A_NUMBER},
    "reconcile.reporting.numbers": {
        "f'{value:.2e}'.partition('e')": _OF_A_NUMBER,
        "text.partition('.')": _OF_A_NUMBER,
    },
    "reconcile.reporting.render.sheets": {"text.split(' ')": _TYPESETTING},
    "reconcile.reporting.render.styles": {"name.endswith('right')": _OWN_NAMES},
    "reconcile.reporting.sentences": {
        "text.endswith(('.', '!', '?'))": _TYPESETTING,
        "text.split(' ', 1)": _TYPESETTING,
        "text.startswith('-')": "the sign of a number as it is rounded for the reader",
    },
    "reconcile.run.holdings": {
        "path.name.split('.')": _OWN_NAMES,
        "path.name.startswith('.unfinished-')": _OWN_NAMES,
        "str(error).splitlines()": _FOREIGN_ERROR,
    },
    "reconcile.run.reading": {"str(error).splitlines()": _FOREIGN_ERROR},
    "reconcile.run.rereading": {"str(error).splitlines()": _FOREIGN_ERROR},
    "reconcile.samples.identity.text": {"_DASHES.sub('-', fold(visible)).split()": _PERSONS_ENTRY},
    "reconcile.samples.overlay": {"raw.startswith(\"'\")": _PERSONS_ENTRY},
    "reconcile.samples.spelling": {"str(text).casefold().split()": _PERSONS_ENTRY},
    "schemas.field_reading": {"k.split('@')": "the symbol of an element ends at the first '@'"},
    "reconcile.store.database": {
        "c.startswith(('v:', 'r:'))": _OWN_NAMES,
        "str(error).splitlines()": _FOREIGN_ERROR,
    },
    "reconcile.store.statements": {
        "_NAMED.split(text)": "a file of statements of our own",
        "name.partition('.')": "the file and the name of a statement, as a module gives them",
    },
    "reconcile.store.ledger": {"data[:whole].split(b'\\n')": "lines of the ledger's bytes"},
}  # fmt: skip


def reading_back(tree: ast.AST) -> Iterator[str]:
    """Where a text is taken apart, or the words of a value are compared with a constant."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            if node.func.attr in _TAKING_APART:
                yield ast.unparse(node)
        elif isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            constant = any(
                isinstance(s, ast.Constant) and isinstance(s.value, str) and s.value for s in sides
            )
            if constant and any(isinstance(s, ast.Attribute) and s.attr in _WORDED for s in sides):
                yield ast.unparse(node)


def test_no_module_reads_facts_back_out_of_text() -> None:
    found = {
        f"{name}: {use}"
        for name, path in modules().items()
        if not name.startswith(_READERS)
        for use in reading_back(source.tree(path))
        if use not in ALLOWED.get(name, {})
    }
    assert found == set(), "carry the fact beside its words, or state in ALLOWED whose text it is"


def test_what_may_read_text_is_still_there() -> None:
    known = modules()
    gone = {
        f"{name}: {use}"
        for name, uses in ALLOWED.items()
        for use in set(uses) - set(reading_back(source.tree(known[name])))
    }
    assert gone == set(), "take these out of ALLOWED"


@pytest.mark.parametrize(
    "line",
    [
        "x.field_method.split(' · ')", "key.partition('@')", "c.found.startswith('no sample')",
        "finding.text == 'Custody broken.'", "'outside' in pair.reason",
        "basis.removeprefix('field ')",
    ],
)  # fmt: skip
def test_the_rule_sees_a_text_that_is_read_back(line: str) -> None:
    assert list(reading_back(ast.parse(line)))


def test_the_rule_lets_codes_and_showing_be() -> None:
    assert not list(reading_back(ast.parse("c.code == 'unit'\nf'{c.text}: {c.found}'\nc.n == 1")))


# ---- findings have codes --------------------------------------------------------------


def findings_made() -> Iterator[tuple[str, ast.Call]]:
    """Every call that makes a finding, with its module."""
    for name, path in modules().items():
        for node in source.nodes(path):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding":
                yield name, node


def test_every_finding_says_its_code() -> None:
    made = list(findings_made())
    assert len(made) > 60
    without = [f"{n}:{c.lineno}" for n, c in made if "code" not in {k.arg for k in c.keywords}]
    assert without == []


def test_every_code_of_a_finding_is_used_at_one_place() -> None:
    used = Counter(
        node.attr
        for name, path in modules().items()
        if name != "reconcile.base.finding_codes"
        for node in source.nodes(path)
        if isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "FindingCode"
    )
    by_words = {code.name for code in FAULTS}  # made from the table of their words
    assert set(used) | by_words == {code.name for code in FindingCode}
    assert {name for name, count in used.items() if count > 1} == set()
