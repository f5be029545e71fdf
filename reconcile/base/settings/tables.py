"""How the rows and columns of a table are read."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator, model_validator

from reconcile.base.settings.parts import Part, Pattern, Positive, number


class ColumnRule(Part):
    """What one column means, where the heading does not say."""

    means: str = Field(description="value, error, limit, ignore, or the name of a fact")
    element: str = Field("", description="element or oxide symbol, for value, error and limit")
    unit: str = Field("", description="unit of the column")
    sigma: Positive | None = Field(None, description="for error: how many standard deviations")
    method: str = Field("", description="method of the column")


def _compiles(pattern: str) -> str:
    try:
        re.compile(pattern)
    except (re.error, OverflowError, RecursionError) as error:
        raise ValueError(f"'{pattern}' is no regular expression: {error}") from error
    return pattern


#: A regular expression that can be compiled.
Expression = Annotated[str, AfterValidator(_compiles)]


class IdRule(Part):
    """A search-and-replace on ids as written (regular expression)."""

    find: Expression
    replace: str

    @model_validator(mode="after")
    def _replaces(self) -> IdRule:
        try:
            re.compile(self.find).sub(self.replace, "")
        except (re.error, IndexError) as error:
            raise ValueError(f"'{self.replace}' can't replace '{self.find}': {error}") from error
        return self


class KindRule(Part):
    """Rows that are no ordinary samples: blanks, reference materials, duplicates."""

    column: str = Field(description="heading, or the name of a fact")
    pattern: Expression = Field(description="regular expression that the whole cell must match")
    kind: Literal[
        "sample", "blank", "reference material", "duplicate", "check standard", "leave out"
    ]
    code: str = Field("", description="reference material code; empty: the id as written")
    duplicate_kind: Literal["", "field", "coarse", "pulp", "lab repeat"] = ""


class CellRules(Part):
    """How cells of this table are to be read where the table does not say."""

    decimal_mark: Literal["", ".", ","] = Field("", description="empty: found from the file")
    limit_from: Literal["", "error column"] = Field(
        "", description="where '<LOD' stands, the limit is the number in the error column"
    )
    negative: Literal["value", "below limit", "refuse"] = Field(
        "value", description="what a negative result means"
    )
    zero: Literal["unstated", "measured", "below limit", "no result"] = Field(
        "unstated",
        description="what a zero means; unstated: it is told at 'check', and pairs that rest on "
        "one are set aside",
    )
    below_words: tuple[str, ...] = Field((), description="further words for 'below the limit'")
    no_result_words: tuple[str, ...] = Field((), description="further words for 'not analysed'")
    averages: Literal["set aside", "keep"] = Field(
        "set aside",
        description="averages and spreads that an export adds below its readings: set aside and "
        "held against our own means, or kept as readings",
    )
    accepted_words: tuple[str, ...] = Field(
        (), description="further words of a status column for a reading that counts"
    )
    rejected_words: tuple[str, ...] = Field(
        (), description="further words of a status column for a reading that is set aside"
    )
    error_sigma: Positive | None = Field(
        None, description="how many standard deviations the error columns hold"
    )
    day_first: bool | None = Field(None, description="dates are day/month/year")
    lower_limits: dict[str, Positive] = Field(
        default_factory=dict, description="element = limit in the column's unit, where none stands"
    )


def _starred(text: str) -> str:
    if text.count("*") != 1 or not text.strip("* "):
        raise ValueError(
            f"'{text}' needs one '*', where the element stands, and the mark of the side beside it"
        )
    return text


#: A heading with a star for the element.
Starred = Annotated[str, AfterValidator(_starred)]


class RecordSettings(Part):
    """Where the records of a JSON or XML file stand, and which of their values are columns."""

    at: Annotated[str, Field(min_length=1, max_length=500)] = Field(
        description="path of the records from the outermost key or element, joined by points; "
        "lists on the way are walked through"
    )
    fields: dict[str, str] = Field(
        description="heading = path from the record; '^' goes one step up, '@name' is an attribute"
    )

    @field_validator("fields")
    @classmethod
    def _some_field(cls, value: dict[str, str]) -> dict[str, str]:
        if not value:
            raise ValueError("name at least one heading and its path")
        return value


class TableSettings(Part):
    """One kind of file: where it lies and how it is read."""

    kind: Literal[
        "field", "lab", "sample register", "custody", "reference materials", "aliases",
        "corrections", "evidence", "specification limits", "instrument checks", "instruments",
        "laboratories",
    ]  # fmt: skip
    files: tuple[Pattern, ...] = Field(
        description="paths or patterns relative to this file; {period} stands for e.g. 2026-10"
    )
    name: Annotated[str, Field(max_length=100)] = Field("", description="short name for messages")
    required: bool = Field(
        True, description="a missing file is a serious finding; false: it is not told"
    )
    sheet: str | tuple[str, ...] = Field("", description="sheet name(s); empty: every sheet")
    layout: Literal["", "wide", "long"] = Field("", description="empty: found from the headings")
    heading_rows: Annotated[int, number(ge=1, le=100)] | None = Field(
        None, description="number of heading rows; empty: found"
    )
    first_row: Annotated[int, number(ge=1, le=1_048_576)] | None = Field(
        None, description="row of the first heading; empty: found"
    )
    final_line_end: Literal["present", "absent"] = Field(
        "present",
        description="whether the last line of these text files has a line end; where it lacks one "
        "that is present elsewhere, the last cell is not believed",
    )
    records: RecordSettings | None = Field(
        None, description="of JSON and XML files: where the records stand, and their columns"
    )
    unit: str = Field("", description="unit of result columns that name none")
    recalculate_to_dry: bool = Field(
        False,
        description="put results of moist rows on the dry basis by the moisture that each row "
        "states (% of the moist mass); rows that state none stay as they are",
    )
    largest_sum_pct: Positive = Field(
        102.0,
        description="largest sum of a row's results as reported, % (100 and room for rounding and "
        "uncertainty; common practice, no source)",
    )
    above_largest_sum: Literal["", "refuse", "tell"] = Field(
        "",
        description="a row above largest_sum_pct: refuse it, or tell it and keep it; empty: told "
        "for LIBS, whose single shots need not close to 100 %, refused elsewhere",
    )
    mean_above_largest_sum: Literal["tell", "keep out"] = Field(
        "tell",
        description="a sample whose mean adds up to more than largest_sum_pct, where its rows are "
        "told: named as a finding, or its pairs kept out of the statistics too",
    )
    only: tuple[str, ...] = Field((), description="elements to read; empty: all that are found")
    columns: dict[str, str | ColumnRule] = Field(
        default_factory=dict, description="heading = meaning"
    )
    take: tuple[Starred, ...] = Field(
        (),
        description="of a table that holds both sides, the headings of this side's results, '*' "
        "standing for the element: 'pXRF_*', '*_icp'; other results are left to another table, "
        "and rows without a result of this side are set aside. Empty: all results",
    )
    fixed: dict[str, str | Annotated[float, number()]] = Field(
        default_factory=dict, description="facts that hold for every row"
    )
    sample_id_template: str = Field("", description="builds the id from headings: 'C1-{upper}'")
    sample_id_rules: tuple[IdRule, ...] = ()
    kind_rules: tuple[KindRule, ...] = ()
    look_up: Literal["", "lab_id"] = Field(
        "", description="ids in this table are lab ids, looked up in the sample register"
    )
    cells: CellRules = CellRules()

    @field_validator("files")
    @classmethod
    def _some_file(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if not value:
            raise ValueError("name at least one file or pattern")
        return value
