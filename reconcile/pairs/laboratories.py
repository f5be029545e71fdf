"""What several laboratories gave for the same samples: rows for a comparison of their own.

Results that do not stand because another laboratory's do (``standing.CHECK``) are here
beside those; others that certificates settled away are not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.methods import LabMethod
from reconcile.base.model.account import Finding
from reconcile.intake.tables import QUANTIFIED
from reconcile.pairs import standing
from reconcile.pairs.pair_strata import lab_method
from reconcile.pairs.sides import Key
from reconcile.store.database import Store
from reconcile.store.statements import sql


@dataclass(frozen=True, slots=True)
class Answered:
    """One laboratory of the run."""

    laboratory: str  # "" where no table names it
    certificates: int
    samples: int
    shared: int  # of them, answered by another laboratory too


@dataclass(frozen=True, slots=True)
class Shared:
    """Two laboratories' means of the same samples, one element and moisture basis; mg/kg."""

    element: str
    first: LabMethod
    second: LabMethod
    moisture_basis: str
    values: pd.DataFrame  # sample_id, first, second; NaN where known by a limit only


def answered(store: Store) -> tuple[Answered, ...]:
    """The laboratories of the run's ordinary results; rows must have their dispositions."""
    found = store.rows(sql("laboratories.answered"), [standing.CHECK])
    return tuple(Answered(str(a), int(b), int(c), int(d)) for a, b, c, d in found)


def shared(store: Store, keys: Sequence[Key], stands: Sequence[str]) -> Iterator[Shared]:
    """Every two methods of different laboratories that met on a sample, element by element.

    ``stands``: laboratories in the order of the settings; others follow by name.
    """
    if sum(a.shared > 0 for a in answered(store)) < 2:
        return
    order = {name.casefold(): rank for rank, name in enumerate(stands)}
    for element in dict.fromkeys(key.element for key in keys):
        means = _means(store, [key for key in keys if key.element == element])
        methods = sorted(
            {(m, basis) for m, basis, _ in means},
            key=lambda each: (
                order.get(each[0].laboratory.casefold(), len(order)), each[0].text, each[1],
            ),
        )  # fmt: skip
        for (first, basis), (second, other) in combinations(methods, 2):
            if first.laboratory == second.laboratory or basis != other:
                continue
            both = [
                (sample, value, means[second, basis, sample])
                for (method, of, sample), value in sorted(means.items(), key=lambda m: m[0][2])
                if (method, of) == (first, basis) and (second, basis, sample) in means
            ]
            if both:
                frame = pd.DataFrame(both, columns=["sample_id", "first", "second"])
                yield Shared(element, first, second, basis, frame)


def _means(store: Store, keys: Sequence[Key]) -> dict[tuple[LabMethod, str, str], float]:
    """Mean by method, moisture basis and sample; NaN where a result is known by a limit."""
    cells = standing.cells_of(store, keys, sql("laboratories.of_samples"))
    gone = {
        (int(source), str(key)): (str(reason), float(value) if code == QUANTIFIED else None)
        for source, key, code, value, reason in store.rows(sql("laboratories.settled"))
    }
    by_key = {key.key: key for key in keys}
    found: dict[tuple[LabMethod, str, str], list[float]] = {}
    rows: list[Any] = list(cells.itertuples(index=False))
    for cell in rows:
        reason, value = gone.get((int(cell.source), str(cell.key)), ("", None))
        if reason and value is None and reason != standing.CHECK:
            continue
        exact = value if value is not None else float(cell.value)
        if value is None and int(cell.code) != QUANTIFIED:
            exact = float("nan")
        method = lab_method(
            by_key[str(cell.key)], cell.technique, cell.lab_method, cell.digestion, cell.laboratory
        )
        found.setdefault((method, str(cell.moisture_basis), str(cell.sample_id)), []).append(exact)
    return {place: sum(many) / len(many) for place, many in found.items()}


def findings(found: Sequence[Answered], stands: Sequence[str]) -> tuple[Finding, ...]:
    """What a person should settle: which laboratory stands, and rows that name none."""
    met = [a for a in found if a.shared]
    named = {a.laboratory.casefold() for a in found}
    made = []
    if len(met) > 1 and not {a.laboratory.casefold() for a in met} & {s.casefold() for s in stands}:
        names = ", ".join(a.laboratory or "one that is not named" for a in met)
        listed = ", ".join(f'"{a.laboratory}"' for a in met if a.laboratory)
        made.append(
            Finding(
                "intake", "warning", "lab.stands",
                f"{len(met)} laboratories answer for the same samples ({names}; "
                f"{max(a.shared for a in met)} samples); each is a comparison of its own.",
                advice="If one of them only checks the other, say which stands: stands = "
                f"[{listed}] under [lab], the one that stands first.",
                code=FindingCode.SEVERAL_LABORATORIES,
            )
        )  # fmt: skip
    if len(found) > 1 and (unnamed := [a for a in found if not a.laboratory]):
        made.append(
            Finding(
                "intake", "warning", "laboratory",
                f"Of {unnamed[0].samples} samples the tables do not say which laboratory "
                "determined them, while others are named; they are a comparison of their own.",
                advice='Say so in their [[table]]: fixed = { laboratory = "…" }.',
                code=FindingCode.LABORATORY_UNNAMED,
            )
        )  # fmt: skip
    if found and (vain := [s for s in stands if s.casefold() not in named]):
        made.append(
            Finding(
                "intake", "note", "lab.stands",
                f"The settings name {', '.join(vain)}; no table of this period does.",
                advice="Check the spelling of 'stands' under [lab].",
                code=FindingCode.LABORATORY_UNMET,
            )
        )  # fmt: skip
    return tuple(made)
