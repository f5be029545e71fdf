"""The one sequence of steps: from files to a release.

``STEPS`` is an ordered tuple of named functions from ``Run`` to ``Run``. The command
line walks it plainly; the flow runs the same tuple as tasks. Every step is one
transaction or none, and may be repeated.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from reconcile import (
    certificates,
    correction,
    custody,
    diagnosis,
    eligibility,
    evaluation,
    factors,
    filing,
    further,
    history,
    identity,
    inspection,
    overlay,
    pairing,
    pooling,
    quality,
    record,
    release,
    scoring,
    sensitivity,
    specimens,
    spelling,
    superseded,
    verdicts,
)
from reconcile import workspace as ws
from reconcile.conformity import ConformityRecord
from reconcile.errors import ReconcileError
from reconcile.evaluation import Evaluated
from reconcile.intake.corrections import Correction
from reconcile.intake.read import read_file
from reconcile.model import (
    ACCEPTED,
    ACCEPTED_CORRECTED,
    EXCLUSION_COLUMNS,
    QUARANTINE_COLUMNS,
    Change,
    ControlRecord,
    FileAccount,
    Finding,
    Further,
    InputFile,
    Pooling,
    QualityCheck,
    Reconciliation,
    Stratum,
    StratumResult,
    WaterfallStep,
)
from reconcile.pairing import Joined, RunFile
from reconcile.reporting import sentences, write_release
from reconcile.settings import Settings, TableSettings
from reconcile.store import ROW_TABLES, Store, StoredFile, sql
from reconcile.workspace import FoundFile, MissingFile, Workspace

Tell = Callable[[str], None]


NO_CHANGES: tuple[Change, ...] = ()


def _silent(_: str) -> None:
    return None


@dataclass(frozen=True, slots=True)
class Run:
    """All that a run knows so far; each step fills in its part."""

    workspace: Workspace
    period: str
    store: Store
    tell: Tell = _silent
    found: tuple[FoundFile, ...] = ()
    missing: tuple[MissingFile, ...] = ()
    files: tuple[tuple[FoundFile, StoredFile], ...] = ()
    run_files: tuple[RunFile, ...] = ()
    corrections_refused: tuple[tuple[str, Correction, str], ...] = ()
    findings: tuple[Finding, ...] = ()
    quality: tuple[QualityCheck, ...] = ()
    controls: ControlRecord = field(default_factory=ControlRecord)
    custody_status: dict[str, str] = field(default_factory=dict)
    custody_head: str = ""
    lab_errors: dict[tuple[str, str], evaluation.LabError] = field(default_factory=dict)
    joined: Joined | None = None
    pairs: pd.DataFrame = field(default_factory=pd.DataFrame)
    pooling: dict[str, Pooling] = field(default_factory=dict)  # by stratum key
    steps_of_account: tuple[WaterfallStep, ...] = ()
    account_of_files: tuple[FileAccount, ...] = ()
    evaluated: tuple[tuple[Stratum, Evaluated], ...] = ()
    results: tuple[StratumResult, ...] = ()
    factor_scores: tuple[scoring.FactorScore, ...] = ()
    earlier_mark: tuple[str, ...] = ()  # what the scores took from earlier releases
    conformity: ConformityRecord | None = None
    outcome: RunOutcome | None = None


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """What a run gave."""

    release_folder: Path
    reconciliation: Reconciliation
    new_release: bool

    @property
    def needs_a_person(self) -> bool:
        """True where something was found that a person should look at."""
        return release.needs_a_person(self.reconciliation)


# ---- the steps ----------------------------------------------------------------------


def find_files(run: Run) -> Run:
    """Find the period's files; keep each once in the archive, named by its digest."""
    found, missing = ws.find_files(run.workspace, run.period)
    if not found:
        patterns = ", ".join(m.pattern for m in missing)
        raise ReconcileError(
            f"No input file of {run.period} was found in {run.workspace.folder} ({patterns}).",
            "Put the files there, or mend 'files' in reconcile.toml.",
        )
    tables = {f.table_index for f in found}
    findings = tuple(
        Finding(
            "intake",
            "serious",
            m.pattern,
            f"No file matches '{m.pattern}' ({run.workspace.table(m.table_index).kind}).",
            advice="Add the file, mend the pattern, or set required = false.",
        )
        for m in missing
        # one of a table's patterns may find nothing; a file named outright may not
        if m.required and (m.table_index not in tables or not any(c in m.pattern for c in "*?["))
    )
    return replace(run, found=found, missing=missing, findings=run.findings + findings)


