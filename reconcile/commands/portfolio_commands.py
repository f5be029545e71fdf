"""The commands of many sites: parse, call, exit."""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from reconcile.base.errors import ReconcileError
from reconcile.base.shown import say
from reconcile.commands.options import DONE, FINDINGS
from reconcile.reporting import words

if TYPE_CHECKING:
    from reconcile.portfolio.listed import Portfolio
    from reconcile.portfolio.running import Runner

ListFile = Annotated[
    Path, typer.Argument(help=words.HELP_SITES_PORTFOLIO_TOML_OR, show_default=".")
]  # fmt: skip
Site = Annotated[list[str] | None, typer.Option("--site", help=words.HELP_SITES_ONLY_THIS_SITE)]
Month = Annotated[str, typer.Argument(help=words.HELP_MONTH_SUCH_AS)]
_YEAR = re.compile(r"\d{4}")

portfolio_app = typer.Typer(no_args_is_help=True)
_dask: list[Callable[[], Runner]] = []


def register(app: typer.Typer, dask: Callable[[], Runner]) -> None:
    """Add the commands to the program's; ``dask`` gives the runner of a room above."""
    _dask[:] = [dask]
    app.add_typer(portfolio_app, name="portfolio", help=words.HELP_SITES_MANY_SITES_RUN)


@portfolio_app.command("run")
def run_sites(month: Month, file: ListFile = Path(), site: Site = None) -> None:
    """Run a month of every site of the list, several at once."""
    from reconcile.commands import portfolio_shown
    from reconcile.intake.workspace import is_month
    from reconcile.portfolio import listed, running

    if not is_month(month):
        raise ReconcileError(f"'{month}' is not a month.", "Write it such as 2026-10.")
    portfolio = listed.load(file)
    found = running.run(
        portfolio, listed.chosen(portfolio, tuple(site or ())), lambda workspace: (month,),
        _runner(portfolio), portfolio_shown.show_progress,
    )  # fmt: skip
    portfolio_shown.show_run(found)
    raise typer.Exit(_code(portfolio_shown.needs_a_person(found)))


@portfolio_app.command()
def rerun(
    year: Annotated[str, typer.Argument(help=words.HELP_SITES_YEAR_SUCH_AS)],
    file: ListFile = Path(),
    site: Site = None,
    release: Annotated[
        bool, typer.Option("--release", help=words.HELP_SITES_MAKE_RELEASES_ELSE)
    ] = False,
) -> None:
    """Run a year's months again on copies of the results, and say what would be otherwise."""
    from reconcile.commands import portfolio_shown
    from reconcile.portfolio import listed, running

    if not _YEAR.fullmatch(year):
        raise ReconcileError(f"'{year}' is not a year.", "Write it such as 2026.")
    portfolio = listed.load(file)
    with tempfile.TemporaryDirectory(prefix="reconcile-rerun-") as copies:
        found = running.run(
            portfolio, listed.chosen(portfolio, tuple(site or ())), running.of_year(year),
            _runner(portfolio), portfolio_shown.show_progress,
            None if release else Path(copies),
        )  # fmt: skip
    portfolio_shown.show_run(found)
    if not release:
        say(words.HELP_SITES_NOTHING_WAS_RELEASED)
    raise typer.Exit(_code(portfolio_shown.needs_a_person(found)))


@portfolio_app.command()
def stage(file: ListFile = Path(), site: Site = None) -> None:
    """Lay the input files of sites on their storage, from where a run on any machine takes them."""
    from reconcile.commands import portfolio_shown
    from reconcile.intake import storage
    from reconcile.portfolio import listed

    portfolio = listed.load(file)
    told = False
    for one in listed.chosen(portfolio, tuple(site or ())):
        try:
            if one.workspace is None:
                raise one.fault or ReconcileError("It can't be read.")
            laid = storage.lay(one.workspace)
            portfolio_shown.show_laid(one.name, one.workspace.settings.workspace.inputs, laid)
        except ReconcileError as error:  # of one site; it stops no other
            portfolio_shown.show_fault(one.name, error)
            told = True
    raise typer.Exit(_code(told))


@portfolio_app.command()
def compare(month: Month, file: ListFile = Path()) -> None:
    """Hold a month's sites against each other: which instrument or laboratory stands out."""
    from reconcile.commands import portfolio_shown
    from reconcile.portfolio import listed, release

    made = release.make(listed.load(file), month)
    portfolio_shown.show_compared(made)
    raise typer.Exit(_code(portfolio_shown.stands_out(made)))


@portfolio_app.command()
def catalogue(file: ListFile = Path()) -> None:
    """Lay the tables of all sites' releases together as Parquet, to be asked in one statement."""
    from reconcile.portfolio import catalogue as catalogues
    from reconcile.portfolio import listed

    held = catalogues.make(listed.load(file))
    for line in catalogues.shown(held):
        say(line)
    raise typer.Exit(_code(bool(held.without)))


@portfolio_app.command()
def status(file: ListFile = Path()) -> None:
    """One row per site: what stands, what is open, what ends soon."""
    from reconcile.commands import portfolio_shown
    from reconcile.portfolio import listed
    from reconcile.portfolio.status import duty
    from reconcile.releases import persons

    rows = duty(listed.load(file), persons.clock())
    portfolio_shown.show_duty(rows)
    raise typer.Exit(_code(any(row.needs_a_person for row in rows)))


@portfolio_app.command("mail")
def mail_calls(
    to: Annotated[list[str], typer.Option(help=words.HELP_SITES_WHO_WRITTEN_MAY)],
    smtp: Annotated[str, typer.Option(metavar="HOST:PORT", help=words.HELP_SITES_MAIL_SERVER)],
    sender: Annotated[str, typer.Option("--from", help=words.HELP_SITES_ADDRESS_THAT_MAIL)],
    user: Annotated[str, typer.Option(help=words.HELP_SITES_NAME_AT_MAIL)] = "",
    port: Annotated[int, typer.Option(help=words.HELP_SITES_PORT_THIS_MACHINE)] = 8025,
) -> None:
    """Send on as mail what the server calls, until stopped; for 'schedule --call'."""
    from reconcile.portfolio import mail

    host, _, number = smtp.rpartition(":")
    if not host or not number.isdecimal():
        raise ReconcileError(f"'{smtp}' is no mail server.", "Write host and port: localhost:25.")
    password = os.environ.get("RECONCILE_SMTP_PASSWORD", "")
    post = mail.Post(host, int(number), sender, tuple(to), user, password)
    with mail.gateway(post, port, say) as serving:
        say(words.HELP_SITES_LISTENING_RECONCILE_SCHEDULE.format(server_port=serving.server_port))
        with contextlib.suppress(KeyboardInterrupt):
            serving.serve_forever()


def _runner(portfolio: Portfolio) -> Runner:
    from reconcile.portfolio.running import by_processes

    if portfolio.settings.runner == "dask":
        return _dask[0]()
    return by_processes(portfolio.settings.tries)


def _code(needs_a_person: bool) -> int:
    return FINDINGS if needs_a_person else DONE
