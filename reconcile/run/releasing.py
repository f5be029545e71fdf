"""The step that writes the release and its record."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from reconcile.base import provenance
from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.release import Awaited, Change, InputFile, Reconciliation
from reconcile.base.model.tables import EXCLUSION_COLUMNS, QUARANTINE_COLUMNS
from reconcile.evidence import custody
from reconcile.intake import workspace as ws
from reconcile.intake.settings_listed import setting_lines
from reconcile.judgement import factor_life, scoring
from reconcile.pairs import account, filing, superseded
from reconcile.pairs.clusters import REPEAT_OF
from reconcile.releases import anchors, history, persons, record, release, settling
from reconcile.reporting.files import write_release
from reconcile.reporting.render.tables import data_files
from reconcile.run import gathering
from reconcile.run.archiving import archived
from reconcile.run.state import NO_CHANGES, Run, RunOutcome, of_run
from reconcile.samples import overlay
from reconcile.store.statements import listed, quoted, sql


def write_the_release(run: Run) -> Run:
    """Write the next revision, or none where nothing changed since the last.

    Raises ReconcileError, before anything is written, where the record can't be relied on
    or the last release was altered: no release stands outside the record.
    """
    workspace, settings = run.workspace, run.workspace.settings
    assert run.joined is not None
    before = anchors.whole_record(workspace)
    folder = workspace.releases(run.period)
    earlier = release.latest(folder)
    code = provenance.code_version()
    author = persons.register_of(workspace).find(settings.report.prepared_by)
    inputs = _inputs(run)
    mark = release.fingerprint(
        run.period, code, ws.settings_hash(settings), inputs,
        run.earlier_mark
        + (run.conformity.marks if run.conformity else ())
        + settling.marks(run.findings)
        + tuple(sorted(m.sha256 for m in run.earlier))
        + run.custody_gone,
    )  # fmt: skip
    past = history.earlier_results(folder.parent, run.period)
    mark = history.bound(mark, past)
    rows = account.rows_mark(run.store)
    mark = hashlib.sha256(f"{mark}\n{rows}".encode()).hexdigest()
    same = earlier is not None and earlier.manifest["fingerprint"] == mark
    if earlier is not None and (altered := release.altered_files(earlier)):
        raise ReconcileError(
            f"Release {earlier.manifest['release_id']} was altered after it was made: "
            f"{', '.join(altered)}.",
            "Restore the files from the copy that was sent out; nothing was written.",
        )
    lines = setting_lines(settings)
    revision = earlier.revision + (0 if same else 1) if earlier else 1
    lines_before, head = len(before.entries), before.head
    of_site = f"{workspace.site}-" if workspace.site else ""
    release_id = f"{of_site}{run.period}-r{revision}-{_bound(mark, head)}"
    if same and earlier is not None:
        supersedes, changed = str(earlier.manifest["supersedes"]), NO_CHANGES
        release_id = str(earlier.manifest["release_id"])
        lines_before = int(earlier.manifest.get("record_lines", 0))
        head = str(earlier.manifest.get("record_head", ""))
    else:
        supersedes = str(earlier.manifest["release_id"]) if earlier else ""
        further = history.changes(earlier.manifest if earlier else None, past)
        if earlier is not None and (was := str(earlier.manifest.get("rows", ""))) != rows:
            further += (Change("rows that belong to this period", was[:12], rows[:12]),)
        changed = release.changes(
            earlier, code, {line.name: line.value for line in lines}, inputs, run.results, further
        )
    reconciliation = Reconciliation(
        title=settings.workspace.title,
        site=workspace.site,
        period=run.period,
        revision=revision,
        release_id=release_id,
        status="draft",
        supersedes=supersedes,
        prepared_for=settings.report.prepared_for,
        prepared_by=settings.report.prepared_by,
        purpose=settings.report.purpose,
        data_until=_data_until(run),
        code_version=code,
        inputs_hash=release.inputs_hash(inputs),
        settings_hash=ws.settings_hash(settings),
        custody_head=run.custody_head,
        custody_gone=run.custody_gone,
        record_lines=lines_before,
        record_head=head,
        results=run.results,
        waterfall=run.steps_of_account,
        account_of_files=run.account_of_files,
        exclusions=_exclusions(run),
        quarantine=quarantine_of(run),
        corrections=overlay.entered(run.store, run.corrections_refused),
        field_only=run.joined.field_only,
        lab_only=run.joined.lab_only,
        awaited=_awaited(run),
        findings=run.findings,
        quality=run.quality,
        controls=run.controls,
        conformity=run.conformity,
        inputs=inputs,
        settings=lines,
        changes=changed,
        history=past,
        paper=settings.report.paper,
        language=settings.report.language,
        decimal_mark=settings.report.decimal_mark,
        date_style=settings.report.date_style,
        own_pages=settings.report.own_pages,
        page_pairs=settings.report.page_pairs,
        page_at_once=settings.report.page_at_once,
        csv_pairs=settings.report.csv_pairs,
        workbook_pairs=settings.report.workbook_pairs,
        near=settings.report.near,
        audit=settings.report.audit,
        rows=rows,
        factor_scores=run.factor_scores,
        laboratories=run.laboratories,
        group_shifts=run.group_shifts,
        registers=run.registers,
        selection=run.selection,
        evidence_in_brief=tuple(gathering.as_manifest(run)),
        factor_scores_in_brief=tuple(scoring.as_manifest(run.factor_scores)),
    )
    told = run.told
    differing: tuple[str, ...] = ()
    if same and earlier is not None:
        target = earlier.folder
        differing = release.differing_files(earlier, data_files(reconciliation))
        told += _not_as_released(reconciliation.release_id, differing)
    else:
        run.tell("report and workbook")
        record.extend(workspace.output / record.RECORD, ())
        target = release.write(reconciliation, folder, mark, write_release)
    _record(run, target, None if differing else reconciliation, author.id if author else "")
    after = record.read(workspace.output / record.RECORD)
    outcome = RunOutcome(
        target, reconciliation, not same, told, differing, len(after.entries), after.head
    )
    return replace(run, outcome=outcome)


def _bound(mark: str, head: str) -> str:
    """The end of a release's id: other contents, or another record before it, have another."""
    return hashlib.sha256(f"{mark}\n{head}".encode()).hexdigest()[:8]


