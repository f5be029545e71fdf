"""What readings say of themselves: shots, spots, purge, time, moisture, errors, overlaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.quality.controls import number
from reconcile.evidence.quality.of_reading import NAMED, Column, Floats, by_method, warning

#: Lines below about 200 nm are absorbed by air (common knowledge of the trade, from memory;
#: wavelengths from memory): element and its usual line, nm.
ULTRAVIOLET_LINES = {"P": 178.3, "S": 180.7, "Hg": 184.9, "C": 193.1, "As": 193.7}

_NO_PURGE = frozenset({"", "none", "no", "n", "air", "off", "false", "0", "without"})

_MOIST = frozenset({"as received", "wet", "moist", "field moist"})


@dataclass(frozen=True, slots=True)
class Overlap:
    """An element whose lines lie under another's, from a ratio of mass fractions on."""

    of: str  # the element that is read wrongly
    by: str
    ratio: float
    lines: str
    source: str


_NO_SOURCE = "ratio: common practice, no source"

_KB = f"US EPA Method 6200, section 4.6, for the lines; {_NO_SOURCE}"

#: Lead on arsenic stands in ``interference``: there the pair is left out.
OVERLAPS: tuple[Overlap, ...] = (
    Overlap("Co", "Fe", 100, "Fe K beta on Co K alpha", _KB),
    Overlap("Cr", "V", 10, "V K beta on Cr K alpha", _KB),
    Overlap("V", "Ti", 10, "Ti K beta on V K alpha", _NO_SOURCE),
    Overlap("Mn", "Cr", 20, "Cr K beta on Mn K alpha", _NO_SOURCE),
    Overlap("Ti", "Ba", 10, "Ba L alpha on Ti K alpha", _NO_SOURCE),
    Overlap("Zr", "Sr", 10, "Sr K beta on Zr K alpha", _NO_SOURCE),
    Overlap("Mo", "Zr", 10, "Zr K beta on Mo K alpha", _NO_SOURCE),
    Overlap("Au", "W", 10, "W L beta on Au L alpha", _NO_SOURCE),
    Overlap("Au", "Zn", 100, "Zn K beta on Au L alpha", _NO_SOURCE),
    Overlap("S", "Pb", 10, "Pb M on S K alpha", _NO_SOURCE),
)


def rejected_shots(shots: pd.DataFrame, thresholds: Thresholds) -> list[Finding]:
    """Methods of whose shots many were rejected."""
    found = []
    for method, rows in by_method(shots):
        share = rows["rejected"].groupby(rows["sample_id"]).agg(["mean", "sum", "count"])
        over = share.loc[share["mean"].gt(thresholds.rejected_share)]
        if len(over):
            told = "; ".join(
                f"{name}: {int(row['sum'])} of {int(row['count'])}"
                for name, row in list(over.iterrows())[:NAMED]
            )
            found.append(
                warning(
                    map(str, over.index),
                    f"Many shots rejected: {len(over)} sample(s), {method}.",
                    f"{told}; limit {thresholds.rejected_share:.0%} (common practice, no source)",
                    "What is left may be a choice of the good-looking shots: read the sample again "
                    "on a better surface.",
                    code=FindingCode.SHOTS_REJECTED,
                )
            )
    return found


def few_spots(shots: pd.DataFrame, thresholds: Thresholds) -> list[Finding]:
    """Samples read at too few places."""
    found = []
    for method, rows in by_method(shots):
        spots = rows.groupby("sample_id")["spot"].nunique()
        few = spots.loc[spots.lt(thresholds.libs_spots)]
        if len(few):
            found.append(
                warning(
                    map(str, few.index),
                    f"Few spots: {len(few)} of {len(spots)} sample(s) by {method} have fewer than "
                    f"{thresholds.libs_spots} spots.",
                    f"fewest {int(few.min())}; shots at one spot do not stand for each other's "
                    "sample (common practice, no source)",
                    "Read more spots, at random or in a raster; more shots at one spot add little.",
                    code=FindingCode.FEW_SPOTS,
                )
            )
    return found


