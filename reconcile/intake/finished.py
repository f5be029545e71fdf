"""A sheet's rows against their contract: the typed table with its quarantine and notes."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile import techniques
from reconcile.base.model.tables import QUARANTINE_COLUMNS
from reconcile.base.quantities import ATOMIC_WEIGHTS_EDITION
from reconcile.intake import facts as fact_work
from reconcile.intake import idcolumns, result_parts
from reconcile.intake.counting import Counted
from reconcile.intake.headings import Column
from reconcile.intake.sheets import Body
from reconcile.intake.tables import BELOW, ColumnMeaning, TypedTable
from reconcile.intake.vocabulary import FACTS

if TYPE_CHECKING:
    import schemas
else:  # ours, whatever else has that name where the program runs
    from reconcile import schemas
from reconcile.intake.read_job import TEXT, Job, Ledger


# ---- the contract and the account ---------------------------------------------------------
def all_sums_told(job: Job, columns: tuple[Column, ...], fixed: dict[str, str]) -> bool:
    """True where it is known before the rows are read that none is refused for its sum."""
    rule = job.table.above_largest_sum
    if rule or job.table.kind != "field" or any(c.fact == "technique" for c in columns):
        return rule == "tell"
    stated = pa.array([fixed.get("technique")], TEXT)
    name = fact_work.normal("technique", stated)[0].as_py()
    technique = techniques.of(name) if name else None
    return technique is not None and not technique.sums_close


def sums_told(
    job: Job, facts: dict[str, pa.Array], read: result_parts.Results, n: int
) -> npt.NDArray[np.bool_]:
    """Rows that are not refused for their sum: the settings say so, or of a technique whose
    rows need not close to the whole.
    """
    rule = job.table.above_largest_sum
    if rule or job.table.kind != "field" or read.sums is None:
        return np.full(n, rule == "tell")
    loose = pa.array([t.name for t in techniques.known() if not t.sums_close], TEXT)
    found = pc.is_in(facts["technique"], value_set=loose)
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype=bool)


def validate(
    job: Job,
    facts: dict[str, pa.Array],
    read: result_parts.Results,
    told: npt.NDArray[np.bool_],
    ledger: Ledger,
    n: int,
) -> None:
    """Rows against the contract of their kind; what fails it goes to the ledger."""
    if n == 0:
        return
    kind = job.table.kind
    frame = pd.DataFrame(
        {
            k: v.to_pandas()
            for k, v in facts.items()
            if not k.startswith("_") and schemas.looks_at(kind, k, v.null_count == n)
        },
        index=range(n),
    )
    values = None
    if read.values:
        columns = {key: part.value for key, part in read.values.items()}
        if read.sums is not None:
            columns[schemas.SUM_COLUMN] = np.where(told, np.nan, read.sums)
        values = pd.DataFrame(columns, index=range(n), copy=False)
    outside = set(read.outside.tolist())
    refused: dict[str, list[int]] = {}
    failures = schemas.validate(
        kind,
        frame,
        values,
        negative_allowed=job.table.cells.negative != "refuse",
        largest_sum_pct=job.table.largest_sum_pct,
    )
    for failure in failures:
        if failure.row in outside:
            continue
        if failure.column == "":
            ledger.row(failure.row, failure.found, failure.reason, failure.advice)
            continue
        if failure.column not in read.values:
            ledger.row(failure.row, failure.found, failure.reason, failure.advice)
            continue
        refused.setdefault(failure.column, []).append(failure.row)
        ledger.cell(
            failure.row,
            read.headings.get(failure.column, failure.column),
            read.text_at(failure.column, failure.row) or failure.found,
            failure.reason,
            failure.advice,
        )
    for key, rows in refused.items():
        read.values[key].refuse(np.array(rows, np.int64))


def finish(
    job: Job,
    columns: tuple[Column, ...],
    body: Body,
    facts: dict[str, pa.Array],
    read: result_parts.Results,
    told: npt.NDArray[np.bool_],
    ledger: Ledger,
    aside: tuple[tuple[str, int], ...],
    notes: list[str],
    counted: Counted,
) -> TypedTable:
    """The typed table of a block: accepted rows, quarantine, meanings and notes."""
    table = job.table
    n = len(body.lines)
    keep = np.ones(n, bool)
    keep[read.outside] = False
    outside = ~keep
    for at in ledger.rows:
        keep[at] = False
    lines = body.lines.to_numpy(zero_copy_only=False)
    headings: dict[int, str] = {}  # of rows that are but one cell of a row otherwise accepted
    if read.made_of is not None:
        accepted = set(lines[keep].tolist())
        headings = {
            at: read.headings[facts["element"][at].as_py()]
            for at in ledger.rows
            if int(lines[at]) in accepted
        }
    quarantine = _quarantine(job, lines, ledger, outside, body, headings)
    everything = bool(keep.all())
    mask = None if everything else pa.array(keep)
    row = body.lines if mask is None else body.lines.filter(mask)
    names = [f for f in FACTS[table.kind] if f != "row"]
    fact_table = pa.table(
        {"row": row, **{f: facts[f] if mask is None else facts[f].filter(mask) for f in names}}
    )
    value_table = read.table(mask, n)
    if value_table is None:
        value_table = fact_table.select([])
    texts = read.texts(lines, keep)
    sums, high = _sums(job.table.largest_sum_pct, read, told & keep, lines)
    notes = notes + high + list(read.notes) + notes_of_kind(job, facts, read, keep)
    empty = keep & ~read.holds_one(n) if table.kind in {"field", "lab"} else np.zeros(n, bool)
    if body.blank:
        aside += (("empty row", body.blank),)
    if counted.lines == counted.above:
        notes.append("no row stands below the headings")
    return TypedTable(
        kind=table.kind,
        path=job.shown,
        sheet=job.sheet.name,
        sha256="",
        facts=fact_table,
        values=value_table,
        analytes=read.analytes,
        texts=texts,
        columns=tuple(meaning_of(c, read) for c in columns),
        quarantine=quarantine,
        rows_in_file=counted.records + body.parted,
        counted=counted,
        lines_joined=body.joined,
        rows_set_aside=aside,
        notes=tuple(dict.fromkeys(notes)),
        sums=sums,
        without_result=pa.array(lines[empty], pa.int64()),
    )


def _sums(
    limit: float, read: result_parts.Results, kept: npt.NDArray[np.bool_], lines: npt.NDArray[Any]
) -> tuple[pa.Table | None, list[str]]:
    """Sums of the rows kept whatever they are, and what is told of those above the limit."""
    if read.sums is None or not kept.any():
        return None, []
    at = np.flatnonzero(kept & (read.sums > 0))
    percent = read.sums[at] / 1e4
    above = int(np.count_nonzero(percent > limit))
    told = []
    if above:
        told = [
            f"{above} of {int(kept.sum())} rows add up to more than {limit:g} % as reported "
            f"(largest {percent.max():.4g} %); they were kept, and the mean of each sample is "
            "judged instead"
        ]
    return pa.table({"row": pa.array(lines[at], pa.int64()), "sum_pct": percent}), told


def _quarantine(
    job: Job,
    lines: npt.NDArray[Any],
    ledger: Ledger,
    outside: npt.NDArray[np.bool_],
    body: Body,
    headings: dict[int, str],
) -> pd.DataFrame:
    entries: list[tuple[int, int, str, str, str, str]] = []
    for at, (found, reason, advice) in ledger.rows.items():
        if not outside[at]:
            entries.append((int(lines[at]), -1, headings.get(at, ""), found, reason, advice))
    entries = list(dict.fromkeys(entries))  # rows made of one row are refused once
    order: dict[str, int] = {}
    for (at, heading), (found, reason, advice) in ledger.cells.items():
        if at in ledger.rows or outside[at]:
            continue
        place = order.setdefault(heading, len(order))
        entries.append((int(lines[at]), place, heading, found, reason, advice))
    for broken in body.broken:
        entries.append((broken.line, -1, "", broken.found, broken.reason, broken.advice))
    if not entries:
        return _nothing_refused().copy()
    entries.sort(key=lambda e: (e[0], e[1], e[4]))
    return _refused(job, entries)


@cache
def _nothing_refused() -> pd.DataFrame:
    return _refused(None, [])


def _refused(job: Job | None, entries: list[tuple[int, int, str, str, str, str]]) -> pd.DataFrame:
    """The table of what was refused (QUARANTINE_COLUMNS)."""
    shown, sheet = ("", "") if job is None else (job.shown, job.sheet.name)
    frame = pd.DataFrame(
        {
            "file": [shown] * len(entries),
            "sheet": [sheet] * len(entries),
            "row": pd.array([e[0] for e in entries], dtype="int64"),
            "column": [e[2] for e in entries],
            "found": [e[3][:200] for e in entries],
            "reason": [e[4] for e in entries],
            "advice": [e[5] for e in entries],
        },
        columns=list(QUARANTINE_COLUMNS),
    )
    text = [c for c in QUARANTINE_COLUMNS if c != "row"]
    return frame.astype(dict.fromkeys(text, "str"))


def meaning_of(column: Column, read: result_parts.Results) -> ColumnMeaning:
    """How a column was understood, for a person."""
    species = column.species
    factor = float("nan")
    if species is not None and column.unit is not None and not column.unit.is_solution:
        factor = column.unit.to_mg_kg * species.element_per_species
    key = column.fact
    if column.role in {"value", "error", "limit"} and species is not None:
        key = result_parts.key_of(column)
    why = column.why
    if column.role in {"unclear", "asked"}:
        why = column.question or why
    sigma = read.sigma_of.get(column.index, column.sigma)
    return ColumnMeaning(
        index=column.index,
        heading=column.heading,
        role=column.role,
        key=key if column.role != "unclear" or key in idcolumns.ID_FACTS else "",
        element=species.element if species else "",
        species=species.formula if species else "",
        unit=column.unit.name if column.unit else "",
        to_mg_kg=factor,
        sigma=sigma if column.role == "error" else float("nan"),
        method=column.method,
        why=why,
    )


def repeated_readings(
    facts: dict[str, pa.Array], read: result_parts.Results, keep: npt.NDArray[np.bool_]
) -> int:
    """Rows that are the same reading as an earlier one; only where readings are told apart."""
    names = [
        n
        for n in ("reading_no", "spot_no", "shot_no", "measured_at", "analysed_at")
        if n in facts and facts[n].null_count < len(facts[n])
    ]
    if not names or len(read.analytes) < 2 or "_long" in facts:
        return 0
    # a quick sum first: only rows that share it are compared in full
    mark = read.marks(6)
    order = np.sort(mark[keep])
    shared = np.unique(order[1:][order[1:] == order[:-1]])
    at = np.flatnonzero(keep & np.isin(mark, shared)) if len(shared) else shared
    if len(at) < 2:
        return 0
    picks = pa.array(at)
    stated = [n for n in ("operator", "group") if n in facts]  # these tell readings apart too
    columns: dict[str, Any] = {
        n: facts[n].take(picks).to_pandas() for n in ("sample_id", *names, *stated)
    }
    columns |= {str(i): value for i, value in enumerate(read.first_values(6, at))}
    return int(pd.DataFrame(columns).duplicated().sum())


def notes_of_kind(
    job: Job, facts: dict[str, pa.Array], read: result_parts.Results, keep: npt.NDArray[np.bool_]
) -> list[str]:
    """Notes on a table of this kind."""
    notes: list[str] = []
    if job.table.kind not in {"field", "lab"}:
        return notes
    recalculated = sorted({(a.species, a.element) for a in read.analytes if a.species != a.element})
    if recalculated:
        shown = ", ".join(f"{s} to {e}" for s, e in recalculated)
        notes.append(f"recalculated: {shown}, by {ATOMIC_WEIGHTS_EDITION}")
    again = repeated_readings(facts, read, keep)
    if again:
        notes.append(
            f"{again} rows repeat an earlier row in sample, reading, time and results: an export "
            "may stand in the file twice"
        )
    unlimited = sum(
        int(((part.code == BELOW) & np.isnan(part.limit_or_nan()) & keep).sum())
        for part in read.values.values()
    )
    if unlimited:
        notes.append(
            f"{unlimited} cells say 'below the limit' without a known limit; they are kept as such"
        )
    if job.table.kind == "field":
        technique = facts["technique"]
        if technique.null_count and len(technique):
            notes.append(
                f"{technique.null_count} rows name no technique; set fixed = {{ technique = … }} "
                f"to one of {', '.join(t.name for t in techniques.known())}"
            )
        for t in techniques.known():
            own = pc.fill_null(pc.equal(technique, t.name), False)
            for name, what in t.told_when_missing:
                lacking = pc.sum(pc.and_(own, pc.is_null(facts[name]))).as_py() or 0
                if lacking:
                    notes.append(f"{lacking} {t.name} rows name no {what}")
        targeted = pc.sum(pc.fill_null(pc.equal(facts["spot_class"], "targeted"), False)).as_py()
        if targeted:
            notes.append(
                f"{targeted} rows are targeted spots; they identify minerals and are kept out of "
                "means"
            )
    return notes
