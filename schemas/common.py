"""What the table contracts share: checks with reasons, and running them all at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    import pandera.pandas as pa

#: Largest possible mass fraction, mg/kg.
WHOLE = 1e6
#: Largest sum of a row's results as reported, %, where the settings say nothing else: room for
#: rounding and for the uncertainty of a total (common practice, no source).
LARGEST_SUM_PCT = 102.0
#: Column that holds the row's sum as reported (oxides as oxides), mg/kg.
SUM_COLUMN = "sum as reported"
SAMPLE_KINDS = (
    "sample", "blank", "reference material", "duplicate", "check standard", "leave out",
)  # fmt: skip
#: 'not applicable': metal parts and other materials that hold no water.
MOISTURE_BASES = ("dry", "as received", "wet", "not applicable")
DUPLICATE_KINDS = ("field", "coarse", "pulp", "lab repeat")


@dataclass(frozen=True, slots=True)
class Failure:
    """One broken rule. ``column`` is a fact or analyte key; '' means the whole row."""

    row: int  # 0-based position
    column: str
    found: str
    reason: str
    advice: str


@dataclass(frozen=True, slots=True)
class Check:
    """What a column must keep, vectorised, with its reason and what to do."""

    test: Callable[[pd.Series], Any]
    reason: str
    advice: str
    ignore_na: bool  # missing values pass

    @property
    def error(self) -> str:
        """What the failure is known by."""
        return f"{self.reason} \u2192 {self.advice}"

    def holds(self, values: pd.Series) -> bool:
        """Whether no value fails."""
        missing = values.isna().to_numpy()
        there = self.ignore_na and bool(missing.any())
        numbers = there and values.dtype.kind == "f"  # of these no copy is made
        tested = values[~missing] if there and not numbers else values
        try:
            found = np.asarray(self.test(tested).fillna(False), dtype=bool)
        except (AttributeError, TypeError, ValueError):  # the full account says of what
            return False
        return bool((found | missing if numbers else found).all())


@dataclass(frozen=True)
class Contract:
    """A table contract; columns that it does not name are left alone, missing ones too."""

    columns: Mapping[str, tuple[Check, ...]]
    name: str

    @cached_property
    def pandera(self) -> pa.DataFrameSchema:
        """The contract as pandera knows it: it finds every failing row.

        Loading pandera takes as long as reading a month, so it waits for the first failure.
        """
        import pandera.pandas as pa

        return pa.DataFrameSchema(
            {
                name: pa.Column(
                    None, nullable=True, required=False,
                    checks=[
                        pa.Check(
                            c.test, error=c.error, title=c.reason, description=c.advice,
                            ignore_na=c.ignore_na,
                        )
                        for c in checks
                    ],
                )
                for name, checks in self.columns.items()
            },
            name=self.name, strict=False, coerce=False,
        )  # fmt: skip

    def kept_by(self, frame: pd.DataFrame) -> bool:
        """Whether every row keeps every check; what ``pandera`` finds no failure of."""
        return all(
            c.holds(frame[name])
            for name, checks in self.columns.items()
            if name in frame
            for c in checks
        )


def check(
    test: Callable[[pd.Series], Any], reason: str, advice: str, *, missing_too: bool = False
) -> Check:
    """A vectorised check with its reason; missing values pass unless ``missing_too``."""
    return Check(test, reason, advice, not missing_too)


def required(name: str, advice: str) -> Check:
    """The fact must be there."""
    return check(lambda s: s.notna(), f"no {name}", advice, missing_too=True)


def one_of(words: Iterable[str], name: str) -> Check:
    """The fact holds one of a few words."""
    allowed = tuple(words)
    listed = ", ".join(allowed)
    return check(lambda s: s.isin(allowed), f"{name} is none of: {listed}", "Write one of these.")


def between(low: float, high: float, name: str, unit: str) -> Check:
    """A number within bounds, both included."""
    return check(
        lambda s: s.between(low, high),
        f"{name} is outside {low:g} to {high:g} {unit}".rstrip(),
        "Check the number and its unit.",
    )


def above_zero(name: str) -> Check:
    """A number greater than zero."""
    return check(lambda s: s > 0, f"{name} is not above zero", "Check the number.")


def short(name: str) -> Check:
    """Text of a length that a label can have."""
    return check(
        lambda s: s.str.len() <= 200, f"{name} is longer than 200 characters", "Check the cell."
    )


def column(*checks: Check) -> tuple[Check, ...]:
    """A column that may hold missing values unless a check says otherwise."""
    return checks


def contract(columns: Mapping[str, tuple[Check, ...]], name: str) -> Contract:
    """A table contract; columns that it does not name are left alone."""
    return Contract(columns, name)


def run(schema: Contract, frame: pd.DataFrame, whole_row: bool) -> list[Failure]:
    """All failures of one contract, in the order of rows."""
    if frame.empty or schema.kept_by(frame):
        return []
    import pandera.pandas as pa

    try:
        schema.pandera.validate(frame, lazy=True, inplace=True)  # no check changes the frame
    except pa.errors.SchemaErrors as error:
        cases = error.failure_cases
        told = {
            each.error: (each.reason, each.advice)
            for checks in schema.columns.values()
            for each in checks
        }
        result = []
        for case in cases[["index", "column", "failure_case", "check"]].itertuples(index=False):
            reason, advice = told.get(str(case.check), (str(case.check), ""))
            if case.index is None or pd.isna(case.index):
                raise ValueError(f"contract {schema.name}: {reason}") from error
            found = "" if pd.isna(case.failure_case) else _text(case.failure_case)
            column_name = str(case.column)
            if whole_row:
                result.append(Failure(int(case.index), "", found, reason, advice))
            else:
                result.append(Failure(int(case.index), column_name, found, reason, advice))
        return sorted(result, key=lambda f: (f.row, f.column, f.reason))
    return []


def _text(value: Any) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)[:80]


def value_failures(
    values: pd.DataFrame | None, negative_allowed: bool, largest_sum_pct: float = LARGEST_SUM_PCT
) -> list[Failure]:
    """Results that no material can have: cell by cell, and by the sum of a row."""
    if values is None or values.empty:
        return []
    result: list[Failure] = []
    keys = [c for c in values.columns if c != SUM_COLUMN]
    if not any(
        (column > WHOLE).any() or (not negative_allowed and (column < 0).any())
        for column in (values[key].to_numpy() for key in keys)
    ):
        keys = []  # nothing to tell
    checks = [
        check(
            lambda s: s <= WHOLE,
            "more than the whole sample (over 1 000 000 mg/kg)",
            "Check the unit of the column.",
        )
    ]
    if not negative_allowed:
        checks.append(
            check(
                lambda s: s >= 0,
                "a negative result",
                "Set cells.negative to say what negative results of this table mean.",
            )
        )
    cells = contract({key: column(*checks) for key in keys}, "results")
    if keys:
        result += run(cells, values[keys], whole_row=False)
    if SUM_COLUMN in values and (values[SUM_COLUMN].to_numpy() > largest_sum_pct * 1e4).any():
        total = column(
            check(
                lambda s: s <= largest_sum_pct * 1e4,
                f"the results of the row add up to more than {largest_sum_pct:g} %",
                "Check units, and oxides against elements; the table's setting largest_sum_pct "
                "holds the limit.",
            )
        )
        result += run(contract({SUM_COLUMN: total}, "row sums"), values[[SUM_COLUMN]], True)
    return result