def read_tables(run: Run) -> Run:
    """Read every file; without a field and a lab table there is nothing to reconcile."""
    run = read_found(run)
    kinds = {stored.kind for _, stored in run.files if not stored.problem}
    for kind in ("field", "lab"):
        if kind not in kinds:
            raise ReconcileError(
                "\n".join(
                    [f"No {kind} table of {run.period} could be read."]
                    + [f"  - {f.text} {f.advice}" for f in run.findings]
                ),
                f"A reconciliation needs at least one {kind} table.",
            )
    return run


def read_found(run: Run) -> Run:
    """Read every file that the store does not hold yet; a bad file does not stop the others."""
    first = {"corrections": 0, "sample register": 1}  # on these the reading of others depends
    order = sorted(
        range(len(run.found)),
        key=lambda i: (first.get(run.workspace.table(run.found[i].table_index).kind, 2), i),
    )
    corrections: overlay.Corrections | None = None
    code = ws.code_version()
    stored: dict[int, StoredFile] = {}
    register: pd.DataFrame | None = None
    for index in order:
        file = run.found[index]
        table = run.workspace.table(file.table_index)
        if table.kind == "evidence":
            continue
        if table.kind != "corrections" and corrections is None:
            corrections = overlay.corrections_in(run.store, [s.file_id for s in stored.values()])
        if first.get(table.kind, 2) == 2 and register is None:
            register = _register(run, [stored[i].file_id for i in stored])
        run.tell(file.shown)
        stored[index] = _read_one(run, file, table, code, register, corrections or {})
    findings = tuple(
        Finding("intake", "serious", s.path, s.problem, advice=s.advice)
        for _, s in sorted(stored.items())
        if s.problem
    )
    stored, copies = _without_copies(run, stored)
    findings += copies + _notes_of(run, [stored[i].file_id for i in sorted(stored)])
    files = tuple((run.found[i], stored[i]) for i in sorted(stored))
    numbered = tuple(RunFile(s.file_id, place, f.of_period) for place, (f, s) in enumerate(files))
    return replace(
        run,
        files=files,
        run_files=numbered,
        corrections_refused=tuple(
            overlay.unmatched(
                corrections or {},
                [(s.path, s.sha256) for _, s in files],
                [f.shown for f in ws.files_of_every_month(run.workspace, *ROW_TABLES)],
            )
        ),
        findings=run.findings + findings,
    )


def _notes_of(run: Run, file_ids: list[int]) -> tuple[Finding, ...]:
    """What the reading did or left to a person: recalculations, missing facts, doubts."""
    rows = run.store.rows(
        "SELECT path, sheet, text FROM note JOIN file USING (file_id) "
        "WHERE list_contains(?, file_id) ORDER BY list_position(?, file_id), sheet, text",
        [file_ids, file_ids],
    )
    return tuple(
        Finding(
            "intake", "note", f"{path}, sheet {sheet}" if sheet else path,
            f"{str(text).rstrip('.')}.",
        )
        for path, sheet, text in rows
    )  # fmt: skip


