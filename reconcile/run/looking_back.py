"""The step that looks back at issued result sheets: what changed since, and what became of them."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace

from reconcile.base.model.account import Finding
from reconcile.intake import workspace as ws
from reconcile.judgement import recall, sheet_scores
from reconcile.judgement.field_values import FieldMean, field_means
from reconcile.judgement.sheet_content import ResultSheet
from reconcile.judgement.sheet_scores import Answers, LevelScore
from reconcile.pairs import sides
from reconcile.releases import record
from reconcile.run.state import Run

#: So many months after the readings the laboratory's answers are told; later ones show as before.
_TOLD_FOR = 3


def look_at_sheets(run: Run) -> Run:
    """Findings of sheets that come out otherwise now, or that the laboratory has answered.

    What was withdrawn or issued again is told from the month after the readings on, so that the
    month itself stays what it was; a reading that was corrected in its own month.
    """
    path = run.workspace.output / record.RECORD
    if not ws.is_month(run.period) or not path.exists():
        return run
    reading = record.read(path)
    sheets = recall.standing(run.workspace, reading, passing_over=True)
    past = [(x, s) for x, s in sheets if "" < month_of(s) <= run.period]
    if not past:
        return run
    now = recall.present(run.workspace, reading)
    means = _means(run) if any(month_of(s) == run.period for _, s in past) else {}
    touches: list[recall.Touch] = []
    scores: list[LevelScore] = []
    answers: dict[str, Answers] = {}
    of_run: Answers = (
        sheet_scores.answers_of_pairs(run.pairs, run.joined.strata) if run.joined else {}
    )
    for life, sheet in past:
        found = recall.touched(life, sheet, now, means)
        if month_of(sheet) == run.period:
            reads = recall.Cause.READING_CORRECTED
            found = tuple(t for t in found if reads in {cause for cause, _ in t.causes})
        touches += found
        if _months_between(month_of(sheet), run.period) <= _TOLD_FOR:
            others = {name: r for name, r in now.newest.items() if name != run.period}
            found_there = sheet_scores.answers_of_months(sheet, others, answers)
            scores += sheet_scores.score(life, sheet, {**found_there, **of_run})
    made = (*recall.findings(touches), *sheet_scores.findings(scores))
    return replace(
        run, findings=run.findings + made, earlier_mark=run.earlier_mark + tuple(map(_mark, made))
    )


def month_of(sheet: ResultSheet) -> str:
    """The month of its last reading; '' where no reading has a time."""
    return max((r.mean.last_day[:7] for r in sheet.results), default="")


def _months_between(first: str, last: str) -> int:
    (a, b), (c, d) = ((int(text[:4]), int(text[5:])) for text in (first, last))
    return (c - a) * 12 + d - b


def _means(run: Run) -> dict[recall.MeanKey, FieldMean]:
    """Every field mean of the run as it is now."""
    settings = run.workspace.settings
    keys = sides.keys_of(run.store, "field", settings.workspace.elements)
    zone = settings.workspace.time_zone
    found = field_means(run.store, keys, settings.thresholds, zone)
    return {recall.key_of(m): m for m in found}


def _mark(finding: Finding) -> str:
    content = json.dumps([finding.code, finding.subject, finding.text, finding.evidence])
    return hashlib.sha256(content.encode()).hexdigest()
