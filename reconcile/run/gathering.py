"""The step that gathers: this month's pairs beside those of earlier months' releases."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from reconcile.base.model.further import Further
from reconcile.figures import evaluation, gathered, laboratory_error, partial, watching
from reconcile.pairs import earlier
from reconcile.run.state import Run


def gather_evidence(run: Run) -> Run:
    """The evidence of every stratum, from the digested tables of released months."""
    settings = run.workspace.settings
    months, lacking = earlier.months_before(run.workspace, run.period)
    found = {
        stratum.key: gathered.gather(
            stratum, evaluated, run.period, months,
            laboratory_error.lab_error_of(run.lab_errors, stratum), settings,
        )
        for stratum, evaluated in run.evaluated
    }  # fmt: skip
    told = tuple(
        finding
        for stratum, _ in run.evaluated
        for finding in watching.findings(stratum, found[stratum.key].watched, run.period)
    )
    run = replace(run, earlier=months, gathered=found, findings=run.findings + lacking + told)
    return _with_second_opinions(run) if settings.evidence.beside_like != "off" else run


def _with_second_opinions(run: Run) -> Run:
    """The strata with what like ones say of their bias, on the evidence of all."""
    evidence = {key: g.evaluated for key, g in run.gathered.items()}
    pooled = partial.partly_pooled(
        [stratum for stratum, _ in run.evaluated], evidence, run.workspace.settings
    )
    evaluated = tuple(
        (stratum, evaluation.with_further(e, (Further.PARTLY_POOLED, pooled[stratum.key])))
        if stratum.key in pooled
        else (stratum, e)
        for stratum, e in run.evaluated
    )
    decides = run.workspace.settings.evidence.beside_like == "decides"
    gathered_too = {
        key: replace(
            g,
            evaluated=replace(
                evaluation.with_further(g.evaluated, (Further.PARTLY_POOLED, pooled[key])),
                decides=decides,
            ),
        )
        if key in pooled
        else g
        for key, g in run.gathered.items()
    }
    return replace(run, evaluated=evaluated, gathered=gathered_too)


def as_manifest(run: Run) -> list[dict[str, Any]]:
    """The releases behind the verdicts, with the digest of their pairs and how many count."""
    used: dict[str, int] = {}
    for g in run.gathered.values():
        for period in g.month_of_used:
            used[period] = used.get(period, 0) + 1
    return [m.mark() | {"pairs": used.get(m.period, 0)} for m in run.earlier]
