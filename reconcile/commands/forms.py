"""Printed forms: the custody form of a dispatch, sample labels, one sample's story.

A form is needed before any result is there, so the sample register and the custody
record are read afresh from their files, of every month; nothing is stored.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from reconcile.base.errors import ReconcileError
from reconcile.base.places import Place
from reconcile.base.writing import write_whole
from reconcile.commands.storytelling import Story, StoryLine
from reconcile.evidence.custody.events import number_of, text_of, time_of
from reconcile.evidence.documents import exhibits_of
from reconcile.intake import workspace as ws
from reconcile.intake.read import read_balanced
from reconcile.intake.tables import ABOVE, BELOW, CUSTODY_FACTS, QUANTIFIED, REGISTER_FACTS
from reconcile.intake.workspace import Workspace
from reconcile.pairs.sides import Key
from reconcile.reporting import words
from reconcile.reporting.document.custody_form import (
    CustodyForm,
    EventLine,
    SampleLine,
    custody_form,
)
from reconcile.reporting.document.labels import Label, SheetLayout, label_sheet
from reconcile.reporting.document.story_page import Act, Results, Shown, StoryPage, Use, story_page
from reconcile.reporting.numbers import plain_sig
from reconcile.samples.identity import comparison_form

_MOST_EVENTS = 12
_NAME = re.compile(r"[^A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True)
class Records:
    """The sample register and the custody events of every month."""

    register: pd.DataFrame  # REGISTER_FACTS and path
    events: pd.DataFrame  # CUSTODY_FACTS and path
    sources: tuple[tuple[str, str], ...]  # path, SHA-256
    problems: tuple[str, ...]  # what could not be read


@dataclass(frozen=True, slots=True)
class Dispatch:
    """What the records hold of one dispatch."""

    number: str  # as the register writes it
    samples: pd.DataFrame  # sample_id, sample_mass_g, collected_at, sample_kind; each once
    events: pd.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Written:
    """A file that was written, and what the person should know."""

    path: Path
    samples: int
    notes: tuple[str, ...]


def read_records(workspace: Workspace) -> Records:
    """Read every sample register and custody file that the settings name."""
    zone = workspace.settings.workspace.time_zone
    frames: dict[str, list[pd.DataFrame]] = {"sample register": [], "custody": []}
    sources: dict[str, str] = {}
    problems: list[str] = []
    for file in ws.files_of_every_month(workspace, *frames):
        table = workspace.table(file.table_index)
        try:
            for sheet in read_balanced(file.path, file.shown, table, zone=zone):
                frame = sheet.facts.to_pandas()
                frame["path"] = file.shown
                frames[table.kind].append(frame)
                sources[file.shown] = sheet.sha256
                if refused := sheet.quarantine["row"].nunique():
                    problems.append(
                        f"{file.shown}: {refused} {'row' if refused == 1 else 'rows'} refused or "
                        "in part; 'reconcile check' shows why."
                    )
        except ReconcileError as error:
            problems.append(f"Not read: {error.message}")
    return Records(
        _joined(frames["sample register"], REGISTER_FACTS),
        _joined(frames["custody"], CUSTODY_FACTS),
        tuple(sources.items()),
        tuple(problems),
    )


def _joined(frames: list[pd.DataFrame], facts: tuple[str, ...]) -> pd.DataFrame:
    if not frames:
        return pd.DataFrame({name: pd.Series(dtype="object") for name in (*facts, "path")})
    return pd.concat(frames, ignore_index=True)


def find_dispatch(records: Records, wanted: str) -> Dispatch:
    """The samples and events of a dispatch.

    Raises ReconcileError where neither the register nor a custody event names it.
    """
    form = comparison_form(wanted)
    register, events = records.register, records.events
    rows = register.loc[[comparison_form(d) == form for d in register["dispatch"]]]
    ours = events.loc[
        [
            comparison_form(d) == form or form in _ids(s)
            for d, s in zip(events["dispatch"], events["sample_id"], strict=True)
        ]
    ]
    if not form or (rows.empty and ours.empty):
        known = sorted({text_of(d) for d in (*register["dispatch"], *events["dispatch"])} - {""})
        near = difflib.get_close_matches(text_of(wanted), known, 5, 0.5) or known[:5]
        raise ReconcileError(
            "\n".join([f"No dispatch '{wanted}' in the sample register.", *records.problems]),
            f"It holds, for example, {', '.join(near)}."
            if near
            else "Enter the dispatch number of each sample in the column 'Dispatch'.",
        )
    written = [str(d) for d in (*rows["dispatch"], *ours["dispatch"]) if comparison_form(d) == form]
    number = written[0] if written else wanted
    lines: dict[str, tuple[str, float, Any, str]] = {}
    notes = []
    for row in rows.to_dict("records"):
        key = comparison_form(row["sample_id"])
        if not key:
            notes.append(f"{row['path']}, row {row['row']} has no sample id.")
        elif key in lines:
            notes.append(f"'{row['sample_id']}' stands twice in the register.")
        else:
            mass = number_of(row["sample_mass_g"])
            kind = text_of(row.get("sample_kind")) or _SAMPLE
            lines[key] = (str(row["sample_id"]), mass, row["collected_at"], kind)
    for cell in ours["sample_id"]:
        for part in text_of(cell).split(";"):
            key = comparison_form(part)
            if key and key != form and key not in lines:
                lines[key] = (part.strip(), float("nan"), pd.NaT, _SAMPLE)
                notes.append(f"'{part.strip()}' is named in the custody record only.")
    if not lines:
        notes.append("The register gives this dispatch no sample.")
    samples = pd.DataFrame(
        list(lines.values()), columns=["sample_id", "sample_mass_g", "collected_at", "sample_kind"]
    )
    times = [time_of(cell) or _LAST for cell in ours["at"]]
    order = sorted(range(len(ours)), key=times.__getitem__)
    return Dispatch(number, samples, ours.iloc[order], (*notes, *records.problems))


_SAMPLE = "sample"


def masses_tell(samples: pd.DataFrame) -> bool:
    """True where the masses alone tell inserted controls from samples."""
    known = samples[samples["sample_mass_g"].notna()]
    ordinary = known["sample_kind"].eq(_SAMPLE)
    ours, controls = (known.loc[mask, "sample_mass_g"] for mask in (ordinary, ~ordinary))
    if not len(ours) or not len(controls):
        return False
    return bool((~controls.between(ours.min(), ours.max())).all())


_LAST = datetime.max.replace(tzinfo=ZoneInfo("UTC"))


def _ids(cell: object) -> set[str]:
    return {comparison_form(part) for part in text_of(cell).split(";")} - {""}


def local_time(cell: object, zone: str) -> str:
    """A time as the form prints it: date, minutes and offset; '' where there is none."""
    at = time_of(cell)
    if at is None:
        return ""
    text = at.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M %z")
    return f"{text[:-2]}:{text[-2:]}"


def write_form(folder: Path, dispatch: str, masses: bool = True) -> Written:
    """Write the custody form of a dispatch under ``forms/`` of the output folder.

    Without ``masses`` their column stays empty. A note says where they tell controls from samples.
    """
    workspace = ws.load_workspace(folder)
    records = read_records(workspace)
    found = find_dispatch(records, dispatch)
    settings = workspace.settings
    form = CustodyForm(
        dispatch=found.number,
        project=settings.workspace.title,
        zone=settings.workspace.time_zone,
        facts=_facts(workspace, found),
        events=tuple(
            _event_line(row, settings.workspace.time_zone)
            for row in found.events.tail(_MOST_EVENTS).to_dict("records")
        ),
        samples=tuple(
            SampleLine(row["sample_id"], _grams(row["sample_mass_g"]) if masses else "")
            for row in found.samples.to_dict("records")
        ),
        notes=found.notes,
        sources=tuple(f"{path} (SHA-256 {digest[:12]}…)" for path, digest in records.sources),
        paper=settings.report.paper,
    )
    path = place_of(workspace, "custody-form", found.number)
    write_whole(path, custody_form(form))
    told = (words.FORM_MASSES_TELL,) if masses and masses_tell(found.samples) else ()
    return Written(path, len(form.samples), (*found.notes, *told))


def _facts(workspace: Workspace, found: Dispatch) -> tuple[tuple[str, str], ...]:
    zone = workspace.settings.workspace.time_zone
    events = found.events.to_dict("records")
    masses = [m for m in found.samples["sample_mass_g"] if m == m]
    count = len(found.samples)
    lines = [("samples", str(count))]
    if masses:
        some = "" if len(masses) == count else f" ({len(masses)} of {count} samples weighed)"
        lines.append(("mass by the register", f"{_grams(sum(masses))}{some}"))
    dates = sorted(t for t in map(time_of, found.samples["collected_at"]) if t is not None)
    if dates:
        # How many have a date is not said: inserted controls have none.
        first, last = local_time(dates[0], zone), local_time(dates[-1], zone)
        lines.append(("collected", first if first == last else f"{first} to {last}"))
    for label, fact, show in (
        ("containers, last recorded", "containers", _number),
        ("mass, last recorded", "mass_g", _grams),
        ("seal, last recorded", "seal", text_of),
    ):
        known = [text for row in events if (text := show(row[fact]))]
        if known:
            lines.append((label, known[-1]))
    client = workspace.settings.report
    lines += [(k, v) for k, v in (("for", client.prepared_for), ("from", client.prepared_by)) if v]
    if len(events) > _MOST_EVENTS:
        lines.append(("events", f"the last {_MOST_EVENTS} of {len(events)} are shown"))
    return tuple(lines)


def _number(cell: object) -> str:
    value = number_of(cell)
    return f"{value:.10g}" if value == value else ""


def _grams(cell: object) -> str:
    value = number_of(cell)
    return f"{value:.10g} g" if value == value else ""


def _event_line(row: dict[Any, Any], zone: str) -> EventLine:
    seal, intact = text_of(row["seal"]), text_of(row["seal_intact"])
    return EventLine(
        local_time(row["at"], zone),
        text_of(row["event"]),
        text_of(row["by"]),
        text_of(row["to"]),
        f"{seal or '-'}, intact: {intact}" if intact else seal,
        _number(row["containers"]),
        _grams(row["mass_g"]),
    )


def write_labels(
    folder: Path, dispatch: str = "", samples: Sequence[str] = (), skip: int = 0
) -> Written:
    """Write a sheet of labels for a dispatch, for ids named one by one, or for both.

    ``skip`` labels of the first sheet are left free, where they were used before.
    """
    workspace = ws.load_workspace(folder)
    settings = workspace.settings
    labels: list[Label] = []
    notes: tuple[str, ...] = ()
    name = ""
    if dispatch:
        found = find_dispatch(read_records(workspace), dispatch)
        labels += [Label(str(s), found.number) for s in found.samples["sample_id"]]
        notes, name = found.notes, found.number
    labels += [Label(s, "") for s in samples]
    if not labels:
        raise ReconcileError(
            "No sample was named.", "Name a dispatch (--dispatch) or single samples (--sample)."
        )
    layout = SheetLayout(
        **settings.labels.model_dump(), paper=settings.report.paper, title=settings.workspace.title
    )
    try:
        content = label_sheet(labels, layout, skip)
    except ValueError as error:
        raise ReconcileError(str(error), "Mend [labels] in reconcile.toml.") from error
    path = place_of(workspace, "labels", name or ";".join(samples))
    write_whole(path, content)
    return Written(path, len(labels), notes)


def write_story(folder: Path, story: Story, target: Path) -> Path:
    """Write one sample's story as a single page."""
    workspace = ws.load_workspace(folder)
    of_kind: dict[str, list[StoryLine]] = {}
    for line in story.lines:
        of_kind.setdefault(line.kind, []).append(line)
    page = StoryPage(
        sample_id=story.sample_id,
        project=workspace.settings.workspace.title,
        register=tuple(
            (f"collected {line.at[:16]} UTC; " if line.at else "")
            + f"{line.what} ({line.evidence})"
            for line in of_kind.get("register", [])
        )
        + tuple(line.what for kind in ("registers", "document") for line in of_kind.get(kind, [])),
        custody=tuple(
            Act(line.at[:16], line.brief, line.holder, line.seal, line.evidence)
            for line in of_kind.get("custody", [])
        ),
        readings=_grouped(of_kind.get("reading", [])),
        determinations=_grouped(of_kind.get("determination", [])),
        uses=tuple(Use(line.evidence, line.what) for line in of_kind.get("release", [])),
        evidence=tuple(
            Shown(e.file, e.at, e.note, e.sha256, e.picture, e.remark)
            for e in exhibits_of(workspace, set(story.names), story.spots, story.certificates)
        ),
        summary=story.summary,
        paper=workspace.settings.report.paper,
    )
    write_whole(target, story_page(page))
    return target


