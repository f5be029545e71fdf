"""Quality control of both sides: reference materials, blanks, duplicates, charts, rates.

Controls are judged before any field value is compared with a lab value: a reference that
fails its own control can't judge anything.
"""

from reconcile.quality.blanks import judge_blanks
from reconcile.quality.charts import (
    RULES,
    Chart,
    ChartConstants,
    Rule,
    chart_constants,
    chart_findings,
    false_alarm_rates,
    individuals_chart,
    signals,
)
from reconcile.quality.duplicates import judge_duplicates
from reconcile.quality.interference import interference_flags
from reconcile.quality.outcome import contaminated_below, failed_batches, findings
from reconcile.quality.rates import insertion_rates
from reconcile.quality.references import (
    ReferenceScores,
    judge_reference_materials,
    reference_scores,
)

__all__ = [
    "RULES",
    "Chart",
    "ChartConstants",
    "ReferenceScores",
    "Rule",
    "chart_constants",
    "chart_findings",
    "contaminated_below",
    "failed_batches",
    "false_alarm_rates",
    "findings",
    "individuals_chart",
    "insertion_rates",
    "interference_flags",
    "judge_blanks",
    "judge_duplicates",
    "judge_reference_materials",
    "reference_scores",
    "signals",
]
