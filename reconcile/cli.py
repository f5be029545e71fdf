"""The command line: parses, calls one library function, prints, exits 0, 1 or 2.

0 done; 1 done, with findings that need a person; 2 could not run. Heavy imports wait
until a command runs, so that --help answers at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from reconcile.base.characters import visible
from reconcile.base.errors import ReconcileError
from reconcile.base.shown import open_console, safe, say
from reconcile.commands import (
    portfolio_commands,
    record_commands,
    settings_commands,
    sheet_commands,
)
from reconcile.commands.options import (
    DONE,
    FINDINGS,
    Folder,
)
from reconcile.commands.options import manner_of as _manner
from reconcile.commands.shows import Look, Needs, Only, Show, With
from reconcile.reporting import words

if TYPE_CHECKING:
    from reconcile.commands.forms import Written
    from reconcile.intake.workspace import Workspace
    from reconcile.portfolio.running import Runner
    from reconcile.run.drawing import Drawn
    from reconcile.run.pipeline import RunOutcome
    from reconcile.run.unchanged import Stands

app = typer.Typer(
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Period = Annotated[str, typer.Argument(help=words.HELP_MONTH_SUCH_AS)]
Shown = Annotated[list[Show] | None, typer.Option("--show", help=words.HELP_TABLE_BEYOND_ANSWER)]

COULD_NOT_RUN = 2

record_commands.register(app)
settings_commands.register(app)
sheet_commands.register(app)


def _dask_runner() -> Runner:
    if TYPE_CHECKING:
        from flows import portfolio
    else:
        from reconcile.flows import portfolio
    return portfolio.on_dask


portfolio_commands.register(app, _dask_runner)


def _version(asked: bool) -> None:
    if asked:
        import reconcile

        say(words.HELP_RECONCILE.format(version=reconcile.__version__))
        raise typer.Exit(DONE)


@app.callback()
def program(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help=words.HELP_SHOW_VERSION),
    ] = False,
) -> None:
    """Say how far handheld LIBS and portable XRF results can be trusted against the laboratory's.

    Correct what can be corrected, and keep the proof.
    """


def main() -> None:
    """Entry point: errors for the analyst become one message and exit code 2."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal without Unicode loses no line
    try:
        app()
    except ReconcileError as error:
        _complain(error)
    except KeyboardInterrupt:
        say(words.HELP_STOPPED_NOTHING_HALF, errors=True)
        sys.exit(COULD_NOT_RUN)
    except BrokenPipeError:
        sys.exit(DONE)
    except OSError as error:
        place = f" ({error.filename})" if error.filename else ""
        _complain(
            ReconcileError(
                f"{error.strerror or error}{place}.",
                "Check that the folder can be written and the disk is not full.",
            )
        )
    except Exception as error:
        if os.environ.get("RECONCILE_DEBUG"):
            raise
        _complain(
            ReconcileError(
                f"The program failed where it should not ({type(error).__name__}: "
                f"{str(error).splitlines()[0][:300] if str(error) else 'no message'}).",
                "Nothing half-written stands. Please report it with the output of the same command "
                "after setting RECONCILE_DEBUG=1.",
            )
        )


def _complain(error: ReconcileError) -> NoReturn:
    out = open_console(errors=True)
    out.print(safe(words.HELP_COULD_NOT_RUN, style="bold"), safe(error.message, lines=True), sep="")
    if error.advice:
        out.print(safe(error.advice, lines=True))
    sys.exit(COULD_NOT_RUN)


@app.command()
def demo(
    output: Annotated[Path | None, typer.Option(help=words.HELP_FOLDER_FOR_RESULTS)] = None,
    until: Annotated[str | None, typer.Option(help=words.HELP_LAST_MONTH_RUN)] = None,
    show: Shown = None,
) -> None:
    """Run the invented example: six months, and a sheet of field-only samples."""
    from reconcile.commands import demonstration

    folder, every = demonstration.prepare(output)
    periods = demonstration.months_until(every, until)
    outcomes = [_walk(*_standing(folder, period), period) for period in periods]
    from reconcile.commands import sheet_terminal, terminal

    for outcome in outcomes[:-1]:
        terminal.show_in_brief(outcome)
    terminal.show_outcome(outcomes[-1], show or ())
    terminal.show_paths(outcomes)
    sheet_terminal.show_example((output or Path("out/demo")) / "field_only")
    terminal.say_example_code(outcomes)
    raise typer.Exit(DONE)


