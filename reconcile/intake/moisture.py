"""From the moist mass to the dry mass, only where the settings ask and the row states its water."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from reconcile.intake.result_parts import Results

_MOIST = ("wet", "as received")


def to_dry(
    facts: dict[str, pa.Array], read: Results
) -> tuple[dict[str, pa.Array], tuple[str, ...]]:
    """Facts and notes after the results of moist rows were put on the dry basis, in place.

    ``moisture_pct`` is water in the moist mass, %: dry = moist / (1 - moisture / 100). Rows
    that state no moisture between 0 and 100 % stay as they are, and a note says how many.
    """
    basis = facts["moisture_basis"].to_pylist()
    water = facts["moisture_pct"].to_numpy(zero_copy_only=False).astype("float64")
    moist = np.array([b in _MOIST for b in basis], dtype=bool)
    known = moist & (water >= 0) & (water < 100)
    notes = []
    if known.any():
        share = np.where(known, 1 - water / 100, 1.0)
        for part in read.values.values():
            part.value /= share
            if part.limit is not None:
                part.limit /= share
            if part.error is not None:
                part.error /= share
        changed = [
            "dry" if is_known else b for is_known, b in zip(known.tolist(), basis, strict=True)
        ]
        facts = facts | {"moisture_basis": pa.array(changed, pa.string())}
        low, high = float(water[known].min()), float(water[known].max())
        notes.append(
            f"recalculated to the dry basis: {int(known.sum())} rows, by the moisture that each "
            f"states ({low:g} to {high:g} % of the moist mass)"
        )
    if left := int((moist & ~known).sum()):
        notes.append(
            f"{left} moist rows state no moisture and stay on their own basis; nothing was assumed"
        )
    return facts, tuple(notes)
