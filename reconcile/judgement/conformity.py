"""Which grades of a table of specification limits the results of a specimen are consistent with.

Every grade that the results do not speak against is listed, never the nearest one alone.
Terms are those of JCGM 106:2012 and ILAC-G8:09/2019 (clauses from memory): a decision rule
with its guard band, acceptance limits, and the chance that the true value lies within the
specification limits. Composition only: nothing here says that a part is fit for service.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from reconcile import techniques
from reconcile.base.formulas import Formula
from reconcile.base.grades import (
    AGAINST,
    CONSISTENT,
    EXCLUDED,
    GUARDED,
    HIGH,
    LOW,
    MEETS,
    NOT_DECIDED,
    NOT_JUDGED,
    NOT_MEASURED,
    OPEN,
    SIMPLE,
    WITHIN,
    ElementCall,
    GradeCall,
    Limit,
    Measured,
    ResultSet,
    SpecimenConformity,
)
from reconcile.statistics import distributions as stats
from reconcile.statistics import guard_bands


def rule_sentences(rule: str, guard_factor: float) -> tuple[str, ...]:
    """The decision rule in words, with its guard band and its risk at a limit."""
    width = f"w = {guard_factor:g}·U"
    if rule == SIMPLE or guard_factor == 0:
        return (
            "Decision rule: simple acceptance, no guard band (JCGM 106:2012, 8.2). A result inside "
            "the limits is accepted and one outside speaks against the grade; for a true value on "
            "a limit either call is wrong up to one time in two.",
        )
    risk = float(stats.norm.sf(guard_factor * 2.0))
    chance = f"about {risk:.1%}" if risk >= 0.001 else "less than 0.1%"
    against = (
        f"An element speaks against a grade only where its result lies outside the limits by more "
        f"than {width}: for a true value on a limit that happens by chance in {chance} of cases "
        "(normal errors, U with k = 2)."
    )
    if rule == GUARDED:
        return (
            f"Decision rule: guarded acceptance, guard band {width} (JCGM 106:2012, 8.3.2; "
            f"ILAC-G8:09/2019). A result is accepted only where it lies inside the limits by w or "
            f"more; a true value on a limit is then accepted by chance in {chance} of cases.",
            f"{against} In between nothing is decided.",
        )
    return (
        f"Decision rule: guarded rejection, guard band {width} (JCGM 106:2012, 8.3.3). A result is "
        "accepted up to w outside the limits: a true value on a limit is nearly always accepted, "
        "and one outside it by less than w often. This rule protects the supplier, not the user.",
        against,
    )


def judge(
    results: ResultSet,
    grades: Sequence[Sequence[Limit]],
    rule: str,
    guard_factor: float,
    complete: bool = True,
) -> SpecimenConformity:
    """One result set against every grade.

    ``complete``: whether every row of the table of limits could be read; if not, no grade is
    said to have every limit decided.
    """
    by_element = {m.element: m for m in results.values}
    calls = []
    for limits in grades:
        elements = tuple(
            limit_call(limit, by_element, results, rule, guard_factor) for limit in limits
        )
        calls.append(GradeCall(limits[0].grade, grade_call(elements, complete), elements))
    return SpecimenConformity(results, tuple(calls))


def limit_call(
    limit: Limit,
    by_element: Mapping[str, Measured],
    results: ResultSet,
    rule: str,
    guard_factor: float,
) -> ElementCall:
    """One limit, of an element or of a formula of elements."""
    if limit.formula is None:
        measured = by_element.get(limit.element)
        return element_call(limit, measured, results, rule, guard_factor)
    for element in limit.formula.elements:
        m = by_element.get(element)
        lacking = _lacking(element, m, results)
        if m is None or lacking:
            return ElementCall(limit, NOT_MEASURED, f"{element}: {lacking}", measured=m)
    made = of_formula(limit.formula, limit, [by_element[e] for e in limit.formula.elements])
    return element_call(limit, made, results, rule, guard_factor)


def of_formula(formula: Formula, limit: Limit, values: Sequence[Measured]) -> Measured:
    """The value of a formula, mg/kg, with its uncertainty.

    The uncertainties are added as if they were fully correlated (JCGM 100:2008, 5.2.2, note 1):
    results of one instrument share its faults, and the sum is the largest that can be.
    """
    per = limit.per_mg_kg
    found = formula.of({m.element: (m.low * per, m.high * per) for m in values})
    k = max(m.k for m in values)
    u = sum(abs(found.slopes.get(m.element, 0.0)) * m.k * m.u for m in values) / k
    return Measured(
        limit.element, found.low / per, found.high / per, u, k,
        "; ".join(dict.fromkeys(f"{m.element}: {m.source}" for m in values if m.source)),
        factor_id=", ".join(dict.fromkeys(m.factor_id for m in values if m.factor_id)),
        untrusted="; ".join(f"{m.element}: {m.untrusted}" for m in values if m.untrusted),
    )  # fmt: skip


def _lacking(element: str, measured: Measured | None, results: ResultSet) -> str:
    """Why nothing can be said of an element; '' where something can."""
    cannot = why_not_measured(element, results.side, results.technique)
    if measured is None:
        if cannot or not hard_to_measure(element, results.technique):
            return cannot or "no result"
        return f"no result; hardly seen by portable {results.technique} in air"
    return cannot or measured.unusable


def grade_call(elements: Sequence[ElementCall], complete: bool) -> str:
    """What the elements' calls say of their grade."""
    calls = {e.call for e in elements}
    if AGAINST in calls:
        return EXCLUDED
    if calls == {WITHIN} and complete:
        return MEETS
    # A grade of which no result says anything was not looked at; it is not shown to fit.
    return CONSISTENT if calls & {WITHIN, OPEN} else NOT_JUDGED