@app.command()
def start(
    folder: Annotated[Path, typer.Argument(help=words.HELP_NEW_OR_EMPTY)],
    source: Annotated[
        Path | None,
        typer.Option("--from", help=words.HELP_FOLDER_TABLES_SETTINGS),
    ] = None,
    field: Annotated[list[str] | None, typer.Option(help=words.HELP_FILE_THAT_FOLDER)] = None,
    lab: Annotated[list[str] | None, typer.Option(help=words.HELP_FILE_THAT_FOLDER_THAT)] = None,
    ask: Annotated[bool, typer.Option("--ask", help=words.HELP_ASK_OPEN_QUESTIONS)] = False,
) -> None:
    """Make a workspace: settings proposed from tables, or a commented template."""
    from reconcile.commands import starting
    from reconcile.intake.workspace import write_template
    from reconcile.reporting import words

    if source is None and not ask:
        say(words.WROTE.format(path=write_template(folder)))
        say(words.HELP_NEXT_PUT_TABLES)
        return
    if source is not None:
        sides = dict.fromkeys(field or (), "field") | dict.fromkeys(lab or (), "lab")
        started = starting.start_from(folder, source, sides, _ask_one if ask else None)
        for line in starting.lines_of(started, folder):
            say(line)
    if ask:
        done = starting.ask_open(folder, _ask_one)
        say(words.START_ANSWERED.format(n=done, path=folder / "reconcile.toml"))
        say(words.START_CHECK.format(folder=folder))


def _ask_one(told: str, choices: Sequence[str], default: str, may_be_empty: bool) -> str:
    """Put one question; asks again until one of the choices is answered."""
    from reconcile.reporting import words

    while True:
        empty = f" ({words.START_TAKE_OUT})" if may_be_empty and not default else ""
        answer = str(
            typer.prompt(
                visible(told) + empty, default=default or ("" if may_be_empty else None),
                show_default=bool(default),
            )
        ).strip()  # fmt: skip
        if not choices or answer in choices or (may_be_empty and not answer):
            return answer
        say(words.START_NOT_ONE_OF.format(choices=", ".join(choices)))


@app.command()
def check(
    period: Period,
    folder: Folder = Path(),
    show: Annotated[
        list[Look] | None, typer.Option("--show", help=words.HELP_WHOLE_LIST_MAY)
    ] = None,
) -> None:
    """Read the inputs only: how columns were understood, what was refused, what to do now."""
    from reconcile.commands import checked, checking

    report = _with_progress(lambda tell, started: checking.check(folder, period, tell, started), 3)
    checked.show_check(report, show or ())
    raise typer.Exit(FINDINGS if report.needs_a_person else DONE)


@app.command()
def run(
    period: Period,
    folder: Folder = Path(),
    show: Shown = None,
    only: Annotated[Only | None, typer.Option(help=words.HELP_COMPUTE_NOTHING_DRAW)] = None,
    also: Annotated[With | None, typer.Option("--with", help=words.HELP_DRAW_THIS_TOO)] = None,
) -> None:
    """Reconcile one month: statistics, factors, verdicts, PDF and workbook."""
    if only is not None:
        from reconcile.commands.terminal import show_drawn

        show_drawn(_drawn(folder, period, only))
        raise typer.Exit(DONE)
    workspace, stands = _standing(folder, period)
    if stands is not None and not show and also is None:
        from reconcile.commands import standing_shown

        standing_shown.show(stands.folder, stands.standing)
        raise typer.Exit(FINDINGS if stands.standing.needs_a_person else DONE)
    outcome = _walk(workspace, stands, period)
    from reconcile.commands import terminal

    terminal.show_outcome(outcome, show or ())
    terminal.show_paths([outcome])
    if also is not None:
        terminal.show_drawn(_drawn(folder, period, also))
    raise typer.Exit(FINDINGS if outcome.needs_a_person else DONE)


@app.command()
def story(
    sample: Annotated[str, typer.Argument(help=words.HELP_SAMPLE_ID)],
    folder: Folder = Path(),
    pdf: Annotated[Path | None, typer.Option(help=words.HELP_WRITE_IT_AS)] = None,
) -> None:
    """Show one sample's whole story: custody, readings, results, exclusions, releases."""
    from reconcile.commands import forms, storytelling, tables_shown

    told = storytelling.story_of(folder, sample)
    if pdf is None:
        tables_shown.show_story(told)
    else:
        say(words.WROTE.format(path=forms.write_story(folder, told, pdf)))
    raise typer.Exit(DONE)