def _without_copies(
    run: Run, stored: dict[int, StoredFile]
) -> tuple[dict[int, StoredFile], tuple[Finding, ...]]:
    """Each file's bytes once per table: a copy under another name would count twice."""
    kept: dict[int, StoredFile] = {}
    first: dict[tuple[int, str], str] = {}
    tables: dict[int, int] = {}  # by file_id: the table that reads it so
    findings = []
    for index, file in sorted(stored.items()):
        table = run.found[index].table_index
        if (before := tables.setdefault(file.file_id, table)) != table:
            findings.append(
                Finding(
                    "intake", "warning", file.path,
                    f"The [[table]] entries {before + 1} and {table + 1} read {file.path} in the "
                    "same way; it was read once.",
                    advice="Take one of the two out of the settings.",
                )
            )  # fmt: skip
            continue
        if file.file_id in {known.file_id for known in kept.values()}:
            continue  # two patterns of one table find the same file
        key = (run.found[index].table_index, file.sha256)
        if file.sha256 and not file.problem and key in first:
            findings.append(
                Finding(
                    "intake", "serious", file.path,
                    f"{file.path} is a copy of {first[key]}, byte for byte; it was not read again.",
                    advice="Take one of the two away.",
                )
            )  # fmt: skip
            continue
        first.setdefault(key, file.path)
        kept[index] = file
    return kept, tuple(findings)


def _read_one(
    run: Run,
    file: FoundFile,
    table: TableSettings,
    code: str,
    register: pd.DataFrame | None,
    corrections: overlay.Corrections,
) -> StoredFile:
    zone = run.workspace.settings.workspace.time_zone
    try:
        digest, copy = _archived(run.workspace, file)
    except OSError as error:
        problem = f"{file.shown} can't be read: {error.strerror or error}."
        return (
            run.store.add(
                file.shown, "", f"{code}", table.kind, 0, (), problem, "Check that it is a file."
            )
            if (known := run.store.find(file.shown, "", code)) is None
            else known
        )
    looked_up = register if table.look_up == "lab_id" else None
    mine = corrections.get((file.shown, digest), ())
    key = reading_key(table, zone, code, looked_up, mine)
    known = run.store.find(file.shown, digest, key)
    if known is not None:
        return known
    size = copy.stat().st_size
    try:
        read = read_file(copy, file.shown, table, zone=zone, register=looked_up, corrections=mine)
    except ReconcileError as error:
        return run.store.add(
            file.shown, digest, key, table.kind, size, (), error.message, error.advice
        )
    return run.store.add(file.shown, digest, key, table.kind, size, read)


def _archived(workspace: Workspace, file: FoundFile) -> tuple[str, Path]:
    """Digest and archived copy; what is read later is the copy, whatever becomes of the file."""
    if file.path.is_dir():
        raise IsADirectoryError(0, "it is a folder")
    digest = ws.sha256_of(file.path)
    copy = workspace.archive / f"{digest}{file.path.suffix.lower()}"
    if not copy.exists():
        workspace.archive.mkdir(parents=True, exist_ok=True)
        working = copy.with_name(f".unfinished-{copy.name}")
        shutil.copyfile(file.path, working)
        digest = ws.sha256_of(working)  # the file may have changed meanwhile
        copy = workspace.archive / f"{digest}{file.path.suffix.lower()}"
        working.replace(copy)
    return digest, copy


def reading_key(
    table: TableSettings,
    zone: str,
    code: str,
    register: pd.DataFrame | None,
    corrections: Sequence[Correction] = (),
) -> str:
    """What a reading depends on beside the file's bytes: settings, zone, code, register and
    corrections."""
    content = [table.model_dump(mode="json", exclude={"files", "required", "name"}), zone, code]
    if register is not None:
        content.append(register.to_json(date_format="iso", orient="split"))
    content += [list(astuple(c)) for c in corrections]
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _register(run: Run, file_ids: list[int]) -> pd.DataFrame:
    return run.store.frame(
        "SELECT * EXCLUDE (file_id, sheet) FROM register WHERE list_contains(?, file_id) "
        'ORDER BY file_id, "row"',
        [file_ids],
    )


