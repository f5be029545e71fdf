"""One sample's whole story, from what was read and released."""

from __future__ import annotations

import json
import os
from collections import Counter
from dataclasses import astuple, dataclass
from typing import Any

from reconcile.base import provenance
from reconcile.base.errors import ReconcileError
from reconcile.base.model.account import Finding
from reconcile.base.places import Place
from reconcile.base.settings.tables import TableSettings
from reconcile.evidence import certificate_texts, custody, documents, registers
from reconcile.intake import workspace as ws
from reconcile.pairs import sides
from reconcile.pairs.sides import Key
from reconcile.releases import kept_rows, persons
from reconcile.releases.release import MANIFEST
from reconcile.reporting import register_words
from reconcile.run import rereading
from reconcile.run.pipeline import reading_key
from reconcile.samples import identity, overlay
from reconcile.store.cell_columns import ROW_TABLES
from reconcile.store.database import Store
from reconcile.store.statements import listed, quoted, sql


@dataclass(frozen=True, slots=True)
class StoryLine:
    """One dated act or result."""

    at: str  # ISO time in UTC, or ""
    what: str
    who: str
    place: Place | None = None  # where it was read
    release: str = ""  # the release that says so
    kind: str = ""  # custody | register | reading | determination | release
    holder: str = ""  # of a custody event: who holds the sample after it
    seal: str = ""
    brief: str = ""  # the act without holder and seal
    method: str = ""  # of a result
    values: tuple[tuple[Key, int, float], ...] = ()  # analyte, qualifier code, mg/kg or limit

    @property
    def evidence(self) -> str:
        """File and row, or release, as shown."""
        return self.release if self.place is None else self.place.text


@dataclass(frozen=True, slots=True)
class Story:
    """All lines of one sample, oldest first; undated lines last."""

    sample_id: str
    lines: tuple[StoryLine, ...]
    summary: str
    names: tuple[str, ...] = ()  # every spelling under which the sample stands in the files
    told: tuple[Finding, ...] = ()  # of store and archive
    spots: tuple[str, ...] = ()  # numbers of the spots, or readings, of its field rows
    certificates: tuple[str, ...] = ()


def story_of(folder: str | os.PathLike[str], sample_id: str) -> Story:
    """Gather custody events, readings, determinations, exclusions and releases of a sample.

    Raises ReconcileError where nothing of that id was ever read.
    """
    workspace = ws.load_workspace(folder)
    if not workspace.store_file.exists():
        raise ReconcileError(
            "Nothing was read in this workspace yet.", "Run 'reconcile run' first."
        )
    wanted = identity.normalise_id(sample_id).casefold()
    with Store(workspace.store_file, engine=workspace.engine) as store:
        told = rereading.made_sound(workspace, store)
        current = _current_files(store, workspace)
        names = _names(store, current, wanted)
        if not names:
            raise ReconcileError(
                f"No row of sample '{sample_id}' was read in this workspace.",
                "Check the spelling; 'reconcile check' lists what was refused.",
            )
        spots, certificates = (
            tuple(str(row[0]) for row in store.rows(sql(f"storytelling.{what}"),
                                                    [current, sorted(names)]))
            for what in ("spots", "certificates")
        )  # fmt: skip
        lines = [
            *_custody_lines(store, current, names),
            *_register_lines(store, current, names),
            *_field_lines(store, current, names),
            *_lab_lines(store, current, names),
            *_correction_lines(store, current, names),
            *_document_lines(workspace, store, current, names),
            *_registers_lines(workspace, store, current, names),
        ]
    releases = list(_release_lines(workspace, wanted, names))
    dated = sorted((line for line in lines if line.at), key=lambda line: line.at)
    undated = [line for line in lines if not line.at]
    shown = min(names, key=lambda n: (identity.normalise_id(n).casefold() != wanted, ";" in n, n))
    return Story(
        shown,
        (*dated, *undated, *releases),
        f"{len(dated) + len(undated)} acts and results of sample {shown}; it stands in "
        f"{len({line.evidence for line in releases})} "
        f"{'release' if len({line.evidence for line in releases}) == 1 else 'releases'}. "
        "The record shows what was written down; it proves alteration, not truth.",
        tuple(sorted(names)),
        told,
        spots,
        certificates,
    )


