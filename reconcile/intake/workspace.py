"""The workspace: a folder with ``reconcile.toml``, its files, its output, its periods."""

from __future__ import annotations

import hashlib
import json
import os
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib import resources
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ValidationError

from reconcile.base.errors import ReconcileError
from reconcile.base.model import SettingLine
from reconcile.base.regular import open_regular, readable_name
from reconcile.base.settings import Settings, TableSettings
from reconcile.base.unanswered import open_questions
from reconcile.base.writing import write_whole
from reconcile.intake.facts import faults_of_settings

SETTINGS_FILE = "reconcile.toml"
NOT_GIVEN = "not given"  # how a setting without a value is written
_MOST_SETTINGS_BYTES = 4 << 20
_MOST_SHOWN, _MOST_MESSAGE = 80, 500  # characters of a message
_MOST_ERRORS = 30  # told at once
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


def load_workspace(folder: Path) -> Workspace:
    """Read and check ``reconcile.toml``.

    Raises ReconcileError naming the place in the file and what was expected there.
    """
    path = folder / SETTINGS_FILE if folder.is_dir() else folder
    if path.is_file() and path.name.endswith(".toml"):
        folder = path.parent
    else:
        raise ReconcileError(
            f"No {SETTINGS_FILE} in {folder}.",
            "Make a workspace with 'reconcile start FOLDER', or name the folder that has one.",
        )
    try:
        with open_regular(path) as stream:
            content = stream.read(_MOST_SETTINGS_BYTES + 1)
        if len(content) > _MOST_SETTINGS_BYTES:
            raise ReconcileError(
                f"{path.name} is larger than {_MOST_SETTINGS_BYTES >> 20} MiB.", "Shorten it."
            )
        raw = tomllib.loads(content.decode("utf-8-sig"))
    except OSError as error:
        raise ReconcileError(
            f"{path.name} can't be read: {error.strerror or error}.", "Check its permissions."
        ) from error
    except UnicodeDecodeError as error:
        raise ReconcileError(
            f"{path.name} is not UTF-8 text (byte {error.start}).", "Save it as UTF-8."
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise ReconcileError(
            f"{path.name} can't be read: {error}.", "Mend that line; strings need quotes."
        ) from error
    except (ValueError, RecursionError) as error:  # a number of 5,000 digits, 1,000 brackets
        raise ReconcileError(
            f"{path.name} can't be read: a number is too long, or brackets are nested too deeply.",
            "Mend that entry; 'reconcile start' writes a commented example.",
        ) from error
    if opened := open_questions(raw, content.decode("utf-8-sig")):
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
        beyond = error.error_count() - _MOST_ERRORS
        more = [f"  - and {beyond} more"] if beyond > 0 else []
        raise ReconcileError(
            f"{path.name} has {error.error_count()} "
            f"{'entry' if error.error_count() == 1 else 'entries'} that can't stand:\n"
            + "\n".join([_plain(item) for item in error.errors()[:_MOST_ERRORS]] + more),
            "Mend the settings named above; 'reconcile start' writes a commented example.",
        ) from error
    faults = [
        f"  - table.{number}.{where}: {why} (found {found!r})"
        for number, table in enumerate(settings.table, 1)
        for where, why, found in faults_of_settings(table, settings.workspace.time_zone)
    ]
    if faults:
        raise ReconcileError(
            f"{path.name} has {len(faults)} {'entry' if len(faults) == 1 else 'entries'} that "
            "no file can meet:\n" + "\n".join(faults),
            "Mend the settings named above; entries of [[table]] are counted from 1.",
        )
    whole = folder.resolve()
    if readable_name(str(whole)) != str(whole):
        raise ReconcileError(
            f"The name of the folder {readable_name(str(whole))} is not UTF-8.",
            "The database can't be kept under such a name: give the folder another.",
        )
    return Workspace(whole, settings)


def _plain(item: object) -> str:
    assert isinstance(item, dict)
    place = ".".join(str(part + 1) if isinstance(part, int) else part for part in item["loc"])
    place = place if len(place) <= _MOST_SHOWN else f"{place[:_MOST_SHOWN]}…"
    found = item.get("input")
    text = str(item["msg"]).removeprefix("Value error, ")
    if item["type"] == "extra_forbidden":
        text = "this name is not known here (a typo?)"
    elif item["type"] == "missing":
        return f"  - {place}: this setting is required"
    shown = ""
    if isinstance(found, str | int | float | bool):
        # the digits of a number of 5,000 can't even be printed
        digits = isinstance(found, int) and found.bit_length() > 1000
        words = "a number of very many digits" if digits else repr(found)
        shown = f" (found {words if len(words) <= _MOST_SHOWN else words[:_MOST_SHOWN] + '…'})"
    return f"  - {place or 'the file'}: {text[:_MOST_MESSAGE]}{shown}"


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
            "workspace": {"output"}, "schedule": True, "labels": True, "people": True,
            "sheet": True,
        },
    )  # fmt: skip
    return hashlib.sha256(
        json.dumps(content, sort_keys=True, ensure_ascii=False).encode()
    ).hexdigest()


