"""Which pairs may be compared: controls first, then custody, interference, censoring.

Asks the store for the controls of both sides and gives every pair the one reason that
keeps it out, or none. Nothing is deleted: a pair that is left out stays in the table.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from reconcile.model import Finding, QualityCheck, Stratum
from reconcile.pairing import Key, Side, censor_reason, joined_method
from reconcile.settings import Settings, Thresholds
from reconcile.store import Store, quoted

CONTROL_COLUMNS = (
    "sample_kind", "reference_code", "sample_id", "duplicate_of", "duplicate_kind", "side",
    "technique", "method", "element", "batch", "at", "value_mg_kg", "qualifier",
    "limit_mg_kg", "se",
)  # fmt: skip

_QUALIFIERS = {0: "", 1: "<", 2: ">"}


def control_rows(store: Store, side: str, keys: Sequence[Key]) -> pd.DataFrame:
    """Every control of one side, long: one row per control row and element (CONTROL_COLUMNS).

    A lab batch is a certificate, a field batch a day (UTC).
    """
    condition = "disposition = 'control'"
    return _long(store, side, keys, condition)


def lab_duplicates(store: Store, keys: Sequence[Key]) -> pd.DataFrame:
    """Lab duplicates with the first determination of the same sample beside them.

    Columns: CONTROL_COLUMNS of the duplicate plus ``first_mg_kg``, ``first_qualifier``
    and ``first_limit_mg_kg``: of the sample's ordinary determination, by the same method.
    """
    duplicates = _long(
        store, "lab", keys, "disposition = 'control' AND sample_kind = 'duplicate'"
    )
    if duplicates.empty:
        return duplicates.assign(first_mg_kg=[], first_qualifier=[], first_limit_mg_kg=[])
    originals = _long(store, "lab", keys, "disposition = 'sample'")
    duplicates["pair_id"] = duplicates["duplicate_of"].where(
        duplicates["duplicate_of"].fillna("").ne(""), duplicates["sample_id"]
    )
    first = originals.drop_duplicates(["sample_id", "method", "element"]).rename(
        columns={
            "sample_id": "pair_id",
            "value_mg_kg": "first_mg_kg",
            "qualifier": "first_qualifier",
            "limit_mg_kg": "first_limit_mg_kg",
        }
    )[["pair_id", "method", "element", "first_mg_kg", "first_qualifier", "first_limit_mg_kg"]]
    return duplicates.merge(first, on=["pair_id", "method", "element"], how="inner").drop(
        columns="pair_id"
    )


def _long(store: Store, side: str, keys: Sequence[Key], condition: str) -> pd.DataFrame:
    if side == "field":
        batch = "coalesce(strftime(measured_at, '%Y-%m-%d'), '')"
        at, method = "measured_at", ("technique", "instrument", "calibration")
    else:
        batch = "coalesce(certificate, '')"
        at = "coalesce(analysed_at, reported_at, received_at)"
        method = ("technique", "lab_method", "digestion")
    columns = {row[0] for row in store.rows(f"SELECT column_name FROM (DESCRIBE {side})")}
    described = ", ".join(f"chosen.{name}" for name in method)
    frames = []
    for key in keys:
        value, code, limit, error = (quoted(f"{mark}:{key.key}") for mark in "vqle")
        se = error if f"e:{key.key}" in columns else "NULL"
        frame = store.frame(
            f"SELECT chosen.sample_kind, coalesce(chosen.reference_code, '') AS reference_code, "
            f"chosen.sample_id, chosen.duplicate_of, chosen.duplicate_kind, {described}, batch, "
            f"moment AS at, {value} AS value_mg_kg, {code} AS code, {limit} AS limit_mg_kg, "
            f"{se}::DOUBLE AS se "
            f"FROM (SELECT *, {batch} AS batch, {at} AS moment FROM {side}_row WHERE {condition}) "
            f"AS chosen JOIN (SELECT rowid AS source, * FROM {side}) AS stored "
            f"ON stored.source = chosen.source WHERE {code} IN (0, 1, 2) "
            f'ORDER BY file_place, chosen."row", chosen.sheet'
        )
        if frame.empty:
            continue
        frame["method"] = [
            joined_method(side, key, *parts)
            for parts in zip(*(frame[name].fillna("") for name in method), strict=True)
        ]
        frame["element"] = key.element
        frame["qualifier"] = frame["code"].map(_QUALIFIERS)
        frames.append(frame)
    if not frames:
        return pd.DataFrame({name: [] for name in CONTROL_COLUMNS})
    result = pd.concat(frames, ignore_index=True)
    result["side"] = side
    result["technique"] = result["technique"].fillna("")
    result["at"] = pd.to_datetime(result["at"], utc=True)
    return result[list(CONTROL_COLUMNS)]


def quality_findings(checks: Sequence[QualityCheck]) -> tuple[Finding, ...]:
    """One finding per failed control."""
    return tuple(
        Finding(
            "quality",
            "serious",
            f"{check.side} {check.batch}".strip(),
            f"{check.kind} {check.code}, {check.element}, {check.method}: failed.",
            evidence=check.rule,
            advice=(
                "Results of this batch are kept out of the statistics; ask the laboratory to "
                "repeat it."
                if check.side == "lab"
                else "Readings of that day are kept out; check the instrument and repeat them."
            ),
        )
        for check in checks
        if check.passed is False
    )


def lead_on_arsenic(
    store: Store, field: Side, field_keys: Sequence[Key], thresholds: Thresholds
) -> pd.DataFrame:
    """Samples whose XRF arsenic is overlapped by lead (columns sample_id, instrument, ratio).

    Source: US EPA Method 6200, section 4.7: at Pb:As of 10:1 and above, arsenic can't be
    calculated efficiently.
    """
    lead = next((k for k in field_keys if k.element == "Pb" and not k.method), None)
    arsenic = next((k for k in field_keys if k.element == "As" and not k.method), None)
    if lead is None or arsenic is None:
        return pd.DataFrame({"sample_id": [], "instrument": [], "ratio": []})
    samples = store.frame(
        "SELECT sample_id, coalesce(instrument, '') AS instrument, technique FROM field_sample "
        "ORDER BY number"
    )
    with np.errstate(all="ignore"):
        samples["ratio"] = field.of(lead).low / field.of(arsenic).high
    flagged = samples["technique"].eq("XRF") & (samples["ratio"] >= thresholds.lead_to_arsenic)
    return samples.loc[flagged & np.isfinite(samples["ratio"]), ["sample_id", "instrument", "ratio"]]


def with_reasons(
    pairs: pd.DataFrame,
    strata: Sequence[Stratum],
    custody_status: Mapping[str, str],
    failed: pd.DataFrame,
    interference: pd.DataFrame,
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
    reasons = [
        pd.Series([f"left out by entry: {why}" if why else "" for why in left_out]),
        pd.Series(np.where(pairs["custody"].eq("broken"), "custody broken", "")),
        _batch_reasons(pairs, by_key, failed),
        _interference_reasons(pairs, by_key, interference),
        censor_reason(pairs),
        _near_limit(pairs, settings.thresholds.lab_limit_multiple),
    ]
    reason = pd.Series("", index=pairs.index, dtype="str")
    for candidate in reasons:
        reason = reason.where(reason.ne(""), candidate.astype("str"))
    pairs["reason"] = reason
    pairs["used"] = reason.eq("")
    return pairs


def _batch_reasons(
    pairs: pd.DataFrame, by_key: Mapping[str, Stratum], failed: pd.DataFrame
) -> pd.Series:
    if failed.empty:
        return pd.Series("", index=pairs.index, dtype="str")
    lab = {
        (row.batch, row.method, row.element): str(row.reason)
        for row in failed.itertuples(index=False)
        if row.side == "lab"
    }
    field = {
        (row.batch, row.method, row.element): str(row.reason)
        for row in failed.itertuples(index=False)
        if row.side == "field"
    }
    days = pairs["field_time"].dt.strftime("%Y-%m-%d").fillna("")
    texts = []
    for row, day in zip(pairs.itertuples(index=False), days, strict=True):
        stratum = by_key[row.stratum]
        found = field.get((day, stratum.field_method, stratum.element), "")
        for certificate in str(row.certificate).split(", "):
            found = found or lab.get((certificate, stratum.lab_method, stratum.element), "")
        texts.append(f"batch failed its control: {found}" if found else "")
    return pd.Series(texts, index=pairs.index, dtype="str")


def _interference_reasons(
    pairs: pd.DataFrame, by_key: Mapping[str, Stratum], interference: pd.DataFrame
) -> pd.Series:
    flagged = set(zip(interference["sample_id"], interference["instrument"], strict=True))
    hits = [
        by_key[key].element == "As"
        and by_key[key].technique == "XRF"
        and any(s == sample and i in by_key[key].field_method for s, i in flagged)
        for key, sample in zip(pairs["stratum"], pairs["sample_id"], strict=True)
    ]
    return pd.Series(
        np.where(hits, "lead overlaps arsenic (XRF)", ""), index=pairs.index, dtype="str"
    )


def _near_limit(pairs: pd.DataFrame, multiple: float) -> pd.Series:
    """Pairs whose lab value is below a multiple of the lowest lab limit of their stratum."""
    if multiple <= 0:
        return pd.Series("", index=pairs.index, dtype="str")
    limit = (
        pairs["lab_high"]
        .where(pairs["lab_qualifier"].eq("<"))
        .groupby(pairs["stratum"])
        .transform("max")
    )
    near = pairs["lab_mean"] < multiple * limit
    return pd.Series(
        np.where(near, "lab value too near its limit", ""), index=pairs.index, dtype="str"
    )