def purge_missing(
    facts: pd.DataFrame, chosen: npt.NDArray[np.bool_], column: Column
) -> list[Finding]:
    """Lines that air absorbs, read without a purge of gas."""
    line = ULTRAVIOLET_LINES.get(column.element)
    if line is None:
        return []
    rows = facts.loc[chosen & np.isfinite(column.value)]
    gas = rows["gas_purge"].fillna("").astype("str").str.strip().str.casefold()
    without = rows.loc[gas.isin(_NO_PURGE)]
    return [
        warning(
            map(str, part["sample_id"]),
            f"No gas purge stated: {column.element} by {method}.",
            f"{len(part)} shot(s) of {part['sample_id'].nunique()} sample(s); the line at "
            f"{line:g} nm lies in the ultraviolet that air absorbs",
            "Enter gas and purge with each reading; read again under argon where none was used.",
            code=FindingCode.NO_GAS_PURGE,
        )
        for method, part in by_method(without)
    ]


# ---- counts -----------------------------------------------------------------------------

#: Energy of the K alpha line, keV: a few millimetres of air absorb most of it (from memory).
AIR_ABSORBS = {"Mg": 1.25, "Al": 1.49, "Si": 1.74, "P": 2.01, "S": 2.31, "Cl": 2.62}


def read_in_air(
    facts: pd.DataFrame, chosen: npt.NDArray[np.bool_], column: Column
) -> list[Finding]:
    """Light elements that were read without purge gas or vacuum, as far as is stated."""
    line = AIR_ABSORBS.get(column.element)
    if line is None:
        return []
    rows = facts.loc[chosen & np.isfinite(column.value)]
    gas = rows["gas_purge"].fillna("").astype("str").str.strip().str.casefold()
    return [
        warning(
            map(str, part["sample_id"]),
            f"Read in air: {column.element} by {method}.",
            f"{len(part)} reading(s) of {part['sample_id'].nunique()} sample(s), no purge stated; "
            f"air absorbs the line at {line:g} keV, and surface and moisture change it",
            "Read with helium or under vacuum, or let the laboratory's result stand.",
            "note",
            code=FindingCode.LIGHT_IN_AIR,
        )
        for method, part in by_method(rows.loc[gas.isin(_NO_PURGE)])
    ]


def short_counts(readings: pd.DataFrame, thresholds: Thresholds) -> list[Finding]:
    """Counts that are shorter than agreed, or of unlike length."""
    found = []
    # A long table has a row for each element of one reading.
    for method, rows in by_method(readings.drop_duplicates(["method", "sample_id", "spot"])):
        seconds = pd.to_numeric(rows["count_time_s"], errors="coerce")
        missing, short = seconds.isna(), seconds.lt(thresholds.count_time_s)
        if missing.any():
            found.append(
                warning(
                    [method] if missing.all() else map(str, rows.loc[missing, "sample_id"]),
                    f"Count time not stated: {int(missing.sum())} of {len(rows)} reading(s), "
                    f"{method}.",
                    "",
                    "Export the count time with each reading, or enter it with 'fixed'.",
                    "note",
                    code=FindingCode.COUNT_TIME_NOT_STATED,
                )
            )
        if short.any():
            found.append(
                warning(
                    map(str, rows.loc[short, "sample_id"]),
                    f"Short count time: {int(short.sum())} of {len(rows)} reading(s), {method}.",
                    f"shortest {seconds.min():g} s, limit {thresholds.count_time_s:g} s; the error "
                    "falls with the square root of the time",
                    "Read longer; four times the time halves the counting error.",
                    code=FindingCode.COUNT_TIME_SHORT,
                )
            )
    return found