@app.command()
def form(
    dispatch: Annotated[str, typer.Argument(help=words.HELP_DISPATCH_NUMBER)],
    folder: Folder = Path(),
    without_masses: Annotated[
        bool, typer.Option("--without-masses", help=words.HELP_LEAVE_COLUMN_MASSES)
    ] = False,
) -> None:
    """Write the custody form of a dispatch, with a bar code of every sample, to be printed."""
    from reconcile.commands import forms

    _tell_written(forms.write_form(folder, dispatch, masses=not without_masses))


@app.command()
def labels(
    folder: Folder = Path(),
    dispatch: Annotated[str, typer.Option(help=words.HELP_LABEL_EVERY_SAMPLE)] = "",
    sample: Annotated[list[str] | None, typer.Option(help=words.HELP_LABEL_THIS_ID)] = None,
    skip: Annotated[int, typer.Option(min=0, help=words.HELP_LABELS_ALREADY_USED)] = 0,
) -> None:
    """Write sheets of sample labels with bar code and QR code; the settings hold their grid."""
    from reconcile.commands import forms

    _tell_written(forms.write_labels(folder, dispatch, tuple(sample or ()), skip))


def _tell_written(written: Written) -> NoReturn:
    from reconcile.reporting import numbers

    say(
        words.WROTE_COUNTED.format(
            path=written.path, count=numbers.count(written.samples, "sample", "samples")
        )
    )
    for note in written.notes:
        say(words.HELP_LOOK_AT.format(note=note))
    raise typer.Exit(FINDINGS if written.notes else DONE)


@app.command()
def receive(
    dispatch: Annotated[str, typer.Argument(help=words.HELP_DISPATCH_NUMBER)],
    by: Annotated[str, typer.Option(help=words.HELP_WHO_RECEIVED_IT)],
    at: Annotated[str, typer.Option(help=words.HELP_WHEN_SUCH_AS)],
    folder: Folder = Path(),
    containers: Annotated[int | None, typer.Option(help=words.HELP_CONTAINERS_COUNTED)] = None,
    seal: Annotated[str, typer.Option(help=words.HELP_SEAL_NUMBER_FOUND)] = "",
    seal_intact: Annotated[
        bool | None, typer.Option("--seal-intact/--seal-broken", help=words.HELP_STATE_SEAL)
    ] = None,
    mass: Annotated[float | None, typer.Option(help=words.HELP_MASS_FOUND)] = None,
    place: Annotated[str, typer.Option(help="where")] = "",
    note: Annotated[str, typer.Option(help=words.HELP_CONDITION_ON_RECEIPT)] = "",
    missing: Annotated[list[str] | None, typer.Option(help=words.HELP_SAMPLE_THAT_DID)] = None,
    damaged: Annotated[list[str] | None, typer.Option(help=words.HELP_SAMPLE_THAT_ARRIVED)] = None,
    extra: Annotated[
        list[str] | None, typer.Option(help=words.HELP_SAMPLE_THAT_ARRIVED_NOT)
    ] = None,
    scanned: Annotated[Path | None, typer.Option(help=words.HELP_TEXT_FILE_CODES)] = None,
) -> None:
    """Add the receipt of a dispatch to the custody record; nothing there is changed."""
    from reconcile.commands import receiving

    recorded = receiving.receive(
        folder,
        dispatch,
        receiving.Receipt(
            by, at, containers, seal, seal_intact, mass, place, note,
            tuple(missing or ()), tuple(damaged or ()), tuple(extra or ()), scanned,
        ),
    )  # fmt: skip
    say(
        words.HELP_ADDED_EVENT_RECEIVED.format(
            event_id=recorded.event_id, at=recorded.at, path=recorded.path, samples=recorded.samples
        )
    )
    there = recorded.arrived
    for what, samples in (
        (words.HELP_MISSING, there.missing),
        (words.HELP_DAMAGED, there.damaged),
        (words.HELP_NOT_ON_LIST, there.extra),
    ):
        if samples:
            say(f"{what}: {', '.join(samples)}")
    if recorded.trouble:
        say(recorded.trouble)
    raise typer.Exit(FINDINGS if recorded.trouble else DONE)


