"""One table as it is proposed: its entries, and what its files show when read so far."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from reconcile.base.settings.tables import TableSettings
from reconcile.intake.headings import understand
from reconcile.proposing import trial
from reconcile.proposing.because import Why
from reconcile.proposing.plain import PlainTable
from reconcile.proposing.questions import CHOICES, Ask, Question
from reconcile.proposing.seen import (
    FIELD,
    LAB,
    Seen,
)

NO_UNIT = "no unit is stated"


TRIAL_UNIT = "mg/kg"


REGISTER = "sample register"


MATERIALS = "reference materials"


@dataclass(frozen=True, slots=True)
class Line:
    """One entry of a table's settings: its key, value or question, and why."""

    key: tuple[str, ...]
    value: Any
    why: Why | None = None


@dataclass(slots=True)
class Table:
    """One [[table]] as it is proposed, and what its files show when read so."""

    kind: str
    seen: tuple[Seen, ...]
    sure: bool = True  # of the side; else a person says first which it is
    lines: list[Line] = field(default_factory=list)
    read: trial.Read = field(default_factory=lambda: trial.Read(()))
    plain: PlainTable | None = None  # where its headings say nothing, in place of ``seen``

    @property
    def files(self) -> list[tuple[Path, str]]:
        """Each file once."""
        if self.plain is not None:
            return [(self.plain.path, self.plain.shown)]
        return list(dict.fromkeys((s.path, s.shown) for s in self.seen))

    def add(self, *key: str, value: Any, why: Why | None = None) -> None:
        """One more line."""
        self.lines.append(Line(key, value, why))

    def settings(self, **more: Any) -> TableSettings:
        """As far as it goes without its questions; ``more`` stands where nothing does."""
        raw: dict[str, Any] = {"kind": self.kind, "files": ["x"]}
        for line in self.lines:
            value = _without_questions(line.value)
            if value is None:
                continue
            at = raw
            for part in line.key[:-1]:
                at = at.setdefault(part, {})
            at[line.key[-1]] = value
        for name, value in more.items():
            if isinstance(value, dict):
                raw[name] = value | raw.get(name, {})
            else:
                raw.setdefault(name, value)
        return TableSettings.model_validate(raw)


def _without_questions(value: Any) -> Any:
    """What of an entry can be read before its questions are answered; None where nothing can."""
    if isinstance(value, Question):
        return None
    if isinstance(value, dict):
        return {k: v for k, v in value.items() if not isinstance(v, Question)}
    if isinstance(value, list):
        whole = [v for v in value if v == _without_questions(v)]
        return whole or None
    return value


def questions_in(value: Any) -> int:
    """Questions within an entry."""
    if isinstance(value, dict):
        return sum(map(questions_in, value.values()))
    if isinstance(value, list):
        return sum(map(questions_in, value))
    return int(isinstance(value, Question))


def lacks_unit(table: Table) -> bool:
    """Whether results stand in it whose unit no heading names."""
    columns = understand(table.seen[0].block, table.settings(), table.seen[0].shown)
    facts = {c.fact for c in columns}
    long = {"element", "value"} <= facts
    if long:
        return "unit" not in facts
    return any(c.role == "unclear" and c.question == NO_UNIT for c in columns)


def on_trial(table: Table) -> dict[str, Any]:
    """A technique, and a mass and volume of a digest, so that a table can be read to be looked at.

    Only for looking: none of these is written down.
    """
    if table.kind == FIELD:
        return {"technique": CHOICES[Ask.TECHNIQUE][0]}
    digest = {"sample_mass_g": 1.0, "digest_volume_ml": 1.0} if in_digest(table) else {}
    return {"technique": "not stated", **digest}


def in_digest(table: Table) -> bool:
    """Whether results are contents of a digest, and no fractions of the sample."""
    columns = table.seen[0].columns if table.seen else ()
    return table.kind == LAB and any(
        c.role == "value" and c.unit is not None and c.unit.is_solution for c in columns
    )


def read_again(table: Table, met_ids: Collection[str] = ()) -> None:
    """Read its files with the entries so far; ``met_ids``: ids of the other side."""
    if table.kind not in {FIELD, LAB}:
        table.read = trial.read(table.files, table.settings())
        return
    unit = {"unit": TRIAL_UNIT} if lacks_unit(table) else {}
    table.read = trial.read(table.files, table.settings(fixed=on_trial(table), **unit), met_ids)
