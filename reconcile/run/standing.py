"""What a release says in a few lines, kept so that its whole value need not be read for them."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from reconcile.base.model.verdict import DECISIONS

if TYPE_CHECKING:
    from reconcile.base.model.release import Reconciliation


@dataclass(frozen=True, slots=True)
class Standing:
    """The head of a release, and how much of it needs a person."""

    title: str
    period: str
    release_id: str
    revision: int
    verdicts: tuple[int, ...]  # strata of each of DECISIONS
    urgent: int  # findings that need a person
    refused: tuple[int, int, int]  # whole files, whole rows, cells of other rows
    decimal_mark: str
    date_style: str

    @property
    def needs_a_person(self) -> bool:
        """True where something was found that a person should look at."""
        return bool(self.urgent or any(self.refused))


def of(r: Reconciliation) -> Standing:
    """The standing of a release that has just been computed, or read again."""
    from reconcile.base.model.tables import refused_counts
    from reconcile.reporting.answers import counted

    refused = refused_counts(r.quarantine)
    return Standing(
        r.title, r.period, r.release_id, r.revision, counted(r),
        sum(f.severity != "note" for f in r.findings),
        (refused.files, refused.rows, refused.cells), r.decimal_mark, r.date_style,
    )  # fmt: skip


def plain(standing: Standing) -> dict[str, Any]:
    """As JSON holds it."""
    return asdict(standing)


def read(values: dict[str, Any]) -> Standing:
    """What ``plain`` gave. Raises TypeError or KeyError where it is something else."""
    files, rows, cells = values["refused"]
    verdicts = tuple(values["verdicts"])
    if len(verdicts) != len(DECISIONS):
        raise TypeError("verdicts")
    return Standing(**{**values, "refused": (files, rows, cells), "verdicts": verdicts})
