"""Arguments and options that several commands share, and how a command ends."""

from __future__ import annotations

import sys
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Annotated, Any

import typer

from reconcile.base.errors import ReconcileError
from reconcile.reporting import words

#: Exit codes: done; done, with findings that need a person. 2 is for what could not run.
DONE, FINDINGS = 0, 1

Folder = Annotated[
    Path, typer.Argument(help=words.HELP_OPTION_FOLDER_WITH_RECONCILE, show_default=".")
]
By = Annotated[str, typer.Option(help=words.HELP_OPTION_FULL_NAME_PERSON)]
Reason = Annotated[str, typer.Option(help=words.HELP_OPTION_WHAT_WAS_LOOKED)]
At = Annotated[str, typer.Option(help=words.HELP_OPTION_WHEN_IT_WAS)]
KeyFile = Annotated[Path | None, typer.Option("--key", help=words.HELP_OPTION_YOUR_PRIVATE_KEY)]


def key_of(path: Path | None) -> Any:
    """The private key of a file; None where none is named."""
    from reconcile.releases import signing

    return None if path is None else signing.load_key(path, pass_phrase)


def pass_phrase() -> str:
    """Ask for the pass phrase of a key."""
    if not sys.stdin.isatty():
        raise ReconcileError("The key needs its pass phrase.", "Start the command at a terminal.")
    return str(typer.prompt(words.HELP_OPTION_PASS_PHRASE_KEY, hide_input=True))


def manner_of(folder: Path) -> AbstractContextManager[None]:
    """The way of writing numbers that the workspace's settings ask for."""
    from reconcile.intake.workspace import load_workspace
    from reconcile.reporting.manner import Manner, written_as

    report = load_workspace(folder).settings.report
    return written_as(Manner(report.decimal_mark, report.date_style))
