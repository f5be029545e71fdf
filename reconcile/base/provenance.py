"""What results are made with: the program's own source and the libraries that shape bytes.

Two marks are kept apart: ``code_version`` stands for all that a release is computed with,
``reading_version`` for what the reading of a file depends on, so that a change elsewhere
does not read every file again. Neither changes with a comment, a docstring or a blank line.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import importlib.util
import json
import platform
import re
import sys
import zlib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

#: Libraries whose version can change a byte of a release.
LIBRARIES = (
    "numpy", "scipy", "pandas", "pyarrow", "duckdb", "periodictable",
    "reportlab", "openpyxl", "python-calamine", "xlrd", "pillow", "pypdf", "tzdata",
)  # fmt: skip
#: Those among them, and the checks of rows, that can change what is read from a file.
READING_LIBRARIES = (
    "numpy", "pandas", "pyarrow", "pandera", "duckdb", "periodictable", "openpyxl",
    "python-calamine", "xlrd", "tzdata",
)  # fmt: skip
#: Where the reading of a file begins; what these import belongs to it too.
_READING = (
    "reconcile/intake/read.py",
    "reconcile/store/database.py",
    "reconcile/store/contents.py",
)
_READING_SQL = tuple(
    f"reconcile/store/sql/{name}.sql"
    for name in ("cells", "contents", "database", "kinds", "store")
)
#: Packages by the name that their files have in a mark, whether they lie beside or inside ours.
_PACKAGES = {"reconcile": "reconcile", "schemas": "reconcile.schemas"}
_APART = ("reconcile/flows", "reconcile/schemas")
_SHAPING = (".py", ".sql", ".css", ".js", ".ttf")  # a file that ends so can change a release

#: A string (group 1) or a comment of Python source; what stands first counts.
_TOKEN = re.compile(
    r"""("""
    r"""'{3}[^'\\]*(?:(?:\\.|'(?!''))[^'\\]*)*'{3}"""
    r"""|\"{3}[^"\\]*(?:(?:\\.|"(?!""))[^"\\]*)*\"{3}"""
    r"""|'[^'\\\n]*(?:\\.[^'\\\n]*)*'|"[^"\\\n]*(?:\\.[^"\\\n]*)*")|\#[^\n]*""",
    re.DOTALL,
)
#: The prefix of a string, at the end of what stands before it.
_PREFIX = re.compile(r"\b[A-Za-z]{1,2}\Z")
PLACE = re.compile("\x00")
_NUMBERED = re.compile(r"\x00(\d+)\x00")
_DOCSTRING = re.compile(r"(\A\s*|:[ \t]*\n\s*)\x00\d+\x00(?=[ \t]*(?:\n|\Z))")
_IMPORT = re.compile(
    r"^[ \t]*(?:from[ \t]+((?:reconcile|schemas|\.)[\w.]*)[ \t]+import[ \t]+(\([^)]*\)|[^\n]+)"
    r"|import[ \t]+((?:reconcile|schemas)[\w.]*))",
    re.MULTILINE,
)


@cache
def code_version() -> str:
    """Version and a digest of the program's own source, so that a release names its code.

    Taken once: what runs is what was loaded, whatever becomes of the files meanwhile.
    """
    return f"{_version('reconcile-field-lab')}+{_digest(sources())}"


@cache
def source_digest() -> str:
    """A digest of the same files byte by byte, comments too: quick, and never the same for two
    versions of the code. Where it is another, ``code_version`` tells whether that matters.
    """
    found = {
        name: content
        for package, module in _PACKAGES.items()
        for name, content in _files(_place(module), package)
    }
    return f"{_version('reconcile-field-lab')}+{_digest(found)}"


@cache
def reading_version() -> str:
    """A digest of the source and the libraries that the reading of a file depends on."""
    every = sources()
    read_by = {name: every[name] for name in sorted(_reached(every))}
    with_libraries = {name: _version(name) for name in READING_LIBRARIES} | _python()
    return f"{_digest(read_by)} {hashlib.sha256(_json(with_libraries)).hexdigest()[:12]}"


