"""Whatever an id or a title holds, no command sends it to the terminal raw."""

from __future__ import annotations

import ast
import io
import os
import shutil
import sys
import unicodedata
from pathlib import Path

import pytest

import reconcile
from reconcile import cli
from reconcile.base.characters import visible
from reconcile.base.errors import ReconcileError
from reconcile.base.shown import open_console, safe, say
from reconcile.commands import demonstration, issuing, printing, sheet_terminal
from reconcile.judgement import factor_life
from tests import small, source

pytestmark = pytest.mark.usefixtures("data_alone")

PERIOD = "2026-10"
CLEAR, TITLE, BELL = "\x1b[2J", "\x1b]0;owned\x1b\\", "\x07"  # a file full of bells is binary
TURNED, NOTHING, C1 = "\u202e", "\u200b", "\x9b31m"
HIDDEN = TURNED + NOTHING  # what settings can hold: they refuse control characters
NASTY = CLEAR + TITLE + TURNED + NOTHING + C1
IDS = {
    "S001": f"S{CLEAR}001",
    "S002": f"S{TURNED}002",
    "S003": f"S{NOTHING}003",
    "S004": f"S{C1}004",
}
MORE = """
[[table]]
kind = "custody"
files = ["custody/*.csv"]
required = false

[[table]]
kind = "specification limits"
files = ["limits.csv"]
"""


