"""Quality control of both sides: reference materials, blanks, duplicates, charts, rates.

Controls are judged before any field value is compared with a lab value: a reference that
fails its own control can't judge anything.
"""

from reconcile.evidence.quality.blanks import judge_blanks
from reconcile.evidence.quality.bracketing import judge_bracketing
from reconcile.evidence.quality.charts import (
    RULES,
    Chart,
    ChartConstants,
    Rule,
    chart_constants,
    false_alarm_rates,
    individuals_chart,
    signals,
)
from reconcile.evidence.quality.controls import LimitsOf
from reconcile.evidence.quality.daily import judge_daily
from reconcile.evidence.quality.duplicates import duplicate_stages, judge_duplicates
from reconcile.evidence.quality.history import chart_findings, control_charts
from reconcile.evidence.quality.interference import interference_flags
from reconcile.evidence.quality.of_reading import Column
from reconcile.evidence.quality.outcome import contaminated_below, failed_batches, findings
from reconcile.evidence.quality.rates import against_plan, insertion_rates, rate_findings
from reconcile.evidence.quality.readings import judge_readings
from reconcile.evidence.quality.references import (
    ReferenceScores,
    judge_reference_materials,
    reference_scores,
)

__all__ = [
    "RULES",
    "Chart",
    "ChartConstants",
    "Column",
    "LimitsOf",
    "ReferenceScores",
    "Rule",
    "against_plan",
    "chart_constants",
    "chart_findings",
    "contaminated_below",
    "control_charts",
    "duplicate_stages",
    "failed_batches",
    "false_alarm_rates",
    "findings",
    "individuals_chart",
    "insertion_rates",
    "interference_flags",
    "judge_blanks",
    "judge_bracketing",
    "judge_daily",
    "judge_duplicates",
    "judge_readings",
    "judge_reference_materials",
    "rate_findings",
    "reference_scores",
    "signals",
]
