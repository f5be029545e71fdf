"""Statements about a release: the record before it; drafts that reporting codes ask for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import pandas as pd

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.model.verdict import DECISIONS
from reconcile.reporting import numbers, words
from reconcile.reporting.document import stratum_factor


def record_head(r: Reconciliation) -> str:
    """The head that the record had before the release, to be kept in another's hands."""
    if not r.record_lines:
        return words.NO_RECORD
    lines = numbers.count(r.record_lines, words.LINE, words.LINES)
    return words.RECORD_HEAD.format(lines=lines, head=r.record_head)


def mineral_statement(r: Reconciliation) -> list[tuple[str, list[str]]]:
    """Titles with their paragraphs, ready to edit; what the data don't tell stands in brackets."""
    texts = {
        "instruments": [_instrument(r, m, x) for m, x in _by(r, "field_method")],
        "laboratory": [_laboratory(r, m, x) for m, x in _by(r, "lab_method")],
        "factors": _factors(r),
        "quality": [_quality(r)],
        "accuracy": [_accuracy(r)],
        "adjustment": [words.STATEMENT_ADJUSTMENT],
        "security": [words.STATEMENT_SECURITY.format(counts=_counts(_custody(r)))],
        "samples": [
            words.STATEMENT_SAMPLES.format(
                forms=_listed(x.stratum.specimen_form for x in r.results),
                types=_listed(x.stratum.pair_type for x in r.results),
            )
        ],
    }
    return [(words.STATEMENT_TITLES[key], lines) for key, lines in texts.items() if any(lines)]


def _by(r: Reconciliation, fact: str) -> list[tuple[str, list[StratumResult]]]:
    """The strata grouped by one of their facts, in the order of the release."""
    groups: dict[str, list[StratumResult]] = {}
    for x in r.results:
        groups.setdefault(getattr(x.stratum, fact), []).append(x)
    return list(groups.items())


def _listed(values: Iterable[str]) -> str:
    found = list(dict.fromkeys(v or words.NOT_STATED for v in values))
    return ", ".join(found) or words.NOT_STATED


def _elements(results: list[StratumResult]) -> str:
    return _listed(x.stratum.element for x in results)


def _span(results: list[StratumResult], column: str, noun: tuple[str, str]) -> str:
    """The least and the most of a count over all pairs: "2 to 6 readings"."""
    values = pd.concat(
        [pd.to_numeric(x.pairs[column], errors="coerce") for x in results]
        or [pd.Series(dtype=float)]
    ).dropna()
    values = values[values > 0]
    if values.empty:
        return f"{noun[1]} {words.NOT_STATED}"
    low, high = int(values.min()), int(values.max())
    if low == high:
        return numbers.count(low, *noun)
    return words.TO.format(low=low, high=numbers.count(high, *noun))


def _instrument(r: Reconciliation, method: str, results: list[StratumResult]) -> str:
    read_by = results[0].stratum.read_by
    entry = r.registers.instrument(read_by.instrument)
    stated = [
        c for c in r.registers.conditions
        if (c.technique, c.instrument, c.calibration)
        == (read_by.technique, read_by.instrument, read_by.calibration)
    ]  # fmt: skip

    def told(fact: str) -> str:
        return "; ".join(dict.fromkeys(v for c in stated for v in c.of(fact)))

    make = " ".join(p for p in (entry.make, entry.model) if p) if entry else ""
    samples = {s for x in results for s in x.pairs["sample_id"].astype(str)}
    return words.STATEMENT_INSTRUMENT.format(
        method=method or words.NOT_STATED,
        elements=_elements(results),
        samples=numbers.count(len(samples), *words.SAMPLES),
        readings=_span(results, "field_n", words.READINGS),
        spots=_span(results, "field_spots", words.SPOTS),
        make=make or told("model") or words.TO_STATE,
        time=_seconds(told("count_time_s")),
        software=(entry.software if entry else "") or told("software") or words.TO_STATE,
        temperature=told("temperature") or words.TO_STATE,
        filter=told("filter") or words.TO_STATE,
        gas=told("gas_purge") or words.TO_STATE,
        coordinates=told("coordinates") or words.TO_STATE,
        licence=(entry.licence if entry else "") or words.TO_STATE,
        due=(entry.calibration_due if entry else "") or words.TO_STATE,
    )


def _seconds(text: str) -> str:
    return f"{text} s" if text else words.TO_STATE


def _laboratory(r: Reconciliation, method: str, results: list[StratumResult]) -> str:
    entries = r.registers.of_laboratory(results[0].stratum.laboratory)
    of_method = [x for x in entries if x.lab_method == results[0].stratum.determined_by.code]
    entry = next(iter([*of_method, *entries]), None)
    classes = list(dict.fromkeys(x.stratum.digestion_class for x in results))
    return words.STATEMENT_LAB.format(
        method=method or words.NOT_STATED,
        elements=_elements(results),
        digestion="; ".join(words.DIGESTION_TEXT.get(c, c) for c in classes),
        laboratory=results[0].stratum.laboratory or words.TO_STATE,
        accreditation=(entry.accreditation if entry else "") or words.TO_STATE,
        scope=(entry.scope if entry else "") or words.TO_STATE,
    )


def _factors(r: Reconciliation) -> list[str]:
    with_factor = [x for x in r.results if x.factor is not None and x.factor.form != "none"]
    if not with_factor:
        return [words.STATEMENT_NO_FACTOR]
    return [
        words.STATEMENT_FACTOR.format(
            stratum=x.stratum.label,
            factor=stratum_factor.factor_text(x),
            status=x.factor.status if x.factor else "",
        )
        for x in with_factor
    ]


def _quality(r: Reconciliation) -> str:
    counts: dict[tuple[str, str], Counter[bool | None]] = {}
    for check in r.quality:
        counts.setdefault((check.side, check.kind), Counter())[check.passed] += 1
    parts = [
        words.STATEMENT_CONTROL.format(
            side=side,
            kind=kind,
            checks=numbers.count(sum(c.values()), *words.CHECKS),
            passed=c[True],
            failed=c[False],
            open=c[None],
        )
        for (side, kind), c in sorted(counts.items())
    ]
    return f"{'; '.join(parts)}." if parts else words.STATEMENT_NO_CONTROL


def _accuracy(r: Reconciliation) -> str:
    found = Counter(x.verdict.decision for x in r.results)
    decisions = "; ".join(
        f"{words.DECISION_TITLE[d].lower()} {found[d]}" for d in DECISIONS if found[d]
    )
    return words.STATEMENT_ACCURACY.format(
        strata=numbers.count(len(r.results), *words.STRATA_COUNTED),
        decisions=decisions or words.NONE_LISTED.lower().rstrip("."),
        purpose=r.purpose.strip()[:200] or words.NOT_STATED,
    )


def _custody(r: Reconciliation) -> Counter[str]:
    """Custody of each sample that is in a pair, each sample once."""
    status: dict[str, str] = {}
    for x in r.results:
        status.update(
            zip(x.pairs["sample_id"].astype(str), x.pairs["custody"].astype(str), strict=True)
        )
    return Counter(status.values())


def _counts(found: Counter[str]) -> str:
    parts = [f"{status} {numbers.count(n, *words.SAMPLES)}" for status, n in sorted(found.items())]
    return ", ".join(parts) or words.NOT_STATED
