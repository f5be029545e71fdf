"""What intake hands on: one typed, wide table per sheet, with the account of every cell.

A typed table has one row per accepted data row of the file. ``facts`` are the
columns that describe the row (who, when, which sample, which method); ``values``
are the analytes. Wide is 4-8 times cheaper than long for a million rows; a long
file becomes wide rows in which only the row's own element is filled.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pyarrow as pa

from reconcile.intake.counting import Counted

#: qualifier codes in ``<key>_q`` (int8): null means the cell was empty (not reported)
QUANTIFIED, BELOW, ABOVE, NO_RESULT = 0, 1, 2, 3
#: What a row's status comes to; other text stands as it was written, and the row counts.
ACCEPTED, REJECTED = "accepted", "rejected"
#: ``<key>`` + PLAIN: the results of a plain table (float64 mg/kg): sign bit clear, a quantified
#: value; sign bit set, below that limit; null, an empty cell. Stands for all other columns.
PLAIN = "_plain"


#: Facts that may describe a row, by kind of table. Text unless said. All facts of a kind
#: are always present in ``facts`` (null where the table does not say).
COMMON_FACTS = (
    "row",  # int64: 1-based line of the file or row of the sheet
    "sample_id",  # as written, after sample_id_template / sample_id_rules
    "lab_id",  # the lab's own number, where it has one; looked up in the register
    "sample_kind",  # sample | blank | reference material | duplicate | check standard
    "reference_code",  # which reference material or check standard
    "duplicate_of",  # sample id whose duplicate this is
    "duplicate_kind",  # field | coarse | pulp | lab repeat
    "matrix",
    "specimen_form",
    "moisture_basis",  # dry | as received | wet | not applicable (metal)
    "moisture_pct",  # float
    "pair_type",
    "group",  # hole, batch, heat
    "note",
)
FIELD_FACTS = (
    *COMMON_FACTS,
    "technique",  # LIBS | XRF
    "instrument",  # serial
    "calibration",
    "operator",
    "measured_at",  # timestamp[us, UTC]
    "reading_no",
    "spot_no",
    "shot_no",
    "spot_class",  # random | raster | targeted
    "location",  # where on the part
    "position_mm",  # float: along a line on the part
    "part_role",  # base metal | heat-affected zone | weld metal | other
    "ordered_grade",  # what the part, or this place of it, should be
    "gas_purge",
    "count_time_s",  # float
    "model",  # of the instrument, and its software, as the export writes them
    "software",
    "temperature",
    "filter",
    "latitude",
    "longitude",
    "easting",
    "northing",
    "coordinate_system",  # of the coordinates of the row
    "status",  # ACCEPTED, REJECTED or as written
    "status_reason",  # of a rejected row
)
LAB_FACTS = (
    *COMMON_FACTS,
    "technique",  # ICP-OES, fire assay …
    "laboratory",
    "lab_method",
    "digestion",
    "digestion_class",  # partial | near-total | total
    "certificate",
    "certificate_issue",  # 1, 2 … re-issues supersede
    "dispatch",
    "received_at",  # timestamps[us, UTC]
    "analysed_at",
    "reported_at",
    "sample_mass_g",  # float
    "digest_volume_ml",  # float
    "location",  # as of a field reading
    "part_role",
    "status",
    "status_reason",
)
REGISTER_FACTS = (
    *COMMON_FACTS,
    "collected_at",  # timestamp[us, UTC]
    "collected_by",
    "dispatch",
    "dispatched_at",  # timestamp[us, UTC]
    "dispatched_by",
    "seal",  # put on the dispatch when it left
    "sample_mass_g",  # float
    "place",
    "selection",  # random | near a level | extreme | suspicion, or as written
    "selection_probability",  # float: chance of being chosen, as 'plan' writes it
    "ordered_grade",  # of a table of specification limits
    "latitude",  # of a field reading
    "longitude",
    "easting",
    "northing",
    "coordinate_system",
)
CUSTODY_FACTS = (
    "row",
    "event_id",
    "sample_id",  # or several separated by ";"
    "dispatch",
    "event",  # collected, sealed, relinquished, received, opened, subsampled, analysed, …
    "at",  # timestamp[us, UTC]
    "by",  # who acted
    "to",  # who received
    "seal",
    "seal_intact",
    "containers",  # float
    "mass_g",  # float
    "place",
    "note",
)
#: reference materials: long: code, element, value, expanded uncertainty, unit -> mg/kg
REFERENCE_FACTS = (
    "row", "reference_code", "element", "certified_mg_kg", "at_most_mg_kg", "uncertainty_mg_kg",
    "coverage_factor", "matrix", "note",
)  # fmt: skip
#: one row per grade and element, or formula of elements; minimum and maximum in the row's own unit
LIMIT_FACTS = ("row", "grade", "element", "formula", "minimum", "maximum", "unit", "note")
#: checks of an instrument without a sample, such as that of its energy scale
CHECK_FACTS = ("row", "instrument", "check", "at", "outcome", "by", "note")
#: what is known of each instrument, and of each laboratory and method
INSTRUMENT_FACTS = (
    "row", "instrument", "make", "model", "software", "calibration", "calibration_due", "licence",
    "note",
)  # fmt: skip
LABORATORY_FACTS = (
    "row", "laboratory", "lab_method", "scope", "accreditation", "valid_until", "note",
)  # fmt: skip
ALIAS_FACTS = ("row", "written_id", "sample_id", "entered_by", "reason")
#: a quarantine.csv of a release, filled in: which cell of which file should have held what
CORRECTION_FACTS = (
    "row", "file", "of_sheet", "file_row", "column", "found", "sha256", "corrected_value",
    "corrected_by", "corrected_because",
)  # fmt: skip


#: Role of a name in the settings' ``columns`` that the table does not have.
ABSENT = "absent"


@dataclass(frozen=True, slots=True)
class ColumnMeaning:
    """How one column of a file was understood."""

    index: int  # 0-based position; -1 where the settings name a column that is not there
    heading: str  # as it stands in the file, lines joined by a space
    role: str  # value | error | limit | fact | ignored | unclear | asked | absent
    key: str  # analyte key, or the fact's name, or ""
    element: str = ""
    species: str = ""  # element or oxide as written, e.g. "Fe2O3"
    unit: str = ""  # as understood, e.g. "mg/kg", "%", "mg/L"
    to_mg_kg: float = float("nan")  # factor, unit and oxide together; NaN where row-dependent
    sigma: float = float("nan")  # for error columns: how many standard deviations
    method: str = ""  # column-level method, e.g. a lab method code or wavelength
    why: str = ""  # plain words: settings, heading, unit row …


@dataclass(frozen=True, slots=True)
class Analyte:
    """One column of results: the key that names its columns in ``values``."""

    key: str  # "Fe", or "Fe@ICP-OES 238.204" where the column names a method
    element: str
    method: str
    species: str
    unit: str  # as reported
    isotope: int = 0  # mass number that the heading names; 0: none


@dataclass(frozen=True, slots=True)
class AppliedCorrection:
    """A cell that a person corrected, with the text that stands in the file."""

    sheet: str
    row: int
    column: str
    original: str
    corrected: str
    by: str
    because: str
    entered_in: str  # file and row of the entry
    refused: str = ""  # why it was not applied


@dataclass(frozen=True, slots=True)
class TypedTable:
    """One sheet, read and typed.

    ``values`` has, per analyte key: ``<key>`` (float64 mg/kg, null where not
    quantified), ``<key>_q`` (int8 code above), ``<key>_lim`` (float64 mg/kg; also where
    quantified, if the table or the settings state a lower limit; null below a limit that
    is not known) and, where the table has it, ``<key>_err`` (float64 mg/kg, one standard
    deviation). A cell in quarantine has code NO_RESULT and keeps its text.
    A plain table has ``<key>_plain`` (see PLAIN) in the place of these; ``in_full`` spells
    them out.
    ``texts`` keeps the original text of every cell whose text is not simply the
    number, or '<' and the number: columns row, key, text. Rows: len(facts) == len(values).
    """

    kind: str
    path: str  # relative to the workspace, forward slashes
    sheet: str
    sha256: str
    facts: pa.Table
    values: pa.Table
    analytes: tuple[Analyte, ...]
    texts: pa.Table
    columns: tuple[ColumnMeaning, ...]
    quarantine: pd.DataFrame  # model.QUARANTINE_COLUMNS
    rows_in_file: int  # rows below the headings, counted apart from the reading (``counting``);
    # a row over several lines that was refused counts with each of its lines
    counted: Counted
    lines_joined: int = 0  # further lines of accepted rows that run over several
    rows_set_aside: tuple[tuple[str, int], ...] = ()  # e.g. ("summary line", 2)
    sums: pa.Table | None = None
    """Rows that may add up to more than the whole: row, sum_pct (% as reported)."""
    corrections: tuple[AppliedCorrection, ...] = ()
    notes: tuple[str, ...] = ()  # recalculations and other things that must not be silent
    without_result: pa.Array = field(default_factory=lambda: pa.array([], pa.int64()))
    """Lines of the accepted rows of which no cell holds a result; field and lab."""

    @property
    def rows_accepted(self) -> int:
        """Rows of the file of which something is accepted; a row can hold several values."""
        if self.kind != "reference materials":
            return int(self.facts.num_rows)
        return len(self.facts.column("row").unique())

    @property
    def balances(self) -> bool:
        """Whether what became of the rows is what was counted in the file."""
        whole = self.quarantine.loc[self.quarantine["column"].eq(""), "row"].nunique()
        aside = sum(count for _, count in self.rows_set_aside)
        rows = self.rows_accepted + int(whole) + aside
        lines = self.rows_in_file + self.counted.above + self.lines_joined
        return rows == self.rows_in_file and lines == self.counted.lines


def in_full(values: pa.Table) -> pa.Table:
    """Results with value, qualifier and limit apart, also of a plain table."""
    columns: dict[str, pa.Array | pa.ChunkedArray] = {}
    for name in values.column_names:
        if not name.endswith(PLAIN):
            columns[name] = values.column(name)
            continue
        key = name.removesuffix(PLAIN)
        number = values.column(name).to_numpy()
        empty, below = np.isnan(number), np.signbit(number)
        code = np.where(below, np.int8(BELOW), np.int8(QUANTIFIED))
        columns[key] = pa.array(number, mask=empty | below)
        columns[f"{key}_q"] = pa.array(code, pa.int8(), mask=empty)
        columns[f"{key}_lim"] = pa.array(-number, mask=empty | ~below)
    return pa.table(columns)
