"""Findings on the field readings of ordinary samples.

These are findings for a person. None of them keeps a pair out of the statistics; where a
rule does so (lead on arsenic) it stands in ``interference``.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd

from reconcile import techniques
from reconcile.base.model.account import Finding
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.quality.of_reading import Column
from reconcile.evidence.quality.order_of_shots import Series, trends
from reconcile.evidence.quality.reading_facts import (
    Errors,
    few_spots,
    moist,
    overlapping_lines,
    purge_missing,
    read_in_air,
    rejected_shots,
    short_counts,
)
from reconcile.techniques import Judged


def judge_readings(
    facts: pd.DataFrame, columns: Iterable[Column], thresholds: Thresholds
) -> tuple[Finding, ...]:
    """Findings on the field readings of ordinary samples.

    ``facts``, one row per shot or reading, in the order of the files: method, technique,
    sample_id, spot, shot_no (text), rejected (bool), gas_purge, count_time_s,
    moisture_basis, moisture_pct. Rejected shots are counted and take no part in anything else.
    """
    if facts.empty:
        return ()
    names = facts["technique"].astype("str").str.upper()
    kept = ~facts["rejected"].to_numpy(dtype=bool)

    def judged_for(aspect: Judged) -> npt.NDArray[np.bool_]:
        asked = {name.upper() for name in techniques.named(aspect)}
        return np.asarray(names.isin(asked).to_numpy(dtype=bool))

    of_shots = judged_for(Judged.SHOTS)
    in_air, overlapped = (judged_for(a) & kept for a in (Judged.AIR, Judged.OVERLAPS))
    with_errors = judged_for(Judged.ERRORS) & kept
    findings = [
        *rejected_shots(facts.loc[of_shots], thresholds),
        *few_spots(facts.loc[of_shots & kept], thresholds),
        *short_counts(facts.loc[judged_for(Judged.COUNT_TIME) & kept], thresholds),
        *moist(facts.loc[judged_for(Judged.MOISTURE) & kept], thresholds),
    ]
    shots = Series.of(facts, of_shots & kept)
    errors = Errors(thresholds)
    means: dict[str, pd.Series] = {}
    keys = ["method", "sample_id"]
    rows, overlaps = facts.loc[with_errors, keys], facts.loc[overlapped, keys]
    for column in columns:
        findings += trends(facts, shots, column, thresholds)
        findings += purge_missing(facts, of_shots & kept, column)
        findings += read_in_air(facts, in_air, column)
        if len(rows):
            errors.add(rows, column.element, column.value[with_errors], column.error[with_errors])
        if len(overlaps):
            value = column.value[overlapped]
            known = overlaps.assign(value=value).loc[np.isfinite(value)]
            if len(known):
                means.setdefault(
                    column.element, known.groupby(["method", "sample_id"])["value"].mean()
                )
    findings += [*errors.findings(), *overlapping_lines(means)]
    return tuple(findings)