class Errors:
    """Counting errors against values, gathered element by element and told by method."""

    def __init__(self, thresholds: Thresholds) -> None:
        self._thresholds = thresholds
        self._below: dict[tuple[str, str], tuple[list[str], int]] = {}
        self._estimated: dict[str, list[str]] = {}
        self._missing: dict[str, list[str]] = {}

    def add(self, rows: pd.DataFrame, element: str, value: Floats, error: Floats) -> None:
        """One element's readings; rows without a quantified value say nothing."""
        known = np.isfinite(value)
        t = self._thresholds
        for method, part in by_method(
            rows.assign(value=value, error=error).loc[known].reset_index(drop=True)
        ):
            stated = part["error"].gt(0)
            if not stated.all():
                self._missing.setdefault(method, []).append(
                    f"{element} ({int((~stated).sum())} of {len(part)})"
                )
            multiple = (part["value"] / part["error"].where(stated)).to_numpy("float64")
            below = multiple < t.detection_sigma
            estimated = (multiple < t.quantitation_sigma) & ~below
            if below.any():
                names = [str(s) for s in part["sample_id"][below]]
                self._below[method, element] = (names, len(part))
            if estimated.any():
                self._estimated.setdefault(method, []).append(
                    f"{element} ({int(estimated.sum())} of {len(part)})"
                )

    def findings(self) -> list[Finding]:
        """What was gathered, method by method."""
        t = self._thresholds
        found = [
            warning(
                names,
                f"Result below {t.detection_sigma:g} of its own standard deviations: {element}, "
                f"{method}.",
                f"{len(names)} of {total} quantified reading(s) (US EPA Method 6200, section 9.6)",
                "It is not detected, and should read as below its limit; check how many standard "
                "deviations the error column holds.",
                code=FindingCode.NOT_DETECTED,
            )
            for (method, element), (names, total) in sorted(self._below.items())
        ]
        for method, told in sorted(self._estimated.items()):
            found.append(
                warning(
                    [method],
                    f"Detected and not quantified: readings by {method} below "
                    f"{t.quantitation_sigma:g} of their own standard deviations.",
                    "; ".join(told) + " (US EPA Method 6200, section 9.6)",
                    "Treat these values as estimates; longer counts make them firmer.",
                    "note",
                    code=FindingCode.NOT_QUANTIFIED,
                )
            )
        for method, told in sorted(self._missing.items()):
            found.append(
                warning(
                    [method],
                    f"Counting error not stated: readings by {method}.",
                    "; ".join(told),
                    "Export the error of each reading, and say how many standard deviations it is.",
                    "note",
                    code=FindingCode.ERROR_NOT_STATED,
                )
            )
        return found


def moist(readings: pd.DataFrame, thresholds: Thresholds) -> list[Finding]:
    """Specimens read moist, or of unknown moisture."""
    basis = readings["moisture_basis"].fillna("").astype("str").str.strip().str.casefold()
    water = pd.to_numeric(readings["moisture_pct"], errors="coerce")
    moist = basis.isin(_MOIST)
    found = []
    over = readings.loc[basis.ne("dry") & water.gt(thresholds.moisture_pct)]
    for method, rows in by_method(over):
        found.append(
            warning(
                map(str, rows["sample_id"]),
                f"Read moist: {rows['sample_id'].nunique()} sample(s) by {method} hold more than "
                f"{thresholds.moisture_pct:g} % water.",
                f"up to {water[rows.index].max():g} % (US EPA Method 6200, section 4.3)",
                "Dry the specimen and read it again; a factor for dilution does not mend the "
                "attenuation.",
                code=FindingCode.READ_MOIST,
            )
        )
    for method, rows in by_method(readings.loc[moist & water.isna()]):
        found.append(
            warning(
                map(str, rows["sample_id"]),
                f"Moisture not stated: {rows['sample_id'].nunique()} sample(s) read moist by "
                f"{method}.",
                "",
                "Weigh a part before and after drying and enter the moisture.",
                "note",
                code=FindingCode.MOISTURE_NOT_STATED,
            )
        )
    return found


def overlapping_lines(means: dict[str, pd.Series]) -> list[Finding]:
    """Samples in which another element's lines lie on this one's."""
    found = []
    for pair in OVERLAPS:
        if pair.of not in means or pair.by not in means:
            continue
        both = pd.DataFrame({"of": means[pair.of], "by": means[pair.by]}).dropna()
        both = both.loc[both["of"].gt(0)]
        both["ratio"] = both["by"] / both["of"]
        both = both.loc[both["ratio"].ge(pair.ratio)].reset_index()
        for method, rows in by_method(both):
            found.append(
                warning(
                    map(str, rows["sample_id"]),
                    f"{pair.by} overlaps {pair.of}: {len(rows)} sample(s), {method}.",
                    f"{pair.by}:{pair.of} up to {number(float(rows['ratio'].max()), 3)}, limit "
                    f"{pair.ratio:g}; {pair.lines}; {pair.source}",
                    f"Take the laboratory's {pair.of} for these samples, or show by spiked or "
                    "matched material that the correction for the overlap holds.",
                    code=FindingCode.LINES_OVERLAP,
                )
            )
    return found
