"""The result sets of a period's specimens, with their uncertainties.

A field value is corrected where an approved factor of its key holds; else it stands as read
and its uncertainty is the agreement with the laboratory, bias included.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from reconcile.base.grades import (
    Measured,
    Place,
    ResultSet,
)
from reconcile.base.methods import FieldMethod
from reconcile.base.model.controls import QualityCheck
from reconcile.base.model.release import StratumResult
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import ACCEPTED, CorrectionFactor
from reconcile.base.part_roles import form_of
from reconcile.base.settings.whole import Settings
from reconcile.evidence import quality
from reconcile.figures import laboratory_error
from reconcile.figures.laboratory_error import LabError
from reconcile.figures.repeatability import repeatability
from reconcile.judgement import factor_proposal, own_spread
from reconcile.judgement.factor_life import Life
from reconcile.judgement.field_values import (
    FieldMean,
    correct_mean,
    differences,
    overlaps,
    values_of,
)
from reconcile.pairs import pair_strata, places, sides
from reconcile.statistics import distributions as stats
from reconcile.store.database import Store
from reconcile.store.statements import sql

#: Facts that name the method of a laboratory row, as ``pair_strata.lab_method`` takes them.
_METHOD = ("technique", "lab_method", "digestion", "laboratory")
_FEWEST = 8  # pairs below which their scatter is no measure of uncertainty
_NEAR = 1.25  # lab duplicates up to this factor from the value say its error


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the period's pairs and controls say of the results of single specimens."""

    results: tuple[StratumResult, ...]
    lab_errors: Mapping[tuple[str, str], LabError]
    checks: tuple[QualityCheck, ...]
    custody: Mapping[str, str]
    lives: tuple[Life, ...]  # factors in force for the period


def result_sets(
    store: Store, settings: Settings, evidence: Evidence, elements: set[str]
) -> list[tuple[ResultSet, tuple[ResultSet, ...]]]:
    """One set per specimen and method that has a result of one of the elements.

    Beside each set stand those of its places, or of its spots where a metal part states none.
    """
    forms = set(settings.conformity.specimen_forms)
    field_keys = [k for k in sides.keys_of(store, "field", ()) if k.element in elements]
    failed = _failed(evidence.checks)
    read = AsRead(evidence.results)
    ordered = dict(store.rows(sql("places.ordered")))
    whole: dict[_Method, list[Measured]] = {}
    at_places: dict[_Method, dict[Place, list[Measured]]] = {}
    grades: dict[tuple[_Method, Place], str] = {}
    side = sides.Side(store, "field")
    for value in _field_values(store, side, field_keys, settings):
        if forms and value.specimen_form not in forms:
            continue
        text = ", ".join(p for p in (value.matrix, value.specimen_form) if p)
        of = (value.sample_id, value.read_by.set_up, text)
        measured = field_measured(value, evidence, settings, failed, read)
        if value.place is None:
            whole.setdefault(of, []).append(measured)
        else:
            at_places.setdefault(of, {}).setdefault(value.place, []).append(measured)
            grades[of, value.place] = value.ordered
    sets = [
        (
            ResultSet(
                of[0], "field", of[1].technique, of[1].text, of[2],
                _one_each(values, of in at_places),
                ordered=ordered.get(of[0], ""),
            ),
            tuple(
                ResultSet(
                    of[0], "field", of[1].technique, of[1].text, of[2], _one_each(each), place,
                    grades[of, place],
                )
                for place, each in at_places.get(of, {}).items()
            ),
        )
        for of, values in whole.items()
    ]  # fmt: skip
    allowed = {s.sample_id for s, _ in sets} | _of_form(store, forms)
    sets += [
        (
            replace(s, ordered=ordered.get(s.sample_id, "")),
            tuple(replace(p, ordered=ordered.get(s.sample_id, "")) for p in at),
        )
        for s, at in _lab_sets(store, settings, evidence, elements, failed)
        if not forms or s.sample_id in allowed
    ]
    return sorted(sets, key=lambda s: (s[0].sample_id, s[0].side, s[0].method, s[0].description))


#: Sample, technique, method, numbers of the certificates.
_LabSet = tuple[str, str, str, tuple[str, ...]]
#: Sample, method as set up, material.
_Method = tuple[str, FieldMethod, str]


def _field_values(
    store: Store, side: sides.Side, keys: Sequence[sides.Key], settings: Settings
) -> Iterator[FieldMean]:
    """The means of whole samples, then those of their places."""
    samples = store.frame(sql("field_values.samples")).to_dict("records")
    overlapped = overlaps(store, side, settings.thresholds)
    zone = ZoneInfo(settings.workspace.time_zone)
    found = places.of_parts(store)
    facts = places.facts_of(found, samples)
    for key in keys:
        yield from values_of(key, side.of(key), samples, overlapped, zone)
    for key in keys if facts else ():
        yield from values_of(key, found.means(side, key), facts, overlapped, zone)