def setting_lines(settings: Settings) -> tuple[SettingLine, ...]:
    """Every setting with its value and meaning, as the report prints them."""
    lines: list[SettingLine] = []
    parts = ["workspace", "report", "thresholds", "errors", "lab", "pairs", "evidence"]
    if any(table.kind == "specification limits" for table in settings.table):
        parts.append("conformity")
    for part in parts:
        lines.extend(_lines_of(getattr(settings, part), part))
    for symbol, element in settings.element.items():
        lines.append(
            SettingLine(
                f"element.{symbol}",
                "; ".join(
                    [f"unit {element.unit}"]
                    + [f"{level.name} {level.value:g} {element.unit}" for level in element.levels]
                    + ([f"margin {element.margin:g}"] if element.margin else [])
                ),
                "unit for the reader and decision levels",
            )
        )
        lines.extend(
            SettingLine(
                f"element.{symbol}.matrix.{matrix}",
                "; ".join(
                    [f"unit {own.unit}"] * bool(own.unit)
                    + [
                        f"{level.name} {level.value:g} {own.unit or element.unit}"
                        for level in own.levels or ()
                    ]
                    + ["no decision level"] * (own.levels == ())
                    + ([f"margin {own.margin:g}"] if own.margin else [])
                    + [f"precious {own.precious}"] * (own.precious is not None)
                ),
                "what holds otherwise for this element in this matrix",
            )
            for matrix, own in element.matrix.items()
        )
    if settings.pool:
        lines.append(
            SettingLine("pool", ", ".join(settings.pool), "facts that do not divide strata")
        )
    lines.extend(
        SettingLine(f"leave_out.{key}", why, "left out by a person's entry")
        for key, why in settings.leave_out.items()
    )
    for number, table in enumerate(settings.table, 1):
        fixed = "; ".join(f"{key} = {value}" for key, value in table.fixed.items())
        text = f"{table.kind}: {', '.join(table.files)}" + (f" ({fixed})" if fixed else "")
        if table.kind in ("field", "lab"):
            text += f"; rows that add up to more than {table.largest_sum_pct:g} % are "
            text += {
                "": "refused, but kept and told for LIBS",
                "refuse": "refused",
                "tell": "kept and told",
            }[table.above_largest_sum]
            if table.kind == "field" and table.mean_above_largest_sum == "keep out":
                text += "; samples whose mean adds up to more are kept out"
        if table.final_line_end == "absent":
            text += "; the last line of a file has no line end and is whole"
        if table.recalculate_to_dry:
            text += "; moist rows are recalculated to the dry basis by their stated moisture"
        lines.append(SettingLine(f"table {number}", text, "files and what holds for every row"))
    return tuple(lines)


def _lines_of(part: BaseModel, prefix: str) -> Iterator[SettingLine]:
    for name, info in type(part).model_fields.items():
        if name == "output":
            continue
        value = getattr(part, name)
        if isinstance(value, tuple):
            value = ", ".join(map(_stated, value))
        text = NOT_GIVEN if value in (None, "") else f"{value:g}" if _number(value) else str(value)
        yield SettingLine(f"{prefix}.{name}", text, info.description or "")


def _stated(value: object) -> str:
    """One of several values; of a part of the settings what is stated of it."""
    if isinstance(value, BaseModel):
        return " ".join(str(v) for v in value.model_dump().values() if v not in (None, ""))
    return str(value)


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


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
    return target
