"""Facts of rows: ids, kinds, look-up in the register, numbers, times and fixed facts."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile import techniques
from reconcile.base.errors import ReconcileError
from reconcile.base.nearest import meant
from reconcile.base.part_roles import BASE_METAL, HEAT_AFFECTED, OTHER_ROLE, WELD_METAL
from reconcile.base.selection import EXTREME, NEAR_LEVEL, RANDOM, SUSPICION
from reconcile.base.settings.tables import IdRule, TableSettings
from reconcile.intake.blocks import Block
from reconcile.intake.cells import plain_number
from reconcile.intake.headings import matching
from reconcile.intake.quick_text import is_tidy
from reconcile.intake.times import parse_times
from reconcile.intake.vocabulary import FACTS, NUMBER_FACTS, TIME_FACTS, facts_of
from reconcile.intake.wording import plain
from reconcile.intake.workbooks import number_text

if TYPE_CHECKING:
    import schemas
else:  # ours, whatever else has that name where the program runs
    from reconcile import schemas

_NONE = pa.scalar(None, pa.string())

#: Spellings of the few words that a fact may hold.
NORMAL_WORDS: dict[str, dict[str, str]] = {
    "sample_kind": {
        "sample": "sample", "routine": "sample", "normal": "sample", "original": "sample",
        "primary": "sample", "unknown": "sample", "blank": "blank", "blk": "blank",
        "reference material": "reference material", "crm": "reference material",
        "srm": "reference material", "rm": "reference material", "std": "reference material",
        "standard": "reference material", "certified reference material": "reference material",
        "duplicate": "duplicate", "dup": "duplicate", "check standard": "check standard",
        "check": "check standard", "leave out": "leave out",
    },
    "moisture_basis": {
        "dry": "dry", "dry basis": "dry", "oven dry": "dry", "oven-dry": "dry", "dried": "dry",
        "as received": "as received", "as-received": "as received", "ar": "as received",
        "wet": "wet", "moist": "wet", "wet basis": "wet", "field moist": "wet",
        "not applicable": "not applicable", "n/a": "not applicable",
    },
    "technique": techniques.spellings(),
    "check": {
        "energy": "energy", "energy check": "energy", "energy calibration": "energy",
        "energy calibration check": "energy", "system check": "energy", "self check": "energy",
    },
    "outcome": {
        "passed": "passed", "pass": "passed", "ok": "passed", "yes": "passed", "good": "passed",
        "failed": "failed", "fail": "failed", "no": "failed", "not ok": "failed",
    },
    "selection": {
        "random": RANDOM, "at random": RANDOM, "random choice": RANDOM,
        "near a level": NEAR_LEVEL, "near level": NEAR_LEVEL, "near the level": NEAR_LEVEL,
        "near cut-off": NEAR_LEVEL, "near action level": NEAR_LEVEL,
        "extreme": EXTREME, "extremes": EXTREME, "highest": EXTREME, "lowest": EXTREME,
        "high": EXTREME, "hot spot": EXTREME, "hotspot": EXTREME,
        "suspicion": SUSPICION, "suspect": SUSPICION, "suspected": SUSPICION, "doubt": SUSPICION,
    },
    "spot_class": {
        "random": "random", "raster": "raster", "grid": "raster", "targeted": "targeted",
        "target": "targeted",
    },
    "part_role": {
        "base": BASE_METAL, "base metal": BASE_METAL, "parent": BASE_METAL,
        "parent metal": BASE_METAL, "plate": BASE_METAL, "bm": BASE_METAL, "body": BASE_METAL,
        "haz": HEAT_AFFECTED, "heat affected zone": HEAT_AFFECTED,
        "heat-affected zone": HEAT_AFFECTED,
        "weld": WELD_METAL, "weld metal": WELD_METAL, "wm": WELD_METAL, "filler": WELD_METAL,
        "filler metal": WELD_METAL, "weld seam": WELD_METAL, "seam": WELD_METAL,
        "weld bead": WELD_METAL, "deposit": WELD_METAL, "weld deposit": WELD_METAL,
        "other": OTHER_ROLE,
    },
    "digestion_class": {
        "partial": "partial", "near-total": "near-total", "near total": "near-total",
        "total": "total",
    },
    "duplicate_kind": {
        "field": "field", "coarse": "coarse", "pulp": "pulp", "lab repeat": "lab repeat",
        "repeat": "lab repeat", "lab": "lab repeat",
    },
}  # fmt: skip


def trimmed(column: pa.Array) -> pa.Array:
    """The column without outer blanks; empty text becomes null."""
    if is_tidy(column):
        return column
    column = pc.utf8_trim_whitespace(column)
    return pc.if_else(pc.equal(column, ""), _NONE, column)


def mapped(column: pa.Array, change: Callable[[str], str | None]) -> pa.Array:
    """Apply a function to every different text once."""
    encoded = column.dictionary_encode()
    changed = pa.array([change(t) for t in encoded.dictionary.to_pylist()], pa.string())
    return changed.take(encoded.indices)


def matches(column: pa.Array, pattern: str) -> npt.NDArray[np.bool_]:
    """Which cells the pattern matches as a whole; an empty cell is ''."""
    compiled = re.compile(pattern)
    encoded = pc.fill_null(column, "").dictionary_encode()
    hits = np.array(
        [compiled.fullmatch(t) is not None for t in encoded.dictionary.to_pylist()], bool
    )
    if not len(hits):
        return np.zeros(len(column), bool)
    return np.asarray(hits[encoded.indices.to_numpy(zero_copy_only=False)], bool)


def normal(fact: str, column: pa.Array) -> pa.Array:
    """Usual spellings of a fact that holds one of a few words; others stay as written."""
    spellings = NORMAL_WORDS.get(fact)
    if spellings is None or column.null_count == len(column):
        return column
    return mapped(column, lambda t: spellings.get(" ".join(t.lower().split()), t))


def roles_of(facts: dict[str, pa.Array]) -> None:
    """Fill the role of a place from its location, where that is the word of a role."""
    if "part_role" not in facts or facts["location"].null_count == len(facts["location"]):
        return
    known = NORMAL_WORDS["part_role"]
    named = mapped(facts["location"], lambda t: known.get(" ".join(t.lower().split())))
    facts["part_role"] = pc.coalesce(facts["part_role"], named)


_IN_BRACES = r"\{([^{}]*)\}"


def named_by_rules(table: TableSettings, block: Block) -> frozenset[int]:
    """The columns that the settings may name as parts of ids or as signs of a kind of sample."""
    names = [rule.column for rule in table.kind_rules]
    names += re.findall(_IN_BRACES, table.sample_id_template)
    return frozenset(at for name in names for at in matching(block, name))


def build_ids(
    template: str, block: Block, column_at: Callable[[int], pa.Array], n: int, place: str
) -> tuple[pa.Array, tuple[int, ...]]:
    """Ids from a template such as 'C1-{upper}', and the columns that it names."""
    parts = re.split(_IN_BRACES, template)
    used: list[int] = []
    pieces: list[pa.Array] = []
    for position, part in enumerate(parts):
        if position % 2 == 0:
            if part:
                pieces.append(pa.array([part] * n, pa.string()))
            continue
        found = matching(block, part)
        if len(found) != 1:
            raise ReconcileError(
                f"{place}: the sample_id_template names '{{{part}}}', which is "
                f"{'no heading' if not found else 'the heading of several columns'} of this table.",
                "Use a heading of the table: " + ", ".join(_headings(block)[:20]) + ".",
            )
        used.append(found[0])
        pieces.append(trimmed(column_at(found[0])))
    if not used:
        raise ReconcileError(
            f"{place}: the sample_id_template '{template}' names no heading.",
            "Write a heading in braces, such as 'C1-{upper}'.",
        )
    return pc.binary_join_element_wise(*pieces, ""), tuple(used)


def _headings(block: Block) -> list[str]:
    return [h.names[-1] for h in block.headings if h.names]


def apply_id_rules(ids: pa.Array, rules: tuple[IdRule, ...]) -> pa.Array:
    """Search-and-replace on ids, rule by rule."""
    for rule in rules:
        compiled = re.compile(rule.find)
        ids = mapped(ids, lambda t, c=compiled, r=rule: c.sub(r.replace, t))  # type: ignore[misc]
    return trimmed(ids)


def rule_column(
    name: str, block: Block, column_at: Callable[[int], pa.Array], facts: Mapping[str, pa.Array],
    place: str,
) -> tuple[pa.Array, int]:  # fmt: skip
    """The column that a kind rule looks at: a heading, or the name of a fact."""
    found = matching(block, name)
    if found:
        return trimmed(column_at(found[0])), found[0]
    if name in facts:
        return facts[name], -1
    raise ReconcileError(
        f"{place}: a kind rule looks at '{name}', which is no heading and no fact of this table.",
        "Use a heading of the table: " + ", ".join(_headings(block)[:20]) + ".",
    )


def set_where(
    column: pa.Array, mask: npt.NDArray[np.bool_], value: pa.Array | str | None
) -> pa.Array:
    """The column with ``value`` where the mask is true."""
    if not mask.any():
        return column
    new = value if isinstance(value, pa.Array | pa.ChunkedArray) else pa.scalar(value, pa.string())
    return pc.if_else(pa.array(mask), new, column)


def apply_kind_rules(
    facts: dict[str, pa.Array],
    table: TableSettings,
    block: Block,
    column_at: Callable[[int], pa.Array],
    id_columns: tuple[int, ...],
    place: str,
) -> None:
    """Mark controls; the first rule that matches a row holds."""
    if not table.kind_rules:
        return
    n = len(facts["sample_id"])
    free = np.ones(n, bool)
    for rule in table.kind_rules:
        column, index = rule_column(rule.column, block, column_at, facts, place)
        hit = matches(column, rule.pattern) & free
        free &= ~hit
        if not hit.any():
            continue
        facts["sample_kind"] = set_where(facts["sample_kind"], hit, rule.kind)
        as_written = column if index in id_columns or index == -1 else facts["sample_id"]
        if rule.kind in {"reference material", "check standard"}:
            facts["reference_code"] = set_where(
                facts["reference_code"], hit, rule.code or as_written
            )
        if rule.kind in {"blank", "reference material", "check standard"} and index in id_columns:
            facts["sample_id"] = set_where(facts["sample_id"], hit, column)
        if rule.kind == "duplicate":
            unknown = hit & pc.is_null(facts["duplicate_of"]).to_numpy(zero_copy_only=False)
            facts["duplicate_of"] = set_where(facts["duplicate_of"], unknown, facts["sample_id"])
            if rule.duplicate_kind:
                facts["duplicate_kind"] = set_where(
                    facts["duplicate_kind"], hit, rule.duplicate_kind
                )


def loose(text: str) -> str:
    """An id without case, separators and leading zeros: for suggestions, never for joining."""
    text = re.sub(r"[\s_\-./#]+", "", text.lower())
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", text)


def look_up(
    facts: dict[str, pa.Array], register: pd.DataFrame | None, wanted: tuple[str, ...], place: str
) -> dict[int, tuple[str, str]]:
    """Fill facts by lab id from the register; returns rows that can't be, with reason and advice.

    Only an exact id (outer blanks aside) joins.
    """
    if register is None or register.empty or "lab_id" not in register:
        raise ReconcileError(
            f'{place}: look_up = "lab_id" needs a sample register with lab ids, and none was read.',
            'Add a [[table]] with kind = "sample register" whose columns name lab_id.',
        )
    known = register.loc[register["lab_id"].notna()].copy()
    known["lab_id"] = known["lab_id"].astype(str).str.strip()
    known = known.loc[known["lab_id"] != ""]
    take = [c for c in wanted if c in known.columns and c not in {"row", "lab_id", "note"}]
    known = known.drop_duplicates(subset=["lab_id", *take])
    twice = set(known.loc[known["lab_id"].duplicated(keep=False), "lab_id"])
    known = known.drop_duplicates(subset="lab_id").reset_index(drop=True)
    position = {lab_id: i for i, lab_id in enumerate(known["lab_id"])}
    near: dict[str, str] = {}
    for lab_id in position:
        near.setdefault(loose(lab_id), lab_id)
    encoded = facts["lab_id"].dictionary_encode()
    texts = encoded.dictionary.to_pylist()
    valid = pc.is_valid(facts["lab_id"]).to_numpy(zero_copy_only=False)
    indices = pc.fill_null(encoded.indices, 0).to_numpy(zero_copy_only=False)
    where = np.array([position.get(t, -1) for t in texts] or [-1], "int64")
    rows = np.where(valid, where[indices], -1)
    problems: dict[int, tuple[str, str]] = {}
    for i in np.flatnonzero(valid & (rows < 0)):
        text = texts[indices[i]]
        similar = near.get(loose(text))
        problems[int(i)] = (
            f"lab id '{text}' is not in the sample register",
            f"The register has '{similar}': if it is the same sample, write it alike."
            if similar
            else "Enter it in the register, or mark such rows with a kind rule.",
        )
    for i in np.flatnonzero(valid & (rows >= 0)):
        text = texts[indices[i]]
        if text in twice:
            problems[int(i)] = (
                f"lab id '{text}' stands more than once in the sample register, with different "
                "facts",
                "Correct the register.",
            )
            if len(problems) > len(valid):
                break
    mask = pa.array(rows >= 0)
    picks = pa.array(np.where(rows >= 0, rows, 0))
    for fact in take:
        if fact not in facts or not len(known):
            continue
        source = _arrow(known[fact], facts[fact].type)
        facts[fact] = pc.coalesce(pc.if_else(mask, source.take(picks), None), facts[fact])
    return problems


def _arrow(series: pd.Series, kind: pa.DataType) -> pa.Array:
    if pa.types.is_floating(kind):
        return pa.array(pd.to_numeric(series, errors="coerce").to_numpy("float64", na_value=np.nan),
                        pa.float64(), from_pandas=True)  # fmt: skip
    if pa.types.is_timestamp(kind):
        stamps = pd.to_datetime(series, utc=True)
        return pa.array(stamps, kind, from_pandas=True)
    values = [None if v is None or v is pd.NA or v != v or str(v) == "" else str(v) for v in series]
    return pa.array(values, pa.string())


#: Fixed facts that serve the recalculation only.
BLANK_MASS = "blank_mass_g"


def may_be_fixed(kind: str) -> tuple[str, ...]:
    """The facts that settings may state for a whole table of this kind."""
    return tuple(f for f in FACTS[kind] if f != "row") + ((BLANK_MASS,) * (kind == "lab"))


def faults_of_settings(
    table: TableSettings, zone: str
) -> list[tuple[tuple[str, str], str, str | float]]:
    """What no file of this table could meet: the place in its settings, why, what was found.

    Told once, when the settings are loaded; row by row it would look like faults of the rows.
    """
    if table.kind not in FACTS:
        return []
    found: list[tuple[tuple[str, str], str, str | float]] = []
    for name, value in table.fixed.items():
        why = _no_row_may_hold(table, name, value, zone)
        if why:
            found.append((("fixed", name), why, value))
    known = facts_of(table.kind)
    for heading, rule in table.columns.items():
        means = (rule if isinstance(rule, str) else rule.means).strip()
        roles = ("value", "error", "limit", "ignore", "ignored")
        if means not in {*roles, *known}:
            why = f"no known meaning{meant(means, (*roles, *known))}; use value, error, limit, "
            why += "ignore or one of: " + ", ".join(known)
            found.append((("columns", heading), why, means))
    return found


#: What an unfilled entry of the template looks like, now and in earlier versions.
_PLACEHOLDER = re.compile(r"<.*>")
_OLD_PLACEHOLDERS = {"instrument": "serial number", "calibration": "name and version"}


def _no_row_may_hold(table: TableSettings, name: str, value: str | float, zone: str) -> str:
    """Why a fact can't hold for any row of a table; '' where it can."""
    if name not in may_be_fixed(table.kind):
        allowed = may_be_fixed(table.kind)
        return f"no fact of a {table.kind} table{meant(name, allowed)}; use one of: " + ", ".join(
            allowed
        )
    text = plain(str(value))
    if _PLACEHOLDER.fullmatch(text) or text == _OLD_PLACEHOLDERS.get(name):
        return (
            f'is not filled in; write what is true of every row, such as {name} = "…", or take '
            "the entry out"
        )
    if name in NUMBER_FACTS or name == BLANK_MASS:
        number = plain_number(text)
        if number is None:
            return "no number"
        failures = schemas.fact_failures(table.kind, name, number)
    elif name in TIME_FACTS:
        try:
            bad = parse_times(pa.array([text]), zone, table.cells.day_first, "the settings").bad
        except ReconcileError as error:
            return f"{error.message} {error.advice}"
        return bad.get(0, "")
    else:
        (spelled,) = normal(name, pa.array([text], pa.string())).to_pylist()
        failures = schemas.fact_failures(table.kind, name, spelled)
    return "; ".join(failure.reason for failure in failures)


def fixed_facts(table: TableSettings, allowed: tuple[str, ...], place: str) -> dict[str, str]:
    """The settings' fixed facts as text, checked against what the kind of table knows."""
    for name in table.fixed:
        if name not in allowed:
            raise ReconcileError(
                f"{place}: 'fixed' names '{name}', which is no fact of a {table.kind} table.",
                "Use one of: " + ", ".join(allowed) + ".",
            )
    result = {}
    for name, value in table.fixed.items():
        text = number_text(value) if isinstance(value, float) else str(value)
        result[name] = plain(text)
    return result