def _of_form(store: Store, forms: set[str]) -> set[str]:
    rows = store.rows(sql("specimens.of_form"))
    return {sample for sample, form in rows if sample and form in forms}


def _one_each(values: Sequence[Measured], at_places: bool = False) -> tuple[Measured, ...]:
    """One result per element; several columns of one element can't decide which is meant.

    ``at_places``: of a part whose places have results of their own, which are judged instead.
    """
    why = (
        "the places of the part are judged, each by its own result"
        if at_places
        else "several results of one element by one method"
    )
    found: dict[str, Measured] = {}
    for m in values:
        found[m.element] = replace(m, unusable=why) if m.element in found else m
    return tuple(found[e] for e in sorted(found))


def _failed(checks: Sequence[QualityCheck]) -> dict[tuple[str, str, str], list[str]]:
    """Batches whose control failed, by side, method and element."""
    found: dict[tuple[str, str, str], list[str]] = {}
    for row in quality.failed_batches(checks).itertuples(index=False):
        found.setdefault((str(row.side), str(row.method), str(row.element)), []).append(
            str(row.batch)
        )
    return found


def _set_aside(sample_id: str, element: str, evidence: Evidence, settings: Settings) -> str:
    left_out = settings.leave_out
    if why := left_out.get(f"{sample_id}/{element}", left_out.get(sample_id, "")):
        return f"left out by entry: {why}"
    return "custody broken" if evidence.custody.get(sample_id) == "broken" else ""


def field_measured(
    value: FieldMean,
    evidence: Evidence,
    settings: Settings,
    failed: Mapping[tuple[str, str, str], Sequence[str]],
    read: AsRead,
) -> Measured:
    """A field mean with its uncertainty: from an approved factor, else from the agreement."""
    value = _of_its_role(value, evidence, read)
    unusable = _set_aside(value.sample_id, value.element, evidence, settings)
    if value.interference:
        unusable = f"interference: {value.interference}"
    days = failed.get(("field", value.field_method, value.element), ())
    untrusted = (
        "a control of its day failed"
        if any(value.first_day <= day <= value.last_day for day in days)
        else ""
    )
    base = Measured(
        value.element, value.low, value.high, raw=value.low, untrusted=untrusted,
        unusable=unusable, source="known between bounds only",
        spots=1 if value.one_spot else value.spots, se=math.nan if value.one_spot else value.se,
    )  # fmt: skip
    if value.qualifier or value.low != value.high:
        return replace(base, raw=math.nan)
    corrected = correct_mean(value, evidence.lives)
    if not corrected.flags:
        factor = next(x.factor for x in evidence.lives if x.factor.factor_id == corrected.factor_id)
        made = replace(
            base, low=corrected.corrected, high=corrected.corrected,
            u=corrected.expanded_uncertainty / factor_proposal.COVERAGE, k=factor_proposal.COVERAGE,
            source=f"approved factor {corrected.factor_id}", factor_id=corrected.factor_id,
        )  # fmt: skip
        return own_spread.added(made, value, factor, math.inf)
    return _as_read(base, value, read)


class AsRead:
    """The period's strata by element, and the agreement of each, found once."""

    def __init__(self, results: Sequence[StratumResult]) -> None:
        self._of: dict[str, list[StratumResult]] = {}
        for r in results:
            self._of.setdefault(r.stratum.element, []).append(r)
        self._agreement: dict[str, CorrectionFactor | None] = {}

    def alike(self, value: FieldMean) -> list[StratumResult]:
        """Strata whose pairs were read as this value was."""
        return [r for r in self._of.get(value.element, ()) if not differences(value, r.stratum)]

    def agreement(self, result: StratumResult) -> CorrectionFactor | None:
        """:func:`agreement`."""
        key = result.stratum.key
        if key not in self._agreement:
            self._agreement[key] = agreement(result)
        return self._agreement[key]


def _of_its_role(value: FieldMean, evidence: Evidence, read: AsRead) -> FieldMean:
    """A place's value under the form of its role, where pairs of that role are known.

    Where the laboratory answers place by place, base metal and weld metal have pairs of their own.
    """
    if value.place is None or not value.place.role:
        return value
    own = replace(value, specimen_form=form_of(value.specimen_form, value.place.role))
    factors = (x.factor.stratum for x in evidence.lives)
    known = read.alike(own) or any(
        s.element == own.element and not differences(own, s) for s in factors
    )
    return own if known else value


def _as_read(base: Measured, value: FieldMean, read: AsRead) -> Measured:
    found = read.alike(value)
    if not found:
        return replace(base, source="no pairs of this kind with the laboratory")
    best = max(found, key=lambda r: (r.statistics.n_used, r.stratum.key))
    scatter = read.agreement(best)
    if scatter is None:
        n = best.statistics.n_used
        return replace(base, source=f"{n} pairs with the laboratory, {_FEWEST} are needed")
    y = np.array([value.low])
    u = float(factor_proposal.standard_uncertainty(scatter, y, np.array([float(value.spots)]))[0])
    k = float(stats.t.isf(0.025, scatter.n))
    inside = scatter.low <= value.low <= scatter.high
    untrusted = base.untrusted
    if not untrusted and best.verdict.decision != ACCEPTED:
        untrusted = f"stratum {best.verdict.decision}"
    if not untrusted and not inside:
        untrusted = "outside the range of its pairs"
    made = replace(
        base, u=u, k=k, untrusted=untrusted,
        source=f"replicates and agreement with the laboratory, bias included (n {scatter.n}"
        f"{'' if inside else '; value outside their range'})",
    )  # fmt: skip
    return own_spread.added(made, value, scatter, float(scatter.n))