def _not_as_released(release_id: str, differing: tuple[str, ...]) -> tuple[Finding, ...]:
    """What was computed now is not what the release of the same inputs and program holds."""
    if not differing:
        return ()
    return (
        Finding(
            "release", "serious", release_id,
            f"What was computed now is not what this release holds ({', '.join(differing)}), "
            "though inputs, settings, program and libraries are the same. The release stands; "
            "nothing was recorded.",
            advice="'reconcile verify' reads the archived files again and says what was altered.",
            code=FindingCode.RELEASE_DIFFERS,
        ),
    )  # fmt: skip


def _record(run: Run, target: Path, reconciliation: Reconciliation | None, author: str) -> None:
    """Custody events, the release, its factors: into the record, each once, also after a crash.

    Of a reconciliation that the release does not hold (None) nothing enters.
    """
    manifest = json.loads((target / release.MANIFEST).read_text(encoding="utf-8"))
    additions: list[tuple[str, dict[str, object]]] = []
    if reconciliation is not None:
        additions += [
            ("custody event", {"event": link.canonical})
            for link in custody.chain(of_run(run, "custody_event"))
        ]
    additions.append(
        (
            "release",
            {
                "release_id": manifest["release_id"],
                "period": run.period,
                "revision": manifest["revision"],
                "manifest_sha256": ws.sha256_of(target / release.MANIFEST),
                "custody_head": manifest["custody_head"],
            },
        )
    )
    path = run.workspace.output / record.RECORD
    if reconciliation is not None:
        lives = factor_life.lives(record.read(path))
        additions += factor_life.events_of_release(lives, reconciliation, author)
    record.extend(path, additions)


