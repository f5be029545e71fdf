"""Which pairs may be compared: controls first, then custody, interference, censoring.

Asks the store for the controls of both sides and gives every pair the one reason that
keeps it out, or none. Nothing is deleted: a pair that is left out stays in the table.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from reconcile import techniques
from reconcile.base.model.account import Finding
from reconcile.base.model.controls import QualityCheck
from reconcile.base.model.stratum import Stratum
from reconcile.base.reasons import Exclusion, in_words
from reconcile.base.settings.thresholds import Thresholds
from reconcile.base.settings.whole import Settings
from reconcile.evidence import diagnosis, quality
from reconcile.evidence.control_results import days_of
from reconcile.pairs import repeats
from reconcile.pairs.pair_limits import censor_reason, zero_reason
from reconcile.pairs.sides import Key, Side
from reconcile.pairs.sums import HighMean
from reconcile.samples import identity
from reconcile.store.database import Store
from reconcile.store.statements import sql
from reconcile.techniques import Judged


def with_settled_ids(
    events: pd.DataFrame, register_ids: Iterable[str], aliases: pd.DataFrame
) -> pd.DataFrame:
    """Custody events with the ids that a person has settled in place of those written.

    A cell may name several samples separated by ';'. Only aliases are followed; the events
    as written stay what the hash chain covers.
    """
    if events.empty or aliases.empty:
        return events
    cells = [str(cell) if pd.notna(cell) else "" for cell in events["sample_id"]]
    written = sorted({part.strip() for cell in cells for part in cell.split(";")} - {""})
    resolved = identity.resolve(written, register_ids, aliases)
    aliased = resolved.loc[resolved["how"].eq("alias")]
    settled = dict(zip(aliased["written_id"], aliased["sample_id"], strict=True))
    if not settled:
        return events
    return events.assign(
        sample_id=[
            "; ".join(settled.get(part.strip(), part.strip()) for part in cell.split(";"))
            for cell in cells
        ]
    )


def lead_on_arsenic(
    store: Store, field: Side, field_keys: Sequence[Key], thresholds: Thresholds
) -> pd.DataFrame:
    """Samples whose XRF arsenic is overlapped by lead (model.EXCLUSION_COLUMNS)."""
    lead = next((k for k in field_keys if k.element == "Pb" and not k.method), None)
    arsenic = next((k for k in field_keys if k.element == "As" and not k.method), None)
    if lead is None or arsenic is None:
        return quality.interference_flags(pd.DataFrame(), thresholds)
    samples = store.frame(sql("eligibility.samples_read"))
    pb, ars = field.of(lead), field.of(arsenic)
    samples["Pb"] = np.where(pb.censored == 0, pb.low, np.nan)
    samples["As"] = np.where(ars.censored == 0, ars.low, np.nan)
    samples["As_limit"] = np.where(np.isfinite(ars.high), ars.high, np.nan)
    return quality.interference_flags(samples, thresholds)


def uncontrolled(stratum: Stratum, checks: Sequence[QualityCheck]) -> str:
    """What no reference material showed for a stratum, in words; '' where both sides were shown."""
    shown = {
        check.side
        for check in checks
        if check.passed
        and check.kind in ("reference material", "check standard")
        and check.element == stratum.element
        and check.method in (stratum.field_method, stratum.lab_method)
    }
    lacking = [
        text
        for side, text in (
            ("lab", "of the laboratory's trueness"),
            ("field", "of the field instrument"),
        )
        if side not in shown
    ]
    return f"no reference material in control speaks {' or '.join(lacking)}" if lacking else ""


def swap_suspicions(pairs: pd.DataFrame, strata: Sequence[Stratum]) -> tuple[Finding, ...]:
    """Samples whose labels were probably exchanged, method by method and matrix by matrix."""
    if pairs.empty:
        return ()
    units: dict[tuple[Any, ...], list[str]] = {}
    for s in strata:
        unit = (*s.read_by.set_up.parts, "", s.matrix, s.specimen_form, s.pair_type)
        units.setdefault(unit, []).append(s.key)
    findings: list[Finding] = []
    both = pairs.loc[pairs["field_mean"].notna() & pairs["lab_mean"].notna()]
    for _, keys in sorted(units.items()):
        rows = both.loc[both["stratum"].isin(keys)].drop_duplicates(["sample_id", "element"])
        if len(rows):
            field, lab = (
                rows.pivot(index="sample_id", columns="element", values=side)
                for side in ("field_mean", "lab_mean")
            )
            findings += diagnosis.suspected_swaps(field, lab)
    return tuple(findings)


def with_reasons(
    pairs: pd.DataFrame,
    strata: Sequence[Stratum],
    custody_status: Mapping[str, str],
    broken_by: Mapping[str, str],
    checks: Sequence[QualityCheck],
    interference: pd.DataFrame,
    high_sums: Sequence[HighMean],
    settings: Settings,
) -> pd.DataFrame:
    """The pairs with ``custody``, ``used`` and ``reason`` filled in; the first reason stands."""
    if pairs.empty:
        return pairs
    pairs = pairs.copy()
    by_key = {stratum.key: stratum for stratum in strata}
    pairs["custody"] = [custody_status.get(s, "not recorded") for s in pairs["sample_id"]]
    left_out = [
        settings.leave_out.get(f"{s}/{e}", settings.leave_out.get(s, ""))
        for s, e in zip(pairs["sample_id"], pairs["element"], strict=True)
    ]
    zone = settings.workspace.time_zone
    failed, open_below = quality.failed_batches(checks), quality.contaminated_below(checks)
    nothing = [""] * len(pairs)
    entries = [Exclusion.LEFT_OUT if why else "" for why in left_out]
    broken = [Exclusion.CUSTODY_BROKEN if c == "broken" else "" for c in pairs["custody"]]
    whys = _batch_reasons(pairs, by_key, failed, zone)
    opens = _batch_reasons(pairs, by_key, open_below, zone)
    sums = _sum_reasons(pairs, by_key, high_sums)
    # in this order: the first that holds stands, with what it speaks of
    reasons: list[tuple[Sequence[str], Sequence[str]]] = [
        (entries, left_out),
        (broken, [broken_by.get(s, "") for s in pairs["sample_id"]]),
        ([Exclusion.BATCH_FAILED if why else "" for why in whys], whys),
        ([Exclusion.OPEN_TO_CONTAMINATION if why else "" for why in opens], opens),
        ([Exclusion.SEVERAL_ROLES if mixed else "" for mixed in pairs["several_roles"]], nothing),
        (_interference_reasons(pairs, by_key, interference), nothing),
        ([Exclusion.SUM_TOO_HIGH if limit else "" for limit in sums], sums),
        (zero_reason(pairs).tolist(), nothing),
        (censor_reason(pairs).tolist(), nothing),
        (_near_limit(pairs, settings.thresholds.lab_limit_multiple), nothing),
    ]
    stands = [
        next(((str(c), str(w)) for c, w in zip(codes, what, strict=True) if c), ("", ""))
        for codes, what in zip(
            zip(*(codes for codes, _ in reasons), strict=True),
            zip(*(what for _, what in reasons), strict=True),
            strict=True,
        )
    ]
    pairs["reason_code"] = pd.Series([c for c, _ in stands], index=pairs.index, dtype="str")
    pairs["reason"] = pd.Series([in_words(*s) for s in stands], index=pairs.index, dtype="str")
    pairs["used"] = pairs["reason_code"].eq("")
    pairs["re_assay"] = [bool(methods) for methods in pairs["stood_in"]]
    plain = pairs.drop(
        columns=[
            "field_times", "field_methods", "stood_in", "field_zero", "lab_zero", "several_roles",
        ]
    )  # fmt: skip
    return repeats.counted_once(plain, settings.pairs)


def _batch_reasons(
    pairs: pd.DataFrame,
    by_key: Mapping[str, Stratum],
    batches: pd.DataFrame,
    zone: str,
) -> list[str]:
    """Why a pair's batch keeps it out; with a column below_mg_kg, only results below it."""
    if batches.empty:
        return [""] * len(pairs)
    edges = (
        batches["below_mg_kg"] if "below_mg_kg" in batches.columns
        else pd.Series(np.inf, index=batches.index)
    )  # fmt: skip
    told = {
        (row.side, row.batch, row.method, row.element): (float(edge), str(row.reason))
        for row, edge in zip(batches.itertuples(index=False), edges, strict=True)
    }
    texts = []
    rows: list[Any] = list(pairs.itertuples(index=False))
    for row, days in zip(rows, _days_read(pairs, zone), strict=True):
        stratum = by_key[row.stratum]
        candidates = [
            ("field", day, method, row.field_low) for day in days for method in row.field_methods
        ] + [
            ("lab", certificate, method, row.lab_low)
            for certificate in row.certificate or ("",)
            for method in (stratum.lab_method, *row.stood_in)
        ]
        found = ""
        for side, batch, method, value in candidates:
            edge, reason = told.get((side, batch, method, stratum.element), (-np.inf, ""))
            if not found and value < edge:
                found = reason
        texts.append(found)
    return texts


