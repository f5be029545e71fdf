"""Which months a workspace has files for."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from reconcile.intake import workspace as ws
from reconcile.intake.workspace import Workspace

_MONTH = re.compile(r"\d{4}-(?:0[1-9]|1[0-2])")


def with_files(workspace: Workspace) -> tuple[str, ...]:
    """Months that the names of field files say, in order.

    Only patterns with ``{period}`` name months; what a file without a month in its name holds is
    not known before it is read.
    """
    found: set[str] = set()
    for table in workspace.settings.table:
        for pattern in table.files if table.kind == "field" else ():
            if "{period}" in pattern:
                found |= set(_months(workspace.folder, pattern))
    return tuple(sorted(found))


def with_releases(workspace: Workspace) -> tuple[str, ...]:
    """Months that have a release, in order."""
    folder = workspace.output / "releases"
    if not folder.is_dir():
        return ()
    return tuple(
        sorted(
            p.name
            for p in folder.iterdir()
            if ws.is_month(p.name) and any((p / f"r{n}").is_dir() for n in range(1, 1000))
        )
    )


def without_release(workspace: Workspace, until: str) -> tuple[str, ...]:
    """Months up to ``until`` that have files and no release, in order."""
    released = set(with_releases(workspace))
    return tuple(m for m in with_files(workspace) if m <= until and m not in released)


def _months(folder: Path, pattern: str) -> Iterator[str]:
    before, _, after = pattern.partition("{period}")
    named = re.compile(
        ".*".join(map(re.escape, before.split("*")))
        + f"({_MONTH.pattern})"
        + ".*".join(map(re.escape, after.replace("{period}", "*").split("*")))
    )
    for path in folder.glob(pattern.replace("{period}", "*")):
        match = named.fullmatch(path.relative_to(folder).as_posix())
        if match and path.is_file():
            yield match[1]
