"""Which line leads a report: a written rule on the errors, never the nicer result."""

from __future__ import annotations

import math
from dataclasses import dataclass

from reconcile.statistics._values import show
from reconcile.statistics.result import NAN

#: Below this many pairs a line through ranks leads only as an indication.
FEWEST_FOR_RANKS = 20
#: Above this (error SD of the lab)/(SD of the lab values) least squares misleads.
MOST_LAB_ERROR = 0.2

RULE = (
    "Errors of constant SD and a known ratio of the error variances (λ): Deming regression. "
    "Errors of constant CV and a known λ: weighted Deming regression. "
    "A standard uncertainty for every point on both sides: York regression. "
    "Structure of the errors or λ unknown, a mixed structure without uncertainties of the "
    "points, or outliers: Passing-Bablok regression, which below "
    f"{FEWEST_FOR_RANKS} pairs is an indication only. "
    "Least squares stands for reference and never leads; it is flagged where the lab's error SD "
    f"is more than {MOST_LAB_ERROR:g} of the SD of the lab values. "
    "The rule looks at the errors, never at the result."
)


@dataclass(frozen=True, slots=True)
class Headline:
    """Which line leads, and the rule that says so."""

    method: str  # "deming", "weighted deming", "york" or "passing-bablok"
    rule_text: str
    caution: str = ""  # what to beware of; empty where nothing is known

    def sentence(self, unit: str = "") -> str:
        """The rule in words."""
        return f"{self.rule_text} {self.caution}".strip()


def least_squares_caution(lab_error_sd: float, lab_sd: float, most: float = MOST_LAB_ERROR) -> str:
    """A warning where the lab's error flattens the least-squares slope; empty where it doesn't.

    ``most``: largest lab_error_sd/lab_sd without a warning. The slope shrinks by about the
    square of the ratio: 4 % at 0.2.
    """
    if not (math.isfinite(lab_error_sd) and math.isfinite(lab_sd) and lab_sd > 0):
        return ""
    ratio = lab_error_sd / lab_sd
    if ratio <= most:
        return ""
    return (
        f"The lab's error SD is {show(ratio, 2)} of the SD of its values (more than "
        f"{most:g}): the least-squares slope is too flat by about "
        f"{show(100 * min(ratio * ratio, 1.0), 2)} %."
    )


def _lambda(lam: float) -> str:
    """λ for a sentence, without powers of ten: beyond a thousand the size says no more."""
    if lam >= 1000:
        return "above 1000"
    return "below 0.001" if lam < 0.001 else f"= {show(lam)}"


def choose_headline(
    structure: str,
    lam: float,
    n: int,
    *,
    point_uncertainties: bool = False,
    outliers: bool = False,
    lab_error_sd: float = NAN,
    lab_sd: float = NAN,
    most_lab_error: float = MOST_LAB_ERROR,
) -> Headline:
    """The written rule (``RULE``): error structure and λ decide, never the nicer result.

    ``structure``: 'constant SD', 'constant CV', 'mixed' or 'unknown' (see
    ``error_structure``). ``lam``: ratio of the error variances field/lab, NaN where
    unknown. ``point_uncertainties``: every pair has a standard uncertainty on both sides.
    ``outliers``: an outlier test has flagged pairs. ``lab_error_sd`` and ``lab_sd``, same
    unit, decide against ``most_lab_error`` if least squares is flagged in ``caution``.
    """
    caution = least_squares_caution(lab_error_sd, lab_sd, most_lab_error)
    known = math.isfinite(lam) and lam > 0
    clean = not outliers
    if clean and known and structure == "constant SD":
        return Headline(
            "deming",
            "Errors of constant size and a measured ratio of error variances "
            f"(λ {_lambda(lam)}): Deming regression leads.",
            caution,
        )
    if clean and known and structure == "constant CV":
        return Headline(
            "weighted deming",
            "Errors that grow with the level and a measured ratio of error variances "
            f"(λ {_lambda(lam)}): weighted Deming regression leads.",
            caution,
        )
    if clean and point_uncertainties:
        return Headline(
            "york",
            ("The errors have a constant and a proportional part. " if structure == "mixed" else "")
            + "Every pair has a standard uncertainty on both sides: York regression leads.",
            caution,
        )
    if outliers:
        why = "Pairs are flagged as outliers"
    elif not known:
        why = "The ratio of the error variances is not known"
    elif structure == "mixed":
        why = "The errors have a constant and a proportional part, without an SD for each pair"
    else:
        why = "The structure of the errors is not known"
    few = "" if n >= FEWEST_FOR_RANKS else f" With {n} {'pair' if n == 1 else 'pairs'} it is an "
    few += "indication only, its interval is wide." if few else ""
    needs = "which is little moved by them" if outliers else "which needs neither"
    return Headline(
        "passing-bablok", f"{why}: Passing-Bablok regression leads, {needs}.{few}", caution
    )
