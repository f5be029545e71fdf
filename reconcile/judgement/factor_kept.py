"""Whether a monthly refit changes anything that matters; where not, the factor in force stays."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reconcile.base.model.verdict import APPROVED, CorrectionFactor
from reconcile.base.settings.thresholds import Thresholds
from reconcile.judgement.factor_choice import Array, Fit, applied
from reconcile.judgement.factor_proposal import Proposal, correct
from reconcile.judgement.scoring import KEEP, NOT_JUDGED
from reconcile.reporting import words
from reconcile.statistics.equality import equal_with_nan

_AT = 50  # levels at which both factors are compared


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Change:
    """What a new fit would change of the factor in force."""

    most: float  # largest difference of corrected values, as a fraction of the level; inf: unknown
    growth: float  # share of the new fit's range that the factor in force does not reach


def change(old: CorrectionFactor, new: CorrectionFactor) -> Change:
    """Compare both over the field values that both correct, mg/kg.

    The level is the corrected value where ratios are compared, else the mean of them.
    """
    low, high = max(old.low, new.low), min(old.high, new.high)
    if not low < high:
        return Change(np.inf, 1.0)
    scale = np.log if new.residual_relative and low > 0 else np.asarray
    ends, within = (scale(np.array(v)) for v in ((new.low, new.high), (low, high)))
    growth = 1 - float(np.ptp(within) / np.ptp(ends))
    at = np.geomspace(low, high, _AT) if low > 0 else np.linspace(low, high, _AT)
    at = np.clip(at, low, high)
    (before, _), (after, _) = correct(old, at), correct(new, at)
    with np.errstate(all="ignore"):
        off = np.abs(after - before) / (
            np.abs(before) if new.residual_relative else abs(float(np.mean(before)))
        )
    return Change(float(np.max(off)) if np.all(np.isfinite(off)) else np.inf, growth)


def kept(
    proposal: Proposal,
    in_force: CorrectionFactor | None,
    call: str,
    field: Array,
    margin: float,
    stands_until: str,
    t: Thresholds,
) -> Proposal:
    """The factor in force in the place of a refit that changes nothing that matters.

    What matters: corrected values that differ by more than ``least_change`` of the margin, a
    range that grows by more than that share, a score other than 'keep' (or too few pairs for
    one), and a life that ends before ``stands_until`` (ISO date). ``in_force``: None where none
    is approved. ``field``: field values of the used pairs, mg/kg: what the verdict judges are the
    held-out values moved by what the factor in force corrects otherwise, so that its own bias is
    judged and not that of the refit.
    """
    new = proposal.factor
    if new is None or in_force is None or call not in (KEEP, NOT_JUDGED):
        return proposal
    if not stands_until or in_force.valid_until < stands_until:
        return proposal
    found = change(in_force, new)
    if found.most > t.least_change * margin or found.growth > t.least_change:
        return proposal
    why = words.FACTOR_KEPT.format(
        factor=in_force.factor_id,
        most=f"{found.most:.2%}",
        least=f"{t.least_change * margin:.2%}",
    )
    held_out = proposal.held_out
    if held_out is not None:
        before, after = (applied(f.form, Fit(f.intercept, f.slope), field) for f in (in_force, new))
        held_out = held_out * before / after if new.residual_relative else (
            held_out + before - after
        )  # fmt: skip
    return Proposal(replace(in_force, status=APPROVED), held_out, why)
