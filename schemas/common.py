"""What the table contracts share: checks with reasons, and running them all at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import pandas as pd
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


def check(
    test: Callable[[pd.Series], Any], reason: str, advice: str, *, missing_too: bool = False
) -> pa.Check:
    """A vectorised check with its reason; missing values pass unless ``missing_too``."""
    return pa.Check(
        test, error=f"{reason} \u2192 {advice}", title=reason, description=advice,
        ignore_na=not missing_too,
    )  # fmt: skip


def required(name: str, advice: str) -> pa.Check:
    """The fact must be there."""
    return check(lambda s: s.notna(), f"no {name}", advice, missing_too=True)


def one_of(words: Iterable[str], name: str) -> pa.Check:
    """The fact holds one of a few words."""
    allowed = tuple(words)
    listed = ", ".join(allowed)
    return check(lambda s: s.isin(allowed), f"{name} is none of: {listed}", "Write one of these.")


def between(low: float, high: float, name: str, unit: str) -> pa.Check:
    """A number within bounds, both included."""
    return check(
        lambda s: s.between(low, high),
        f"{name} is outside {low:g} to {high:g} {unit}".rstrip(),
        "Check the number and its unit.",
    )


def above_zero(name: str) -> pa.Check:
    """A number greater than zero."""
    return check(lambda s: s > 0, f"{name} is not above zero", "Check the number.")


def short(name: str) -> pa.Check:
    """Text of a length that a label can have."""
    return check(
        lambda s: s.str.len() <= 200, f"{name} is longer than 200 characters", "Check the cell."
    )


def column(*checks: pa.Check) -> pa.Column:
    """A column that may hold missing values unless a check says otherwise."""
    return pa.Column(None, checks=list(checks), nullable=True, required=False)


def contract(columns: dict[str, pa.Column], name: str) -> pa.DataFrameSchema:
    """A table contract; columns that it does not name are left alone."""
    return pa.DataFrameSchema(columns, name=name, strict=False, coerce=False)


def run(schema: pa.DataFrameSchema, frame: pd.DataFrame, whole_row: bool) -> list[Failure]:
    """All failures of one contract, in the order of rows."""
    if frame.empty:
        return []
    try:
        schema.validate(frame, lazy=True, inplace=True)  # no check changes the frame
    except pa.errors.SchemaErrors as error:
        cases = error.failure_cases
        told = {
            str(check.error): (str(check.title), str(check.description))
            for each in schema.columns.values()
            for check in each.checks
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
    result += run(cells, values[keys], whole_row=False)
    if SUM_COLUMN in values:
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
