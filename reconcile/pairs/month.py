"""What a month holds before anything is judged: samples, controls, or nothing at all."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC
from zoneinfo import ZoneInfo

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.store.database import Store
from reconcile.store.statements import sql

_MOST_MONTHS = 6  # named in a message


@dataclass(frozen=True, slots=True)
class Held:
    """Counts of one period: rows that are of it, and samples on each side."""

    rows: int  # field and laboratory rows that are of the period, refused ones of its files too
    field_samples: int
    lab_samples: int
    both: int  # samples with a reading and a laboratory result
    controls: int  # rows
    untimed: int  # field rows without a time, that no period can hold
    elsewhere: tuple[tuple[str, int], ...]  # other months and their field rows


def held(
    store: Store, assign_by: str, zone: str, field_samples: set[str], lab_samples: set[str]
) -> Held:
    """Count; the rows of the run must have their dispositions, and the samples come from them."""
    field = dict(store.rows(sql("month.field_rows")))
    others, untimed = "other period", "no time of measurement"
    own_field = sum(n for name, n in field.items() if name not in (others, untimed))
    # by field time a laboratory row is of a period where its file is: without a reading of its
    # sample it would be of every month
    ((own_lab,),) = store.rows(sql("month.lab_rows"), [assign_by != "field time"])
    ((refused,),) = store.rows(sql("month.refused"), [assign_by == "nothing"])
    ((controls,),) = store.rows(sql("month.controls"))
    return Held(
        int(own_field + own_lab + refused), len(field_samples), len(lab_samples),
        len(field_samples & lab_samples), int(controls), int(field.get(untimed, 0)),
        _elsewhere(store, zone),
    )  # fmt: skip


def _elsewhere(store: Store, zone: str) -> tuple[tuple[str, int], ...]:
    """Months of the field rows that are of another period, by the clock of the workspace."""
    counts: Counter[str] = Counter()
    for minute, rows in store.rows(sql("month.elsewhere")):
        local = minute.replace(tzinfo=UTC).astimezone(ZoneInfo(zone))
        counts[f"{local.year:04d}-{local.month:02d}"] += rows
    return tuple(sorted(counts.items()))


def nothing(period: str, found: Held) -> str:
    """Why there is nothing to release, in plain words; '' where there is something."""
    if found.rows:
        return ""
    text = f"Nothing to release: no field reading and no laboratory result is of {period}."
    if found.elsewhere:
        months = ", ".join(f"{month} ({n})" for month, n in found.elsewhere[-_MOST_MONTHS:])
        last = "the last are of" if len(found.elsewhere) > _MOST_MONTHS else "they are of"
        text += f" Field rows of other months were read; {last} {months}."
    if found.untimed:
        text += f" {found.untimed} field rows have no time of measurement."
    return text


WHAT_TO_DO = (
    "Check the month, put its files in, or mend 'files' in reconcile.toml. What was released "
    "before stands."
)


def findings(period: str, found: Held) -> tuple[Finding, ...]:
    """What keeps a period from having pairs: no laboratory result yet, controls alone, no row."""
    if why := nothing(period, found):
        return (
            Finding(
                "intake",
                "serious",
                period,
                why,
                advice=WHAT_TO_DO,
                code=FindingCode.MONTH_WITHOUT_PAIR,
            ),
        )
    if found.both:
        return ()
    if found.field_samples:
        text = (
            f"No laboratory result yet: {_samples(found.field_samples)} read in the field in "
            f"{period}, and none has a laboratory result. There is no pair and no verdict."
        )
        if found.lab_samples:
            text += (
                f" {_samples(found.lab_samples)} analysed and not read in the field: are the ids "
                "written alike?"
            )
        return (
            Finding(
                "intake", "warning", period, text,
                advice=f"Run {period} again when the certificate is in.",
                code=FindingCode.LABORATORY_AWAITED,
            ),
        )  # fmt: skip
    if found.lab_samples:
        return (
            Finding(
                "intake", "warning", period,
                f"No field reading of {period}: {_samples(found.lab_samples)} analysed by the "
                "laboratory, and none was read in the field. There is no pair and no verdict.",
                advice="Add the field table, or check the times in it.",
                code=FindingCode.NO_FIELD_READING,
            ),
        )  # fmt: skip
    if found.controls:
        return (
            Finding(
                "intake", "note", period,
                f"{period} holds {found.controls} readings or results of controls and no sample: "
                "the controls are judged and charted; there is no pair and no verdict.",
                code=FindingCode.CONTROLS_ALONE,
            ),
        )  # fmt: skip
    return ()


def _samples(count: int) -> str:
    return "1 sample was" if count == 1 else f"{count} samples were"