def _current_files(store: Store, workspace: ws.Workspace) -> list[int]:
    """The newest reading of every path by every table that reads it; older ones are past.

    A table that looks ids up, or whose column of ids is chosen by the ids it meets, depends on
    other files of its run: its newest reading is what no other table of the path explains.
    Where the program or the settings changed since the last run, the last readings stand for
    the current ones.
    """
    plain: dict[str, list[TableSettings]] = {}
    tables: Counter[str] = Counter()
    corrected_in: set[str] = set()
    zone, code = workspace.settings.workspace.time_zone, provenance.reading_version()
    for file in ws.files_of_every_month(workspace, *ROW_TABLES):
        table = workspace.table(file.table_index)
        tables[file.shown] += 1
        if table.kind == "corrections":
            corrected_in.add(file.shown)
        if not table.look_up:
            plain.setdefault(file.shown, []).append(table)
    readings: dict[str, list[tuple[int, str, str]]] = {}
    for path, *reading in store.rows(sql("storytelling.readings")):
        readings.setdefault(path, []).append((reading[0], reading[1], reading[2]))
    # read once to see the ids, then again knowing the other side's: the newest stands
    chosen_by_ids = {row[0] for row in store.rows(sql("storytelling.chosen_by_ids"))}
    current: list[int] = []
    corrections: overlay.Corrections = {}
    # what corrections say bears on the readings of the files that they mean
    for path in sorted(readings, key=lambda p: (p not in corrected_in, p)):
        of_path = readings[path]
        if path not in corrected_in and not corrections:
            corrections = overlay.corrections_in(store, current)
        sha256 = of_path[-1][1]
        of_bytes = [r for r in of_path if r[1] == sha256]
        mine = corrections.get((path, sha256), ())
        keys = {reading_key(table, zone, code, None, mine) for table in plain.get(path, ())}
        exact = [r[0] for r in of_bytes if r[2] in keys and r[0] not in chosen_by_ids]
        others = [r[0] for r in of_bytes if r[0] not in exact]
        if (unexplained := max(tables[path], 1) - len(exact)) > 0:
            exact += others[-unexplained:]
        current += exact
    return sorted(current)


def _names(store: Store, files: list[int], wanted: str) -> set[str]:
    written = {
        row[0]
        for table in ("register", "field", "lab", "custody_event")
        for row in store.rows(
            sql("storytelling.written_ids", rows=quoted(table)),
            [files],
        )
    }
    aliases = {
        row[0]
        for row in store.rows(sql("storytelling.aliases"), [files])
        if identity.normalise_id(str(row[1])).casefold() == wanted
    }
    return {
        name
        for name in written
        if identity.normalise_id(name).casefold() == wanted
        or name in aliases
        or wanted in {identity.normalise_id(p).casefold() for p in name.split(";")}
    }


def _custody_lines(store: Store, files: list[int], names: set[str]) -> list[StoryLine]:
    dispatches = [
        row[0]
        for row in store.rows(
            sql("storytelling.dispatches"),
            [files, sorted(names)],
        )
    ]
    rows = store.rows(
        sql("storytelling.custody"),
        [files, sorted(names), dispatches],
    )
    lines = []
    for row in rows:
        at, event, by, to, seal, intact, place, containers, mass, note, dispatch, path, number = row
        act = str(event or "event")
        what = act + (f" to {to}" if to else "")
        sealing = [f"seal {seal}" if seal else "", f"seal intact: {intact}" if intact else ""]
        details = [
            f"at {place}" if place else "",
            f"{containers:g} containers" if containers is not None else "",
            f"{mass:g} g" if mass is not None else "",
            f"dispatch {dispatch}" if dispatch else "",
            str(note or ""),
        ]
        extra = ", ".join(d for d in (*sealing, *details) if d)
        brief = ", ".join(d for d in (act, *details) if d)
        lines.append(
            StoryLine(
                _time(at), what + (f" ({extra})" if extra else ""), str(by or ""),
                Place(path, row=number), "", "custody", _holder(event, by, to),
                f"{seal or '-'}, intact: {intact}" if intact else str(seal or ""), brief,
            )
        )  # fmt: skip
    return lines


