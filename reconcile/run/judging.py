"""The steps that judge: identities, controls, pairs, statistics, verdicts, conformity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import pandas as pd

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.further import Further
from reconcile.base.model.release import StratumResult
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, NOT_FOR_USE, Verdict
from reconcile.base.registers import Registers
from reconcile.base.settings.whole import Settings
from reconcile.base.settings.workspace import ELEMENTS_SETTING
from reconcile.evidence import (
    certificate_texts,
    custody,
    diagnosis,
    documents,
    eligibility,
    inspection,
    quality,
    registers,
)
from reconcile.figures import evaluation, further, gathered, laboratory_error, selection, shown_unit
from reconcile.figures import laboratories as between
from reconcile.intake import workspace as ws
from reconcile.judgement import (
    earlier_factors,
    factor_kept,
    factor_life,
    factor_proposal,
    many,
    scoring,
    sensitivity,
    specimen_results,
    specimens,
    verdicts,
)
from reconcile.pairs import (
    account,
    certificates,
    filing,
    laboratories,
    month,
    pairing,
    places,
    pooling,
    repeats,
    sides,
    sums,
    superseded,
    zeros,
)
from reconcile.pairs.pairing import Joined
from reconcile.releases import kept_custody, persons, settling
from reconcile.reporting import sentences
from reconcile.run.state import Run, of_run
from reconcile.samples import identity, overlay, spelling
from reconcile.store.database import Store
from reconcile.store.statements import quoted, sql


def settle_identities(run: Run) -> Run:
    """One id per sample: the register's spelling, aliases by a person's entry, no guesses."""
    store, files = run.store, run.run_files
    field_ids = pairing.written_ids(store, files, "field")
    lab_ids = pairing.written_ids(store, files, "lab")
    register_ids = pairing.written_ids(store, files, "register")
    numbers = [f.file_id for f in files]
    aliases = store.frame(
        sql("judging.aliases"),
        [numbers],
    )
    everything = sorted({*field_ids, *lab_ids, *register_ids})
    resolved = identity.resolve(everything, register_ids or field_ids, aliases)
    unknown = resolved["sample_id"].eq("")
    resolved.loc[unknown, "sample_id"] = [
        identity.normalise_id(text) for text in resolved.loc[unknown, "written_id"]
    ]
    pairing.begin(store, files, resolved)
    of_workspace = run.workspace.settings.workspace
    pairing.place_rows(store, of_workspace.assign_rows_by, _bounds(run), of_workspace.time_zone)
    spelled = spelling.one_spelling(store)
    settled = certificates.settle(
        store, sides.keys_of(store, "lab", ()), run.workspace.settings.lab
    )
    samples = {
        side: [row[0] for row in store.rows(sql("judging.samples_of", rows=quoted(f"{side}_row")))]
        for side in ("field", "lab")
    }
    zone = run.workspace.settings.workspace.time_zone
    held = month.held(
        store, of_workspace.assign_rows_by, zone, set(samples["field"]), set(samples["lab"])
    )
    field_alone = sorted({*samples["field"]} - {*samples["lab"]})
    lab_alone = sorted({*samples["lab"]} - {*samples["field"]})
    findings = [
        *identity.near_misses(lab_alone, field_alone, known=everything, registered=register_ids),
        *identity.alias_findings(aliases, register_ids),
        *account.placement_findings(store),
        *zeros.findings(store, files),
        *places.findings(store),
        *month.findings(run.period, held),
        *spelled,
        *settled,
        *laboratories.findings(laboratories.answered(store), run.workspace.settings.lab.stands),
        *overlay.findings(overlay.entered(store, run.corrections_refused)),
        *_chosen_elements(store, run.workspace.settings),
    ]
    known = _known_of_registers(run)
    people = persons.register_of(run.workspace)
    findings += [
        *registers.findings(store, known, people),
        *certificate_texts.findings(known.certificates),
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
                    code=FindingCode.SAMPLE_NOT_REGISTERED,
                )
                for sample in samples[side]
                if sample not in registered
            ]
    run = _marked(run) if held.both else run
    if run.marks is not None:
        findings += repeats.findings(run.marks, run.workspace.settings.pairs)
    return replace(run, held=held, registers=known, findings=run.findings + tuple(findings))


def _known_of_registers(run: Run) -> Registers:
    """What tables, and the documents of the run, say of who and what made its results."""
    papers = [
        f for f in run.found if run.workspace.table(f.table_index).kind == documents.KIND
    ]  # fmt: skip
    evidence = documents.find(run.workspace, papers)
    return registers.of_run(
        run.store,
        persons.register_of(run.workspace),
        certificate_texts.of_run(run.store, evidence.files, evidence.entries),
    )


def _marked(run: Run) -> Run:
    """The run with the means of its samples, and the marks of the rows behind its pairs."""
    store, means = run.store, sides.average(run.store)
    facts = store.frame(sql("pair_facts"))
    if facts.empty:
        return replace(run, means=means)
    chance = run.workspace.settings.pairs.repeat_chance
    return replace(run, means=means, marks=repeats.marked(store, means, facts, chance))


def _chosen_elements(store: Store, settings: Settings) -> tuple[Finding, ...]:
    """What the choice of elements leaves out, and what it names in vain."""
    chosen = settings.workspace.elements
    if not chosen:
        return ()
    field, lab = (
        {key.element for key in sides.keys_of(store, side, ())} for side in ("field", "lab")
    )
    left_out = sorted((field & lab) - {*chosen})
    in_vain = [symbol for symbol in chosen if symbol not in field & lab]
    only_set = [symbol for symbol in settings.element if symbol not in chosen]
    advice = "Mend 'elements' under [workspace]; without it all that both sides have are compared."
    return tuple(
        Finding(
            "intake",
            "note",
            ELEMENTS_SETTING,
            text,
            advice=advice,
            code=FindingCode.ELEMENTS_CHOSEN,
        )
        for symbols, text in (
            (left_out, f"Both sides report {', '.join(left_out)}; 'elements' leaves them out."),
            (in_vain, f"'elements' names {', '.join(in_vain)}, which not both sides report."),
            (only_set, f"'elements' leaves out {', '.join(only_set)}, of which [element] speaks."),
        )
        if symbols
    )


def _bounds(run: Run) -> tuple[datetime, datetime] | None:
    """Start and end of the period; None where rows are not assigned by time."""
    settings = run.workspace.settings.workspace
    if settings.assign_rows_by == "nothing":
        return None
    return ws.period_bounds(run.period, settings.time_zone)


def judge_controls(run: Run) -> Run:
    """Quality control on both sides, and custody, before any number is compared.

    Raises ReconcileError where the period holds nothing at all.
    """
    if run.held is not None and (why := month.nothing(run.period, run.held)):
        raise ReconcileError(why, month.WHAT_TO_DO)
    thresholds = run.workspace.settings.thresholds
    limits_of = run.workspace.settings.limits_of
    elements = run.workspace.settings.workspace.elements
    zone = run.workspace.settings.workspace.time_zone
    store = run.store
    keys = {side: sides.keys_of(store, side, elements) for side in ("field", "lab")}
    controls = {side: eligibility.control_rows(store, side, keys[side], zone) for side in keys}
    reference = of_run(run, "reference_material")
    checks = [
        *quality.judge_reference_materials(
            controls["field"], controls["lab"], reference, thresholds, limits_of
        ),
        *quality.judge_blanks(
            pd.concat([controls["field"], controls["lab"]]), thresholds, limits_of
        ),
    ]
    duplicates = eligibility.lab_duplicates(store, keys["lab"])
    checks += quality.judge_duplicates(duplicates, thresholds, limits_of)
    events = of_run(run, "custody_event")
    register = store.frame(sql("register_entries"))
    judgement = custody.judge(
        eligibility.with_settled_ids(events, register["sample_id"], of_run(run, "alias")),
        register,
        store.frame(sql("judging.lab_times")),
        store.frame(sql("judging.field_times")),
        thresholds,
        zone=zone,
        holding=eligibility.own_holding(store, keys["lab"], run.workspace.settings),
    )
    lost = kept_custody.lost(run.workspace)
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
        limits_of,
        of_run(run, "instrument_check"),
    )
    checks.sort(key=lambda c: (c.side, c.kind, c.element, c.method, c.batch, c.code))
    return replace(
        run,
        quality=tuple(checks),
        custody_status=dict(judgement.status),
        custody_head=custody.head(events) if len(events) else "",
        custody_gone=tuple(dict.fromkeys(item.path for item in lost)),
        lab_errors=laboratory_error.lab_errors(duplicates, run.workspace.settings.errors),
        findings=run.findings
        + tuple(item.finding() for item in lost)
        + judgement.findings
        + quality.findings(checks)
        + inspected.findings,
        controls=inspected.record,
    )


def make_pairs(run: Run) -> Run:
    """Means, joins, and the reason of every pair that is kept out of the statistics."""
    settings, store = run.workspace.settings, run.store
    field_keys = sides.keys_of(store, "field", settings.workspace.elements)
    lab_keys = sides.keys_of(store, "lab", settings.workspace.elements)
    means = run.means or sides.average(store)
    interference = eligibility.lead_on_arsenic(store, means[0], field_keys, settings.thresholds)
    high = sums.high_means(
        store, {s.file_id: run.workspace.table(found.table_index) for found, s in run.files}
    )

    def join(pool: Sequence[str], apart: frozenset[str]) -> tuple[Joined, pd.DataFrame]:
        joined = pairing.join(store, means, field_keys, lab_keys, pool, apart, run.marks)
        linked = superseded.name_links(
            store, joined.pairs, {stratum.key: stratum.lab_method for stratum in joined.strata}
        )
        return joined, eligibility.with_reasons(
            selection.marked(store, linked),
            joined.strata,
            run.custody_status,
            run.quality,
            interference,
            high,
            settings,
        )

    joined, pairs, tested = pooling.pooled_where_allowed(join, settings)
    pairs = _with_doubts(run, joined, pairs)
    steps = (
        *account.waterfall(store, joined, pairs),
        *superseded.account(store, sides.keys_of(store, "lab", ())),
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
    # files first: each names itself, and the account of all of them follows from theirs
    unbalanced = [step for step in (*(s for f in files for s in f.steps), *steps) if step.balance]
    if unbalanced:
        text = "; ".join(f"{step.name}: {step.balance}" for step in unbalanced)
        raise ReconcileError(
            f"The account of rows does not balance ({text}).",
            "Nothing was released. This is a fault of the program: please report it.",
        )
    stands = settings.lab.stands
    compared = between.compare(laboratories.shared(store, lab_keys, stands), settings)
    faults = (
        *_unknown_matrices(settings, joined.strata),
        *_unmet_entries(settings, pairs),
        *sums.findings(high),
        *between.findings_between(compared),
        *settling.applied(
            run.workspace,
            (
                *diagnosis.suspected_faults(
                    pairs, joined.strata, settings.thresholds, pairing.read_as(store, joined)
                ),
                *eligibility.swap_suspicions(pairs, joined.strata),
            ),
        ),
    )
    return replace(
        run,
        joined=joined,
        pairs=pairs,
        pooling=tested,
        steps_of_account=steps,
        account_of_files=files,
        laboratories=compared,
        findings=run.findings + faults,
    )


def _with_doubts(run: Run, joined: Joined, pairs: pd.DataFrame) -> pd.DataFrame:
    """The pairs with what registers and documents say against them."""
    of_key = {s.key: s for s in joined.strata}
    strata = [of_key[key] for key in pairs["stratum"]]
    methods = pd.DataFrame(
        {
            "instrument": [s.read_by.instrument for s in strata],
            "technique": [s.read_by.technique for s in strata],
            "laboratory": [s.laboratory for s in strata],
            "lab_method": [s.determined_by.code for s in strata],
        }
    )
    return registers.doubted(pairs, run.registers, persons.register_of(run.workspace), methods)


def _unmet_entries(settings: Settings, pairs: pd.DataFrame) -> tuple[Finding, ...]:
    """Entries of ``leave_out`` that keep no pair of the period out: a typo keeps nothing out."""
    samples = set(pairs["sample_id"])
    met = samples | {f"{s}/{e}" for s, e in zip(pairs["sample_id"], pairs["element"], strict=True)}
    return tuple(
        Finding(
            "intake", "note", f"leave_out.{key}",
            f"The settings leave out '{key}'; no pair of this period has that sample and element.",
            advice="Check the spelling; entries of other months may stay.",
            code=FindingCode.LEAVE_OUT_UNMET,
        )
        for key in settings.leave_out
        if key not in met
    )  # fmt: skip


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
            code=FindingCode.MATRIX_UNMET,
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
        lab_error = laboratory_error.lab_error_of(run.lab_errors, stratum)
        found = evaluation.evaluate(stratum, pairs, lab_error, settings)
        scatter = further.scatter(
            run.joined.readings(stratum, further.some_of(found.used)["sample_id"].astype("str")),
            found.statistics.difference_scale,
            settings.thresholds.confidence,
        )
        if scatter is not None:
            found = evaluation.with_further(found, (Further.SCATTER, scatter))
        if (tested := run.pooling.get(stratum.key)) is not None:
            found = evaluation.with_further(found, (Further.POOLING, tested))
        evaluated.append((stratum, found))
    adjusted = evaluation.adjust_p_values(tuple(evaluated))
    shifts = between.group_shifts(adjusted, settings.thresholds)
    chosen = selection.record(run.store, adjusted, settings.thresholds)
    return replace(
        run,
        evaluated=evaluation.with_three_methods(adjusted, run.lab_errors, settings),
        group_shifts=shifts,
        selection=chosen,
        findings=run.findings + between.findings_of_groups(shifts) + selection.findings(chosen),
    )


def give_verdicts(run: Run) -> Run:
    """Propose correction factors, then say what may be done with field-only results."""
    settings = run.workspace.settings
    first = f"{run.period}-01" if ws.is_month(run.period) else ""
    until = ws.month_after(run.period, settings.thresholds.factor_valid_months)
    suspected = diagnosis.by_stratum(run.findings)
    # Before anything is fitted again: how did the factors of earlier months do?
    earlier = earlier_factors.of_workspace(
        run.workspace, run.period, (stratum for stratum, _ in run.evaluated)
    )
    scores = scoring.score_all(
        earlier,
        {
            stratum.key: scoring.Scored(evaluated.used, evaluated.margin, evaluated.groupings)
            for stratum, evaluated in run.evaluated
        },
        settings.thresholds,
        {
            stratum.key: spread
            for stratum, _ in run.evaluated
            if stratum.key in earlier
            and (spread := gathered.spread_before(stratum, run.gathered[stratum.key], settings))
        },
    )
    behind = [(stratum, run.gathered[stratum.key].evaluated) for stratum, _ in run.evaluated]
    fitted = [
        factor_proposal.dated(
            factor_proposal.propose(stratum, evaluated, settings, suspected.get(stratum.key)),
            first, until, settings.workspace.site,
        )
        for stratum, evaluated in behind
    ]  # fmt: skip
    in_force = {key: e.factor for key, e in earlier.items() if e.in_force}
    calls = {score.stratum: score.call for score in scores}
    proposals = [
        factor_kept.kept(
            proposal, in_force.get(stratum.key), calls.get(stratum.key, ""),
            evaluated.used["field_mean"].to_numpy("float64"), evaluated.margin,
            ws.month_after(run.period, 1), settings.thresholds,
        )
        for (stratum, evaluated), proposal in zip(behind, fitted, strict=True)
    ]  # fmt: skip

    def judged(number: int, alpha: float) -> Verdict:
        stratum, evaluated = behind[number]
        return verdicts.judge(
            stratum, evaluated, proposals[number], settings, suspected.get(stratum.key), until,
            eligibility.uncontrolled(stratum, run.quality), run.custody_gone, alpha,
        )  # fmt: skip

    t = settings.thresholds
    alpha = many.level_of(
        t.many_verdicts, t.equivalence_alpha, [many.judgings(p.factor) for p in proposals],
        lambda i, a: many.accepts(judged(i, a)),
    )  # fmt: skip
    results = []
    for number, (stratum, evaluated) in enumerate(run.evaluated):
        fault, proposal = suspected.get(stratum.key), proposals[number]
        factor = proposal.factor
        bare = eligibility.uncontrolled(stratum, run.quality)
        verdict = sensitivity.with_all_put_back(
            judged(number, alpha),
            behind[number][1].pairs,
            sensitivity.Judging(
                stratum, laboratory_error.lab_error_of(run.lab_errors, stratum), settings, fault,
                until, bare, run.custody_gone, alpha,
            ),
        )  # fmt: skip
        why = proposal.why
        if factor is not None and verdict.decision == ACCEPTED:
            factor, why = None, "No factor is proposed: the field is accepted as read."
        if factor is not None and verdict.decision != ACCEPTED_CORRECTED:
            refit = fitted[number]
            assert refit.factor is not None
            factor, why = replace(refit.factor, status=NOT_FOR_USE), refit.why
        unit = shown_unit.unit_of(stratum, settings)
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
                    stratum,
                    evaluated.statistics,
                    factor,
                    verdict,
                    unit.name,
                    unit.per_mg_kg,
                    evaluated.pairs,
                ),
                notes=(*evaluated.notes, *((why,) if why else ())),
                decision_levels=shown_unit.levels_of(stratum, settings),
                evidence=gathered.evidence_of(stratum, run.gathered[stratum.key], settings),
            )
        )
    return replace(
        run,
        results=tuple(results),
        factor_scores=scores,
        earlier_mark=earlier_factors.mark(earlier),
        findings=run.findings
        + scoring.findings(scores)
        + settling.applied(run.workspace, diagnosis.digestion_deficit(results)),
    )


def judge_conformity(run: Run) -> Run:
    """Specimens against a table of specification limits, where the settings name one."""
    settings = run.workspace.settings
    if not any(stored.kind == "specification limits" for _, stored in run.files):
        return run
    lives: tuple[factor_life.Life, ...] = ()
    if ws.is_month(run.period):
        begins, ends = ws.period_bounds(run.period, settings.workspace.time_zone)
        last = (ends - timedelta(days=1)).date().isoformat()
        known = factor_life.of_workspace(run.workspace).values()
        lives = factor_life.in_force(known, begins.date().isoformat(), last)
    evidence = specimen_results.Evidence(
        run.results, run.lab_errors, run.quality, run.custody_status, lives
    )
    judged = specimens.judge_period(run.store, settings, evidence)
    return replace(run, conformity=judged, findings=run.findings + specimens.findings(judged))