def in_toml(text: str) -> str:
    return "".join(f"\\u{ord(c):04x}" if not c.isprintable() else c for c in text)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A month whose ids, names, cells, headings, settings and files all hold escape sequences."""
    folder = small.build(tmp_path_factory.mktemp("shown") / "site", samples=40)
    for name in ("field.csv", "lab.csv", "register.csv"):
        text = (folder / name).read_text("utf-8")
        for plain, nasty in IDS.items():
            text = text.replace(f"{plain},", f"{nasty},")
        lines = text.splitlines()
        if name == "field.csv":
            lines = [f"{lines[0]},Note{NASTY}"] + [f"{line},n{NASTY}" for line in lines[1:]]
            lines += [f"S005,3,2026-10-05 08:00,12{CLEAR},9{TURNED}9,n",
                      f"L{NASTY}1,1,2026-10-05 08:00,12.5,30000,n",
                      f"S006,3,2026-10-45{CLEAR},12.5,30000,n"]  # fmt: skip
        if name == "register.csv":
            lines = [f"{lines[0]},dispatch"] + [
                f"{line},D{NASTY}1" if line.startswith(tuple(IDS.values())) else f"{line},"
                for line in lines[1:]
            ]
            lines = [line.replace("soil", f"so{TURNED}il") for line in lines]
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "custody").mkdir()
    (folder / "custody" / "events.csv").write_text(
        "sample_id,event,at,by,to,note\n"
        f"{IDS['S001']},collected,2026-10-01T08:00Z,A{NASTY}na,,n{NASTY}\n",
        encoding="utf-8",
    )
    (folder / "limits.csv").write_text(
        f"grade,element,minimum,maximum,unit\nG{NASTY},Cu,100,200,mg/kg\n", encoding="utf-8"
    )
    if os.name == "posix":
        shutil.copyfile(folder / "lab.csv", folder / f"lab{CLEAR}.csv")
    settings = (folder / "reconcile.toml").read_text("utf-8")
    for plain in ("Small test site", "the reader", "cut-off", "soil 1", "four acids", '"C1'):
        assert plain in settings
        settings = settings.replace(plain, plain + in_toml(HIDDEN))
    settings = settings.replace("[report]", f'[report]\nprepared_by = "Ana{in_toml(HIDDEN)} Lima"')
    settings = settings.replace('files = ["lab.csv"]', 'files = ["lab*.csv"]')
    (folder / "reconcile.toml").write_text(settings + MORE, encoding="utf-8")
    reconcile.run_period(folder, PERIOD)
    return folder


@pytest.fixture
def site(built: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(built, tmp_path / "site"))


def factor(site: Path) -> str:
    return factor_life.listed(site)[0][0].factor.factor_id


def november(site: Path) -> Path:
    """A table of samples that were read in the field only, with hostile ids and lots."""
    path = site / f"nov{CLEAR if os.name == 'posix' else ''}.csv"
    lines = ["sample_id,reading_no,measured_at,group,operator,Cu (mg/kg)"]
    lines += [f"N{NASTY},{k},2026-11-05 0{k}:00,l{NASTY},o{NASTY},250" for k in (1, 2)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def with_sheet(site: Path) -> Path:
    issuing.issue(site, november(site), f"Ana{NASTY} Lima", "2026-12-01T10:00Z")
    return site


ACTING = ["--by", f"Ben{NASTY} Osei", "--at", "2026-12-02T10:00Z"]
#: The words after 'reconcile' for every command, and whether hostile text is among what it tells.
COMMANDS = {
    "demo": (lambda site: [], True),
    "start": (lambda site: [str(site.parent / f"new{NASTY}")], True),
    "check": (lambda site: [PERIOD, str(site)], True),
    "run": (lambda site: [PERIOD, str(site)], True),
    "settings": (lambda site: [str(site), "--show"], True),
    "story": (lambda site: [IDS["S001"], str(site)], True),
    "form": (lambda site: [f"D{NASTY}1", str(site)], False),
    "labels": (lambda site: [str(site), "--sample", f"X{NASTY}"], False),
    "receive": (lambda site: [f"D{NASTY}1", str(site), "--by", f"B{NASTY}", "--at",
                              "2026-10-12T10:00Z"], False),
    "factors": (lambda site: [str(site)], True),
    "approve": (lambda site: [factor(site), str(site), "--by", "Ben Osei", "--reason",
                              f"fine{NASTY}", "--at", "2026-11-03T10:00+02:00"], True),
    "withdraw": (lambda site: [factor(site), str(site), "--by", "Ben Osei", "--reason",
                               f"no{NASTY}", "--at", "2026-11-03T10:00+02:00"], True),
    "key": (lambda site: [str(site / f"k{CLEAR}.pem")], True),
    "sign": (lambda site: [str(site), "--key", str(site / f"no{CLEAR}.pem"), "--by", "Ben Osei",
                           "--at", "2026-11-03T10:00+02:00"], True),
    "stamp": (lambda site: [str(site), "--token", str(site / f"no{CLEAR}.tsr")], True),
    "settle": (lambda site: [f"F-{NASTY}", str(site), "--by", "Ben Osei", "--reason", f"w{NASTY}",
                             "--at", "2026-11-03T10:00+02:00", "--as", "fault"], True),
    "correct": (lambda site: [str(site / "field.csv"), str(site), "--to",
                              str(site / "new.csv")], True),
    "conform": (lambda site: [PERIOD, str(site)], True),
    "dossier": (lambda site: [PERIOD, str(site), "--client", f"c{NASTY}", "--to",
                              str(site / f"d{CLEAR}.pdf")], True),
    "plan": (lambda site: [PERIOD, str(site)], True),
    "issue": (lambda site: [str(november(site)), str(site), *ACTING], True),
    "sheets": (lambda site: [str(with_sheet(site))], True),
    "signoff": (lambda site: ["RS-0001", str(with_sheet(site)), "--as", "checked", "--role",
                              f"r{NASTY}", "--text", f"t{NASTY}", *ACTING], True),
    "recall": (lambda site: ["RS-0001", str(with_sheet(site)), "--reason", f"r{NASTY}",
                             *ACTING], True),
    "dispatch": (lambda site: ["RS-0001", str(with_sheet(site)), "--dispatch", f"D{NASTY}",
                               *ACTING], True),
    "verify": (lambda site: [str(site)], True),
    "selftest": (lambda site: ["--studies", "2"], False),
    "schedule": (lambda site: [str(site), "--once", PERIOD], True),
}  # fmt: skip


def typed(words: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["reconcile", *words])
    with pytest.raises(SystemExit):
        cli.main()


def only_shown(text: str) -> None:
    hidden = {c for c in text if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")}
    assert hidden <= {"\n"}, ascii(text)


def test_every_command_is_tried() -> None:
    named = {c.name or c.callback.__name__ for c in cli.app.registered_commands}
    assert set(COMMANDS) == named


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS)
def test_no_command_sends_escape_sequences_of_files_or_settings(
    command: str, site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    if command == "demo":  # the example is our own: another one in its place
        monkeypatch.setattr(demonstration, "prepare", lambda output: (site, (PERIOD,)))
        monkeypatch.setattr(sheet_terminal, "show_example", lambda folder: None)
    if command == "schedule":  # its flow is tried below
        from reconcile.flows import monthly

        def once(folder: Path, period: str) -> bool:
            raise ReconcileError(f"{NASTY} of {folder}", NASTY)

        monkeypatch.setattr(monthly, "run_once", once)
    if command == "verify":
        (site / "out" / "releases" / PERIOD / "r1" / f"extra{CLEAR}.txt").write_text("x", "utf-8")
    words, tells = COMMANDS[command]
    typed([command, *words(site)], monkeypatch)
    told = capsys.readouterr()
    only_shown(told.out + told.err)
    assert "Traceback" not in told.err
    if tells:
        assert "⟨U+" in told.out + told.err


@pytest.mark.parametrize("command", ["check", "run", "story", "form", "plan", "dossier", "conform"])
def test_what_can_not_run_is_told_safely(
    command: str, site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    first = {"story": f"nobody{NASTY}", "form": f"none{NASTY}"}.get(command, PERIOD)
    path = site / "reconcile.toml"
    if command not in ("story", "form"):
        text = path.read_text("utf-8").replace("Small test site", in_toml(NASTY))
        path.write_text(text, "utf-8")
    typed([command, first, str(site)], monkeypatch)
    told = capsys.readouterr()
    only_shown(told.out + told.err)
    assert "Could not run" in told.err


def test_an_error_that_a_library_prints_is_safe_too() -> None:
    error = ReconcileError(f"a{NASTY}\nb", NASTY)
    only_shown(str(error))
    only_shown(repr(error))
    assert error.message == f"a{NASTY}\nb"


def test_a_terminal_with_colours_gets_no_sequence_but_our_own() -> None:
    out = io.StringIO()
    from rich.console import Console

    Console(file=out, force_terminal=True, width=200).print(safe(NASTY, style="bold"))
    assert out.getvalue() == f"\x1b[1m{visible(NASTY)}\x1b[0m\n"


def test_a_line_keeps_its_length_and_a_message_its_lines(
    capsys: pytest.CaptureFixture[str],
) -> None:
    say("x" * 400 + f"{BELL}\ny")
    open_console().print(safe("a\nb", lines=True))
    open_console().print(safe("a\nb"))
    assert capsys.readouterr().out == "x" * 400 + "⟨U+0007⟩\ny\na\nb\na⟨U+000A⟩b\n"


def test_the_head_of_the_record_stands_on_lines_of_its_own(
    capsys: pytest.CaptureFixture[str],
) -> None:
    printing.show_head(open_console(), 2, "ab" * 32)
    first, second = capsys.readouterr().out.splitlines()
    assert first.endswith("ab" * 32)
    assert second.startswith("Keep it in another's hands")


@pytest.mark.slow
def test_one_place_alone_writes_to_the_terminal() -> None:
    root = Path(reconcile.__file__).parent
    writers = ("print", "typer.echo", "typer.secho", "click.echo", "Console")
    for path in sorted([*root.rglob("*.py"), *(root.parent / "flows").rglob("*.py")]):
        if path == root / "base" / "shown.py":
            continue
        for node in source.nodes(path):
            assert not (isinstance(node, ast.ImportFrom) and node.module == "rich.text"), path.name
            if isinstance(node, ast.Call):
                name = ast.unparse(node.func)
                wrong = name in writers or name.startswith(("sys.stdout.w", "sys.stderr.w"))
                assert not wrong, f"{path.name}, line {node.lineno}"