def _inputs(run: Run) -> tuple[InputFile, ...]:
    """The files that bear on this period: all but field and lab files wholly of other periods."""
    counts = {row.file_id: row for row in filing.counts_of_files(run.store).itertuples()}
    elsewhere = {row[0] for row in run.store.rows(sql("releasing.files_of_other_periods"))}
    entries = overlay.entered(run.store, run.corrections_refused)["entered_in"]
    file_of = overlay.files_of_entries(run.store)
    corrected_by = {file_of.get(text, "") for text in entries}
    inputs = []
    for found, stored in run.files:
        found_in: Any = counts[stored.file_id]
        was_refused = found_in.refused_rows or found_in.refused_cells
        other = stored.kind == "corrections" and found.shown not in corrected_by
        if (stored.file_id in elsewhere or other) and not was_refused:
            continue
        inputs.append(
            InputFile(
                found.shown, stored.sha256, stored.size, stored.kind,
                int(found_in.rows), int(found_in.accepted), int(found_in.refused_rows),
                int(found_in.refused_cells),
                run.contents.get(stored.file_id, ""),
            )
        )  # fmt: skip
    for found in run.found:
        if run.workspace.table(found.table_index).kind == "evidence":
            try:
                digest, copy = archived(run.workspace, found)
            except OSError:  # told when the files were found
                continue
            size = copy.stat().st_size
            inputs.append(InputFile(found.shown, digest, size, "evidence", 0, 0, 0, 0))
    return tuple(inputs)


def _data_until(run: Run) -> str:
    ((latest,),) = run.store.rows(sql("releasing.data_until"))
    return "" if latest is None else latest.isoformat() + "Z"


def _awaited(run: Run) -> tuple[Awaited, ...]:
    """What was sent to the laboratory and is not answered, by dispatch."""
    assert run.joined is not None
    return tuple(
        Awaited(dispatch, "" if sent is None else sent.isoformat() + "Z", samples)
        for dispatch, sent, samples in run.store.rows(
            sql("releasing.awaited"), [list(run.joined.field_only)]
        )
    )


def quarantine_of(run: Run) -> pd.DataFrame:
    """Every refused file, row and cell of the run."""
    columns = listed(
        sql("releasing.refused_column", name=quoted(name)) for name in QUARANTINE_COLUMNS
    )
    rows = run.store.frame(sql("releasing.refused", columns=columns))
    whole = pd.DataFrame(
        [
            (stored.path, "", 0, "", "the whole file", stored.problem, stored.advice,
             stored.sha256)
            for _, stored in run.files
            if stored.problem
        ],
        columns=[*QUARANTINE_COLUMNS, "sha256"],
    )  # fmt: skip
    return pd.concat([whole, rows], ignore_index=True) if len(whole) else rows


def _exclusions(run: Run) -> pd.DataFrame:
    strata = {stratum.key: stratum for stratum in run.joined.strata} if run.joined else {}
    left_out: list[Any] = list(
        run.pairs.loc[~run.pairs["used"].astype(bool)].itertuples(index=False)
    )
    rows = [
        (
            "pair", p.sample_id, strata[p.stratum].element, p.stratum, p.reason,
            getattr(p, REPEAT_OF, ""), "",
        )
        for p in left_out
    ]  # fmt: skip
    for side in ("field", "lab"):
        rows += [
            (f"{side} row", sample, "", "", reason, f"{path}, row {number}", "")
            for sample, reason, path, number in run.store.rows(
                sql("releasing.left_out", rows=quoted(f"{side}_row"))
            )
        ]
    rows += [
        ("lab result", sample, element, "", reason, link, "")
        for sample, element, reason, link in superseded.superseded_rows(run.store)
    ]
    return pd.DataFrame(rows, columns=list(EXCLUSION_COLUMNS))
