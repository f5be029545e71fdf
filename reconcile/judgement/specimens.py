"""A period's specimens against the grades of its table of limits."""

from __future__ import annotations

import json
import math

from reconcile.base import formulas
from reconcile.base.finding_codes import FindingCode
from reconcile.base.grades import (
    CONSISTENT,
    EXCLUDED,
    MEETS,
    ConformityRecord,
    Limit,
    ResultSet,
    SpecimenConformity,
)
from reconcile.base.model.account import Finding
from reconcile.base.quantities import ELEMENTS, parse_unit
from reconcile.base.settings.whole import Settings
from reconcile.judgement import conformity, factor_life, parts
from reconcile.judgement.specimen_results import Evidence, result_sets
from reconcile.store.database import Store
from reconcile.store.statements import sql


def judge_period(store: Store, settings: Settings, evidence: Evidence) -> ConformityRecord | None:
    """Every result set of the run's samples against the run's limits; None without limits.

    The run's rows must have their dispositions and sides (``pairing.average``).
    """
    limits, refused = limits_of(store)
    if not limits and not refused:
        return None
    rule, factor = settings.conformity.rule, settings.conformity.guard_factor
    notes = []
    if refused:
        notes.append(
            f"{refused} rows or cells of the table of limits were refused: limits may be missing, "
            "so that no grade is said to have every limit decided."
        )
    wanted = {element for limit in limits for element in limit.needs}
    grades = conformity.grouped(limits)

    def judge(results: ResultSet) -> SpecimenConformity:
        return conformity.judge(results, grades, rule, factor, not refused)

    agreed = settings.conformity
    sets = result_sets(store, settings, evidence, wanted)
    judged = tuple(parts.judged(s, places, judge, agreed) for s, places in sets)
    used = {m.factor_id for s, places in sets for r in (s, *places) for m in r.values} - {""}
    marks = tuple(
        json.dumps(
            [life.state, factor_life.as_plain(life.factor)], sort_keys=True, ensure_ascii=False
        )
        for life in evidence.lives
        if life.factor.factor_id in used
    )
    return ConformityRecord(
        rule, factor, grades, judged, tuple(notes), marks, agreed.place_level, agreed.place_size
    )


def findings(record: ConformityRecord | None) -> tuple[Finding, ...]:
    """Specimens with which no grade is consistent, by method; and limits that were refused."""
    if record is None:
        return ()
    found = [
        Finding(
            "intake", "serious", "specification limits", note, code=FindingCode.LIMITS_NOT_JUDGED
        )
        for note in record.notes
    ]
    lost: dict[str, list[str]] = {}
    for s in record.specimens:
        if all(g.call == EXCLUDED for g in s.grades) and s.grades:
            lost.setdefault(s.results.method, []).append(s.results.sample_id)
    for method, samples in sorted(lost.items()):
        named = ", ".join(samples[:5]) + (f" and {len(samples) - 5} more" if samples[5:] else "")
        found.append(
            Finding(
                "quality", "warning", method,
                f"No grade of the table of limits is consistent with the results of {named}.",
                advice="Look for an exchanged part, a surface that was not ground, or a grade "
                "that the table lacks.",
                code=FindingCode.NO_GRADE_CONSISTENT,
            )
        )  # fmt: skip
    fitting: dict[str, dict[str, set[str]]] = {}
    for s in record.specimens:
        grades = {g.grade for g in s.grades_of(MEETS, CONSISTENT)}
        if grades:
            sides = fitting.setdefault(s.results.sample_id, {})
            sides[s.results.side] = sides.get(s.results.side, grades) & grades
    apart = [
        sample for sample, sides in sorted(fitting.items())
        if len(sides) == 2 and not sides["field"] & sides["lab"]
    ]  # fmt: skip
    if apart:
        named = ", ".join(apart[:5]) + (f" and {len(apart) - 5} more" if apart[5:] else "")
        found.append(
            Finding(
                "identity", "warning", named,
                "Field and laboratory results are consistent with no grade in common.",
                advice="Find out whether both had the same part; trust neither until then.",
                code=FindingCode.NO_GRADE_IN_COMMON,
            )
        )  # fmt: skip
    return (*parts.findings(record), *found)


def limits_of(store: Store) -> tuple[tuple[Limit, ...], int]:
    """The limits of the run's tables in mg/kg, and how many of their rows or cells were refused."""
    rows = store.rows(sql("specimens.limits"))
    limits = []
    for grade, element, written, low, high, unit in rows:
        known = parse_unit(unit)
        assert known is not None  # the table's contract asks for a unit
        per_unit = known.to_mg_kg
        formula = (
            None if not written and element in ELEMENTS else formulas.parse(written or element)
        )
        limits.append(
            Limit(
                grade, element or (formula.text if formula else ""),
                math.nan if low is None else low * per_unit,
                math.nan if high is None else high * per_unit,
                known.name, 1 / per_unit, formula,
            )
        )  # fmt: skip
    ((refused,),) = store.rows(sql("specimens.refused_limits"))
    return tuple(limits), int(refused)
