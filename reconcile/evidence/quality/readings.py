"""What the readings themselves tell: shots, spots and purge (LIBS), counts, errors, moisture
and overlapping lines (XRF).

These are findings for a person. None of them keeps a pair out of the statistics; where a
rule does so (lead on arsenic) it stands in ``interference``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from reconcile import techniques
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.quality.controls import number
from reconcile.techniques import Judged

Floats = npt.NDArray[np.float64]

#: Longer series are thinned to this many shots, evenly, before they are ranked.
_MOST_SHOTS = 60
_NAMED = 6

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


@dataclass(frozen=True, slots=True)
class Column:
    """The results of one element, aligned with the rows of ``facts``.

    ``value`` and ``error`` (one standard deviation) in mg/kg; NaN where a result is
    censored or missing, or no error is stated.
    """

    element: str
    value: Floats
    error: Floats


def judge_readings(
    facts: pd.DataFrame, columns: Iterable[Column], thresholds: Thresholds
) -> tuple[Finding, ...]:
    """Findings on the field readings of ordinary samples.

    ``facts``, one row per shot or reading, in the order of the files: method, technique,
    sample_id, spot, shot_no (text), rejected (bool), gas_purge, count_time_s,
    moisture_basis, moisture_pct. Rejected shots are counted and take no part in anything else.
    """
    if facts.empty:
        return ()
    names = facts["technique"].astype("str").str.upper()
    kept = ~facts["rejected"].to_numpy(dtype=bool)

    def judged_for(aspect: Judged) -> npt.NDArray[np.bool_]:
        asked = {name.upper() for name in techniques.named(aspect)}
        return np.asarray(names.isin(asked).to_numpy(dtype=bool))

    of_shots = judged_for(Judged.SHOTS)
    in_air, overlapped = (judged_for(a) & kept for a in (Judged.AIR, Judged.OVERLAPS))
    with_errors = judged_for(Judged.ERRORS) & kept
    findings = [
        *_rejected(facts.loc[of_shots], thresholds),
        *_spots(facts.loc[of_shots & kept], thresholds),
        *_count_times(facts.loc[judged_for(Judged.COUNT_TIME) & kept], thresholds),
        *_moisture(facts.loc[judged_for(Judged.MOISTURE) & kept], thresholds),
    ]
    shots = _Series.of(facts, of_shots & kept)
    errors = _Errors(thresholds)
    means: dict[str, pd.Series] = {}
    keys = ["method", "sample_id"]
    rows, overlaps = facts.loc[with_errors, keys], facts.loc[overlapped, keys]
    for column in columns:
        findings += _trends(facts, shots, column, thresholds)
        findings += _purge(facts, of_shots & kept, column)
        findings += _in_air(facts, in_air, column)
        if len(rows):
            errors.add(rows, column.element, column.value[with_errors], column.error[with_errors])
        if len(overlaps):
            value = column.value[overlapped]
            known = overlaps.assign(value=value).loc[np.isfinite(value)]
            if len(known):
                means.setdefault(
                    column.element, known.groupby(["method", "sample_id"])["value"].mean()
                )
    findings += [*errors.findings(), *_overlaps(means)]
    return tuple(findings)


def named(samples: Iterable[str]) -> str:
    """The first of some samples, and how many more there are."""
    listed = list(dict.fromkeys(s for s in samples if s))
    more = f" and {len(listed) - _NAMED} more" if len(listed) > _NAMED else ""
    return ", ".join(listed[:_NAMED]) + more


def _warning(
    samples: Iterable[str],
    text: str,
    evidence: str,
    advice: str,
    severity: str = "warning",
    *,
    code: FindingCode,
) -> Finding:
    return Finding("quality", severity, named(samples), text, evidence, advice, code=code)


def _by_method(frame: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    for method, rows in frame.groupby("method", sort=True):
        yield str(method), rows


# ---- shots ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Series:
    """Shots sorted by method, sample, spot and number, as positions in ``facts``."""

    order: npt.NDArray[np.intp]
    spot: npt.NDArray[np.int64]  # running number of the spot of each sorted shot
    sample_of_spot: npt.NDArray[np.int64]
    samples: tuple[tuple[str, str], ...]  # method, sample_id

    @classmethod
    def of(cls, facts: pd.DataFrame, chosen: npt.NDArray[np.bool_]) -> _Series:
        places = np.flatnonzero(chosen)
        rows = facts.iloc[places]
        shot = pd.to_numeric(rows["shot_no"], errors="coerce").to_numpy(dtype="float64")
        keyed = rows[["method", "sample_id", "spot"]].astype("str")
        keyed = keyed.assign(shot=np.where(np.isfinite(shot), shot, math.inf), place=places)
        keyed = keyed.sort_values(["method", "sample_id", "spot", "shot", "place"])
        spot = keyed.groupby(["method", "sample_id", "spot"], sort=False).ngroup().to_numpy()
        sample = keyed.groupby(["method", "sample_id"], sort=False).ngroup().to_numpy()
        first = np.r_[True, spot[1:] != spot[:-1]] if len(spot) else np.zeros(0, dtype=bool)
        names = keyed[["method", "sample_id"]].drop_duplicates()
        return cls(
            keyed["place"].to_numpy(dtype=np.intp), spot.astype(np.int64),
            sample[first].astype(np.int64),
            tuple(zip(names["method"], names["sample_id"], strict=True)),
        )  # fmt: skip


def kendall_sums(
    values: Floats, group: npt.NDArray[np.int64], groups: int
) -> tuple[Floats, Floats]:
    """Kendall's S of each group's values in their order, and its variance with ties.

    S = sum of sign(later - earlier); variance [n(n-1)(2n+5) - sum t(t-1)(2t+5)]/18 (Kendall
    1975). Sums of S and of variances over groups give the test of Hirsch, Slack & Smith (1982,
    Water Resour. Res. 18:107), from memory.
    """
    s = np.zeros(groups)
    for lag in range(1, _MOST_SHOTS):
        if lag >= len(values):
            break
        same = group[lag:] == group[:-lag]
        if not same.any():
            break
        sign = np.sign(values[lag:] - values[:-lag])
        s += np.bincount(group[lag:][same], weights=sign[same], minlength=groups)
    n = np.bincount(group, minlength=groups).astype(np.float64)
    order = np.lexsort((values, group))
    new = np.ones(len(values), dtype=bool)
    sorted_values, sorted_group = values[order], group[order]
    new[1:] = (sorted_values[1:] != sorted_values[:-1]) | (sorted_group[1:] != sorted_group[:-1])
    ties = np.bincount(np.cumsum(new) - 1).astype(np.float64) if len(values) else np.zeros(0)
    lost = np.bincount(
        sorted_group[new], weights=ties * (ties - 1) * (2 * ties + 5), minlength=groups
    )
    return s, (n * (n - 1) * (2 * n + 5) - lost) / 18


def _thinned(group: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """At most ``_MOST_SHOTS`` of each group (sorted), evenly chosen."""
    if not len(group):
        return np.zeros(0, dtype=bool)
    start = np.flatnonzero(np.r_[True, group[1:] != group[:-1]])
    size = np.diff(np.r_[start, len(group)])
    place = np.arange(len(group)) - np.repeat(start, size)
    step = np.maximum(1, -(-size // _MOST_SHOTS))
    return np.asarray(place % np.repeat(step, size) == 0)


def _trends(
    facts: pd.DataFrame, shots: _Series, column: Column, thresholds: Thresholds
) -> list[Finding]:
    """Shots that rise or fall within the spots, sample by sample and for a method as a whole."""
    values = column.value[shots.order]
    known = np.isfinite(values)
    if not known.any():
        return []
    values, spot = values[known], shots.spot[known]
    few = _thinned(spot)
    values, spot = values[few], spot[few]
    spots = len(shots.sample_of_spot)
    s, variance = kendall_sums(values, spot, spots)
    first, last = _ends(values, spot, spots)
    frame = pd.DataFrame(
        {"sample": shots.sample_of_spot, "s": s, "variance": variance, "first": first, "last": last}
    ).groupby("sample").sum()  # fmt: skip
    frame["method"] = [shots.samples[i][0] for i in frame.index]
    frame["name"] = [shots.samples[i][1] for i in frame.index]
    frame = frame.loc[frame["variance"].gt(0)]
    found: list[Finding] = []
    for method, rows in _by_method(frame):
        level = thresholds.shot_trend_level / max(len(rows), 1)
        p, size = _p_values(rows), (rows["last"] / rows["first"] - 1).to_numpy()
        size = np.where(np.isfinite(size), size, 0.0)
        own = (p < level) & (np.abs(size) >= thresholds.shot_trend_size)
        whole = rows[["s", "variance", "first", "last"]].sum().to_frame().T
        change = float(whole["last"].iloc[0] / whole["first"].iloc[0] - 1)
        together = float(_p_values(whole)[0])
        rule = (
            f"rank test within spots (Kendall), level {thresholds.shot_trend_level:g} over "
            f"{len(rows)} sample(s), change from {thresholds.shot_trend_size:.0%} on"
        )
        advice = (
            "Compare single shots: a skin, dust or oxide shows in the first ones. Use more "
            "cleaning shots, or leave the first shots out and read again."
        )
        for name, own_p, own_size in zip(rows["name"][own], p[own], size[own], strict=True):
            found.append(
                _warning(
                    [str(name)],
                    f"Shots trend within the spots: {column.element}, {method}.",
                    f"last shots {own_size:+.0%} against the first, p = {own_p:.1g}; {rule}",
                    advice,
                    code=FindingCode.TREND_IN_SPOTS,
                )
            )
        enough = abs(change) >= thresholds.shot_trend_size
        if together < thresholds.shot_trend_level and enough and len(rows) > 1:
            found.append(
                _warning(
                    [method],
                    f"Shots trend within the spots of this method: {column.element}, {method}.",
                    f"last shots {change:+.0%} against the first over {len(rows)} samples, "
                    f"p = {together:.1g}; {rule}",
                    advice,
                    code=FindingCode.TREND_OF_METHOD,
                )
            )
    return found


def _p_values(rows: pd.DataFrame) -> Floats:
    s, variance = rows["s"].to_numpy("float64"), rows["variance"].to_numpy("float64")
    z = np.maximum(np.abs(s) - 1, 0) / np.sqrt(variance)
    return np.asarray(2 * special.ndtr(-z), dtype=np.float64)


def _ends(values: Floats, spot: npt.NDArray[np.int64], spots: int) -> tuple[Floats, Floats]:
    """Mean of the first and of the last third of each spot's shots."""
    size = np.bincount(spot, minlength=spots)
    start = np.cumsum(size) - size
    place = np.arange(len(values)) - start[spot]
    third = np.maximum(1, size // 3)
    with np.errstate(invalid="ignore", divide="ignore"):
        parts = [
            np.bincount(spot[part], weights=values[part], minlength=spots) / third
            for part in (place < third[spot], place >= (size - third)[spot])
        ]
    alone = size < 2
    return np.where(alone, 0.0, parts[0]), np.where(alone, 0.0, parts[1])


def _rejected(shots: pd.DataFrame, thresholds: Thresholds) -> list[Finding]:
    found = []
    for method, rows in _by_method(shots):
        share = rows["rejected"].groupby(rows["sample_id"]).agg(["mean", "sum", "count"])
        over = share.loc[share["mean"].gt(thresholds.rejected_share)]
        if len(over):
            told = "; ".join(
                f"{name}: {int(row['sum'])} of {int(row['count'])}"
                for name, row in list(over.iterrows())[:_NAMED]
            )
            found.append(
                _warning(
                    map(str, over.index),
                    f"Many shots rejected: {len(over)} sample(s), {method}.",
                    f"{told}; limit {thresholds.rejected_share:.0%} (common practice, no source)",
                    "What is left may be a choice of the good-looking shots: read the sample again "
                    "on a better surface.",
                    code=FindingCode.SHOTS_REJECTED,
                )
            )
    return found


def _spots(shots: pd.DataFrame, thresholds: Thresholds) -> list[Finding]:
    found = []
    for method, rows in _by_method(shots):
        spots = rows.groupby("sample_id")["spot"].nunique()
        few = spots.loc[spots.lt(thresholds.libs_spots)]
        if len(few):
            found.append(
                _warning(
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


def _purge(facts: pd.DataFrame, chosen: npt.NDArray[np.bool_], column: Column) -> list[Finding]:
    line = ULTRAVIOLET_LINES.get(column.element)
    if line is None:
        return []
    rows = facts.loc[chosen & np.isfinite(column.value)]
    gas = rows["gas_purge"].fillna("").astype("str").str.strip().str.casefold()
    without = rows.loc[gas.isin(_NO_PURGE)]
    return [
        _warning(
            map(str, part["sample_id"]),
            f"No gas purge stated: {column.element} by {method}.",
            f"{len(part)} shot(s) of {part['sample_id'].nunique()} sample(s); the line at "
            f"{line:g} nm lies in the ultraviolet that air absorbs",
            "Enter gas and purge with each reading; read again under argon where none was used.",
            code=FindingCode.NO_GAS_PURGE,
        )
        for method, part in _by_method(without)
    ]


# ---- counts -----------------------------------------------------------------------------

#: Energy of the K alpha line, keV: a few millimetres of air absorb most of it (from memory).
AIR_ABSORBS = {"Mg": 1.25, "Al": 1.49, "Si": 1.74, "P": 2.01, "S": 2.31, "Cl": 2.62}


def _in_air(facts: pd.DataFrame, chosen: npt.NDArray[np.bool_], column: Column) -> list[Finding]:
    """Light elements that were read without purge gas or vacuum, as far as is stated."""
    line = AIR_ABSORBS.get(column.element)
    if line is None:
        return []
    rows = facts.loc[chosen & np.isfinite(column.value)]
    gas = rows["gas_purge"].fillna("").astype("str").str.strip().str.casefold()
    return [
        _warning(
            map(str, part["sample_id"]),
            f"Read in air: {column.element} by {method}.",
            f"{len(part)} reading(s) of {part['sample_id'].nunique()} sample(s), no purge stated; "
            f"air absorbs the line at {line:g} keV, and surface and moisture change it",
            "Read with helium or under vacuum, or let the laboratory's result stand.",
            "note",
            code=FindingCode.LIGHT_IN_AIR,
        )
        for method, part in _by_method(rows.loc[gas.isin(_NO_PURGE)])
    ]


def _count_times(readings: pd.DataFrame, thresholds: Thresholds) -> list[Finding]:
    found = []
    # A long table has a row for each element of one reading.
    for method, rows in _by_method(readings.drop_duplicates(["method", "sample_id", "spot"])):
        seconds = pd.to_numeric(rows["count_time_s"], errors="coerce")
        missing, short = seconds.isna(), seconds.lt(thresholds.count_time_s)
        if missing.any():
            found.append(
                _warning(
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
                _warning(
                    map(str, rows.loc[short, "sample_id"]),
                    f"Short count time: {int(short.sum())} of {len(rows)} reading(s), {method}.",
                    f"shortest {seconds.min():g} s, limit {thresholds.count_time_s:g} s; the error "
                    "falls with the square root of the time",
                    "Read longer; four times the time halves the counting error.",
                    code=FindingCode.COUNT_TIME_SHORT,
                )
            )
    return found


class _Errors:
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
        for method, part in _by_method(
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
            _warning(
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
                _warning(
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
                _warning(
                    [method],
                    f"Counting error not stated: readings by {method}.",
                    "; ".join(told),
                    "Export the error of each reading, and say how many standard deviations it is.",
                    "note",
                    code=FindingCode.ERROR_NOT_STATED,
                )
            )
        return found


def _moisture(readings: pd.DataFrame, thresholds: Thresholds) -> list[Finding]:
    basis = readings["moisture_basis"].fillna("").astype("str").str.strip().str.casefold()
    water = pd.to_numeric(readings["moisture_pct"], errors="coerce")
    moist = basis.isin(_MOIST)
    found = []
    over = readings.loc[basis.ne("dry") & water.gt(thresholds.moisture_pct)]
    for method, rows in _by_method(over):
        found.append(
            _warning(
                map(str, rows["sample_id"]),
                f"Read moist: {rows['sample_id'].nunique()} sample(s) by {method} hold more than "
                f"{thresholds.moisture_pct:g} % water.",
                f"up to {water[rows.index].max():g} % (US EPA Method 6200, section 4.3)",
                "Dry the specimen and read it again; a factor for dilution does not mend the "
                "attenuation.",
                code=FindingCode.READ_MOIST,
            )
        )
    for method, rows in _by_method(readings.loc[moist & water.isna()]):
        found.append(
            _warning(
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


def _overlaps(means: dict[str, pd.Series]) -> list[Finding]:
    found = []
    for pair in OVERLAPS:
        if pair.of not in means or pair.by not in means:
            continue
        both = pd.DataFrame({"of": means[pair.of], "by": means[pair.by]}).dropna()
        both = both.loc[both["of"].gt(0)]
        both["ratio"] = both["by"] / both["of"]
        both = both.loc[both["ratio"].ge(pair.ratio)].reset_index()
        for method, rows in _by_method(both):
            found.append(
                _warning(
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
