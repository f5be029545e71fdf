"""Issue, revise, sign off and withdraw result sheets of field-only samples."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from reconcile.base import provenance
from reconcile.base.errors import ReconcileError
from reconcile.base.model.controls import QualityCheck
from reconcile.base.quantities import display_factor
from reconcile.base.regular import readable_name
from reconcile.base.settings.whole import Settings
from reconcile.commands import applying
from reconcile.evidence import documents, quality
from reconcile.intake import workspace as ws
from reconcile.intake.workspace import Workspace
from reconcile.judgement import factor_life, grounds, sheet_grades, sheet_life
from reconcile.judgement.field_values import FieldMean
from reconcile.judgement.results import Result, Rules, decide
from reconcile.judgement.sheet_content import Costs, PhotoOf, ResultSheet, Unit, from_bytes
from reconcile.judgement.sheet_life import Act, SheetLife
from reconcile.releases import anchors, persons, record, release
from reconcile.releases.signing import Key
from reconcile.reporting.document import part_sheet, result_sheet
from reconcile.reporting.render import sheet_files
from reconcile.run import judging, pipeline
from reconcile.store.database import Store
from reconcile.store.statements import sql


@dataclass(frozen=True, slots=True)
class Issued:
    """A sheet that was issued, or stood already."""

    sheet: ResultSheet
    folder: Path
    new: bool


def issue(
    folder: Path,
    source: Path,
    by: str,
    at: str,
    table: str = "",
    lab_method: str = "",
    revise: str = "",
    key: Key | None = None,
) -> Issued:
    """Decide on every field-only sample of a table, and issue the numbered sheet.

    ``revise`` names the sheet whose place the new one takes; else it gets the next number.
    Where a sheet of the same table, evidence, factors and settings stands, that one is given
    back. Raises ReconcileError where the record or a release can't be relied on, the table
    can't be read, or the person or the time is refused.
    """
    workspace = ws.load_workspace(folder)
    if not source.is_file():
        raise ReconcileError(f"No file {source}.", "Check the path of the field table.")
    content = source.read_bytes()
    with Store(workspace.store_file) as store:  # one writer at a time
        sheet_life.finish(workspace, anchors.whole_record(workspace))
        reading = anchors.whole_record(workspace)
        found = applying.read_means(source, workspace, table)
        if not found.values:
            raise ReconcileError(
                f"{readable_name(source.name)} has no sample with a result of an element of the "
                "settings.",
                "See 'reconcile check' for how its columns are understood.",
            )
        acting = persons.acting(workspace, by, at, "issue", _not_before(workspace, found.values))
        checks, answered = _of_months(workspace, store, found.values)
        known = sheet_life.lives(reading)
        revised = sheet_life.known(known, revise) if revise else None
        number = revised.number if revised else sheet_life.next_number(known)
        revision = revised.revision + 1 if revised else 1
        asked = [m for m in found.values if m.sample_id not in answered]
        if not asked:
            raise ReconcileError(
                f"Every sample of {readable_name(source.name)} has a laboratory result.",
                "A result sheet is for samples that were read in the field only.",
            )
        newest = grounds.of_workspace(workspace, reading)
        lives = tuple(factor_life.lives(reading).values())
        rules = rules_of(workspace.settings, asked, (*found.checks, *checks))
        results = decide_all(asked, newest, lives, rules, lab_method)
        samples = {m.sample_id for m in asked}
        photo = documents.photo_of(workspace, samples) if len(samples) == 1 else None
        settings = workspace.settings
        sheet = ResultSheet(
            number, revision, acting.at, acting.by, acting.person, settings.workspace.title,
            settings.report.prepared_for, settings.report.purpose, readable_name(source.name),
            hashlib.sha256(content).hexdigest(), found.table, lab_method,
            provenance.code_version(), ws.settings_hash(settings), len(reading.entries),
            reading.head, tuple(x for x in newest.releases if x[0] in _releases(results)),
            tuple(sorted({r.factor_id for r in results} - {""})),
            revised.name if revised else "", results, _units(settings, asked),
            *sheet_grades.of_releases(workspace, newest, {m.sample_id for m in asked}),
            notes=found.notes, answered=len({m.sample_id for m in found.values} & answered),
            spots_share=settings.sheet.spots_share, costs=_costs(settings),
            decimal_mark=settings.report.decimal_mark, date_style=settings.report.date_style,
            paper=settings.report.paper,
            positions=tuple(p for p in found.positions if p.sample_id not in answered),
            places=found.places if len(samples) == 1 else (),
            photo=PhotoOf(photo.file, photo.sha256, photo.note, photo.marks) if photo else None,
        )  # fmt: skip
        mark = _fingerprint(sheet)
        if (same := _same(workspace, known, mark, revise)) is not None:
            return same
        act = Act(
            sheet_life.ISSUED, acting.by, "", acting.at, "", acting.person, signed=key is not None
        )
        files = result_sheet.files(sheet, (act,), photo.picture if photo else None)
        files[f"source{source.suffix.lower() or '.txt'}"] = content
        manifest = sheet_life.manifest_of(number, revision, mark, reading, files)
        target = sheet_life.issue(
            workspace, number, revision, manifest, files, acting, key, reading.head
        )
    return Issued(sheet, target, True)


def decide_all(
    means: Iterable[FieldMean], newest: grounds.Grounds, lives: Sequence[factor_life.Life],
    rules: Rules, lab_method: str = "",
) -> tuple[Result, ...]:  # fmt: skip
    """The result of each mean, in their order."""
    return tuple(decide(m, newest.strata, lives, rules, lab_method) for m in means)


def rules_of(
    settings: Settings, means: Iterable[FieldMean], checks: Iterable[QualityCheck]
) -> Rules:
    """What was agreed before the data, and which controls failed on which day."""
    failed = quality.failed_batches(checks)
    return Rules(
        grounds.levels_of(settings, {(m.element, m.matrix) for m in means}),
        settings.sheet.spots_share,
        {
            (str(x.batch), str(x.method), str(x.element)): str(x.reason)
            for x in failed.itertuples(index=False)
            if x.side == "field"
        },
        settings.leave_out,
    )


def _of_months(
    workspace: Workspace, store: Store, means: Iterable[FieldMean]
) -> tuple[tuple[QualityCheck, ...], set[str]]:
    """Controls of the months of the readings, and samples that the laboratory has answered."""
    months = {day[:7] for m in means for day in (m.first_day, m.last_day) if day}
    checks: list[QualityCheck] = []
    answered: set[str] = set()
    for month in sorted(months):
        run = pipeline.read_found(pipeline.find_files(pipeline.begin(workspace, month, store)))
        if not any(stored.kind == "field" and not stored.problem for _, stored in run.files):
            continue
        run = pipeline.settle_identities(run)
        answered |= {str(row[0]) for row in store.rows(sql("planning.answered"))}
        try:
            checks += judging.judge_controls(run).quality
        except ReconcileError:  # a month that holds nothing
            continue
    return tuple(checks), answered


def _not_before(workspace: Workspace, means: Iterable[FieldMean]) -> tuple[persons.Moment, ...]:
    days = [m.last_day for m in means if m.last_day]
    if not days:
        return ()
    zone = ZoneInfo(workspace.settings.workspace.time_zone)
    moment = datetime.combine(date.fromisoformat(max(days)), time(), zone)
    return ((moment, "the day of the last reading"),)


def _releases(results: Iterable[Result]) -> set[str]:
    return {r.release_id for r in results} - {""}


def _units(settings: Settings, means: Iterable[FieldMean]) -> tuple[Unit, ...]:
    found = []
    for element, matrix in sorted({(m.element, m.matrix) for m in means}):
        own = settings.of(element, matrix)
        unit = own.unit if own else "mg/kg"
        found.append(Unit(element, matrix, unit, display_factor(unit)))
    return tuple(found)


def _costs(settings: Settings) -> Costs:
    s = settings.sheet
    given = (s.assay_cost, s.missed_cost, s.false_alarm_cost)
    assay, missed, alarm = (math.nan if x is None else x for x in given)
    return Costs(assay, missed, alarm, s.currency)


def _fingerprint(sheet: ResultSheet) -> str:
    """What decides whether a sheet is the same as one before; who issued it when is no part."""
    plain = replace(
        sheet, number="", revision=0, issued_at="", issued_by="", person="", record_lines=0,
        record_head="", supersedes="",
    )  # fmt: skip
    content = sheet_files.data_files(plain)[sheet_files.JSON]
    made = json.dumps(sorted(provenance.made_with().items())).encode()
    return hashlib.sha256(content + made).hexdigest()


def _same(
    workspace: Workspace, known: Mapping[tuple[str, int], SheetLife], mark: str, revise: str
) -> Issued | None:
    """The standing sheet of the same content, where there is one."""
    for life in reversed(list(known.values())):
        if not life.stands or (revise and life.number != revise.strip().upper()):
            continue
        folder = sheet_life.folder_of(workspace, life.number, life.revision)
        files = sheet_life.files_of(workspace, life, [sheet_files.JSON])
        manifest = json.loads((folder / release.MANIFEST).read_bytes())
        if manifest["fingerprint"] == mark:
            return Issued(from_bytes(files[sheet_files.JSON]), folder, False)
    return None


# ---- acts on a sheet --------------------------------------------------------------------


def is_number(text: str) -> bool:
    """Whether a text is the number of a sheet."""
    return sheet_life.NUMBER.fullmatch(text.strip().upper()) is not None


@dataclass(frozen=True, slots=True)
class Done:
    """A sheet after an act, and where the PDF lies that bears all acts."""

    life: SheetLife
    path: Path


def sign_off(
    folder: Path, number: str, act: str, by: str, at: str, role: str, text: str,
    revision: int = 0, key: Key | None = None,
) -> Done:  # fmt: skip
    """Record what a person says of a sheet; the PDF with all acts is written beside its files."""
    if act not in sheet_life.SIGN_OFFS:
        raise ReconcileError(
            f"'{act}' is nothing that is said of a sheet.",
            f"Write --as with one of {', '.join(sheet_life.SIGN_OFFS)}.",
        )
    if not any(c.isalnum() for c in role) or not any(c.isalnum() for c in text):
        raise ReconcileError(
            "Role and text are needed.", "Say as what the person acts (--role), and what (--text)."
        )
    return _acted(folder, number, revision, act, sheet_life.SIGN_OFFS[act], by, at, role, text, key)


def withdraw(
    folder: Path, number: str, by: str, at: str, text: str, revision: int = 0,
    key: Key | None = None,
) -> Done:  # fmt: skip
    """Withdraw a sheet: nobody may act on it any more; its files stay."""
    if not any(c.isalnum() for c in text):
        raise ReconcileError("No reason was given.", "Say what was looked at, with --reason.")
    return _acted(folder, number, revision, sheet_life.WITHDRAWN, "withdraw", by, at, "", text, key)


def _acted(
    folder: Path, number: str, revision: int, act: str, right: str, by: str, at: str, role: str,
    text: str, key: Key | None,
) -> Done:  # fmt: skip
    workspace = ws.load_workspace(folder)
    with Store(workspace.store_file):  # one writer at a time
        sheet_life.finish(workspace, anchors.whole_record(workspace))
        reading = anchors.whole_record(workspace)
        _keep_every_pdf(workspace, reading)
        life = sheet_life.known(sheet_life.lives(reading), number, revision)
        acting = persons.acting(workspace, by, at, right, sheet_life.before(life))
        sheet_life.check_act(workspace, life, act, acting)
        said = Act(
            act, acting.by, " ".join(role.split()), acting.at, " ".join(text.split()),
            acting.person, key is not None,
        )  # fmt: skip
        path, content = _pdf_with(workspace, replace(life, acts=(*life.acts, said)))
        event: dict[str, Any] = {
            "act": act, "role": said.role, "text": said.text, "pdf": path.name,
            "pdf_sha256": hashlib.sha256(content).hexdigest(),
        }  # fmt: skip
        sheet_life.enter(workspace, life, event, acting, key, reading)
        sheet_life.keep_signed(path, content)
        after = sheet_life.of_workspace(workspace)[life.number, life.revision]
    return Done(after, path)


def _pdf_with(workspace: Workspace, life: SheetLife) -> tuple[Path, bytes]:
    """The PDF that bears the acts of a sheet, drawn from its facts."""
    files = sheet_life.files_of(workspace, life, [sheet_files.JSON])
    sheet = from_bytes(files[sheet_files.JSON])
    path = sheet_life.signed_pdf(workspace, life, life.acts[-1].act)
    picture = None
    if sheet.photo is not None:
        kept = sheet_life.files_of(workspace, life, [part_sheet.PHOTO])[part_sheet.PHOTO]
        picture = part_sheet.picture_of(kept)
    return path, result_sheet.pdf(sheet, life.acts, picture)


def _keep_every_pdf(workspace: Workspace, reading: record.Reading) -> None:
    """Write PDFs of acts that a crash left out; each is drawn from facts and record again."""
    for life in sheet_life.lives(reading).values():
        for count in range(2, len(life.acts) + 1):
            part = replace(life, acts=life.acts[:count], superseded=False)
            path = sheet_life.signed_pdf(workspace, part, part.acts[-1].act)
            if path.exists():
                continue
            content = _pdf_with(workspace, part)[1]
            if hashlib.sha256(content).hexdigest() == part.acts[-1].pdf_sha256:
                sheet_life.keep_signed(path, content)