@app.command()
def correct(
    table: Annotated[Path, typer.Argument(help=words.HELP_FIELD_ONLY_TABLE)],
    to: Annotated[Path, typer.Option(help=words.HELP_NEW_FILE_CSV)],
    folder: Folder = Path(),
    name: Annotated[str, typer.Option("--table", help=words.HELP_NAME_TABLE_THAT)] = "",
    lab_method: Annotated[str, typer.Option(help=words.HELP_WHERE_FACTORS_SEVERAL)] = "",
) -> None:
    """Correct a field-only table with approved factors; flag what must stay as it is."""
    from reconcile.commands import applying, tables_shown

    result = applying.correct_table(table, folder, to, name, lab_method)
    tables_shown.show_corrected(result)
    raise typer.Exit(FINDINGS if result.flags or result.notes else DONE)


@app.command()
def conform(
    period: Period,
    folder: Folder = Path(),
    sample: Annotated[list[str] | None, typer.Option(help=words.HELP_ONLY_THIS_SPECIMEN)] = None,
    to: Annotated[Path | None, typer.Option(help=words.HELP_NEW_FILE_CSV_OR)] = None,
) -> None:
    """Say which grades of a table of specification limits each specimen is consistent with."""
    from reconcile.commands import conforming, tables_shown
    from reconcile.judgement import specimens

    done: conforming.Conformed = _with_progress(
        lambda tell, started: conforming.conform(folder, period, tuple(sample or ()), to), 1
    )
    tables_shown.show_conformity(done)
    raise typer.Exit(FINDINGS if specimens.findings(done.record) else DONE)


@app.command()
def dossier(
    period: Period,
    folder: Folder = Path(),
    revision: Annotated[int, typer.Option(min=0, help=words.HELP_RELEASE_ELSE_LATEST)] = 0,
    client: Annotated[str, typer.Option(help=words.HELP_FOR_WHOM_ELSE)] = "",
    element: Annotated[list[str] | None, typer.Option(help=words.HELP_ONLY_THIS_ELEMENT)] = None,
    to: Annotated[Path | None, typer.Option(help=words.HELP_PDF_WRITE_ELSE)] = None,
    despite_later: Annotated[
        bool,
        typer.Option("--despite-later", help=words.HELP_ALSO_WHERE_LATER),
    ] = False,
) -> None:
    """Write the acceptance dossier of a release for one client, to be signed."""
    from reconcile.commands import acceptance

    path = acceptance.write_dossier(
        folder, period, revision, client, tuple(element or ()), to, despite_later
    )
    say(words.WROTE.format(path=path))
    raise typer.Exit(DONE)


@app.command()
def plan(
    period: Period,
    folder: Folder = Path(),
    share: Annotated[float | None, typer.Option(help=words.HELP_SHARE_EACH_KIND)] = None,
    cost_ratio: Annotated[float, typer.Option(help=words.HELP_COST_LABORATORY_RESULT)] = 20.0,
    target: Annotated[float, typer.Option(help=words.HELP_RELATIVE_STANDARD_ERROR)] = 0.10,
    save: Annotated[Path | None, typer.Option(help=words.HELP_WRITE_LIST_AS)] = None,
    show: Annotated[Needs | None, typer.Option(help=words.HELP_EACH_CRITERION_NUMBER)] = None,
) -> None:
    """Choose the month's samples for the laboratory; say what a verdict still needs."""
    from reconcile.commands import planning, tables_shown

    made = planning.plan(folder, period, share, cost_ratio, target, save)
    with _manner(folder):
        tables_shown.show_plan(made, show is Needs.NEEDS)
    raise typer.Exit(DONE)


@app.command()
def verify(
    folder: Folder = Path(),
    head: Annotated[
        list[str] | None,
        typer.Option(help=words.HELP_HEAD_RECORD_THAT),
    ] = None,
) -> None:
    """Recompute every digest: the record of events, archived inputs, all releases."""
    from reconcile.commands import record_shown
    from reconcile.commands.verifying import verify as recompute

    report = recompute(folder, tuple(head or ()))
    record_shown.show_verify(report)
    altered = any(f.severity != "note" for f in report.findings)
    raise typer.Exit(FINDINGS if altered else DONE)


