"""Arguments and options that several commands share, and how a command ends."""

from __future__ import annotations

import sys
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Annotated, Any

import typer

from reconcile.base.errors import ReconcileError

#: Exit codes: done; done, with findings that need a person. 2 is for what could not run.
DONE, FINDINGS = 0, 1

Folder = Annotated[Path, typer.Argument(help="folder with reconcile.toml", show_default=".")]
By = Annotated[str, typer.Option(help="full name of the person who decides")]
Reason = Annotated[str, typer.Option(help="what was looked at and why")]
At = Annotated[
    str, typer.Option(help="when it was decided, such as 2026-11-03T10:00+02:00; or 'now'")
]
KeyFile = Annotated[Path | None, typer.Option("--key", help="your private key (PEM), to sign with")]


def key_of(path: Path | None) -> Any:
    """The private key of a file; None where none is named."""
    from reconcile.releases import signing

    return None if path is None else signing.load_key(path, pass_phrase)


def pass_phrase() -> str:
    """Ask for the pass phrase of a key."""
    if not sys.stdin.isatty():
        raise ReconcileError("The key needs its pass phrase.", "Start the command at a terminal.")
    return str(typer.prompt("Pass phrase of the key", hide_input=True))


def manner_of(folder: Path) -> AbstractContextManager[None]:
    """The way of writing numbers that the workspace's settings ask for."""
    from reconcile.intake.workspace import load_workspace
    from reconcile.reporting.manner import Manner, written_as

    report = load_workspace(folder).settings.report
    return written_as(Manner(report.decimal_mark, report.date_style))
