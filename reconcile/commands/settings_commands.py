"""The command about the settings: a schema for the editor, and what holds from where."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from reconcile.base.shown import say
from reconcile.commands.options import DONE, Folder
from reconcile.reporting import words


def register(app: typer.Typer) -> None:
    """Add the command to the program's."""
    app.command("settings")(settings)


def settings(
    folder: Folder = Path(),
    schema: Annotated[
        bool, typer.Option("--schema", help=words.HELP_SETTINGS_WRITE_RECONCILE_SCHEMA)
    ] = False,
    show: Annotated[
        bool, typer.Option("--show", help=words.HELP_SETTINGS_LIST_EVERY_SETTING)
    ] = False,
) -> None:
    """Check the settings; write their schema for an editor, or list what holds and from where."""
    from reconcile.base.settings.schema import SCHEMA_FILE
    from reconcile.commands import settings_shown
    from reconcile.intake.workspace import write_schema

    if schema:  # also where the settings can't stand yet: it helps to mend them
        say(words.WROTE.format(path=write_schema(folder)))
        say(words.HELP_SETTINGS_EDITOR_THAT_KNOWS.format(schema_file=SCHEMA_FILE))
    if show or not schema:
        settings_shown.show(folder, every=show)
    raise typer.Exit(DONE)