def _grouped(lines: Sequence[StoryLine]) -> tuple[Results, ...]:
    """Results of one method, person and file together: the range of each analyte."""
    groups: dict[tuple[str, str, str], list[StoryLine]] = {}
    for line in lines:
        path = "" if line.place is None else line.place.file
        groups.setdefault((line.method, line.who, path), []).append(line)
    return tuple(
        Results(_span([m.at for m in members]), method, str(len(members)), _ranges(members), who,
                _places(path, members))
        for (method, who, path), members in groups.items()
    )  # fmt: skip


def _span(times: Sequence[str]) -> str:
    known = sorted(t[:16] for t in times if t)
    if not known or known[0] == known[-1]:
        return known[0] if known else ""
    same_day = known[0][:10] == known[-1][:10]
    return f"{known[0]} to {known[-1][11:] if same_day else known[-1]}"


def _places(path: str, members: Sequence[StoryLine]) -> str:
    rows = sorted(m.place.row for m in members if m.place is not None)
    if len(rows) == 1:
        return Place(path, row=rows[0]).text
    return f"{path}, {len(rows)} rows from {rows[0]} to {rows[-1]}"


def _ranges(members: Sequence[StoryLine]) -> str:
    """Each analyte's lowest to highest value with its count; results beyond a limit apart."""
    values: dict[Key, dict[int, list[float]]] = {}
    for member in members:
        for key, code, number in member.values:
            values.setdefault(key, {}).setdefault(code, []).append(number)
    return ", ".join(
        f"{_analyte(key)} " + " and ".join(_range(code, by_code[code]) for code in sorted(by_code))
        for key, by_code in values.items()
    )


def _analyte(key: Key) -> str:
    return f"{key.element} ({key.method})" if key.method else key.element


def _range(code: int, numbers: Sequence[float]) -> str:
    mark = {QUANTIFIED: "", BELOW: "<", ABOVE: ">"}[code]
    known = sorted(n for n in numbers if n == n)
    count = f" (n {len(numbers)})" if len(numbers) > 1 else ""
    if not known:
        return f"{'below' if code == BELOW else 'above'} an unknown limit{count}"
    low, high = f"{mark}{plain_sig(known[0], 4)}", f"{mark}{plain_sig(known[-1], 4)}"
    return (low if low == high else f"{low} to {high}") + count


def place_of(workspace: Workspace, kind: str, text: str) -> Path:
    """A file under ``forms/``; text from a file only lends it letters and digits."""
    plain = _NAME.sub("-", text)[:60]
    if plain != text:
        mark = hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:8]
        plain = f"{plain.strip('-')}-{mark}"
    return workspace.output / "forms" / f"{kind}-{plain}.pdf"