def _holder(event: object, by: object, to: object) -> str:
    """Who has the sample after the act, as far as the record says."""
    act = custody.EVENT_WORDS.get(str(event or "").strip().casefold(), "")
    if act == "received":
        return str(to or by or "")
    if act == "relinquished":
        return f"handed to {to}" if to else "handed over"
    return str(by or "")


def _register_lines(store: Store, files: list[int], names: set[str]) -> list[StoryLine]:
    rows = store.rows(
        sql("storytelling.register"),
        [files, sorted(names)],
    )
    return [
        StoryLine(
            _time(at),
            "entered in the register: "
            + ", ".join(
                [
                    *(str(p) for p in (matrix, form, basis, place) if p),
                    *(
                        f"{what}: {p}"
                        for what, p in (("selection", chosen), ("ordered", grade))
                        if p
                    ),
                ]
            ),
            str(by or ""),
            Place(path, row=number),
            kind="register",
        )
        for at, by, matrix, form, basis, place, chosen, grade, path, number in rows
    ]


def _field_lines(store: Store, files: list[int], names: set[str]) -> list[StoryLine]:
    return _result_lines(
        store, files, names, "field", "operator",
        ("technique", "instrument", "calibration", "spot_no", "shot_no", "location",
         "part_role", "position_mm", "ordered_grade", "model", "software", "temperature", "filter",
         "latitude", "longitude", "status", "status_reason"),
        "read",
    )  # fmt: skip


def _lab_lines(store: Store, files: list[int], names: set[str]) -> list[StoryLine]:
    return _result_lines(
        store, files, names, "lab", "laboratory",
        (
            "technique", "lab_method", "digestion", "location", "part_role", "certificate",
            "certificate_issue", "status", "status_reason",
        ),
        "determined",
    )  # fmt: skip


def _correction_lines(store: Store, files: list[int], names: set[str]) -> list[StoryLine]:
    """Cells of the sample's rows that a person corrected, with the text of the file."""
    rows = store.rows(
        sql("storytelling.corrected"),
        [files, sorted(names)],
    )
    return [
        StoryLine(
            "", f"corrected: '{column}' from '{original}' to '{value}' ({because}; {entered})",
            str(by), Place(path, row=number), kind="correction",
        )
        for column, original, value, by, because, entered, path, number in rows
    ]  # fmt: skip


def _registers_lines(
    workspace: ws.Workspace, store: Store, files: list[int], names: set[str]
) -> list[StoryLine]:
    """What the registers say of who and what made the sample's results."""
    said = registers.of_sample(store, files, names, persons.register_of(workspace))
    return [StoryLine("", register_words.sentence(one), "", kind="registers") for one in said]


def _document_lines(
    workspace: ws.Workspace, store: Store, files: list[int], names: set[str]
) -> list[StoryLine]:
    """What the documents of the sample's certificates hold of its results."""
    found = certificate_texts.of_samples(store, files, names, documents.find(workspace))
    return [
        StoryLine(
            "", f"certificate {c.certificate}, {certificate_texts.told_of(c)}", "",
            Place(c.file), kind="document",
        )
        for c in found
    ]  # fmt: skip


_MOST_VALUES = 6
_PLACES = ("spot_no", "shot_no")


