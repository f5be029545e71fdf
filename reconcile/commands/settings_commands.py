"""The command about the settings: a schema for the editor, and what holds from where."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from reconcile.base.shown import say
from reconcile.commands.options import DONE, Folder


def register(app: typer.Typer) -> None:
    """Add the command to the program's."""
    app.command("settings")(settings)


def settings(
    folder: Folder = Path(),
    schema: Annotated[
        bool, typer.Option("--schema", help="write reconcile.schema.json beside the settings")
    ] = False,
    show: Annotated[
        bool, typer.Option("--show", help="list every setting that holds, and from where")
    ] = False,
) -> None:
    """Check the settings; write their schema for an editor, or list what holds and from where."""
    from reconcile.base.settings.schema import SCHEMA_FILE
    from reconcile.commands import settings_shown
    from reconcile.intake.workspace import write_schema

    if schema:  # also where the settings can't stand yet: it helps to mend them
        say(f"Wrote {write_schema(folder)}")
        say(
            f"An editor that knows TOML completes and checks reconcile.toml where its first line "
            f"is '#:schema {SCHEMA_FILE}'."
        )
    if show or not schema:
        settings_shown.show(folder, every=show)
    raise typer.Exit(DONE)
