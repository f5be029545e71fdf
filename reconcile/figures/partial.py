"""A second opinion on small strata: their bias beside that of other materials and instruments.

The biases of like strata are taken as drawn about a common one (a mixed model, strata as
random, by ``statistics.months``): that of a stratum with few pairs is drawn towards the common
one, the more the fewer its pairs and the more alike the strata. Strata are like where they differ
in material, in the serial of the instrument, or in both: never across elements, techniques,
calibrations, laboratory methods, digestion classes, specimen forms, moisture bases or pair types.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from reconcile.base.model.singles import PartlyPooled
from reconcile.base.model.stratum import Stratum
from reconcile.base.settings.whole import Settings
from reconcile.figures.definition import Array
from reconcile.figures.evaluation import Evaluated
from reconcile.pairs.clusters import Codes
from reconcile.statistics import distributions as stats
from reconcile.statistics.clusters import judged
from reconcile.statistics.months import MonthsModel, months_model
from reconcile.statistics.result import Estimate

_FEWEST_STRATA, _FEWEST_PAIRS = 3, 2


def family(stratum: Stratum) -> Hashable:
    """What like strata have in common."""
    return (
        stratum.element, replace(stratum.read_by, instrument=""), stratum.determined_by,
        stratum.digestion_class, stratum.specimen_form, stratum.moisture, stratum.pair_type,
    )  # fmt: skip


def partly_pooled(
    strata: Sequence[Stratum], evaluated: Mapping[str, Evaluated], settings: Settings
) -> dict[str, PartlyPooled]:
    """The second opinion on each stratum that has like ones, by Stratum.key.

    Of ratios of used pairs: three strata or more with two pairs or more each, whose scatter is
    not shown to differ (Brown & Forsythe 1974 at pooling_alpha).
    """
    like: dict[Hashable, list[str]] = {}
    for stratum in strata:
        like.setdefault(family(stratum), []).append(stratum.key)
    found: dict[str, PartlyPooled] = {}
    for keys in like.values():
        found |= _of_family({key: evaluated[key] for key in keys}, settings)
    return found


def _of_family(members: Mapping[str, Evaluated], settings: Settings) -> dict[str, PartlyPooled]:
    ratios = {key: r for key, e in members.items() if len(r := _ratios(e)) >= _FEWEST_PAIRS}
    if len(ratios) < _FEWEST_STRATA:
        return {}
    if not stats.levene(*ratios.values()).pvalue >= settings.thresholds.pooling_alpha:
        return {}
    codes = np.repeat(np.arange(len(ratios)), [len(r) for r in ratios.values()])
    values = np.concatenate(list(ratios.values()))
    model = months_model(
        values, codes, level=settings.thresholds.confidence,
        widened=_widened(values, codes, [members[key] for key in ratios]),
    )  # fmt: skip
    if model.reason or not model.coming.estimable:
        return {}
    return {key: _one(model, number) for number, key in enumerate(ratios)}


def _ratios(e: Evaluated) -> Array:
    """ln(field/lab) of the used pairs; none where a value is not above zero."""
    lab, field = (e.used[f"{side}_mean"].to_numpy("float64") for side in ("lab", "field"))
    if not (np.all(lab > 0) and np.all(field > 0)):
        return np.zeros(0)
    return np.asarray(np.log(field / lab), dtype=np.float64)


def _widened(values: Array, codes: Codes, members: Sequence[Evaluated]) -> float:
    """How much clusters within the strata widen the variance of a stratum's mean."""
    if not any(e.groupings for e in members):
        return 1.0
    parts, first = [], 0
    for e in members:
        n = len(e.used)
        own = e.groupings[0] if e.groupings else np.arange(n, dtype=np.int64)
        parts.append(own + first)
        first += int(own.max()) + 1
    off = values - (np.bincount(codes, weights=values) / np.bincount(codes))[codes]
    lost = float(codes.max()) + 1
    found = judged(off, [np.concatenate(parts)], lost)
    return 1.0 if found is None else found.widening(values.size - lost)


def _one(model: MonthsModel, number: int) -> PartlyPooled:
    bias = model.by_month[number]
    own, seen = bias.raw, bias.seen
    gain = math.nan
    if own.estimable and seen.estimable and seen.high > seen.low:
        gain = own.n * ((own.high - own.low) / (seen.high - seen.low)) ** 2
    return PartlyPooled(
        model.months, model.n, _fraction(own), _fraction(seen), _fraction(model.long_run),
        model.between, gain, seen.value - own.value if own.estimable else math.nan,
    )  # fmt: skip


def _fraction(e: Estimate) -> Estimate:
    if not e.estimable:
        return e
    value, low, high = (math.expm1(min(v, 700.0)) for v in (e.value, e.low, e.high))
    return Estimate(value, e.se * (1 + value), low, high, e.n, e.level, e.method, e.reason)