def settle_identities(run: Run) -> Run:
    """One id per sample: the register's spelling, aliases by a person's entry, no guesses."""
    store, files = run.store, run.run_files
    field_ids = pairing.written_ids(store, files, "field")
    lab_ids = pairing.written_ids(store, files, "lab")
    register_ids = pairing.written_ids(store, files, "register")
    numbers = [f.file_id for f in files]
    aliases = store.frame(
        "SELECT * EXCLUDE (file_id, sheet) FROM alias WHERE list_contains(?, file_id) "
        'ORDER BY file_id, "row"',
        [numbers],
    )
    everything = sorted({*field_ids, *lab_ids, *register_ids})
    resolved = identity.resolve(everything, register_ids or field_ids, aliases)
    unknown = resolved["sample_id"].eq("")
    resolved.loc[unknown, "sample_id"] = [
        identity.normalise_id(text) for text in resolved.loc[unknown, "written_id"]
    ]
    pairing.begin(store, files, resolved)
    assign = run.workspace.settings.workspace.assign_rows_by
    pairing.place_rows(store, assign, _bounds(run))
    spelled = spelling.one_spelling(store)
    settled = certificates.settle(
        store, pairing.keys_of(store, "lab", ()), run.workspace.settings.lab
    )
    samples = {
        side: [
            row[0]
            for row in store.rows(
                f"SELECT DISTINCT sample_id FROM {side}_row WHERE disposition = 'sample' ORDER BY 1"
            )
        ]
        for side in ("field", "lab")
    }
    field_alone = sorted({*samples["field"]} - {*samples["lab"]})
    lab_alone = sorted({*samples["lab"]} - {*samples["field"]})
    findings = [
        *identity.near_misses(lab_alone, field_alone),
        *identity.alias_findings(aliases, register_ids),
        *pairing.placement_findings(store),
        *spelled,
        *settled,
        *overlay.findings(overlay.entered(store, run.corrections_refused)),
    ]
    if register_ids:
        registered = {*resolved.loc[resolved["written_id"].isin(register_ids), "sample_id"]}
        for side, label in (("field", "field reading"), ("lab", "lab result")):
            findings += [
                Finding(
                    "identity",
                    "warning",
                    sample,
                    f"A {label} of '{sample}' has no entry in the sample register.",
                    advice="Correct the id, or enter the sample or an alias.",
                )
                for sample in samples[side]
                if sample not in registered
            ]
    return replace(run, findings=run.findings + tuple(findings))


def _bounds(run: Run) -> tuple[datetime, datetime] | None:
    """Start and end of the period; None where rows are not assigned by time."""
    settings = run.workspace.settings.workspace
    if settings.assign_rows_by == "nothing":
        return None
    return ws.period_bounds(run.period, settings.time_zone)


def judge_controls(run: Run) -> Run:
    """Quality control on both sides, and custody, before any number is compared."""
    thresholds = run.workspace.settings.thresholds
    elements = run.workspace.settings.element
    zone = run.workspace.settings.workspace.time_zone
    store = run.store
    keys = {side: pairing.keys_of(store, side, elements) for side in ("field", "lab")}
    controls = {side: eligibility.control_rows(store, side, keys[side], zone) for side in keys}
    reference = _of_run(run, "reference_material")
    checks = [
        *quality.judge_reference_materials(
            controls["field"], controls["lab"], reference, thresholds
        ),
        *quality.judge_blanks(pd.concat([controls["field"], controls["lab"]]), thresholds),
    ]
    duplicates = eligibility.lab_duplicates(store, keys["lab"])
    checks += quality.judge_duplicates(duplicates, thresholds)
    events = _of_run(run, "custody_event")
    register = store.frame(sql("register_entries"))
    judgement = custody.judge(
        eligibility.with_settled_ids(events, register["sample_id"], _of_run(run, "alias")),
        register,
        store.frame(
            "SELECT sample_id, certificate, received_at, analysed_at, reported_at FROM lab_row "
            "WHERE disposition = 'sample' ORDER BY ALL"
        ),
        store.frame(
            "SELECT sample_id, measured_at FROM field_row WHERE disposition = 'sample' ORDER BY ALL"
        ),
        thresholds,
        zone=zone,
    )
    bounds = _bounds(run)
    inspected = inspection.inspect(
        store,
        keys,
        controls,
        duplicates,
        reference,
        thresholds,
        bounds[1] if bounds else None,
        zone,
    )
    checks.sort(key=lambda c: (c.side, c.kind, c.element, c.method, c.batch, c.code))
    return replace(
        run,
        quality=tuple(checks),
        custody_status=dict(judgement.status),
        custody_head=custody.head(events) if len(events) else "",
        lab_errors=evaluation.lab_errors(duplicates, run.workspace.settings.errors),
        findings=run.findings + judgement.findings + quality.findings(checks) + inspected.findings,
        controls=inspected.record,
    )


