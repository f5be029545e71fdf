"""The workspace: a folder with ``reconcile.toml``, its files, its output, its periods."""

from __future__ import annotations

import hashlib
import json
import os
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib import resources
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from reconcile.base.errors import ReconcileError
from reconcile.base.regular import open_regular, readable_name
from reconcile.base.settings.schema import SCHEMA_FILE, schema_text
from reconcile.base.settings.tables import TableSettings
from reconcile.base.settings.whole import Settings
from reconcile.base.unanswered import open_questions
from reconcile.base.writing import write_whole
from reconcile.intake.settings_faults import faults_told, line_of
from reconcile.intake.toml_lines import lines_of

SETTINGS_FILE = "reconcile.toml"
_MOST_SETTINGS_BYTES = 4 << 20
_MEND = (
    "Mend the settings named above; 'reconcile settings --schema' lets an editor help, "
    "'reconcile start' writes a commented example."
)
_MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")
_EACH_PERIOD = re.compile(r"\*?\{period\}\*?")
_LABEL = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")


@dataclass(frozen=True, slots=True)
class FoundFile:
    """One input file of a run, and the table settings that read it."""

    path: Path
    shown: str  # relative to the workspace, forward slashes
    table_index: int
    of_period: bool  # the pattern named the period


@dataclass(frozen=True, slots=True)
class MissingFile:
    """A pattern of the settings that no file matches."""

    pattern: str
    table_index: int
    required: bool


@dataclass(frozen=True, slots=True)
class Workspace:
    """A folder, its settings and where its results go."""

    folder: Path
    settings: Settings

    @property
    def site(self) -> str:
        """The site's name in ids and tables; '' where the settings state none."""
        return self.settings.workspace.site

    @property
    def slug(self) -> str:
        """A name for schedules and keys: the site's, else one made from the folder's."""
        made = re.sub("[^a-z0-9]+", "-", self.folder.name.lower())[:24].strip("-")
        return self.site or made or "site"

    @property
    def engine(self) -> dict[str, str | int]:
        """What ``[engine]`` sets, as the database takes it."""
        engine, found = self.settings.engine, dict[str, str | int]()
        if engine.memory_gb is not None:
            found["memory_limit"] = f"{engine.memory_gb:g}GB"
        if engine.threads is not None:
            found["threads"] = engine.threads
        if engine.temp_folder:
            found["temp_directory"] = str((self.folder / engine.temp_folder).resolve())
        return found

    @property
    def output(self) -> Path:
        """Folder of the store, the archive and the releases."""
        return (self.folder / self.settings.workspace.output).resolve()

    @property
    def store_file(self) -> Path:
        """The DuckDB file."""
        return self.output / "store" / "reconcile.duckdb"

    @property
    def ledger_file(self) -> Path:
        """What each archived file gave when it was read."""
        return self.output / "readings.jsonl"

    @property
    def archive(self) -> Path:
        """Every input file once, named by its SHA-256."""
        return self.output / "archive"

    def releases(self, period: str) -> Path:
        """Folder of a period's releases."""
        return self.output / "releases" / period

    def table(self, index: int) -> TableSettings:
        """The n-th table of the settings."""
        return self.settings.table[index]


def settings_file(folder: Path) -> Path:
    """The settings of a folder, or the file itself; raises ReconcileError where there is none."""
    path = folder / SETTINGS_FILE if folder.is_dir() else folder
    if path.is_file() and path.name.endswith(".toml"):
        return path
    raise ReconcileError(
        f"No {SETTINGS_FILE} in {folder}.",
        "Make a workspace with 'reconcile start FOLDER', or name the folder that has one.",
    )