def element_call(
    limit: Limit, measured: Measured | None, results: ResultSet, rule: str, guard_factor: float
) -> ElementCall:
    """One element against the limits of one grade, by the rule.

    A result below or above a limit of the method is judged by its bounds, without a guard
    band; it decides only where the bounds leave no doubt.
    """
    lacking = _lacking(limit.element, measured, results)
    if measured is None or lacking:
        return ElementCall(limit, NOT_MEASURED, lacking, measured=measured)
    low, high = measured.low, measured.high
    accept, reject = 0.0, 0.0
    probability = math.nan
    if low == high:
        if math.isfinite(measured.u) and measured.u > 0:
            judged = guard_bands.conformity(
                low, measured.u, limit.maximum, limit.minimum, guard_factor, measured.k
            )
            probability = judged.probability
            if math.isnan(probability):  # limits nearer to each other than two guard bands
                probability = guard_bands.conformity(
                    low, measured.u, limit.maximum, limit.minimum, 0.0, measured.k
                ).probability
        if rule != SIMPLE and guard_factor > 0:
            reject = guard_factor * measured.k * measured.u
            accept = reject if rule == GUARDED else -reject
            if not math.isfinite(reject):
                return ElementCall(
                    limit, NOT_DECIDED,
                    f"its uncertainty is not known: {measured.source or 'no evidence'}",
                    measured=measured,
                )  # fmt: skip
    accept_low, accept_high = limit.minimum + accept, limit.maximum - accept

    def made(call: str, why: str = "") -> ElementCall:
        return ElementCall(limit, call, why, accept_low, accept_high, probability, measured)

    if high < limit.minimum - reject:
        return made(AGAINST, LOW)
    if low > limit.maximum + reject:
        return made(AGAINST, HIGH)
    low_ok = math.isnan(limit.minimum) or low >= accept_low
    high_ok = math.isnan(limit.maximum) or high <= accept_high
    if low_ok and high_ok:
        return made(OPEN, measured.untrusted) if measured.untrusted else made(WITHIN)
    if low != high:
        return made(NOT_DECIDED, "known between bounds only")
    if accept_low > accept_high:
        return made(OPEN, "limits nearer than two guard bands")
    return made(OPEN, "in a guard band")


def why_not_measured(element: str, side: str, technique: str) -> str:
    """Why this kind of result can't decide on an element at all; '' where it can."""
    if side == "lab":
        return ""
    made = techniques.of(technique)
    if made is not None and element in made.cannot_report:
        return f"portable {made.name} can't measure it (light element)"
    if element == "C":
        return "carbon by a field method is never the sole basis: combustion or spark OES decides"
    return ""


def hard_to_measure(element: str, technique: str) -> bool:
    """Whether the technique hardly sees the element in air (magnesium to chlorine by XRF)."""
    made = techniques.of(technique)
    return made is not None and element in made.hard


def grouped(limits: Iterable[Limit]) -> tuple[tuple[Limit, ...], ...]:
    """The limits of each grade together, grades in the order in which they first stand."""
    found: dict[str, list[Limit]] = {}
    for limit in limits:
        found.setdefault(limit.grade, []).append(limit)
    return tuple(tuple(of) for of in found.values())


def summary(specimen: SpecimenConformity) -> str:
    """One line: which grades are consistent, and what keeps them apart from being told."""
    fitting = specimen.grades_of(MEETS, CONSISTENT)
    if not fitting:
        if unknown := specimen.grades_of(NOT_JUDGED):
            if len(unknown) == len(specimen.grades):
                return "No grade could be judged."
            return "No grade that could be judged is consistent with the results."
        return "No grade of the table is consistent with the results."
    names = ", ".join(g.grade for g in fitting)
    if len(fitting) == 1:
        return f"Of the table, only {names} is consistent with the results."
    return f"Consistent with the results, and not told apart by them: {names}."


def why_excluded(grade: GradeCall) -> str:
    """The elements that speak against a grade, such as "Cr, Ni low, Mn high"."""
    sides = (
        ("low", [e.limit.element for e in grade.elements if e.why == LOW]),
        ("high", [e.limit.element for e in grade.elements if e.why == HIGH]),
    )
    return ", ".join(f"{', '.join(elements)} {word}" for word, elements in sides if elements)