def _result_lines(
    store: Store,
    files: list[int],
    names: set[str],
    table: str,
    who: str,
    facts: tuple[str, ...],
    verb: str,
) -> list[StoryLine]:
    columns, cells = store.keys(table), store.cells(table)
    known = {key.key.casefold(): key for key in sides.every_key(store, table)}
    results = [
        sql("storytelling.named", of=part, name=quoted(mark + key))
        for key in columns
        for mark, part in zip(("v:", "q:", "l:"), astuple(cells.of(key)), strict=False)
    ]
    described = [quoted(name) for name in ("sample_id", "row", *facts, "path")]
    frame = store.frame(
        sql(
            "storytelling.results",
            columns=listed([*described, *results]),
            at=sql(f"storytelling.{table}_time"),
            who=quoted(who),
            rows=quoted(table),
        ),
        [files, sorted(names)],
    )
    lines = []
    for row in frame.to_dict("records"):
        values = [text for key in columns if (text := _value(row, key))]
        shown = ", ".join(values[:_MOST_VALUES])
        if len(values) > _MOST_VALUES:
            shown += f" and {len(values) - _MOST_VALUES} more"
        how = ", ".join(
            f"{name.replace('_', ' ')} {row[name]}"
            for name in facts
            if row.get(name) and row[name] == row[name]
        )
        lines.append(
            StoryLine(
                _time(row["line at"]),
                f"{verb}: {shown or 'no result'} ({how}) mg/kg"
                if how
                else f"{verb}: {shown} mg/kg",
                str(row["line who"] or ""),
                Place(str(row["path"]), row=int(row["row"])),
                kind="reading" if table == "field" else "determination",
                method=", ".join(
                    str(row[name]) for name in facts if row.get(name) and name not in _PLACES
                ),
                values=tuple(
                    (known[key.casefold()], *coded)
                    for key in columns
                    if (coded := _coded(row, key)) is not None
                ),
            )
        )
    return lines


def _value(row: dict[Any, Any], key: str) -> str:
    code = row.get(f"q:{key}")
    if code is None or code != code:
        return ""
    limit = row.get(f"l:{key}")
    number = row.get(f"v:{key}") if int(code) == 0 else limit
    mark = {0: "", 1: "<", 2: ">"}.get(int(code))
    if mark is None:
        return ""
    known = number is not None and number == number
    return f"{key} {mark}{number:.6g}" if known else f"{key} {mark}limit"


def _coded(row: dict[Any, Any], key: str) -> tuple[int, float] | None:
    code = row.get(f"q:{key}")
    if code is None or code != code or int(code) not in (0, 1, 2):
        return None
    number = row.get(f"v:{key}") if int(code) == 0 else row.get(f"l:{key}")
    return int(code), float("nan") if number is None else float(number)


def _time(value: object) -> str:
    return "" if value is None or value != value else str(value)[:19]


def _of_release(manifest: dict[str, Any], what: str) -> StoryLine:
    return StoryLine("", what, "", release=str(manifest["release_id"]), kind="release")


def _release_lines(workspace: ws.Workspace, wanted: str, names: set[str]) -> list[StoryLine]:
    """What releases made of the sample's pairs and results.

    A manifest of the first versions lists pairs without their samples: there the known ``names``
    are looked up.
    """
    known = sorted({*names, *(identity.normalise_id(name) for name in names)})
    root = workspace.output / "releases"
    lines = []
    for path in sorted(root.glob(f"*/r*/{MANIFEST}")) if root.is_dir() else []:
        manifest = json.loads(path.read_text(encoding="utf-8"))
        used: list[str] = []
        left: dict[str, list[str]] = {}
        strata = manifest["strata"]
        for stratum, sample, value in kept_rows.each_pair(path.parent, manifest, known):
            if identity.normalise_id(sample).casefold() != wanted:
                continue
            label = strata[stratum]["label"]
            if value[4]:
                left.setdefault(": ".join(value[4:]), []).append(label)
            else:
                used.append(label)
        if used:
            text = f"used for {len(used)} {'stratum' if len(used) == 1 else 'strata'}: "
            text += ", ".join(used)
            lines.append(_of_release(manifest, text))
        lines += [
            _of_release(manifest, f"left out ({reason}): {', '.join(labels)}")
            for reason, labels in sorted(left.items())
        ]
        lines += [
            _of_release(manifest, f"{element}: {link} ({why})")
            for sample, element, why, link in kept_rows.superseded(path.parent, manifest)
            if identity.normalise_id(sample).casefold() == wanted
        ]
    return lines
