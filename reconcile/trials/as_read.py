"""The decision on results as read: the same rules as ``trial``, many times as fast.

No figure is computed that the decision does not need, and no factor is looked for. Of the
evidence that a verdict asks for, here stands what an invented study can lack: pairs, their thirds,
and pairs inside the limits.
"""

from __future__ import annotations

import math

from reconcile.base.model.verdict import ACCEPTED, INSUFFICIENT
from reconcile.base.settings.whole import Settings
from reconcile.figures import evaluation, further, laboratory_error, pair_errors
from reconcile.judgement import verdicts
from reconcile.judgement.decision import decide
from reconcile.statistics.level_band import Scale
from reconcile.trials.studies import STRATUM, draw
from reconcile.trials.trial import Characteristic, Outcome, agreed_of, settings_of, summed
from reconcile.trials.truths import Truth
from reconcile.trials.wrong import wrong

NOT_ACCEPTED = Outcome(INSUFFICIENT, "", math.nan, math.nan, None)


def outcome(truth: Truth, n: int, seed: int, settings: Settings) -> Outcome:
    """One study: accepted as read, and whether the truth contradicts it; else not accepted."""
    t, study = settings.thresholds, draw(truth, n, seed)
    used = study.pairs.loc[study.pairs["used"]]
    lab = used["lab_mean"].to_numpy("float64")
    field = used["field_mean"].to_numpy("float64")
    if (
        len(lab) < t.minimum_pairs
        or 1 - len(lab) / n > t.censored_share
        or min(evaluation.thirds(lab)) < t.pairs_per_third
    ):
        return NOT_ACCEPTED
    structure = further.replicate_structure(used, t.confidence)
    error = laboratory_error.lab_error_of(
        laboratory_error.lab_errors(study.duplicates, settings.errors), STRATUM
    )
    variance = laboratory_error.lab_relative_variance(used, error)
    scale: Scale = "log ratio"
    if pair_errors.difference_scale(lab, field, structure)[0] != scale:
        scale, variance = "absolute", variance * float(used["lab_mean"].median()) ** 2
    terms = verdicts.terms_of(STRATUM, settings, t.bias_margin)
    times = verdicts.seconds(used["field_time"])
    found = decide(lab, field, terms, scale, variance, times=times)
    if not found.accepted:
        return NOT_ACCEPTED
    contradicted = wrong(truth, agreed_of(settings), found.low, found.high)
    return Outcome(ACCEPTED, "", found.low, found.high, contradicted)


def tried(truth: Truth, n: int, studies: int, seed: int = 0) -> Characteristic:
    """Many studies of one truth, as ``trial.tried``; what is not accepted counts as 'insufficient'.

    An acceptance after correction is not tried here.
    """
    settings = settings_of(truth)
    return summed(truth.name, n, (outcome(truth, n, seed + i, settings) for i in range(studies)))
