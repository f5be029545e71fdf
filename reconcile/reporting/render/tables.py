"""The data files of a release: CSV and JSON, every byte decided by the values alone.

Mass fractions are in mg/kg (a column says so), fractions and ratios are dimensionless.
Floats are written by ``repr``, which is exact and the same everywhere.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Sequence
from json.encoder import encode_basestring as _quoted
from typing import Any

import numpy as np
import pandas as pd

from reconcile.base import strata
from reconcile.base.model.release import Reconciliation
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.tables import (
    CORRECTION_COLUMNS,
    EXCLUSION_COLUMNS,
    PAIR_COLUMNS,
    QUARANTINE_COLUMNS,
)
from reconcile.base.model.verdict import CorrectionFactor, Verdict
from reconcile.base.spreadsheet import to_csv
from reconcile.judgement import criterion_words
from reconcile.releases import kept_rows
from reconcile.reporting.details import plain
from reconcile.reporting.figures import figures_of
from reconcile.reporting.pair_lists import lists_of, pairs_name
from reconcile.reporting.render import (
    conformity_table,
    evidence_table,
    laboratories_table,
    registers_table,
    selection_table,
)

#: Leads every table where the settings name a site.
SITE_COLUMN = "site"
STRATUM_COLUMNS = strata.TEXTS
STATISTIC_COLUMNS = (
    "stratum", *STRATUM_COLUMNS, "figure", "label", "value", "low", "high", "standard_error",
    "unit", "n", "confidence", "method", "reason",
)  # fmt: skip
FACTOR_COLUMNS = (
    "factor_id", "status", "stratum", *STRATUM_COLUMNS, "form", "intercept", "intercept_unit",
    "slope", "variance_intercept", "covariance", "variance_slope", "residual_sd",
    "residual_unit", "field_low_mg_kg", "field_high_mg_kg", "n", "error_before", "error_after",
    "pairs_sha256", "basis", "reason", "valid_from", "valid_until", "verdict", "verdict_reason",
)  # fmt: skip
#: One row per stratum: what may be done, in which range, until when, and how firm that is.
VERDICT_COLUMNS = (
    "stratum", *STRATUM_COLUMNS, "purpose", "verdict", "reason", "valid_from_mg_kg",
    "valid_to_mg_kg", "valid_until", "factor_id", "pairs_used", "pairs_put_back",
    "verdict_put_back", "reason_put_back", "flips", "next_step",
)  # fmt: skip
WATERFALL_COLUMNS = (
    "step", "name", "counted", "entered", "kept", "lost", "reason", "balance", "file", "sheet",
    "table",
)  # fmt: skip
#: quarantine.csv is also the form in which a person enters corrections.
QUARANTINE_FILE = "quarantine.csv"
CORRECTION_ENTRIES = ("corrected_value", "corrected_by", "corrected_because")
QUARANTINE_FILE_COLUMNS = (*QUARANTINE_COLUMNS, "sha256", *CORRECTION_ENTRIES)
#: Pair columns that hold mass fractions; their unit is in the heading.
PAIR_MASSES = frozenset(
    f"{side}_{what}" for side in ("field", "lab") for what in ("mean", "se", "sd", "low", "high")
)


def to_json(value: Any) -> bytes:
    """Sorted keys, one space of indent, NaN as null, a newline at the end."""
    pieces: list[str] = []
    _told(plain(value), "\n", pieces)
    pieces.append("\n")
    return "".join(pieces).encode("utf-8", "backslashreplace")


def _told(value: Any, line: str, pieces: list[str]) -> None:
    """What ``json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False)`` gives.

    That walks generators in generators as soon as it indents: three times as long.
    """
    kind = type(value)
    if kind is str:
        pieces.append(_quoted(value))
    elif kind is float or kind is int:
        pieces.append(repr(value))
    elif value is None:
        pieces.append("null")
    elif kind is dict and value:
        deeper, lead = line + " ", "{"
        for key in sorted(value):
            pieces.append(f"{lead}{deeper}{_quoted(key)}: ")
            _told(value[key], deeper, pieces)
            lead = ","
        pieces.append(line + "}")
    elif kind is list and value:
        deeper, lead = line + " ", "["
        for one in value:
            pieces.append(lead + deeper)
            _told(one, deeper, pieces)
            lead = ","
        pieces.append(line + "]")
    else:
        pieces.append(json.dumps(value, ensure_ascii=False, allow_nan=False))


def _stratum_cells(stratum: Stratum) -> list[str]:
    return [getattr(stratum, name) for name in STRATUM_COLUMNS]


def statistic_rows(r: Reconciliation) -> list[list[Any]]:
    """One row per stratum and figure, STATISTIC_COLUMNS."""
    return [
        [
            *of, f.key, f.label, f.value, f.low, f.high, f.se, f.base_unit, f.n, f.level,
            f.method, f.reason,
        ]
        for result in r.results
        for of in ([result.stratum.key, *_stratum_cells(result.stratum)],)
        for f in figures_of(result.statistics)
    ]  # fmt: skip


def _verdict_value(verdict: Verdict) -> dict[str, Any]:
    """The verdict with each criterion as data and in words."""
    value = {f.name: getattr(verdict, f.name) for f in dataclasses.fields(verdict)}
    value["criteria"] = [
        {
            "ask": c.ask,
            "outcome": c.outcome,
            "of": c.of,
            "level": c.level,
            "facts": dict(c.facts),
            "name": w.name,
            "asked": w.asked,
            "found": w.found,
        }
        for c in verdict.criteria
        for w in (criterion_words.written(c),)
    ]
    return value


#: Steps of a curve in statistics.json at most, so that it grows with the strata, not the pairs.
MOST_STEPS = 200
_LEFT_OUT = "steps_in_all"


def bounded(value: Any) -> Any:
    """A result as JSON values with at most ``MOST_STEPS`` of its steps, the ends among them.

    Lists of numbers of one length are thinned alike, evenly over their places; then
    ``steps_in_all`` says how many there are, and values.json.gz holds all.
    """
    if not isinstance(value, dict):
        return value
    long = {
        name: len(x)
        for name, x in value.items()
        if isinstance(x, list) and len(x) > MOST_STEPS and not isinstance(x[0], (dict, list))
    }
    kept = {name: bounded(x) for name, x in value.items()}
    for name, count in long.items():
        steps = np.unique(np.linspace(0, count - 1, MOST_STEPS).round().astype(int))
        kept[name] = [value[name][i] for i in steps.tolist()]
    return kept | ({_LEFT_OUT: max(long.values())} if long else {})


def statistics_value(r: Reconciliation) -> dict[str, Any]:
    """All that is known of each stratum, as plain values."""
    found = []
    for result in r.results:
        s = result.statistics
        found.append(
            {
                "key": result.stratum.key,
                "stratum": result.stratum,
                "unit_shown": result.unit,
                "shown_per_mg_kg": result.per_mg_kg,
                "difference_scale": s.difference_scale,
                "headline": {"method": s.headline.method, "rule": s.headline.rule_text},
                "error_ratio_source": s.error_ratio_source,
                "equivalent": bool(s.bias.equivalence.equivalent),
                "figures": {
                    f.key: {
                        "label": f.label,
                        "value": f.value,
                        "low": f.low,
                        "high": f.high,
                        "standard_error": f.se,
                        "unit": f.base_unit,
                        "n": f.n,
                        "confidence": f.level,
                        "method": f.method,
                        "reason": f.reason,
                    }
                    for f in figures_of(s)
                },
                "details": [
                    {"name": key.name, "result": bounded(plain(value))} for key, value in s.further
                ],
                "evidence": result.evidence,
                "verdict": _verdict_value(result.verdict),
                "sentences": result.sentences,
                "notes": result.notes,
                "decision_levels": [
                    {"name": name, "value_mg_kg": value} for name, value in result.decision_levels
                ],
                "factor_id": result.factor.factor_id if result.factor else None,
            }
        )
    return {
        "release_id": r.release_id,
        "site": r.site,
        "period": r.period,
        "revision": r.revision,
        "status": r.status,
        "laboratories": r.laboratories,
        "shifts": r.group_shifts,
        "strata": found,
    }


def factors_of(r: Reconciliation) -> list[CorrectionFactor]:
    """The factors of the release in the order of its strata."""
    return [result.factor for result in r.results if result.factor is not None]


def factor_rows(r: Reconciliation) -> list[list[Any]]:
    """One row per factor, FACTOR_COLUMNS."""
    return [
        [
            f.factor_id, f.status, f.stratum.key, *_stratum_cells(f.stratum), f.form,
            f.intercept, "ln(mg/kg)" if f.form == "power" else "mg/kg", f.slope,
            f.covariance[0][0], f.covariance[0][1], f.covariance[1][1],
            f.residual_sd, "1" if f.residual_relative else "mg/kg", f.low, f.high, f.n,
            f.error_before, f.error_after, f.pairs_hash, f.basis, f.reason,
            f.valid_from, f.valid_until, x.verdict.decision, x.verdict.reason,
        ]
        for x in r.results
        if (f := x.factor) is not None
    ]  # fmt: skip


def verdict_rows(r: Reconciliation) -> list[list[Any]]:
    """One row per stratum, VERDICT_COLUMNS."""
    return [
        [
            x.stratum.key, *_stratum_cells(x.stratum), r.purpose, v.decision, v.reason,
            v.range_low, v.range_high, v.valid_until, x.factor.factor_id if x.factor else "",
            x.statistics.n_used, v.put_back, v.decision_put_back, v.reason_put_back, v.flips,
            v.next_step,
        ]
        for x in r.results
        for v in (x.verdict,)
    ]  # fmt: skip


def pair_columns(r: Reconciliation) -> list[str]:
    """PAIR_COLUMNS, then whatever further columns the pairs carry."""
    extra: dict[str, None] = {}
    for result in r.results:
        extra.update(dict.fromkeys(str(c) for c in result.pairs.columns))
    return [*PAIR_COLUMNS, *(c for c in extra if c not in PAIR_COLUMNS)]


def pair_heading(column: str) -> str:
    """The heading of a pair column, with its unit."""
    return f"{column}_mg_kg" if column in PAIR_MASSES else column


def pair_rows(r: Reconciliation) -> Iterable[tuple[Any, ...]]:
    """Every pair of every stratum, used or not."""
    columns = pair_columns(r)
    for result in r.results:
        pairs = lists_of(result.pairs)
        yield from zip(*(pairs.shown(name) for name in columns), strict=True)


def _pairs_table(r: Reconciliation) -> tuple[list[str], Iterable[tuple[Any, ...]]]:
    columns = [pair_heading(column) for column in pair_columns(r)]
    if not r.site:
        return columns, pair_rows(r)
    return [SITE_COLUMN, *columns], ((r.site, *row) for row in pair_rows(r))


def pairs_csv(r: Reconciliation) -> bytes:
    """The table of pairs as CSV, however long it is."""
    return to_csv(*_pairs_table(r))


def _pairs_file(r: Reconciliation) -> dict[str, bytes]:
    if pairs_name(r) == kept_rows.CSV:
        return {kept_rows.CSV: pairs_csv(r)}
    return {kept_rows.PACKED: kept_rows.packed(*_pairs_table(r))}


def waterfall_rows(r: Reconciliation) -> list[list[Any]]:
    """One row per step and reason; a step that loses nothing has one row. The steps of the
    whole run come first, then those of every file, sheet and reading."""
    steps = [(step, "", "", "") for step in r.waterfall]
    steps += [(step, f.path, f.sheet, f.table) for f in r.account_of_files for step in f.steps]
    return [
        [i, step.name, step.unit, step.entered, step.kept, count, reason, step.balance, *place]
        for i, (step, *place) in enumerate(steps, start=1)
        for reason, count in (step.lost or (("", 0),))
    ]


def _frame_rows(frame: pd.DataFrame, columns: Sequence[str]) -> Iterable[tuple[Any, ...]]:
    whole = frame.reindex(columns=list(columns))
    return zip(*(whole[column].tolist() for column in columns), strict=True)


def quarantine_csv(refused: pd.DataFrame) -> bytes:
    """Every refused file, row and cell (QUARANTINE_COLUMNS and sha256), to be corrected in it."""
    return to_csv(QUARANTINE_FILE_COLUMNS, _frame_rows(refused, QUARANTINE_FILE_COLUMNS))


def data_files(r: Reconciliation) -> dict[str, bytes]:
    """Every data file of the release by its name; where a site is named, every table names it."""
    factors = {"release_id": r.release_id, "site": r.site, "factors": factors_of(r)}

    def of_site(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
        if not r.site:
            return to_csv(columns, rows)
        return to_csv((SITE_COLUMN, *columns), ((r.site, *row) for row in rows))

    made = {
        "statistics.csv": of_site(STATISTIC_COLUMNS, statistic_rows(r)),
        "statistics.json": to_json(statistics_value(r)),
        "verdicts.csv": of_site(VERDICT_COLUMNS, verdict_rows(r)),
        "evidence.csv": of_site(evidence_table.COLUMNS, evidence_table.rows(r)),
        "factors.csv": of_site(FACTOR_COLUMNS, factor_rows(r)),
        "factors.json": to_json(factors),
        **_pairs_file(r),
        "exclusions.csv": of_site(EXCLUSION_COLUMNS, _frame_rows(r.exclusions, EXCLUSION_COLUMNS)),
        QUARANTINE_FILE: of_site(
            QUARANTINE_FILE_COLUMNS, _frame_rows(r.quarantine, QUARANTINE_FILE_COLUMNS)
        ),
        "corrections.csv": of_site(
            CORRECTION_COLUMNS, _frame_rows(r.corrections, CORRECTION_COLUMNS)
        ),
        "waterfall.csv": of_site(WATERFALL_COLUMNS, waterfall_rows(r)),
    }
    if r.conformity is not None:
        made["conformity.csv"] = of_site(
            conformity_table.COLUMNS, conformity_table.rows(r.conformity)
        )
    if r.selection.strata:
        made["selection.csv"] = of_site(selection_table.COLUMNS, selection_table.rows(r))
    if registers_table.holds_any(r):
        made[registers_table.FILE] = of_site(registers_table.COLUMNS, registers_table.rows(r))
    if laboratories_table.holds_any(r):
        made["laboratories.csv"] = of_site(laboratories_table.COLUMNS, laboratories_table.rows(r))
    return made