def _of_run(run: Run, table: str) -> pd.DataFrame:
    frame = run.store.frame(
        f"SELECT {table}.* EXCLUDE (file_id, sheet) FROM {table} JOIN run_file USING (file_id) "
        f'ORDER BY file_place, "row"'
    )
    for column in frame.columns:
        if pd.api.types.is_datetime64_any_dtype(frame[column]):
            frame[column] = frame[column].dt.tz_localize("UTC")
    return frame


def make_pairs(run: Run) -> Run:
    """Means, joins, and the reason of every pair that is kept out of the statistics."""
    settings, store = run.workspace.settings, run.store
    field_keys = pairing.keys_of(store, "field", settings.element)
    lab_keys = pairing.keys_of(store, "lab", settings.element)
    sides = pairing.average(store)
    interference = eligibility.lead_on_arsenic(store, sides[0], field_keys, settings.thresholds)

    def join(pool: Sequence[str], apart: frozenset[str]) -> tuple[Joined, pd.DataFrame]:
        joined = pairing.join(store, sides, field_keys, lab_keys, pool, apart)
        linked = superseded.name_links(
            store, joined.pairs, {stratum.key: stratum.lab_method for stratum in joined.strata}
        )
        return joined, eligibility.with_reasons(
            linked, joined.strata, run.custody_status, run.quality, interference, settings
        )

    joined, pairs, tested = pooling.pooled_where_allowed(join, settings)
    account = (
        *pairing.waterfall(store, joined, pairs),
        *superseded.account(store, pairing.keys_of(store, "lab", ())),
        *overlay.account(overlay.entered(store, run.corrections_refused)),
    )
    files = filing.account_of_files(
        store,
        {
            stored.file_id: run.workspace.table(found.table_index).name
            or f"table {found.table_index + 1}"
            for found, stored in run.files
        },
    )
    unbalanced = [step for step in (*account, *(s for f in files for s in f.steps)) if step.balance]
    if unbalanced:
        text = "; ".join(f"{step.name}: {step.balance}" for step in unbalanced)
        raise ReconcileError(
            f"The account of rows does not balance ({text}).",
            "Nothing was released. This is a fault of the program: please report it.",
        )
    faults = (
        *_unknown_matrices(settings, joined.strata),
        *diagnosis.suspected_faults(pairs, settings.thresholds),
        *eligibility.swap_suspicions(pairs, joined.strata),
    )
    return replace(
        run,
        joined=joined,
        pairs=pairs,
        pooling=tested,
        steps_of_account=account,
        account_of_files=files,
        findings=run.findings + faults,
    )


def _unknown_matrices(settings: Settings, strata: Sequence[Stratum]) -> tuple[Finding, ...]:
    """Matrices that the settings name for an element and that none of its pairs has."""
    present = {(stratum.element, stratum.matrix) for stratum in strata}
    with_pairs = {element for element, _ in present}
    return tuple(
        Finding(
            "intake", "note", f"element.{symbol}.matrix.{matrix}",
            f"The settings state what holds for {symbol} in '{matrix}'; no pair of this period "
            "has that matrix.",
            advice="Check the spelling of the matrix.",
        )
        for symbol, element in settings.element.items()
        for matrix in element.matrix
        if symbol in with_pairs and (symbol, matrix) not in present
    )  # fmt: skip