@app.command()
def selftest(
    studies: Annotated[int, typer.Option(min=1, help=words.HELP_SIMULATED_STUDIES_PER)] = 200,
    seed: Annotated[int, typer.Option(help=words.HELP_SAME_SEED_GIVES)] = 1,
    save: Annotated[Path | None, typer.Option(help=words.HELP_WRITE_TABLE_AS)] = None,
    decisions: Annotated[
        bool, typer.Option("--decisions", help=words.HELP_TRY_WHOLE_DECISION)
    ] = False,
    samples: Annotated[int, typer.Option(min=3, help=words.HELP_WITH_DECISIONS_SAMPLES)] = 40,
) -> None:
    """Simulate studies of known truth: does every estimator keep its promise here?"""
    from reconcile.commands import tables_shown, trying
    from reconcile.statistics.selftest import run as simulate

    if decisions:
        tried = tuple(trying.characteristics(samples, studies, seed))
        trying.show(tried, seed)
        if save is not None:
            trying.save(tried, save)
        raise typer.Exit(DONE if all(row.kept for row in tried) else FINDINGS)
    rows = simulate(seed, studies)
    tables_shown.show_selftest(rows, studies, seed)
    if save is not None:
        tables_shown.save_selftest(rows, save)
    raise typer.Exit(DONE if all(row.kept for row in rows) else FINDINGS)


@app.command()
def schedule(
    folder: Folder = Path(),
    once: Annotated[str, typer.Option(metavar="PERIOD", help=words.HELP_RUN_FLOW_ONCE)] = "",
    call: Annotated[str, typer.Option(metavar="URL", help=words.HELP_LET_SERVER_CALL)] = "",
    work_pool: Annotated[
        str,
        typer.Option(metavar="POOL", help=words.HELP_LEAVE_RUNS_WORKERS),
    ] = "",
) -> None:
    """Serve the monthly flow to a standing server, or run it once."""
    os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
    os.environ.setdefault("DO_NOT_TRACK", "1")
    if TYPE_CHECKING:
        from flows import automations, monthly
    else:  # ours, whatever else has that name where the program runs
        from reconcile.flows import automations, monthly

    if call:
        for name in automations.call(call):
            say(f"{name}: {call}")
        raise typer.Exit(DONE)
    if work_pool:
        monthly.deploy(folder, work_pool, say)
        raise typer.Exit(DONE)
    if once:
        needs_a_person = monthly.run_once(folder, once)
        raise typer.Exit(FINDINGS if needs_a_person else DONE)
    monthly.serve(folder, say)


def _drawn(folder: Path, period: str, document: str) -> Drawn:
    from reconcile.intake.workspace import load_workspace
    from reconcile.run import drawing

    return drawing.draw(load_workspace(folder), period, document)


def _standing(folder: Path, period: str) -> tuple[Workspace, Stands | None]:
    """The workspace, and the release that stands for a period in which nothing changed."""
    from reconcile.intake import workspace as ws
    from reconcile.run import unchanged
    from reconcile.run.staging import stage

    workspace = ws.workspace_as_written(folder)
    ws.check_period(workspace, period)
    stage(workspace, period)
    stands = unchanged.stands(workspace, period)
    if stands is None:
        ws.check_tables(workspace)
    return workspace, stands


def _walk(workspace: Workspace, stands: Stands | None, period: str) -> RunOutcome:
    if stands is not None:  # before the steps are loaded
        from reconcile.run import unchanged

        if (whole := unchanged.whole(stands)) is not None:
            return whole
    from reconcile.run.pipeline import STEPS, run_in_full

    outcome: RunOutcome = _with_progress(
        lambda tell, started: run_in_full(workspace, period, tell=tell, step_started=started),
        len(STEPS),
        period,
    )
    return outcome


def _with_progress(work: Callable[..., Any], steps: int, label: str = "") -> Any:
    """Call ``work(tell, step_started)`` under a progress line on the terminal."""
    from rich.markup import escape
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    errors = open_console(errors=True)
    with Progress(
        SpinnerColumn(),
        TextColumn("{task.description}"),
        BarColumn(bar_width=24),
        TextColumn("{task.fields[detail]}"),
        TimeElapsedColumn(),
        console=errors,
        transient=True,
        disable=not errors.is_terminal,
    ) as progress:
        task = progress.add_task(escape(visible(label)), total=steps, detail="")

        def started(number: int, name: str) -> None:
            progress.update(
                task,
                completed=number,
                description=escape(visible(f"{label} {name}".strip())),
                detail="",
            )

        return work(
            lambda detail: progress.update(task, detail=escape(visible(detail[:50]))), started
        )


if __name__ == "__main__":
    main()