def text_of_settings(folder: Path) -> str:
    """The text of the settings of a folder. Raises ReconcileError where it can't be read."""
    path = settings_file(folder)
    try:
        with open_regular(path) as stream:
            content = stream.read(_MOST_SETTINGS_BYTES + 1)
    except OSError as error:
        raise ReconcileError(
            f"{path.name} can't be read: {error.strerror or error}.", "Check its permissions."
        ) from error
    if len(content) > _MOST_SETTINGS_BYTES:
        raise ReconcileError(
            f"{path.name} is larger than {_MOST_SETTINGS_BYTES >> 20} MiB.", "Shorten it."
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ReconcileError(
            f"{path.name} is not UTF-8 text (byte {error.start}).", "Save it as UTF-8."
        ) from error


def load_workspace(folder: str | os.PathLike[str]) -> Workspace:
    """Read and check the ``reconcile.toml`` of a folder.

    Raises ReconcileError naming the place in the file and what was expected there.
    """
    workspace = workspace_as_written(folder)
    check_tables(workspace)
    return workspace


def workspace_as_written(folder: str | os.PathLike[str]) -> Workspace:
    """The same without ``check_tables``, which loads what reads tables: for what a run before
    has found good."""
    path = settings_file(Path(folder))
    try:
        text = text_of_settings(path)
        raw = tomllib.loads(text)
        opened = open_questions(raw, text)
    except tomllib.TOMLDecodeError as error:
        raise ReconcileError(
            f"{path.name} can't be read: {error}.", "Mend that line; strings need quotes."
        ) from error
    except (ValueError, RecursionError) as error:  # a number of 5,000 digits, 1,000 brackets
        raise ReconcileError(
            f"{path.name} can't be read: a number is too long, or brackets are nested too deeply.",
            "Mend that entry; 'reconcile start' writes a commented example.",
        ) from error
    if opened:
        raise ReconcileError(
            f"{path.name} holds {len(opened)} "
            f"{'question' if len(opened) == 1 else 'questions'} that nobody has answered:\n"
            + "\n".join(f"  - {o.number}, line {o.line}: {o.words}" for o in opened),
            "Write each answer in the place of its <number: …>, or let 'reconcile start FOLDER "
            "--ask' ask you.",
        )
    try:
        settings = Settings.model_validate(raw)
    except ValidationError as error:
        count = error.error_count()
        raise ReconcileError(
            f"{path.name} has {count} {'entry' if count == 1 else 'entries'} that can't stand:\n"
            + "\n".join(faults_told(error, lines_of(text))),
            _MEND,
        ) from error
    whole = path.parent.resolve()
    if readable_name(str(whole)) != str(whole):
        raise ReconcileError(
            f"The name of the folder {readable_name(str(whole))} is not UTF-8.",
            "The database can't be kept under such a name: give the folder another.",
        )
    return Workspace(whole, settings)


def check_tables(workspace: Workspace) -> None:
    """Refuse settings of a table that no file can meet.

    Raises ReconcileError naming the place in the file and what was expected there.
    """
    from reconcile.intake.facts import faults_of_settings

    faults = [
        (number, where, f"{why} (found {found!r})")
        for number, table in enumerate(workspace.settings.table)
        for where, why, found in faults_of_settings(table, workspace.settings.workspace.time_zone)
    ]
    if faults:
        path = settings_file(workspace.folder)
        lines = lines_of(text_of_settings(path))
        raise ReconcileError(
            f"{path.name} has {len(faults)} {'entry' if len(faults) == 1 else 'entries'} that "
            "no file can meet:\n"
            + "\n".join(
                f"  - {line_of(('table', number, *where), lines)}table.{number + 1}."
                f"{_shown_place(where)}: {why}"
                for number, where, why in faults
            ),
            f"{_MEND} Entries of [[table]] are counted from 1.",
        )


def _shown_place(where: Sequence[str]) -> str:
    """A place in a [[table]]; a heading stands in quotation marks."""
    first, *names = where
    return ".".join([first, *(f'"{n}"' if first == "columns" else n for n in names)])


def check_period(workspace: Workspace, period: str) -> str:
    """The period as it will be named; raises ReconcileError for one that can't be."""
    if workspace.settings.workspace.assign_rows_by == "nothing":
        if _LABEL.fullmatch(period):
            return period
        raise ReconcileError(
            f"'{period}' can't name a period.", "Use letters, digits, '-' and '_' only."
        )
    if _MONTH.fullmatch(period) and "1900" <= period[:4] <= "2999":
        return period
    raise ReconcileError(
        f"'{period}' is not a month.", "Write the year and the month, such as 2026-10."
    )


def may_name_a_period(text: str) -> bool:
    """Whether a folder of this name can be a period's."""
    return bool(_LABEL.fullmatch(text))


def period_bounds(period: str, zone: str) -> tuple[datetime, datetime]:
    """First moment of the month and of the next one, zone-aware."""
    year, month = (int(part) for part in period.split("-"))
    tz = ZoneInfo(zone)
    start = datetime(year, month, 1, tzinfo=tz)
    following = datetime(year + month // 12, month % 12 + 1, 1, tzinfo=tz)
    return start, following


def find_files(
    workspace: Workspace, period: str
) -> tuple[tuple[FoundFile, ...], tuple[MissingFile, ...]]:
    """Files of every table for one period, in the order of the settings, sorted by name."""
    found: list[FoundFile] = []
    missing: list[MissingFile] = []
    for index, table in enumerate(workspace.settings.table):
        for pattern in table.files:
            of_period = "{period}" in pattern
            filled = pattern.replace("{period}", period)
            paths = sorted(_matches(workspace.folder, filled))
            if not paths:
                missing.append(MissingFile(filled, index, table.required))
            found.extend(
                FoundFile(path, _shown(workspace.folder, path), index, of_period) for path in paths
            )
    return tuple(found), tuple(missing)


def files_of_every_month(workspace: Workspace, *kinds: str) -> tuple[FoundFile, ...]:
    """Files of these kinds of table, whatever their month, in the order of ``find_files``."""
    return tuple(
        FoundFile(path, _shown(workspace.folder, path), index, "{period}" in pattern)
        for index, table in enumerate(workspace.settings.table)
        if table.kind in kinds
        for pattern in table.files
        for path in sorted(_matches(workspace.folder, _EACH_PERIOD.sub("*", pattern)))
    )


def _matches(folder: Path, pattern: str) -> Iterator[Path]:
    if any(mark in pattern for mark in "*?["):
        base = folder
        parts = Path(pattern).parts
        while parts and not any(mark in parts[0] for mark in "*?["):
            base, parts = base / parts[0], parts[1:]
        hidden = (".", "~$")
        yield from (
            path
            for path in base.glob("/".join(parts))
            # what is neither folder nor file is told of when it is opened; Path.is_dir raises
            # where a folder may not be entered
            if not path.name.startswith(hidden) and not os.path.isdir(path)  # noqa: PTH112
        )
    elif os.path.lexists(folder / pattern):  # a link to nothing too: it is told
        yield folder / pattern


def _shown(folder: Path, path: Path) -> str:
    try:
        return readable_name(Path(os.path.relpath(path, folder)).as_posix())
    except ValueError:  # another drive on Windows
        return readable_name(path.as_posix())


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, hexadecimal. Raises OSError, also where it is no regular file."""
    with open_regular(path) as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def settings_hash(settings: Settings) -> str:
    """SHA-256 over the settings that shape a release (output, labels, sheets, people do not)."""
    content = settings.model_dump(
        mode="json",
        exclude={
            "workspace": {"output", "inputs"}, "schedule": True, "labels": True, "people": True,
            "sheet": True, "engine": True,
        },
    )  # fmt: skip
    return hashlib.sha256(
        json.dumps(content, sort_keys=True, ensure_ascii=False).encode()
    ).hexdigest()


def is_month(period: str) -> bool:
    """True for a period such as 2026-10, False for a label of another kind."""
    return bool(_MONTH.fullmatch(period))


def month_after(period: str, months: int) -> str:
    """ISO date of the last day of the month ``months`` after ``period``; '' for no month."""
    if not _MONTH.fullmatch(period):
        return ""
    year, month = (int(part) for part in period.split("-"))
    total = year * 12 + month - 1 + months + 1
    first_after = datetime(total // 12, total % 12 + 1, 1, tzinfo=ZoneInfo("UTC"))
    return (first_after - timedelta(days=1)).date().isoformat()


def months_between(earlier: str, later: str) -> int:
    """How many months ``later`` is after ``earlier``; both such as 2026-10."""
    (a, b), (c, d) = ((int(part) for part in period.split("-")) for period in (earlier, later))
    return 12 * (c - a) + d - b


def write_template(folder: Path) -> Path:
    """Write a commented ``reconcile.toml`` into a new or empty folder; never overwrite."""
    target = folder / SETTINGS_FILE
    if target.exists():
        raise ReconcileError(f"{target} is there already.", "Nothing was changed.")
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("field", "lab", "register", "custody", "evidence"):
        (folder / name).mkdir(exist_ok=True)
    text = resources.files("reconcile.intake").joinpath("template.toml").read_text(encoding="utf-8")
    write_whole(target, text.encode(), new=True)
    write_schema(folder)
    return target


def write_schema(folder: Path) -> Path:
    """Write the JSON schema of the settings beside them, over an earlier one."""
    target = (folder if folder.is_dir() else folder.parent) / SCHEMA_FILE
    write_whole(target, schema_text())
    return target