def made_with() -> dict[str, str]:
    """Versions of the libraries, of Python, of its packing library, and the kind of machine.

    The same inputs can give other last digits, or other packed bytes, under another of these.
    """
    return {name: _version(name) for name in LIBRARIES} | _python()


def essence(source: str) -> tuple[str, tuple[str, ...]]:
    """Python source without comments, docstrings and blank lines: its code, and its strings.

    In the code a NUL (``PLACE``) stands where a string was; what the strings hold is kept.
    """
    parts = _TOKEN.split(source)  # code and string in turn; None for a comment
    strings: list[str] = []
    for at in range(1, len(parts), 2):
        text = parts[at]
        if text is None:
            parts[at] = ""
            continue
        before = parts[at - 1]
        if before[-1:].isalpha() and (prefix := _PREFIX.search(before)):
            text = prefix[0] + text
            parts[at - 1] = before[: prefix.start()]
        parts[at] = f"\x00{len(strings)}\x00"
        strings.append(text)
    code = _DOCSTRING.sub(r"\1", "".join(parts))
    code = "\n".join(line for line in map(str.rstrip, code.split("\n")) if line)
    kept = tuple(strings[int(n)] for n in _NUMBERED.findall(code))
    return _NUMBERED.sub("\x00", code), kept


def _python() -> dict[str, str]:
    return {
        "python": f"{sys.version_info.major}.{sys.version_info.minor}",
        "zlib": zlib.ZLIB_RUNTIME_VERSION,
        "machine": f"{platform.system()} {platform.machine()}",
    }


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return "0"


@cache
def sources() -> Mapping[str, bytes]:
    """What counts of every file that can change a release, by its name from the package on."""
    found: dict[str, bytes] = {}
    for package, module in _PACKAGES.items():
        for name, content in _files(_place(module), package):
            if name.endswith(".py"):
                code, strings = essence(content.decode("utf-8").replace("\r\n", "\n"))
                found[name] = _json([code, strings])
            elif name.endswith(".ttf"):
                found[name] = content
            else:
                found[name] = content.replace(b"\r\n", b"\n")
    return found


def _place(module: str) -> Traversable:
    """The folder of a package, which is not loaded for it: ours loads pandas."""
    spec = importlib.util.find_spec(module)
    if spec is None or not spec.submodule_search_locations:
        return resources.files(module)
    return Path(next(iter(spec.submodule_search_locations)))


def _files(root: Traversable, prefix: str) -> Iterator[tuple[str, bytes]]:
    for entry in root.iterdir():
        name = f"{prefix}/{entry.name}"
        if name in _APART:
            continue
        if entry.is_dir() and not entry.name.startswith(("_", ".")):
            yield from _files(entry, name)
        elif entry.name.endswith(_SHAPING):
            yield name, entry.read_bytes()


def _reached(sources: Mapping[str, bytes]) -> set[str]:
    """Names of the sources that the reading imports, and those that they import."""
    reached: set[str] = {*_READING_SQL}
    waiting = list(_READING)
    while waiting:
        name = waiting.pop()
        if not name or name in reached:
            continue
        reached.add(name)
        code = json.loads(sources[name])[0]
        for package, names, alone in _IMPORT.findall(code):
            module = package or alone
            if module.startswith("."):  # of the same package
                module = name.rpartition("/")[0].replace("/", ".") + module.rstrip(".")
            parts = re.findall(r"\w+", re.sub(r"\bas\s+\w+", "", names)) or [""]
            for part in parts:  # a module of the package, or a name in it
                inner = _file_of(f"{module}.{part}", sources)
                waiting += [inner or _file_of(module, sources)]
    return reached


def _file_of(module: str, sources: Mapping[str, bytes]) -> str:
    path = module.replace(".", "/")
    if path.startswith(_APART):
        path = path.removeprefix("reconcile/")
    return next((p for p in (f"{path}.py", f"{path}/__init__.py") if p in sources), "")


def _digest(sources: Mapping[str, bytes]) -> str:
    digest = hashlib.sha256()
    for name, content in sorted(sources.items()):
        digest.update(name.encode() + b"\0" + content + b"\0")
    return digest.hexdigest()[:12]


def _json(value: object) -> bytes:
    return json.dumps(value, sort_keys=True).encode()
