"""The steps that judge: controls, statistics, verdicts, conformity."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pandas as pd

from reconcile.base.errors import ReconcileError
from reconcile.base.model.further import Further
from reconcile.base.model.release import StratumResult
from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, NOT_FOR_USE, Verdict
from reconcile.evidence import (
    control_results,
    custody,
    diagnosis,
    eligibility,
    inspection,
    quality,
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
    month,
    sides,
)
from reconcile.pairs.plain_texts import with_plain_texts
from reconcile.releases import kept_custody, settling
from reconcile.reporting import sentences
from reconcile.run.settling import month_bounds
from reconcile.run.state import Run, of_run
from reconcile.store.statements import sql


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
    controls = {side: control_results.control_rows(store, side, keys[side], zone) for side in keys}
    reference = of_run(run, "reference_material")
    checks = [
        *quality.judge_reference_materials(
            controls["field"], controls["lab"], reference, thresholds, limits_of
        ),
        *quality.judge_blanks(
            pd.concat([controls["field"], controls["lab"]]), thresholds, limits_of
        ),
    ]
    duplicates = control_results.lab_duplicates(store, keys["lab"], controls["lab"])
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
        holding=control_results.own_holding(store, keys["lab"], run.workspace.settings),
    )
    lost = kept_custody.lost(run.workspace)
    bounds = month_bounds(run)
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
        custody_broken_by=judgement.broken_by(),
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


def compute_statistics(run: Run) -> Run:
    """All figures of every stratum."""
    assert run.joined is not None
    settings = run.workspace.settings
    evaluated = []
    table = with_plain_texts(run.pairs)
    rows = table.groupby("stratum", sort=False).indices
    for stratum in run.joined.strata:
        run.tell(stratum.label)
        pairs = table.iloc[rows.get(stratum.key, [])].reset_index(drop=True)
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
