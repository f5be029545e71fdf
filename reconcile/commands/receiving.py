"""A receipt at the laboratory's door or the store's, added to the custody record."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from reconcile.base.errors import ReconcileError
from reconcile.base.regular import open_regular
from reconcile.base.spreadsheet import looks_like_formula
from reconcile.base.writing import one_at_a_time, write_whole
from reconcile.commands.arrived import Arrived, arrived
from reconcile.commands.forms import Dispatch, Records, find_dispatch, read_records
from reconcile.evidence.custody.events import EVENT_WORDS, text_of, time_of
from reconcile.intake import workspace as ws
from reconcile.intake.read import read_balanced
from reconcile.intake.workspace import Workspace
from reconcile.releases import persons
from reconcile.releases.kept_custody import RECEIVED
from reconcile.reporting import words
from reconcile.samples.identity import comparison_form

HEADINGS = (
    words.RECEIVE_EVENT_ID,
    words.RECEIVE_SAMPLE_ID,
    words.RECEIVE_DISPATCH,
    words.RECEIVE_EVENT,
    words.RECEIVE_AT,
    words.RECEIVE_BY,
    words.RECEIVE_TO,
    words.RECEIVE_SEAL,
    words.RECEIVE_SEAL_INTACT,
    words.RECEIVE_CONTAINERS,
    words.RECEIVE_MASS,
    words.RECEIVE_PLACE,
    words.RECEIVE_NOTE,
)
_MOST_TEXT = 500


@dataclass(frozen=True, slots=True)
class Receipt:
    """What a person saw when the dispatch arrived."""

    by: str
    at: str
    containers: int | None = None
    seal: str = ""
    seal_intact: bool | None = None
    mass_g: float | None = None
    place: str = ""
    note: str = ""
    missing: tuple[str, ...] = ()  # sample ids, as is each of the next two
    damaged: tuple[str, ...] = ()
    extra: tuple[str, ...] = ()  # arrived and not on the list
    scanned: Path | None = None  # a text file of the codes that were read, one a line


@dataclass(frozen=True, slots=True)
class Recorded:
    """The event that was added."""

    path: Path
    event_id: str
    at: str
    samples: int  # received
    trouble: str  # why the next run will not read it; "" where it will
    arrived: Arrived


def receive(folder: Path, dispatch: str, receipt: Receipt) -> Recorded:
    """Append a receipt to ``custody/received.csv``; nothing is ever overwritten.

    One event where all samples arrived whole; else each of received, missing, damaged and
    found has an event of its own with its samples, so that a bag that lacks is no doubt about
    the others. Raises ReconcileError for a dispatch that is not known, samples that are not its
    own, a name or a time that is refused (``persons.acting``), a time before the samples were
    collected, the same receipt a second time, or a file there that has other headings.
    """
    workspace = ws.load_workspace(folder)
    with one_at_a_time(workspace.folder / RECEIVED):  # read, too, as no other changes it
        return _receive(workspace, dispatch, receipt)


def _receive(workspace: Workspace, dispatch: str, receipt: Receipt) -> Recorded:
    records = read_records(workspace)
    found = find_dispatch(records, dispatch)
    for name, text in (
        ("dispatch", found.number), ("--by", receipt.by), ("--seal", receipt.seal),
        ("--place", receipt.place), ("--note", receipt.note),
    ):  # fmt: skip
        _plain(name, text)
    if not receipt.by.strip():
        raise ReconcileError("Nobody received it.", "Say who did: --by 'name or role'.")
    acting = persons.acting(
        workspace, receipt.by, receipt.at, "receive", _collected(records, found)
    )
    zone = ZoneInfo(workspace.settings.workspace.time_zone)
    at = datetime.fromisoformat(acting.at).astimezone(zone).isoformat(timespec="seconds")
    for name, number in (("--containers", receipt.containers), ("--mass", receipt.mass_g)):
        if number is not None and not 0 <= number < 1e9:
            raise ReconcileError(f"{name} {number} can't be right.", "Write what was counted.")
    there = arrived(
        found.number, [str(s) for s in found.samples["sample_id"]], receipt.missing,
        receipt.damaged, receipt.extra, receipt.scanned,
    )  # fmt: skip
    for sample in (*there.extra, *(() if there.whole else there.received)):
        _plain(words.RECEIVE_A_SAMPLE_ID, sample)
    lines = [_with_id(cells) for cells in _events(receipt, found.number, there, at, acting.by)]
    path = workspace.folder / RECEIVED
    append(path, *lines)
    event_id = lines[0][0]
    return Recorded(
        path, event_id, at, len(there.received), _trouble(workspace, path, event_id, at), there
    )


def _events(
    receipt: Receipt, dispatch: str, there: Arrived, at: str, by: str
) -> Iterator[list[str]]:
    """The cells of each event, without its id."""
    about = [
        receipt.seal.strip(), {None: "", True: "yes", False: "no"}[receipt.seal_intact],
        "" if receipt.containers is None else str(receipt.containers),
        "" if receipt.mass_g is None else f"{receipt.mass_g:.10g}",
        receipt.place.strip(), receipt.note.strip(),
    ]  # fmt: skip
    bare = ["", "", "", "", about[-2], about[-1]]
    if there.received or there.whole:
        named = "" if there.whole else "; ".join(there.received)
        yield [named, dispatch, "received", at, by, "", *about]
    for act, samples in (("missing", there.missing), ("damaged", there.damaged)):
        if samples:
            yield ["; ".join(samples), dispatch, act, at, by, "", *bare]
    if there.extra:  # of no dispatch: what befell this one did not befall them
        yield ["; ".join(there.extra), "", "found", at, by, "", *bare]


def _with_id(cells: list[str]) -> list[str]:
    mark = hashlib.sha256("\x1f".join(cells).encode("utf-8", "backslashreplace")).hexdigest()
    return [f"R-{mark[:12]}", *cells]


def _collected(records: Records, found: Dispatch) -> list[persons.Moment]:
    """When the samples of a dispatch were collected, by the register and the custody record."""
    ours = {comparison_form(s) for s in found.samples["sample_id"]}
    moments = {
        (at, words.RECEIVE_COLLECTION.format(sample=sample))
        for sample, cell in zip(
            found.samples["sample_id"], found.samples["collected_at"], strict=True
        )
        if (at := time_of(cell)) is not None
    }
    for row in records.events.to_dict("records"):
        at = time_of(row["at"])
        named = {comparison_form(part) for part in text_of(row["sample_id"]).split(";")}
        of_dispatch = comparison_form(row["dispatch"]) == comparison_form(found.number)
        if at is None or not (of_dispatch or named & ours):
            continue
        if EVENT_WORDS.get(text_of(row["event"]).casefold()) == "collected":
            moments.add((at, words.RECEIVE_COLLECTION_ROW.format(path=row["path"], row=row["row"])))
    return sorted(moments, reverse=True)


def _plain(name: str, text: str) -> None:
    if len(text) > _MOST_TEXT or not text.isprintable():
        raise ReconcileError(
            f"The text of {name} is too long or holds characters that can't be printed.",
            f"Write one line of at most {_MOST_TEXT} characters.",
        )
    if looks_like_formula(text.strip()):
        raise ReconcileError(
            f"The text of {name} begins with '{text.strip()[0]}': a spreadsheet that opens the "
            "record would run it.",
            "Begin it with a letter or a digit; a dispatch of that name is entered by hand.",
        )


def _line(cells: list[str] | tuple[str, ...]) -> str:
    target = io.StringIO(newline="")
    csv.writer(target, lineterminator="\n").writerow(cells)
    return target.getvalue()


def append(path: Path, *lines: list[str]) -> None:
    """Add lines with an event id of their own, all or none; whoever calls holds ``path``.

    Raises ReconcileError where the id is there already, or the file has other headings.
    """
    before = _content(path)
    heading = _line(HEADINGS)
    if before:
        try:
            text = before.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise _not_ours(path) from error
        if text.splitlines()[0] != heading.rstrip("\n"):
            raise _not_ours(path)
        known = {cells[0] for cells in csv.reader(io.StringIO(text, newline="")) if cells}
        if there := [cells[0] for cells in lines if cells[0] in known]:
            raise ReconcileError(
                f"This receipt stands in {RECEIVED} already ({there[0]}).", "Nothing was added."
            )
    addition = (b"" if before else heading.encode()) + (
        b"\n" if before and not before.endswith(b"\n") else b""
    )
    # Rewritten whole, with every byte that was there: a receipt cut off in the middle would
    # bear its id already, and could not be given again.
    write_whole(path, before + addition + "".join(map(_line, lines)).encode())


def _content(path: Path) -> bytes:
    """What the record holds already; a pipe in its place would never end."""
    try:
        with open_regular(path) as stream:
            return stream.read()
    except FileNotFoundError:
        return b""
    except OSError as error:
        raise ReconcileError(
            f"{path} can't be read ({error.strerror}).",
            "Nothing was added. Put the record back as a file, then receive again.",
        ) from error


def _not_ours(path: Path) -> ReconcileError:
    return ReconcileError(
        f"{path} is there with other headings than {', '.join(HEADINGS)}.",
        "Nothing was added. Give that file another name, or enter the receipt in it by hand.",
    )


def _trouble(workspace: Workspace, path: Path, event_id: str, at: str) -> str:
    """Read the record as a run would, and say why the event would not be found."""
    zone = workspace.settings.workspace.time_zone
    problem = ""
    for file in ws.files_of_every_month(workspace, "custody"):
        if file.path.resolve() != path.resolve():
            continue
        try:
            for sheet in read_balanced(
                file.path, file.shown, workspace.table(file.table_index), zone=zone
            ):
                facts = sheet.facts.select(["event_id", "at"]).to_pylist()
                wanted = datetime.fromisoformat(at)
                if any(r["event_id"] == event_id and time_of(r["at"]) == wanted for r in facts):
                    return ""
            problem = words.RECEIVE_ITS_TABLE_READS
        except ReconcileError as error:
            problem = words.RECEIVE_ITS_TABLE_CAN.format(message=error.message)
    if problem:
        return words.RECEIVE_NO_RUN_WILL_FIND.format(problem=problem)
    return words.RECEIVE_NO_RUN_WILL.format(received=RECEIVED)