def agreement(result: StratumResult) -> CorrectionFactor | None:
    """The scatter of field about laboratory results as read, bias included; None where too few.

    Held as a factor of the form 'none' whose residual is the root mean square difference
    (of the logarithms where the stratum's differences are ratios), so that the spots of a
    single specimen count as they do for a corrected value.
    """
    used = result.pairs.loc[result.pairs["used"].astype(bool)]
    lab, field = (used[f"{side}_mean"].to_numpy("float64") for side in ("lab", "field"))
    relative = result.statistics.difference_scale == "log ratio" and bool(
        np.all(lab > 0) and np.all(field > 0)
    )
    if len(lab) < _FEWEST:
        return None
    d = np.log(field / lab) if relative else field - lab
    spot_variance, spots = repeatability(used, relative)
    return CorrectionFactor(
        "", result.stratum, "none", 0.0, 1.0, ((0.0, 0.0), (0.0, 0.0)),
        float(np.sqrt(np.mean(d**2))), relative, float(field.min()), float(field.max()), len(lab),
        "", math.nan, math.nan, "", spot_variance=spot_variance, spots=spots,
    )  # fmt: skip


def _lab_sets(
    store: Store,
    settings: Settings,
    evidence: Evidence,
    elements: set[str],
    failed: Mapping[tuple[str, str, str], Sequence[str]],
) -> list[tuple[ResultSet, tuple[ResultSet, ...]]]:
    """Laboratory results by sample, method and certificates, with those of each place of a part."""
    keys = [k for k in sides.keys_of(store, "lab", ()) if k.element in elements]
    side = sides.Side(store, "lab")
    samples = store.frame(sql("specimens.lab_sets")).to_dict("records")
    found: dict[_LabSet, list[Measured]] = {}
    at_places: dict[_LabSet, dict[Place, list[Measured]]] = {}
    for key in keys:
        means = side.of(key)
        for i, row in enumerate(samples):
            n = int(means.n[i])
            if not n:
                continue
            parts = [_text(row[name]) for name in _METHOD]
            determined_by = pair_strata.lab_method(key, *parts)
            method = determined_by.text
            low, high = float(means.low[i]), float(means.high[i])
            sample, numbers = str(row["sample_id"]), tuple(c for c in row["certificate"] if c)
            batches = failed.get(("lab", method, key.element), ())
            measured = Measured(
                key.element, low, high, raw=low if low == high else math.nan,
                source="known between bounds only",
                unusable=_set_aside(sample, key.element, evidence, settings),
                untrusted=(
                    "a control of its certificate failed"
                    if set(batches) & {*numbers, *([] if numbers else [""])}
                    else "a partial digestion does not give the whole content"
                    if _text(row["digestion_class"]) == "partial"
                    else ""
                ),
            )  # fmt: skip
            if low == high:
                error = laboratory_error.lab_error_of(
                    evidence.lab_errors, Stratum(key.element, FieldMethod(), determined_by, "")
                )
                measured = lab_uncertainty(measured, n, error)
            of = (sample, parts[0], method, numbers)
            found.setdefault(of, []).append(measured)
            if name := _text(row["place_key"]):
                place = Place(name, _text(row["part_role"]))
                at_places.setdefault(of, {}).setdefault(place, []).append(measured)

    def made(of: _LabSet, values: list[Measured], place: Place | None = None) -> ResultSet:
        sample, technique, method, numbers = of
        one = _one_each(values, place is None and of in at_places)
        return ResultSet(sample, "lab", technique, method, ", ".join(numbers), one, place)

    return [
        (
            made(of, values),
            tuple(made(of, each, place) for place, each in at_places.get(of, {}).items()),
        )
        for of, values in found.items()
    ]


def lab_uncertainty(measured: Measured, n: int, error: LabError | None) -> Measured:
    """A laboratory result (mean of ``n``) with the uncertainty that its duplicates show."""
    if error is None:
        return replace(measured, source="no laboratory duplicates and no stated laboratory error")
    value = measured.low
    near = error.near(value / _NEAR, value * _NEAR)
    freedom = near.degrees_of_freedom
    return replace(
        measured,
        u=abs(value) * math.sqrt(near.relative_variance / max(n, 1)),
        k=2.0 if math.isinf(freedom) else float(stats.t.isf(0.025, freedom)),
        source=f"{near.source}: repeatability, the laboratory's own bias is not in it",
    )


def _text(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value)
