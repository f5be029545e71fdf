"""Every string that a reader sees stands in the folder of its language."""

import ast
import re
import string
from collections import Counter
from pathlib import Path

import pytest

import reconcile.reporting
from reconcile.reporting import words

ROOM = Path(reconcile.reporting.__file__).parent
MODULES = sorted(p for p in ROOM.rglob("*.py") if "words" not in p.relative_to(ROOM).parts)
#: Names that other rooms, the typefaces, openpyxl or the formats give; no reader's words.
GIVEN = {
    "log ratio", "reference material", "outside its limits", "outside their limits", "no ",
    "Calibri", "General", "yyyy-mm-dd hh:mm", "Letter", "ReportRegular", "ReportBold",
    "FeatureCollection", "Feature", "Point",
    "Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp", "Zs",
}  # fmt: skip
_MARKUP = re.compile(r"<[^>]*>?|^[^<]*>|&\w+;|[\w:-]+=\"[^\"]*\"?|^[^\"]*\"[^<]*>", re.DOTALL)
_PROSE = re.compile(
    r"[^\W\d_]{2,}\W*\s\W*[^\W\d_]"  # words side by side
    r"|[^\W\d_]\s+[^\W\d_]{2,}"
    r"|\s[^\W\d_]{2,}([\s.,:;]|$)"  # a word beside a place in braces
    r"|^[^\W\d_]{2,}\s"
    r"|^[A-Z][a-zé]+$"  # a heading of one word
)


def prose(source: str) -> list[tuple[int, str]]:
    """Line and text of each literal that reads as words; docstrings and raised texts excepted."""
    tree = ast.parse(source)
    spared: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Raise):
            spared |= {id(inner) for inner in ast.walk(node)}
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            spared.add(id(node.value))
    found = []
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Constant) and isinstance(node.value, str)):
            continue
        text = node.value
        if id(node) in spared or text in GIVEN or text.startswith(("default-src", "'; ")):
            continue
        if _PROSE.search(_MARKUP.sub("", text)):
            found.append((node.lineno, text))
    return found


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(ROOM)))
def test_no_words_for_readers_stand_outside_the_folder_of_the_language(module: Path) -> None:
    assert prose(module.read_text(encoding="utf-8")) == []


def outside() -> Counter[str]:
    """Literals that read as words outside ``reporting``, by room."""
    packages = [ROOM.parent, *(ROOM.parents[1] / name for name in ("flows", "schemas"))]
    counted: Counter[str] = Counter()
    for package in packages:
        for path in package.rglob("*.py"):
            first = path.relative_to(package).parts[0].removesuffix(".py")
            room = first if package == ROOM.parent else package.name
            if room != "reporting":
                counted[room] += len(prose(path.read_text(encoding="utf-8")))
    return +counted


PARTS = string.Formatter()

#: Literals that still read as words where they are: a number here is lowered, never raised.
STILL = {
    "__init__": 8,
    "base": 571,
    "cli": 4,
    "commands": 168,
    "evidence": 718,
    "figures": 115,
    "flows": 32,
    "intake": 600,
    "judgement": 257,
    "pairs": 155,
    "portfolio": 45,
    "proposing": 61,
    "releases": 109,
    "run": 104,
    "samples": 65,
    "schemas": 154,
    "statistics": 681,
    "store": 24,
    "techniques": 17,
    "trials": 46,
}


def test_words_outside_the_folder_of_the_language_grow_fewer() -> None:
    more = {room: n for room, n in outside().items() if n > STILL.get(room, 0)}
    assert more == {}, "put them into words"


@pytest.mark.parametrize(
    "code",
    [
        'own("No finding.")',
        'f"{n} of {total} charts are shown"',
        'heading = "Verdict"',
        'f"and {n} more"',
        'f"<b>Binding reason</b> {x}"',
        'f"{a} to {b}"',
        'f"{low} limit of {high}"',
    ],
)
def test_the_search_finds_words_where_there_are_any(code: str) -> None:
    assert prose(code)


@pytest.mark.parametrize(
    "code",
    [
        '"""A docstring."""',
        'raise ValueError("no such paper")',
        'f\'<td class="n" data-v="{x}">\'',
        'key = "limits_absolute"',
        'fmt = "0.0E+00"',
    ],
)
def test_the_search_passes_markup_keys_and_what_programmers_read(code: str) -> None:
    assert prose(code) == []


def test_the_script_of_the_page_says_nothing_in_words() -> None:
    script = (ROOM / "render" / "page.js").read_text(encoding="utf-8")
    texts = re.findall(r'"([^"]*)"', script)
    assert texts
    assert [
        t for t in texts if re.search(r"[A-Za-z]{2,} [A-Za-z]{2,}", t) and t != "use strict"
    ] == []


def test_places_in_braces_are_the_only_markup_of_a_template() -> None:
    texts = [v for k, v in vars(words).items() if k.isupper() and isinstance(v, str)]
    assert len(texts) > 150
    for text in texts:
        assert "<" not in text, text
        assert all(name is None or name.isidentifier() for _, name, _, _ in PARTS.parse(text)), text
