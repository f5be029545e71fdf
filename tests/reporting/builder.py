"""Invented reconciliations for the tests of the report: all names and numbers are made up."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd

from reconcile.base.methods import FieldMethod, LabMethod, Moisture
from reconcile.base.model.account import Finding, WaterfallStep
from reconcile.base.model.controls import QualityCheck
from reconcile.base.model.figures import Readings, StratumStatistics
from reconcile.base.model.further import Further
from reconcile.base.model.release import (
    Change,
    InputFile,
    Reconciliation,
    SettingLine,
    StratumResult,
)
from reconcile.base.model.singles import PartlyPooled, Pooling
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.tables import EXCLUSION_COLUMNS, PAIR_COLUMNS, QUARANTINE_COLUMNS
from reconcile.base.model.verdict import (
    ACCEPTED,
    ACCEPTED_CORRECTED,
    AS_READ,
    HELD_OUT,
    INSUFFICIENT,
    LABORATORY_ONLY,
    Ask,
    CorrectionFactor,
    Criterion,
    Outcome,
    Verdict,
)
from reconcile.base.reasons import Exclusion, in_words
from reconcile.base.settings.whole import Settings
from reconcile.figures import evaluation, further, laboratory_error
from reconcile.reporting import sentences
from reconcile.statistics import components, decisions
from reconcile.statistics.result import Estimate

RELEASE = "2026-10-r2-3fa9c2d4"
MARKUP_ID = '<img src="file:///etc/passwd"/>'
FORMULA_ID = "=cmd|' /C calc'!A0"
SUM_ID = "+SUM(A1:A9)"
LONG_ID = "SITE-" + "ABCDEFGHIJ" * 12
BIDI_ID = "S-\u202e12"
CYRILLIC_ID = "Проба-7 µ²≤λ"
HOSTILE_IDS = (MARKUP_ID, FORMULA_ID, SUM_ID, "@SUM(1)", "-1+2", LONG_ID, BIDI_ID, CYRILLIC_ID,
               "a & b <b>c</b>", "tab\there", "中文-1", "_x0041_")  # fmt: skip
UNITS = {"%": 1e-4, "mg/kg": 1.0, "g/t": 1.0, "ug/kg": 1e3}


def sha(text: str) -> str:
    """A digest that looks like a real one."""
    return hashlib.sha256(text.encode()).hexdigest()


def pair_table(
    stratum: Stratum,
    lab: np.ndarray,
    field: np.ndarray,
    field_limit: float = 0.0,
    lab_limit: float = 0.0,
    excluded: Sequence[int] = (),
    ids: Sequence[str] = (),
) -> pd.DataFrame:
    """A pair table in which values below a limit are censored, as the store would give it."""
    n = len(lab)
    rows = []
    for i in range(n):
        below_field, below_lab = field[i] < field_limit, lab[i] < lab_limit
        code = ""
        if below_field and below_lab:
            code = Exclusion.BOTH_OUTSIDE_LIMITS
        elif below_field:
            code = Exclusion.FIELD_OUTSIDE_LIMITS
        elif below_lab:
            code = Exclusion.LAB_OUTSIDE_LIMITS
        elif i in excluded:
            code = Exclusion.CUSTODY_BROKEN
        rows.append(
            {
                "stratum": stratum.key,
                "sample_id": ids[i] if i < len(ids) else f"S-{i + 1:04d}",
                "group": f"H{i % 5 + 1}",
                "field_mean": math.nan if below_field else field[i],
                "field_se": 0.04 * field[i],
                "field_sd": 0.1 * field[i],
                "field_n": 6,
                "field_spots": 3,
                "field_qualifier": "<" if below_field else "",
                "field_low": 0.0 if below_field else field[i],
                "field_high": field_limit if below_field else field[i],
                "lab_mean": math.nan if below_lab else lab[i],
                "lab_se": math.nan,
                "lab_n": 1,
                "lab_qualifier": "<" if below_lab else "",
                "lab_low": 0.0 if below_lab else lab[i],
                "lab_high": lab_limit if below_lab else lab[i],
                "field_time": pd.Timestamp("2026-10-05T08:00:00Z") + pd.Timedelta(hours=i % 400),
                "lab_time": pd.Timestamp("2026-10-20T00:00:00Z"),
                "certificate": (f"CERT-{i % 3 + 1}",),
                "custody": "broken" if i in excluded else "complete",
                "used": code == "",
                "reason_code": str(code),
                "reason": in_words(code),
            }
        )
    return pd.DataFrame(rows, columns=list(PAIR_COLUMNS))


LAB_ERROR = laboratory_error.LabError(0.0009, 24, "24 pairs of laboratory duplicates")


def statistics_of(
    stratum: Stratum, pairs: pd.DataFrame, levels: Sequence[tuple[str, float]] = ()
) -> StratumStatistics:
    """The evaluation of a pair table, with invented readings behind it."""
    settings = Settings.model_validate(
        {
            "table": [
                {"kind": "field", "files": ["f.csv"]},
                {"kind": "lab", "files": ["l.csv"]},
            ],
            "element": {stratum.element: {"levels": [{"name": n, "value": v} for n, v in levels]}},
        }
    )
    found = evaluation.evaluate(stratum, pairs, LAB_ERROR, settings)
    ((_, found),) = evaluation.adjust_p_values(((stratum, found),))
    return evaluation.with_further(found, *_behind(found.used, found.statistics)).statistics


def _behind(used: pd.DataFrame, s: StratumStatistics) -> list[further.Item]:
    """What comes from invented readings, a second instrument and parts of the stratum."""
    lab, field = used["lab_mean"].to_numpy("float64"), used["field_mean"].to_numpy("float64")
    n = len(used)
    rng = np.random.default_rng(n)
    sample, spot = np.repeat(np.arange(n), 6), np.repeat(np.arange(3 * n), 2)
    shots = np.repeat(field, 6) * np.exp(
        np.repeat(rng.normal(0, 0.06, 3 * n), 2) + rng.normal(0, 0.1, 6 * n)
    )
    readings = Readings(shots, sample, spot, lab, np.arange(n))
    scatter = further.scatter(readings, s.difference_scale, 0.95)
    found: list[further.Item] = [] if scatter is None else [(Further.SCATTER, scatter)]
    other = field * np.exp(rng.normal(0, 0.05, n))
    three = components.three_method_error_variances(
        other, field, lab, rng, ("LIBS", "XRF", "laboratory"), "log", known_index=2,
        known_variance=0.0004,
    )  # fmt: skip
    found.append((Further.THREE_METHODS, three))
    test = decisions.interaction_test(lab, field, np.arange(n) % 2)
    found.append((Further.POOLING, Pooling(("instrument",), ("a", "b"), n % 2 == 0, 0.05, test)))
    own, seen, common = (
        Estimate(v, 0.01, v - half, v + half, n, 0.95)
        for v, half in ((0.06, 0.03), (0.05, 0.02), (0.03, 0.04))
    )
    spread = Estimate(0.02, math.nan, 0.01, 0.06, 3 * n, 0.95)
    found.append(
        (Further.PARTLY_POOLED, PartlyPooled(3, 3 * n, own, seen, common, spread, 2.2 * n, -0.01))
    )
    return found


_SEEN = (
    ("margin", 0.10), ("confidence", 0.95), ("n", 38), ("why", ""), ("lab_variance", math.nan),
)  # fmt: skip
_RATE = ("rate", 0.05), ("grey", 0.20), ("confidence", 0.95), ("below", False)
_COUNTED = ("counted_low", 0.001), ("counted_high", 0.287), ("counted_confidence", 0.95)
_CRITERIA = (
    Criterion(Ask.PURPOSE, Outcome.SHOWN, (("purpose", "screening"), ("never", False))),
    Criterion(
        Ask.ELEMENT, Outcome.SHOWN, (("element", "Cu"), ("precious", False), ("carbon", False))
    ),
    Criterion(Ask.FAULT, Outcome.SHOWN, (("found", "none"),)),
    Criterion(Ask.DESCRIPTION, Outcome.SHOWN, (("unstated", ()), ("differing", ""))),
    Criterion(Ask.PAIRS, Outcome.SHOWN, (("least", 20), ("n", 38))),
    Criterion(Ask.THIRDS, Outcome.SHOWN, (("least", 3), ("thirds", (12, 14, 12)))),
    Criterion(Ask.CENSORED, Outcome.SHOWN, (("most", 0.4), ("share", 0.02), ("offered", 41))),
    Criterion(
        Ask.RANGE, Outcome.FAILED, (*_SEEN, ("least_share", 0.5), ("share", 0.0), ("beyond", 0.9)),
        AS_READ,
    ),
    Criterion(
        Ask.SPREAD, Outcome.SHOWN,
        (("span", 0.4), ("confidence", 0.95), ("value", 0.29), ("upper", 0.363), ("n", 38)),
        AS_READ,
    ),
    Criterion(
        Ask.MISSED, Outcome.NOT_SHOWN,
        (*_RATE, ("value", 0.031), ("upper", 0.092), ("wrong", 1), ("among", 17), *_COUNTED),
        AS_READ, "trigger",
    ),
    Criterion(
        Ask.RANGE, Outcome.SHOWN, (*_SEEN, ("least_share", 0.5), ("share", 0.95), ("beyond", 0.0)),
        HELD_OUT,
    ),
    Criterion(
        Ask.SPREAD, Outcome.SHOWN,
        (("span", 0.4), ("confidence", 0.95), ("value", 0.27), ("upper", 0.338), ("n", 38)),
        HELD_OUT,
    ),
)  # fmt: skip

_VERDICTS = {
    ACCEPTED: Verdict(
        ACCEPTED, "Bias and spread lie within the agreed limits.", 20.0, 800.0, "2027-01-31",
        _CRITERIA[:7], "Keep sending one sample in twenty to the laboratory.",
    ),
    ACCEPTED_CORRECTED: Verdict(
        ACCEPTED_CORRECTED,
        "The bias is above the margin as read and within it after correction on held-out pairs.",
        20.0, 800.0, "2027-01-31", (*_CRITERIA[:7], *_CRITERIA[10:]),
        "Apply the factor; score it on next month's pairs before it is renewed.",
    ),
    LABORATORY_ONLY: Verdict(
        LABORATORY_ONLY, "Limits of agreement are wider than a factor 1.40.",
        criteria=_CRITERIA[:9], next_step="Send samples near the trigger to the laboratory.",
    ),
    INSUFFICIENT: Verdict(
        INSUFFICIENT, "Fewer pairs were used than the settings ask for.",
        criteria=_CRITERIA[:6], next_step="Collect 17 further pairs over the whole range.",
    ),
}  # fmt: skip


def stratum_of(element: str = "Cu", technique: str = "XRF", matrix: str = "soil") -> Stratum:
    """A stratum with every fact filled in."""
    return Stratum(
        element=element,
        read_by=FieldMethod(technique, "SN-0042", "soil mode v3"),
        determined_by=LabMethod("ICP-OES", "AR-01", "aqua regia"),
        matrix=matrix,
        specimen_form="sieved",
        moisture=Moisture("dry", "dry"),
        pair_type="split",
        digestion_class="partial",
    )


def result_of(
    stratum: Stratum,
    decision: str = ACCEPTED_CORRECTED,
    n: int = 41,
    ratio: float = 1.12,
    spread: float = 0.14,
    unit: str = "mg/kg",
    middle: float = 120.0,
    width: float = 1.0,
    field_limit: float = 0.0,
    lab_limit: float = 0.0,
    excluded: Sequence[int] = (3,),
    ids: Sequence[str] = (),
    scale: str = "",
    levels: Sequence[tuple[str, float]] = (("trigger", 150.0),),
    notes: Sequence[str] = (),
    seed: int = 1,
    values: tuple[np.ndarray, np.ndarray] | None = None,
) -> StratumResult:
    """One invented stratum, log-normal about ``middle`` mg/kg."""
    if values is not None:
        lab, field = values
    else:
        rng = np.random.default_rng(seed)
        lab = np.exp(rng.normal(math.log(middle), width, n))
        field = lab * ratio * np.exp(rng.normal(0, spread, n))
    pairs = pair_table(stratum, lab, field, field_limit, lab_limit, excluded, ids)
    if scale == "absolute":  # replicates scatter alike at every level
        pairs["field_se"] = 0.04 * float(np.median(field))
    statistics = statistics_of(stratum, pairs, levels)
    if scale:  # whatever the data say
        statistics = replace(statistics, difference_scale=scale)
    factor = None
    if decision == ACCEPTED_CORRECTED:
        factor = CorrectionFactor(
            factor_id=f"{stratum.element}-{stratum.technique}-2026-10-r2",
            stratum=stratum,
            form="line",
            intercept=1.7,
            slope=ratio,
            covariance=((2.6, -0.011), (-0.011, 0.0009)),
            residual_sd=0.13,
            residual_relative=True,
            low=float(field.min()),
            high=float(field.max()),
            n=statistics.n_used,
            pairs_hash=sha(stratum.key),
            error_before=0.187,
            error_after=0.139,
            basis=f"to the aqua regia (partial) basis of {stratum.lab_method}",
            reason="simplest form within one standard error of the best",
        )
    verdict = _VERDICTS[decision]
    if decision in (ACCEPTED, ACCEPTED_CORRECTED):
        verdict = replace(
            verdict, range_low=statistics.lab_range[0], range_high=statistics.lab_range[1]
        )
    per = UNITS[unit]
    return StratumResult(
        stratum=stratum,
        unit=unit,
        per_mg_kg=per,
        pairs=pairs,
        statistics=statistics,
        factor=factor,
        verdict=verdict,
        sentences=sentences.sentences_for(stratum, statistics, factor, verdict, unit, per, pairs),
        notes=tuple(notes)
        or (
            "The laboratory's digestion is partial: laboratory results below field results are "
            "expected and are no calibration fault of the field instrument.",
        ),
        decision_levels=tuple(levels),
    )


@cache
def ordinary() -> StratumResult:
    """An ordinary stratum of 41 pairs, one excluded."""
    return result_of(stratum_of())


@cache
def insufficient() -> StratumResult:
    """Two pairs: no limits, no line."""
    return result_of(stratum_of("Ni", matrix="laterite"), INSUFFICIENT, n=2, excluded=())


@cache
def empty() -> StratumResult:
    """No pair at all."""
    return result_of(stratum_of("Co", matrix="laterite"), INSUFFICIENT, n=0, excluded=())


@cache
def censored() -> StratumResult:
    """About half of the field results and some lab results below their limits."""
    return result_of(
        stratum_of("As"), LABORATORY_ONLY, n=48, middle=12.0, ratio=0.95, spread=0.3,
        field_limit=12.0, lab_limit=6.0, levels=(("residential", 20.0), ("industrial", 60.0)),
    )  # fmt: skip


@cache
def absolute() -> StratumResult:
    """Iron in mass per cent on the absolute scale, within one order of magnitude."""
    return result_of(
        stratum_of("Fe", "LIBS", "banded iron"), ACCEPTED, n=60, unit="%", middle=450_000.0,
        width=0.12, ratio=0.985, spread=0.02, scale="absolute", levels=(("cut-off", 480_000.0),),
    )  # fmt: skip


@cache
def hostile() -> StratumResult:
    """Names and ids that try to be markup, formulas or wider than the page."""
    stratum = Stratum(
        element="Pb",
        read_by=FieldMethod("XRF", '<b onclick="x">SN</b> & co', "calibration-" * 9),
        determined_by=LabMethod("=HYPERLINK(1)", "ICP-MS", "four-acid near total digestion " * 4),
        matrix="<para>matrix</para> ]]> & " + "ö" * 60,
        specimen_form="<img src='x'/>",
    )
    return result_of(
        stratum, LABORATORY_ONLY, n=30, ids=HOSTILE_IDS, excluded=tuple(range(12)),
        levels=(("<level & name> that is far too long to fit beside a rule", 200.0),),
        notes=tuple(f"note {i} <i>{MARKUP_ID}</i> " + "word " * 30 for i in range(9)),
    )  # fmt: skip


def reconciliation(
    results: Sequence[StratumResult], paper: str = "A4", quarantined: int = 70, **changes: object
) -> Reconciliation:
    """A whole invented period around some strata."""
    exclusions = pd.DataFrame(
        [
            ("pair", row.sample_id, x.stratum.element, x.stratum.key, row.reason,
             "seal 118 not intact at receipt", "Collect the sample again.")
            for x in results
            for row in x.pairs.loc[~x.pairs["used"]].itertuples(index=False)
        ],
        columns=list(EXCLUSION_COLUMNS),
    )  # fmt: skip
    quarantine = pd.DataFrame(
        [
            ("in/lab_2026-10.csv", "", i + 2, "Cu_ppm", HOSTILE_IDS[i % len(HOSTILE_IDS)],
             "not a number and no known mark of a limit", "Correct the cell and run again.")
            for i in range(quarantined)
        ],
        columns=list(QUARANTINE_COLUMNS),
    )  # fmt: skip
    pairs = sum(len(x.pairs) for x in results)
    used = sum(x.statistics.n_used for x in results)
    values: dict[str, object] = {
        "title": "Field to laboratory reconciliation (invented data)",
        "period": "2026-10",
        "revision": 2,
        "release_id": RELEASE,
        "status": "draft",
        "supersedes": "2026-10-r1-9b1e77aa",
        "prepared_for": "An invented client",
        "prepared_by": "An invented analyst",
        "purpose": "screening",
        "data_until": "2026-10-30T16:20:00Z",
        "code_version": "0.1.0+" + sha("code")[:12],
        "inputs_hash": sha("inputs"),
        "settings_hash": sha("settings"),
        "custody_head": sha("custody"),
        "record_lines": 41,
        "record_head": sha("record"),
        "results": tuple(results),
        "waterfall": (
            WaterfallStep("field rows read", "rows", 1240, 1240 - quarantined,
                          (("quarantined", quarantined),)),
            WaterfallStep("field rows used", "rows", 1240 - quarantined, 1101 - quarantined,
                          (("control", 96), ("another period", 43))),
            WaterfallStep("pairs", "pairs", pairs, used,
                          (("not eligible or censored", pairs - used),)),
        ),
        "exclusions": exclusions,
        "quarantine": quarantine,
        "field_only": tuple(f"F-{i:04d}" for i in range(150)),
        "lab_only": HOSTILE_IDS,
        "findings": (
            Finding("custody", "serious", "S-0004", "Seal 118 was broken at receipt.",
                    "received event of 2026-10-12", "Treat as not demonstrated; re-sample."),
            Finding("identity", "warning", MARKUP_ID, "The id looks like 'S-0012'.",
                    advice="Enter an alias if they are the same sample."),
            Finding("diagnosis", "note", "Cu", "Nothing suspicious."),
        ),
        "quality": (
            *(QualityCheck(side, "reference material", f"RM-{i}", "ICP-OES · AR-01", "Cu",
                         f"CERT-{i}", 3, 101.0 + i, 100.0, 4.0, 1.01 + i / 100, 0.3 + i, i < 5,
                         "recovery 0.8 to 1.2 and |zeta| at most 3")
            for side in ("field", "lab")
            for i in range(6)),
            QualityCheck("lab", "duplicate", "12 pairs", "ICP-OES · AR-01", "Cu", "2026-10", 12,
                         0.062, 0.15, math.nan, math.nan, math.nan, True, "CV_RMS at most 15 %"),
            QualityCheck("field", "blank", "silica", "XRF · SN-0042", "Cu", "2026-10-05", 4,
                         2.1, 0.0, math.nan, math.nan, math.nan, None,
                         "at most 3 times the lower limit"),
        ),
        "inputs": tuple(
            InputFile(f"in/{kind}_2026-10.csv", sha(kind), 88_120, kind, 620, 610, 10, 4)
            for kind in ("field", "lab", "custody")
        ),
        "settings": tuple(
            SettingLine(f"thresholds.name_{i}", str(i / 100), "what the threshold is for " * 2)
            for i in range(28)
        ),
        "changes": (
            Change("Cu · XRF · soil: verdict", "laboratory only", "accepted after correction"),
            Change("inputs", "2 files", "3 files"),
        ),
        "paper": paper,
    }  # fmt: skip
    values.update(changes)
    return Reconciliation(**values)  # type: ignore[arg-type]


@cache
def mixed(paper: str = "A4") -> Reconciliation:
    """Each kind of stratum once."""
    return reconciliation(
        [ordinary(), absolute(), censored(), hostile(), insufficient(), empty()], paper
    )


# fmt: off
SYMBOLS = (
    "Li", "Be", "B", "Na", "Mg", "Al", "Si", "P", "S", "K", "Ca", "Sc", "Ti", "V",
    "Cr", "Mn", "Fe", "Co", "Ni", "Cu", "Zn", "Ga", "Ge", "As", "Se", "Rb", "Sr", "Y",
    "Zr", "Nb", "Mo", "Ag", "Cd", "In", "Sn", "Sb", "Te", "Cs", "Ba", "La", "Ce", "Pr",
    "Nd", "Sm", "Eu", "Gd", "Tb", "Dy", "Ho", "Er", "Tm", "Yb", "Lu", "Hf", "Ta", "W",
    "Re", "Au", "Hg", "Tl",
)
# fmt: on


@cache
def many(count: int, n: int = 41) -> Reconciliation:
    """``count`` ordinary strata of different elements."""
    decisions_ = (ACCEPTED, ACCEPTED_CORRECTED, LABORATORY_ONLY)
    return reconciliation(
        [
            result_of(
                stratum_of(SYMBOLS[i % len(SYMBOLS)], matrix="soil" if i < 60 else "rock"),
                decisions_[i % 3], n=n, seed=i, middle=10.0 ** (i % 5),
                levels=(("trigger", 1.2 * 10.0 ** (i % 5)),),
            )
            for i in range(count)
        ]
    )  # fmt: skip