def compute_statistics(run: Run) -> Run:
    """All figures of every stratum."""
    assert run.joined is not None
    settings = run.workspace.settings
    evaluated = []
    for stratum in run.joined.strata:
        run.tell(stratum.label)
        pairs = run.pairs.loc[run.pairs["stratum"].eq(stratum.key)].reset_index(drop=True)
        lab_error = evaluation.lab_error_of(run.lab_errors, stratum)
        found = evaluation.evaluate(stratum, pairs, lab_error, settings)
        scatter = further.scatter(
            run.joined.readings(stratum, further.some_of(found.used)["sample_id"].astype("str")),
            found.statistics.difference_scale,
            settings.thresholds.confidence,
        )
        if scatter is not None:
            found = evaluation.with_details(found, (Further.SCATTER, scatter))
        if (tested := run.pooling.get(stratum.key)) is not None:
            found = evaluation.with_details(found, (Further.POOLING, tested))
        evaluated.append((stratum, found))
    adjusted = evaluation.adjust_p_values(tuple(evaluated))
    return replace(run, evaluated=evaluation.with_three_methods(adjusted, run.lab_errors, settings))


def give_verdicts(run: Run) -> Run:
    """Propose correction factors, then say what may be done with field-only results."""
    settings = run.workspace.settings
    first = f"{run.period}-01" if ws.is_month(run.period) else ""
    until = ws.month_after(run.period, settings.thresholds.factor_valid_months)
    suspected = {f.subject: f.text for f in run.findings if f.area == "diagnosis"}
    # Before anything is fitted again: how did the factors of earlier months do?
    earlier = scoring.earlier_factors(
        run.workspace, run.period, (stratum for stratum, _ in run.evaluated)
    )
    scores = scoring.score_all(
        earlier,
        {stratum.key: evaluated.used for stratum, evaluated in run.evaluated},
        {stratum.key: evaluated.margin for stratum, evaluated in run.evaluated},
        settings.thresholds,
    )
    results = []
    for stratum, evaluated in run.evaluated:
        fault = suspected.get(stratum.key, "")
        proposal = correction.dated(
            correction.propose(stratum, evaluated, settings, fault), first, until
        )
        factor = proposal.factor
        bare = eligibility.uncontrolled(stratum, run.quality)
        verdict = sensitivity.with_all_put_back(
            verdicts.judge(stratum, evaluated, proposal, settings, fault, until, bare),
            evaluated.pairs,
            sensitivity.Judging(
                stratum, evaluation.lab_error_of(run.lab_errors, stratum), settings, fault,
                until, bare,
            ),
        )  # fmt: skip
        if factor is not None and verdict.decision not in (ACCEPTED, ACCEPTED_CORRECTED):
            factor = replace(factor, status="not for use")
        unit = evaluation.unit_of(stratum, settings)
        results.append(
            StratumResult(
                stratum=stratum,
                unit=unit.name,
                per_mg_kg=unit.per_mg_kg,
                pairs=evaluated.pairs.drop(columns="element"),
                statistics=evaluated.statistics,
                factor=factor,
                verdict=verdict,
                sentences=sentences.sentences_for(
                    stratum, evaluated.statistics, factor, verdict, unit.name, unit.per_mg_kg
                ),
                notes=(*evaluated.notes, *((proposal.why,) if proposal.why else ())),
                decision_levels=evaluation.levels_of(stratum, settings),
            )
        )
    return replace(
        run,
        results=tuple(results),
        factor_scores=scores,
        earlier_mark=scoring.mark(earlier),
        findings=run.findings + scoring.findings(scores) + diagnosis.digestion_deficit(results),
    )


def judge_conformity(run: Run) -> Run:
    """Specimens against a table of specification limits, where the settings name one."""
    settings = run.workspace.settings
    if not any(stored.kind == "specification limits" for _, stored in run.files):
        return run
    lives: tuple[factors.Life, ...] = ()
    if ws.is_month(run.period):
        begins, ends = ws.period_bounds(run.period, settings.workspace.time_zone)
        last = (ends - timedelta(days=1)).date().isoformat()
        known = factors.of_workspace(run.workspace).values()
        lives = specimens.in_force(known, begins.date().isoformat(), last)
    evidence = specimens.Evidence(
        run.results, run.lab_errors, run.quality, run.custody_status, lives
    )
    judged = specimens.judge_period(run.store, settings, evidence)
    return replace(run, conformity=judged, findings=run.findings + specimens.findings(judged))