def _days_read(pairs: pd.DataFrame, zone: str) -> list[list[str]]:
    """Every day on which each sample was read, by the calendar of the place."""
    return [
        sorted(set(days_of(pd.Series(pd.to_datetime(list(times), utc=True)), zone)) - {""})
        for times in pairs["field_times"]
    ]


def _interference_reasons(
    pairs: pd.DataFrame, by_key: Mapping[str, Stratum], interference: pd.DataFrame
) -> list[str]:
    flagged = set(interference["sample_id"])
    overlapped = techniques.named(Judged.OVERLAPS)
    return [
        Exclusion.LEAD_OVERLAPS_ARSENIC
        if by_key[key].element == "As" and by_key[key].technique in overlapped and sample in flagged
        else ""
        for key, sample in zip(pairs["stratum"], pairs["sample_id"], strict=True)
    ]


def _sum_reasons(
    pairs: pd.DataFrame, by_key: Mapping[str, Stratum], high_sums: Sequence[HighMean]
) -> list[str]:
    """The limit, %, that a sample's mean exceeds, where the settings keep such samples out."""
    out = {(m.sample_id, m.technique): m.limit_pct for m in high_sums if m.kept_out}
    places = zip(
        pairs["sample_id"], (by_key[key].technique for key in pairs["stratum"]), strict=True
    )
    return [f"{out[place]:g}" if place in out else "" for place in places]


def _near_limit(pairs: pd.DataFrame, multiple: float) -> list[str]:
    """Pairs whose lab value is below a multiple of the lowest lab limit of their stratum."""
    if multiple <= 0:
        return [""] * len(pairs)
    limit = (
        pairs["lab_high"]
        .where(pairs["lab_qualifier"].eq("<"))
        .groupby(pairs["stratum"])
        .transform("min")
    )
    near = pairs["lab_mean"] < multiple * limit
    return [Exclusion.NEAR_LIMIT if is_near else "" for is_near in near]
