"""Values known only to lie below or above a limit; nothing is ever substituted for them."""

from __future__ import annotations

from reconcile.statistics.censored_ratio import CensoredBias, censored_log_ratio_bias
from reconcile.statistics.censored_slope import CensoredLine, akritas_theil_sen
from reconcile.statistics.censored_summary import (
    KaplanMeier,
    LogNormalFit,
    OrderStatistics,
    kaplan_meier,
    lognormal_mle,
    regression_on_order_statistics,
)
from reconcile.statistics.detection import DetectTable, detect_table
from reconcile.statistics.turnbull_masses import Turnbull, turnbull

__all__ = [
    "CensoredBias",
    "CensoredLine",
    "DetectTable",
    "KaplanMeier",
    "LogNormalFit",
    "OrderStatistics",
    "Turnbull",
    "akritas_theil_sen",
    "censored_log_ratio_bias",
    "detect_table",
    "kaplan_meier",
    "lognormal_mle",
    "regression_on_order_statistics",
    "turnbull",
]