def write_the_release(run: Run) -> Run:
    """Write the next revision, or none where nothing changed since the last."""
    workspace, settings = run.workspace, run.workspace.settings
    assert run.joined is not None
    folder = workspace.releases(run.period)
    earlier = release.latest(folder)
    code = ws.code_version()
    inputs = _inputs(run)
    mark = release.fingerprint(
        run.period, code, ws.settings_hash(settings), inputs,
        run.earlier_mark + (run.conformity.marks if run.conformity else ()),
    )  # fmt: skip
    past = history.earlier_results(folder.parent, run.period)
    mark = history.bound(mark, past)
    rows = pairing.rows_mark(run.store)
    mark = hashlib.sha256(f"{mark}\n{rows}".encode()).hexdigest()
    same = earlier is not None and earlier.manifest["fingerprint"] == mark
    if earlier is not None and (altered := release.altered_files(earlier)):
        raise ReconcileError(
            f"Release {earlier.manifest['release_id']} was altered after it was made: "
            f"{', '.join(altered)}.",
            "Restore the files from the copy that was sent out; nothing was written.",
        )
    lines = ws.setting_lines(settings)
    revision = earlier.revision + (0 if same else 1) if earlier else 1
    if same and earlier is not None:
        supersedes, changed = str(earlier.manifest["supersedes"]), NO_CHANGES
    else:
        supersedes = str(earlier.manifest["release_id"]) if earlier else ""
        changed = history.changes(earlier.manifest if earlier else None, past)
        if earlier is not None and (before := str(earlier.manifest.get("rows", ""))) != rows:
            changed += (Change("rows that belong to this period", before[:12], rows[:12]),)
        changed += release.changes(
            earlier, code, {line.name: line.value for line in lines}, inputs, run.results
        )
    reconciliation = Reconciliation(
        title=settings.workspace.title,
        period=run.period,
        revision=revision,
        release_id=f"{run.period}-r{revision}-{mark[:8]}",
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
        results=run.results,
        waterfall=run.steps_of_account,
        account_of_files=run.account_of_files,
        exclusions=_exclusions(run),
        quarantine=quarantine_of(run),
        corrections=overlay.entered(run.store, run.corrections_refused),
        field_only=run.joined.field_only,
        lab_only=run.joined.lab_only,
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
        extra={
            "rows": rows,
            scoring.SCORES: run.factor_scores,
            "factor scores in brief": scoring.as_manifest(run.factor_scores),
        },
    )
    if same and earlier is not None:
        target = earlier.folder
    else:
        run.tell("report and workbook")
        target = release.write(reconciliation, folder, mark, write_release)
    _record(run, target, reconciliation)
    return replace(run, outcome=RunOutcome(target, reconciliation, not same))


