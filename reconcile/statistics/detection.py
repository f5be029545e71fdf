"""Which of two methods detects more often."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import check_level, flags, interval_text, show
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.proportions import clopper_pearson
from reconcile.statistics.result import NAN, Estimate, not_estimable


@equal_with_nan
@dataclass(frozen=True, slots=True)
class DetectTable:
    """Pairs by who detected, with McNemar's exact test on the disagreements."""

    n: int
    both: int
    field_only: int
    lab_only: int
    neither: int
    lab_detected: Estimate  # share of pairs
    field_detected: Estimate
    field_share_of_discordant: Estimate  # field-only among the disagreements; 0.5 = no difference
    p_value: float  # two-sided exact McNemar
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One or two plain sentences."""
        if self.n == 0:
            return f"Detection could not be compared: {self.reason}."
        text = (
            f"Of {self.n} pairs both methods detected {self.both}, only the laboratory "
            f"{self.lab_only}, only the field method {self.field_only}, neither {self.neither}."
        )
        if self.reason:
            return f"{text} {self.reason[0].upper()}{self.reason[1:]}."
        share = interval_text(self.field_share_of_discordant, as_percent=True)
        return (
            f"{text} Among the disagreements the field method detected {share} "
            f"(exact McNemar p = {show(self.p_value)})."
        )


def detect_table(
    lab_detected: ArrayLike, field_detected: ArrayLike, level: float = 0.95
) -> DetectTable:
    """Two-by-two table of detection and McNemar's exact test (McNemar 1947; binomial form).

    Both arguments are booleans per pair: True where a value was quantified.
    """
    check_level(level)
    size = int(np.asarray(lab_detected).size)
    lab = flags(lab_detected, "lab_detected", size)
    field = flags(field_detected, "field_detected", size)
    both, neither = int(np.sum(lab & field)), int(np.sum(~lab & ~field))
    field_only, lab_only = int(np.sum(~lab & field)), int(np.sum(lab & ~field))
    discordant = field_only + lab_only
    if size == 0:
        nothing = not_estimable(0, "there is no pair", "Clopper-Pearson, two-sided", level)
        return DetectTable(0, 0, 0, 0, 0, nothing, nothing, nothing, NAN, "there is no pair")
    lab_share = clopper_pearson(both + lab_only, size, level)
    field_share = clopper_pearson(both + field_only, size, level)
    if discordant == 0:
        reason = "the two never disagree on detection, so there is nothing to test"
        share = not_estimable(0, reason, "Clopper-Pearson, two-sided", level)
        return DetectTable(size, both, 0, 0, neither, lab_share, field_share, share, 1.0, reason)
    share = clopper_pearson(field_only, discordant, level)
    fewer = min(field_only, lab_only)
    p = min(1.0, 2 * float(stats.binom.cdf(fewer, discordant, 0.5)))
    return DetectTable(size, both, field_only, lab_only, neither, lab_share, field_share, share, p)
