"""The columns of an analyte in the store, and SQL that reads its cells however they are kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from reconcile.intake import tables as contract
from reconcile.store.statements import Sql, listed, quoted, sql

#: Table name in the store and facts, by kind of file.
ROW_TABLES: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "field": ("field", contract.FIELD_FACTS),
    "lab": ("lab", contract.LAB_FACTS),
    "sample register": ("register", contract.REGISTER_FACTS),
    "custody": ("custody_event", contract.CUSTODY_FACTS),
    "reference materials": ("reference_material", contract.REFERENCE_FACTS),
    "aliases": ("alias", contract.ALIAS_FACTS),
    "corrections": ("correction", contract.CORRECTION_FACTS),
    "specification limits": ("specification_limit", contract.LIMIT_FACTS),
    "instrument checks": ("instrument_check", contract.CHECK_FACTS),
    "instruments": ("instrument", contract.INSTRUMENT_FACTS),
    "laboratories": ("laboratory", contract.LABORATORY_FACTS),
}

TIME_FACTS = frozenset(
    {
        "measured_at",
        "received_at",
        "analysed_at",
        "reported_at",
        "collected_at",
        "dispatched_at",
        "at",
        "calibration_due",
        "valid_until",
    }
)

NUMBER_FACTS = frozenset(
    {
        "moisture_pct",
        "count_time_s",
        "sample_mass_g",
        "digest_volume_ml",
        "containers",
        "mass_g",
        "certified_mg_kg",
        "uncertainty_mg_kg",
        "coverage_factor",
        "minimum",
        "maximum",
        "position_mm",
        "at_most_mg_kg",
        "selection_probability",
    }
)

#: Columns of one analyte: mark in the store, ending in ``TypedTable.values``, type. A row has
#: its number in ``r:`` where its table is plain (see ``tables.PLAIN``), else in the others.
VALUE_PARTS = (
    ("v:", "", "DOUBLE"),
    ("q:", "_q", "TINYINT"),
    ("l:", "_lim", "DOUBLE"),
    ("e:", "_err", "DOUBLE"),
    ("r:", contract.PLAIN, "DOUBLE"),
)


def is_result(column: str) -> bool:
    """Whether a column of the field or lab table holds a part of an analyte's results."""
    return column[:2] in {mark for mark, _, _ in VALUE_PARTS}


@dataclass(frozen=True, slots=True)
class Cell:
    """SQL expressions of one analyte in a table of rows: value, qualifier, limit, error.

    ``plain`` is the column of plain results where the analyte has no other, else ''.
    """

    value: Sql
    code: Sql
    limit: Sql
    error: Sql
    plain: Sql

    def parts(self) -> dict[str, Sql]:
        """The four parts of a result by name."""
        return {"value": self.value, "code": self.code, "limit": self.limit, "error": self.error}


@dataclass(frozen=True, slots=True)
class Cells:
    """The columns of a table of rows in small letters: the store tells none apart by capitals."""

    columns: frozenset[str]

    def folded(self, key: str) -> dict[str, Sql]:
        """SQL that gives a cell alike however it is stored, for ``contents``.

        'r' is the cell as a plain result, NULL where it is none; 'x' a hash of what is none.
        """
        kept = self._kept(key)
        none, no_code = sql("cells.no_number"), sql("cells.no_code")
        plain = kept.get("r", none)
        if not kept.keys() & set("vqle"):
            return {"r": plain}
        value, limit, error = (kept.get(mark, none) for mark in "vle")
        parts = {"value": value, "code": kept.get("q", no_code), "limit": limit, "error": error}
        number = sql("cells.folded_number", plain=plain, **parts)
        return {"r": number, "x": sql("cells.folded_other", number=number, **parts)}

    def _kept(self, key: str) -> dict[str, Sql]:
        names = {mark: f"{mark}:{key}" for mark in "rvqle"}
        return {m: quoted(name) for m, name in names.items() if name.lower() in self.columns}

    def of(self, key: str) -> Cell:
        """How a statement reads one analyte; NULL where its cell is empty."""
        kept = self._kept(key)
        plain = kept.get("r", Sql())
        parts = []
        for mark, empty, from_plain in (
            ("v", "no_number", "plain_value"),
            ("q", "no_code", "plain_code"),  # QUANTIFIED or BELOW
            ("l", "no_number", "plain_limit"),
            ("e", "no_number", ""),
        ):
            choices = [kept[mark]] if mark in kept else []
            choices += [sql(f"cells.{from_plain}", plain=plain)] if plain and from_plain else []
            parts.append(
                sql("cells.first", choices=listed(choices)) if choices else sql(f"cells.{empty}")
            )
        value, code, limit, error = parts
        alone = not kept.keys() & {"v", "q", "l"}
        return Cell(value, code, limit, error, plain if alone else Sql())


def type_of(fact: str) -> str:
    """The type in the store of a fact of a row."""
    if fact in TIME_FACTS:
        return "TIMESTAMP"
    if fact in NUMBER_FACTS:
        return "DOUBLE"
    return "BIGINT" if fact == "row" else "VARCHAR"


def kind_of(name: str) -> Sql:
    """A type of columns, by its name."""
    return sql(f"kinds.{name.lower()}")
