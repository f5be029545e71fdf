"""What the verdict would be with every excluded pair put back.

A verdict that rests on what was left out must say so: the same criteria are judged again
on all pairs with two numbers, whatever kept them out (a person's entry, broken custody, a
failed batch, an overlap). Censored pairs stay what they are, and so do repeats.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.model.account import Finding
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import ACCEPTED_CORRECTED, Verdict
from reconcile.base.reasons import Exclusion
from reconcile.base.settings.whole import Settings
from reconcile.figures import evaluation
from reconcile.figures.laboratory_error import LabError
from reconcile.judgement import factor_proposal, verdicts
from reconcile.reporting import words
from reconcile.statistics.equality import equal_with_nan


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Judging:
    """What a verdict rests on beside its pairs."""

    stratum: Stratum
    lab_error: LabError | None
    settings: Settings
    fault: Finding | None = None
    until: str = ""
    uncontrolled: str = ""
    custody_gone: tuple[str, ...] = ()
    alpha: float | None = None  # chance of a wrong acceptance; else the setting's


def _left_out(pairs: pd.DataFrame) -> NDArray[np.bool_]:
    """Which pairs have a number on both sides and are not used, repeats apart; shape (pairs,)."""
    field, lab = (pairs[name].to_numpy("float64") for name in ("field_mean", "lab_mean"))
    # a repeat would count what counts already
    repeated = np.array(
        [c == Exclusion.REPEATED for c in pairs["reason_code"].tolist()], dtype=bool
    )
    found: NDArray[np.bool_] = (
        ~np.isnan(field) & ~np.isnan(lab) & ~repeated & ~pairs["used"].to_numpy(bool)
    )
    return found


def put_back(pairs: pd.DataFrame) -> pd.DataFrame:
    """The pairs (PAIR_COLUMNS) with every one used that has a number on both sides."""
    back = _left_out(pairs)
    # Broken custody kept them out; counted again it would keep the verdict out.
    return pairs.assign(
        used=pairs["used"].to_numpy(bool) | back,
        reason_code=pairs["reason_code"].where(~back, ""),
        reason=pairs["reason"].where(~back, ""),
        custody=pairs["custody"].where(~back, "put back"),
    )


def with_all_put_back(verdict: Verdict, pairs: pd.DataFrame, judging: Judging) -> Verdict:
    """The verdict with what it would be on all pairs; unchanged where none was excluded."""
    excluded = int(_left_out(pairs).sum())
    if not excluded:
        return verdict
    everything = put_back(pairs)
    j = judging
    again = evaluation.evaluate(j.stratum, everything, j.lab_error, j.settings, shown=False)
    proposal = factor_proposal.propose(j.stratum, again, j.settings, j.fault)
    other = verdicts.judge(
        j.stratum, again, proposal, j.settings, j.fault, j.until, j.uncontrolled, j.custody_gone,
        j.alpha,
    )  # fmt: skip
    corrected = other.decision == ACCEPTED_CORRECTED
    reason = words.PUT_BACK_CORRECTED if corrected else other.reason
    return replace(
        verdict,
        put_back=excluded,
        decision_put_back=other.decision,
        reason_put_back=reason,
    )
