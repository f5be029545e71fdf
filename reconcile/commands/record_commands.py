"""The commands by which persons act: factors, the record's head, suspected faults."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from reconcile.base.shown import say
from reconcile.commands.options import DONE, FINDINGS, At, By, Folder, KeyFile, Reason
from reconcile.commands.options import key_of as _key
from reconcile.commands.options import manner_of as _manner
from reconcile.commands.options import pass_phrase as _pass_phrase
from reconcile.reporting import words

Factor = Annotated[str, typer.Argument(help=words.HELP_RECORD_FACTOR_ID_SUCH)]


def register(app: typer.Typer) -> None:
    """Add the commands to the program's."""
    app.command("factors")(list_factors)
    for act in (approve, withdraw, key, sign, stamp, settle):
        app.command()(act)


def list_factors(
    folder: Folder = Path(),
    every: Annotated[bool, typer.Option("--all", help=words.HELP_RECORD_ALSO_THOSE_THAT)] = False,
) -> None:
    """List correction factors: state, range, dates, error before and after."""
    from reconcile.commands import record_shown
    from reconcile.judgement import factor_life

    lives, head = factor_life.listed(folder)
    with _manner(folder):
        record_shown.show_factors(lives, head, every)
    raise typer.Exit(DONE)


def approve(
    factor: Factor, by: By, reason: Reason, at: At, folder: Folder = Path(), key: KeyFile = None
) -> None:
    """Approve a proposed factor; the person must be another than its author."""
    from reconcile.commands import record_shown
    from reconcile.judgement import factor_life

    life = factor_life.approve(folder, factor, by, reason, at, _key(key))
    with _manner(folder):
        record_shown.show_factor_change(life)
        record_shown.show_act(folder)
    raise typer.Exit(DONE)


def withdraw(
    factor: Factor, by: By, reason: Reason, at: At, folder: Folder = Path(), key: KeyFile = None
) -> None:
    """End a factor before its time; results that were corrected with it stay as they are."""
    from reconcile.commands import record_shown, sheet_terminal
    from reconcile.judgement import factor_life

    life = factor_life.withdraw(folder, factor, by, reason, at, _key(key))
    record_shown.show_factor_change(life)
    touched = sheet_terminal.show_touched(folder, factor)
    record_shown.show_act(folder)
    raise typer.Exit(FINDINGS if touched else DONE)


def key(
    file: Annotated[Path, typer.Argument(help=words.HELP_RECORD_PEM_FILE_MADE)],
    phrase: Annotated[
        bool, typer.Option("--pass-phrase", help=words.HELP_RECORD_ASK_FOR_PASS)
    ] = False,
) -> None:
    """Show the public key of a private one, for the register of people; make one if needed."""
    from reconcile.releases import signing

    if file.exists():
        made = signing.load_key(file, _pass_phrase)
    else:
        asked = (
            typer.prompt(
                words.HELP_RECORD_NEW_PASS_PHRASE, hide_input=True, confirmation_prompt=True
            )
            if phrase
            else ""
        )
        made = signing.new_key(file, str(asked))
        say(words.HELP_RECORD_WROTE_KEEP_IT.format(file=file))
    say(words.HELP_RECORD_PUBLIC_KEY_FOR.format(public_text=signing.public_text(made)))


def sign(
    key: Annotated[Path, typer.Option("--key", help=words.HELP_RECORD_YOUR_PRIVATE_KEY)],
    by: By,
    at: At,
    folder: Folder = Path(),
) -> None:
    """Sign the head of the record: it can't be shortened or written anew unseen from then on."""
    from reconcile.releases import signing

    made = signing.sign(folder, key, by, at, _pass_phrase)
    say(words.HELP_RECORD_SIGNED_HEAD_RECORD.format(by=made.by, lines=made.lines, head=made.head))
    say(words.HELP_RECORD_WROTE_GIVE_COPY.format(path=made.path))


def stamp(
    token: Annotated[Path, typer.Option("--token", help=words.HELP_RECORD_TIME_STAMP_RESPONSE)],
    folder: Folder = Path(),
) -> None:
    """Keep a time-stamp token that was fetched elsewhere over the head of the record."""
    from reconcile.releases import stamping

    kept = stamping.keep_token(folder, token)
    say(words.HELP_RECORD_TOKEN_STAMPS_RECORD.format(lines=kept.lines, head=kept.head, at=kept.at))
    say(words.HELP_RECORD_KEPT_AS_WHETHER.format(path=kept.path))


def settle(
    finding: Annotated[str, typer.Argument(help=words.HELP_RECORD_ID_FINDING_SUCH)],
    by: By,
    reason: Reason,
    at: At,
    verdict: Annotated[str, typer.Option("--as", help=words.HELP_RECORD_FAULT_OR_NO)],
    folder: Folder = Path(),
    key: KeyFile = None,
) -> None:
    """Settle a suspected fault; the next run of its month lifts or keeps the verdict's block."""
    from reconcile.commands import record_shown
    from reconcile.releases import settling

    known, settled = settling.settle(folder, finding, by, reason, at, verdict, _key(key))
    say(
        words.HELP_RECORD_SETTLED_AS.format(
            finding_id=known.finding_id, subject=known.subject, verdict=settled.verdict
        )
    )
    say(words.HELP_RECORD_RUN_AGAIN_ITS.format(period=known.period))
    record_shown.show_act(folder)
    raise typer.Exit(DONE)
