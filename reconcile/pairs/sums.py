"""What a sample's results add up to on average, where single rows are not refused for it.

A shot that adds up to more than the whole is no proof of a fault: where the predictions of
the elements are not closed to 100 %, to cut such shots cuts high noise alone and moves every
mean down. The mean of a sample is another matter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.settings.tables import TableSettings
from reconcile.store.database import Store
from reconcile.store.statements import sql

_MOST_NAMED = 10


@dataclass(frozen=True, slots=True)
class HighMean:
    """A sample of one field method whose mean adds up to more than the limit."""

    sample_id: str
    technique: str
    instrument: str
    calibration: str
    rows: int
    mean_pct: float
    limit_pct: float
    kept_out: bool


def high_means(store: Store, tables: Mapping[int, TableSettings]) -> tuple[HighMean, ...]:
    """Field samples whose mean sum exceeds its table's limit; ``tables`` by file_id.

    Shots are averaged within a spot and spots within a sample, as the results are.
    """
    rows = store.frame(sql("sums.high_means"))
    if rows.empty:
        return ()
    rows["limit"] = rows["file_id"].map({i: t.largest_sum_pct for i, t in tables.items()})
    rows["out"] = rows["file_id"].map(
        {i: t.mean_above_largest_sum == "keep out" for i, t in tables.items()}
    )
    method = ["sample_id", "technique", "instrument", "calibration"]
    spots = rows.groupby([*method, "spot"], sort=True).agg(
        mean=("sum_pct", "mean"),
        rows=("sum_pct", "size"),
        limit=("limit", "max"),
        out=("out", "any"),
    )
    samples = (
        spots.groupby(method, sort=True)
        .agg(
            mean=("mean", "mean"), rows=("rows", "sum"), limit=("limit", "max"), out=("out", "any")
        )
        .reset_index()
    )
    high: list[Any] = list(samples.loc[samples["mean"] > samples["limit"]].itertuples(index=False))
    return tuple(
        HighMean(
            s.sample_id, s.technique, s.instrument, s.calibration, int(s.rows), float(s.mean),
            float(s.limit), bool(s.out),
        )
        for s in high
    )  # fmt: skip


def findings(means: tuple[HighMean, ...]) -> tuple[Finding, ...]:
    """One finding for all samples of a field method."""
    by_method: dict[tuple[str, str, str], list[HighMean]] = {}
    for mean in means:
        by_method.setdefault((mean.technique, mean.instrument, mean.calibration), []).append(mean)
    found = []
    for method, high in sorted(by_method.items()):
        count = len(high)
        largest = sorted(high, key=lambda m: (-m.mean_pct, m.sample_id))[:_MOST_NAMED]
        named = ", ".join(f"{m.sample_id} ({m.mean_pct:.4g} %)" for m in largest)
        out = sum(m.kept_out for m in high)
        found.append(
            Finding(
                "intake", "warning", " · ".join(part for part in method if part),
                f"The mean results of {count} {'sample' if count == 1 else 'samples'} add up to "
                f"more than {high[0].limit_pct:g} %: {named}"
                + (f" and {count - len(largest)} more." if count > len(largest) else "."),
                evidence=f"means of {sum(m.rows for m in high)} rows, oxides as reported; "
                + (f"pairs of {out} of them were kept out" if out else "their pairs were used"),
                advice="A bias of the calibration of one main element can do this, and the "
                "comparison with the laboratory shows it. Check units, and oxides against "
                "elements; the table's mean_above_largest_sum = 'keep out' keeps them out.",
                code=FindingCode.SUM_TOO_HIGH,
            )
        )  # fmt: skip
    return tuple(found)
