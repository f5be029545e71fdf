"""The invented example that the repository and the wheel carry."""

from __future__ import annotations

import shutil
from importlib import resources
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.writing import write_whole
from reconcile.intake.workspace import SETTINGS_FILE

PERIODS = ("2026-05", "2026-06", "2026-07", "2026-08", "2026-09", "2026-10")


def inputs_folder() -> Path:
    """Where the example lies: in the repository, or inside the installed package."""
    package = Path(str(resources.files("reconcile")))
    for folder in (package.parent / "demo_inputs", package / "_demo_inputs"):
        if (folder / SETTINGS_FILE).is_file():
            return folder
    raise ReconcileError("The example's inputs are not installed.", "Install the program again.")


def prepare(output: Path | None = None) -> tuple[Path, tuple[str, ...]]:
    """A workspace for the example and its months.

    In a repository the example runs in place and its results go to ``out/demo``. From an
    installed package, or with ``output``, its inputs are copied so that nothing is written
    beside the program.
    """
    source = inputs_folder()
    if output is None and source.name == "demo_inputs":
        return source, PERIODS
    target = (output or Path("out/demo")).resolve()
    workspace = target / "demo_inputs"
    shutil.copytree(
        source, workspace, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__")
    )
    text = (source / SETTINGS_FILE).read_text(encoding="utf-8")
    lines = [
        'output = ".."' if line.split("=")[0].strip() == "output" else line
        for line in text.splitlines()
    ]
    write_whole(workspace / SETTINGS_FILE, ("\n".join(lines) + "\n").encode())
    return workspace, PERIODS


def months_until(periods: tuple[str, ...], last: str | None) -> tuple[str, ...]:
    """The months up to ``last``; all of them where it is None.

    Raises ReconcileError where the example has no such month.
    """
    if last is None:
        return periods
    if last not in periods:
        raise ReconcileError(
            f"The example has no month '{last}'.", f"Its months are {', '.join(periods)}."
        )
    return periods[: periods.index(last) + 1]