def _record(run: Run, target: Path, reconciliation: Reconciliation) -> None:
    """Custody events, the release, its factors: into the record, each once, also after a crash."""
    manifest = json.loads((target / release.MANIFEST).read_text(encoding="utf-8"))
    additions: list[tuple[str, dict[str, object]]] = [
        ("custody event", {"event": link.canonical})
        for link in custody.chain(_of_run(run, "custody_event"))
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
    reading = record.read(path)
    if not reading.altered:  # else extend refuses
        additions += factors.events_of_release(factors.lives(reading), reconciliation)
    record.extend(path, additions)


def _inputs(run: Run) -> tuple[InputFile, ...]:
    """The files that bear on this period: all but field and lab files wholly of other periods."""
    counts = {
        row[0]: row[1:]
        for row in run.store.rows(
            "SELECT file_id, sum(rows_in_file), sum(accepted), "
            "(SELECT count(*) FROM quarantine q WHERE q.file_id = sheet.file_id) "
            "FROM sheet JOIN run_file USING (file_id) GROUP BY file_id"
        )
    }
    elsewhere = {
        row[0]
        for row in run.store.rows(
            "SELECT file_id FROM (SELECT file_id, disposition FROM field_row UNION ALL "
            "SELECT file_id, disposition FROM lab_row) GROUP BY file_id "
            "HAVING bool_and(disposition = 'other period')"
        )
    }
    entries = overlay.entered(run.store, run.corrections_refused)["entered_in"]
    corrected_by = {str(text).rpartition(", row ")[0] for text in entries}
    inputs = []
    for found, stored in run.files:
        rows, accepted, quarantined = counts.get(stored.file_id, (0, 0, 0))
        other = stored.kind == "corrections" and found.shown not in corrected_by
        if (stored.file_id in elsewhere or other) and not quarantined:
            continue
        inputs.append(
            InputFile(
                found.shown, stored.sha256, stored.size, stored.kind,
                int(rows), int(accepted), int(quarantined),
            )
        )  # fmt: skip
    for found in run.found:
        if run.workspace.table(found.table_index).kind == "evidence" and found.path.is_file():
            digest, copy = _archived(run.workspace, found)
            inputs.append(InputFile(found.shown, digest, copy.stat().st_size, "evidence", 0, 0, 0))
    return tuple(inputs)


def _data_until(run: Run) -> str:
    ((latest,),) = run.store.rows(
        "SELECT max(moment) FROM ("
        "SELECT measured_at AS moment FROM field_row WHERE disposition = 'sample' "
        "UNION ALL SELECT coalesce(reported_at, analysed_at, received_at) FROM lab_row "
        "WHERE disposition = 'sample')"
    )
    return "" if latest is None else latest.isoformat() + "Z"


def quarantine_of(run: Run) -> pd.DataFrame:
    """Every refused file, row and cell of the run."""
    columns = ", ".join(f'quarantine."{name}"' for name in QUARANTINE_COLUMNS)
    rows = run.store.frame(
        f"SELECT {columns}, sha256 FROM quarantine JOIN run_file USING (file_id) "
        f"JOIN file USING (file_id) "
        f"ORDER BY file_place, {columns}"
    )
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
        ("pair", p.sample_id, strata[p.stratum].element, p.stratum, p.reason, "", "")
        for p in left_out
    ]
    for side in ("field", "lab"):
        rows += [
            (f"{side} row", sample, "", "", reason, f"{path}, row {number}", "")
            for sample, reason, path, number in run.store.rows(
                f'SELECT {side}_row.sample_id, disposition, path, "row" FROM {side}_row '
                "JOIN file USING (file_id) WHERE disposition NOT IN "
                f"('sample', 'control', 'other period') ORDER BY file_place, \"row\""
            )
        ]
    rows += [
        ("lab result", sample, element, "", reason, link, "")
        for sample, element, reason, link in superseded.superseded_rows(run.store)
    ]
    return pd.DataFrame(rows, columns=list(EXCLUSION_COLUMNS))


STEPS: tuple[tuple[str, Callable[[Run], Run]], ...] = (
    ("find files", find_files),
    ("read tables", read_tables),
    ("settle identities", settle_identities),
    ("judge controls and custody", judge_controls),
    ("make pairs", make_pairs),
    ("compute statistics", compute_statistics),
    ("give verdicts", give_verdicts),
    ("judge conformity", judge_conformity),
    ("write the release", write_the_release),
)

#: Those of STEPS that only look: what ``check`` walks.
CHECK_STEPS = STEPS[:3]


def begin(workspace: Workspace, period: str, store: Store, tell: Tell = _silent) -> Run:
    """A run before its first step."""
    return Run(workspace, ws.check_period(workspace, period), store, tell)


def run_period(
    folder: Path,
    period: str,
    *,
    tell: Tell = _silent,
    step_started: Callable[[int, str], None] = lambda number, name: None,
) -> RunOutcome:
    """Reconcile one period of the workspace in ``folder``.

    Returns the release that stands for these inputs: a new one, or the one before where
    nothing changed. Raises ReconcileError where the run is not possible.
    """
    workspace = ws.load_workspace(folder)
    ws.check_period(workspace, period)
    with Store(workspace.store_file) as store:
        run = begin(workspace, period, store, tell)
        for number, (name, step) in enumerate(STEPS):
            step_started(number, name)
            run = step(run)
    assert run.outcome is not None
    return run.outcome
