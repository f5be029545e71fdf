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

Factor = Annotated[str, typer.Argument(help="factor id, such as Cu-3fa9c2d4e1")]


def register(app: typer.Typer) -> None:
    """Add the commands to the program's."""
    app.command("factors")(list_factors)
    for act in (approve, withdraw, key, sign, stamp, settle):
        app.command()(act)


def list_factors(
    folder: Folder = Path(),
    every: Annotated[
        bool, typer.Option("--all", help="also those that were superseded, expired or withdrawn")
    ] = False,
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
    file: Annotated[Path, typer.Argument(help="PEM file; made where it is not there")],
    phrase: Annotated[
        bool, typer.Option("--pass-phrase", help="ask for a pass phrase to keep a new key with")
    ] = False,
) -> None:
    """Show the public key of a private one, for the register of people; make one if needed."""
    from reconcile.releases import signing

    if file.exists():
        made = signing.load_key(file, _pass_phrase)
    else:
        asked = (
            typer.prompt("New pass phrase", hide_input=True, confirmation_prompt=True)
            if phrase
            else ""
        )
        made = signing.new_key(file, str(asked))
        say(f"Wrote {file}. Keep it to yourself, and a copy in a safe place.")
    say(f"Public key, for the register of people: {signing.public_text(made)}")


def sign(
    key: Annotated[Path, typer.Option("--key", help="your private key (PEM)")],
    by: By,
    at: At,
    folder: Folder = Path(),
) -> None:
    """Sign the head of the record: it can't be shortened or written anew unseen from then on."""
    from reconcile.releases import signing

    made = signing.sign(folder, key, by, at, _pass_phrase)
    say(f"{made.by} signed the head of the record, {made.lines} lines: {made.head}")
    say(f"Wrote {made.path}; give a copy to another.")


def stamp(
    token: Annotated[Path, typer.Option("--token", help="time-stamp response (.tsr, RFC 3161)")],
    folder: Folder = Path(),
) -> None:
    """Keep a time-stamp token that was fetched elsewhere over the head of the record."""
    from reconcile.releases import stamping

    kept = stamping.keep_token(folder, token)
    say(
        f"The token stamps the record up to line {kept.lines}, {kept.head}, at {kept.at} by its "
        "authority's clock."
    )
    say(f"Kept as {kept.path}; whether the authority's signature holds was not checked.")


def settle(
    finding: Annotated[str, typer.Argument(help="id of a finding, such as F-3fa9c2d4e1")],
    by: By,
    reason: Reason,
    at: At,
    verdict: Annotated[str, typer.Option("--as", help="'fault' or 'no fault'")],
    folder: Folder = Path(),
    key: KeyFile = None,
) -> None:
    """Settle a suspected fault; the next run of its month lifts or keeps the verdict's block."""
    from reconcile.commands import record_shown
    from reconcile.releases import settling

    known, settled = settling.settle(folder, finding, by, reason, at, verdict, _key(key))
    say(f"Settled {known.finding_id} ({known.subject}) as {settled.verdict}.")
    say(f"Run '{known.period}' again: its next release says so, and its verdict follows.")
    record_shown.show_act(folder)
    raise typer.Exit(DONE)
