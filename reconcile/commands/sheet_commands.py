"""The commands of result sheets: parse, call, exit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from reconcile.base.shown import say
from reconcile.commands.options import (
    DONE,
    FINDINGS,
    At,
    By,
    Folder,
    KeyFile,
    Reason,
    key_of,
    manner_of,
)
from reconcile.reporting import words

Sheet = Annotated[str, typer.Argument(help=words.HELP_SHEET_NUMBER_RESULT_SHEET)]
Revision = Annotated[int, typer.Option(min=0, help=words.HELP_SHEET_SHEET_ELSE_NEWEST)]


def register(app: typer.Typer) -> None:
    """Add the commands to the program's."""
    for command in (issue, sheets, signoff, recall, dispatch):
        app.command()(command)


def issue(
    table: Annotated[Path, typer.Argument(help=words.HELP_SHEET_FIELD_TABLE_WITH)],
    by: By,
    at: At,
    folder: Folder = Path(),
    name: Annotated[str, typer.Option("--table", help=words.HELP_NAME_TABLE_THAT)] = "",
    lab_method: Annotated[str, typer.Option(help=words.HELP_SHEET_WHERE_THERE_EVIDENCE)] = "",
    revise: Annotated[str, typer.Option(help=words.HELP_SHEET_NUMBER_SHEET_WHOSE)] = "",
    key: KeyFile = None,
) -> None:
    """Issue a result sheet: below, above or too close to call for each field-only sample."""
    from reconcile.commands import issuing, sheet_terminal

    with manner_of(folder):
        made = issuing.issue(folder, table, by, at, name, lab_method, revise, key_of(key))
        sheet_terminal.show_issued(made)
    raise typer.Exit(FINDINGS if sheet_terminal.open_samples(made.sheet) else DONE)


def sheets(folder: Folder = Path()) -> None:
    """List the result sheets by state, with what each comes to."""
    from reconcile.commands import sheet_terminal

    with manner_of(folder):
        touched = sheet_terminal.show_sheets(folder)
    raise typer.Exit(FINDINGS if touched else DONE)


def signoff(
    sheet: Annotated[str, typer.Argument(help=words.HELP_SHEET_NUMBER_RESULT_SHEET_OR)],
    by: By,
    at: At,
    act: Annotated[
        str,
        typer.Option("--as", help=words.HELP_SHEET_PREPARED_RELEASE_CHECKED),
    ],
    role: Annotated[str, typer.Option(help=words.HELP_SHEET_AS_WHAT_PERSON)],
    text: Annotated[str, typer.Option(help=words.HELP_SHEET_WHAT_PERSON_SAYS)],
    folder: Folder = Path(),
    revision: Revision = 0,
    key: KeyFile = None,
) -> None:
    """Record who checked, approved, accepted or refused a sheet or a month's release."""
    from reconcile.commands import issuing, release_signing, sheet_terminal
    from reconcile.intake.workspace import may_name_a_period

    if may_name_a_period(sheet) and not issuing.is_number(sheet):
        signed = release_signing.sign(folder, sheet, act, by, at, role, text, key_of(key))
        sheet_terminal.show_signed(folder, signed)
        raise typer.Exit(DONE)
    done = issuing.sign_off(folder, sheet, act, by, at, role, text, revision, key_of(key))
    sheet_terminal.show_done(folder, done)
    raise typer.Exit(DONE)


def recall(
    sheet: Sheet,
    by: By,
    reason: Reason,
    at: At,
    folder: Folder = Path(),
    revision: Revision = 0,
    key: KeyFile = None,
) -> None:
    """Withdraw a result sheet; 'sheets' shows which ones are touched by later changes."""
    from reconcile.commands import issuing, sheet_terminal

    done = issuing.withdraw(folder, sheet, by, at, reason, revision, key_of(key))
    sheet_terminal.show_done(folder, done)
    say(words.HELP_SHEET_TELL_EVERYBODY_WHO)
    raise typer.Exit(DONE)


def dispatch(
    sheet: Sheet,
    number: Annotated[str, typer.Option("--dispatch", help=words.HELP_SHEET_NUMBER_NEW_DISPATCH)],
    by: By,
    at: At,
    folder: Folder = Path(),
    share: Annotated[
        float | None,
        typer.Option(help=words.HELP_SHEET_SHARE_CALLED_SAMPLES),
    ] = None,
    key: KeyFile = None,
) -> None:
    """Choose a sheet's samples for the laboratory: list, labels and custody form."""
    from reconcile.commands import dispatching

    sent = dispatching.dispatch(folder, sheet, number, by, at, share, key_of(key))
    for line in dispatching.told(sent):
        say(line)
    raise typer.Exit(DONE)
