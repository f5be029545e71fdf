"""The stratum of every pair, and one pair for each sample in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.methods import FieldMethod, LabMethod, Moisture
from reconcile.base.model.stratum import Stratum
from reconcile.pairs.clusters import BOTH_ROWS, LAB_ROW
from reconcile.pairs.pair_limits import qualifier
from reconcile.pairs.sides import Key

#: Facts that the setting ``pool`` may merge, and their column in the pair query.
POOLED = {
    "specimen_form": "specimen_form",
    "moisture_basis": "field_basis",
    "pair_type": "pair_type",
    "instrument": "instrument",
    "calibration": "calibration",
}

_STRATUM_FACTS = (
    "technique", "instrument", "calibration", "laboratory", "lab_technique", "lab_method",
    "digestion", "digestion_class", "matrix", "specimen_form", "field_basis", "lab_basis",
    "pair_type",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class StratumFacts:
    """Of every pair of samples, which of the met combinations of a stratum's facts it has."""

    place: NDArray[np.int64]
    met: tuple[dict[str, str], ...]


def facts_of(samples: pd.DataFrame) -> StratumFacts:
    """The combinations, in their order; an unknown fact is ''. Makes the facts texts in place."""
    facts = list(_STRATUM_FACTS)
    samples[facts] = samples[facts].fillna("").astype("str")
    place = samples.groupby(facts, sort=True).ngroup().to_numpy().astype(np.int64)
    first = samples[facts].iloc[np.unique(place, return_index=True)[1]]
    met = (dict(zip(facts, values, strict=True)) for values in first.itertuples(index=False))
    return StratumFacts(place, tuple(met))


def strata_of(
    facts: StratumFacts,
    rows: NDArray[np.int64],
    field_key: Key,
    lab_key: Key,
    pooled: dict[str, str],
    apart: frozenset[str],
    strata: dict[str, Stratum],
    together: dict[str, str],
) -> pd.Series:
    """Key of the stratum of each of ``rows``; fills ``strata`` and ``together``."""
    places, of_row = np.unique(facts.place[rows], return_inverse=True)
    keys = []
    for place in places:
        fact = facts.met[place]
        stratum = _stratum(field_key, lab_key, fact)
        if pooled:
            whole = _stratum(field_key, lab_key, fact | pooled)
            together[stratum.key] = whole.key
            stratum = stratum if whole.key in apart else whole
        strata.setdefault(stratum.key, stratum)
        keys.append(stratum.key)
    return pd.Series(keys, dtype="str").take(of_row).reset_index(drop=True)


def _stratum(field_key: Key, lab_key: Key, fact: dict[str, str]) -> Stratum:
    return Stratum(
        element=field_key.element,
        read_by=field_method(field_key, fact["technique"], fact["instrument"], fact["calibration"]),
        determined_by=lab_method(
            lab_key,
            fact["lab_technique"],
            fact["lab_method"],
            fact["digestion"],
            fact["laboratory"],
        ),
        matrix=fact["matrix"],
        specimen_form=fact["specimen_form"],
        moisture=Moisture(fact["field_basis"], fact["lab_basis"]),
        pair_type=fact["pair_type"],
        digestion_class=fact["digestion_class"],
    )


def prepared(samples: pd.DataFrame) -> pd.DataFrame:
    """The pairs of samples with their facts as every element's pairs take them."""
    times = {n: pd.to_datetime(samples[n], utc=True) for n in ("field_time", "lab_time")}
    several = {
        name: pd.Series([tuple(many) for many in samples[name]], samples.index, dtype="object")
        for name in ("operator", "places")
    }
    several["certificate"] = pd.Series(
        [tuple(c for c in many if c) for many in samples["certificate"]],
        samples.index, dtype="object",
    )  # fmt: skip
    return samples.assign(**times, **several, group=samples["group"].fillna(""))


def as_pairs(frame: pd.DataFrame, keys: pd.Series, field_key: Key) -> pd.DataFrame:
    """Rows of the pair table (PAIR_COLUMNS), one for each sample and stratum."""
    field_cens = frame["field_censored"] > 0
    lab_cens = frame["lab_censored"] > 0
    methods = {each: field_method(field_key, *each).text for each in set(frame["set_up"])}
    result = pd.DataFrame(
        {
            "stratum": keys,
            "sample_id": frame["sample_id"],
            "group": frame["group"],
            "field_mean": frame["field_low"].where(~field_cens & ~frame["field_zero"]),
            "field_se": frame["field_se"].astype("float64"),
            "field_sd": frame["field_sd"].astype("float64"),
            "field_n": frame["field_n"],
            "field_spots": frame["field_spots"],
            "field_qualifier": qualifier(
                frame["field_n"], frame["field_censored"], frame["field_high"]
            ),
            "field_low": frame["field_low"],
            "field_high": frame["field_high"],
            "lab_mean": frame["lab_low"].where(~lab_cens & ~frame["lab_zero"]),
            "lab_se": frame["lab_se"].astype("float64"),
            "lab_n": frame["lab_n"],
            "lab_qualifier": qualifier(frame["lab_n"], frame["lab_censored"], frame["lab_high"]),
            "lab_low": frame["lab_low"],
            "lab_high": frame["lab_high"],
            "field_time": frame["field_time"],
            "lab_time": frame["lab_time"],
            "certificate": frame["certificate"],
            "custody": "not recorded",
            "used": True,
            "reason_code": "",
            "reason": "",
            "element": field_key.element,
            "laboratory": frame["laboratory"],
            "operator": frame["operator"],
            "places": frame["places"],
            "several_roles": frame["several_roles"],
            "field_zero": frame["field_zero"],
            "lab_zero": frame["lab_zero"],
            "field_times": frame["field_times"],
            "field_methods": [(methods[each],) for each in frame["set_up"]],
            **{name: frame[name] for name in (LAB_ROW, BOTH_ROWS) if name in frame},
        }
    )
    return one_per_sample(result)


def one_per_sample(pairs: pd.DataFrame) -> pd.DataFrame:
    """One pair per sample and stratum: where pooled facts gave several, their mean.

    The sample is the unit of evidence: two instruments that are pooled and read the same
    samples are replicates, not more pairs.
    """
    keys = ["stratum", "sample_id"]
    several = pairs.duplicated(keys, keep=False)
    if not several.any():
        return pairs
    merged = []
    for _, rows in pairs.loc[several].groupby(keys, sort=True):
        one = rows.iloc[0].copy()
        lab = rows.drop_duplicates(["lab_low", "lab_high", "lab_n", "certificate"])
        for side, part in (("field", rows), ("lab", lab)):
            count = len(part)
            one[f"{side}_low"] = part[f"{side}_low"].mean()
            one[f"{side}_high"] = part[f"{side}_high"].mean()
            one[f"{side}_n"] = part[f"{side}_n"].sum()
            one[f"{side}_se"] = (
                part[f"{side}_low"].std(ddof=1) / np.sqrt(count)
                if count > 1
                else part[f"{side}_se"].iloc[0]
            )
            marks = set(part[f"{side}_qualifier"])
            one[f"{side}_qualifier"] = (
                marks.pop() if len(marks) == 1 else ">" if ">" in marks else "~"
            )
            one[f"{side}_zero"] = part[f"{side}_zero"].any()
            exact = one[f"{side}_qualifier"] == "" and not one[f"{side}_zero"]
            one[f"{side}_mean"] = one[f"{side}_low"] if exact else np.nan
        one["several_roles"] = rows["several_roles"].any()
        one["field_spots"] = rows["field_spots"].sum()
        one["field_sd"] = float(np.sqrt((rows["field_sd"] ** 2).mean()))
        one["field_time"] = rows["field_time"].min()
        one["field_times"] = [t for times in rows["field_times"] for t in times]
        for name in ("field_methods", "certificate", "operator", "places"):
            one[name] = tuple(sorted({each for many in rows[name] for each in many}))
        merged.append(one)
    frame = pd.DataFrame(merged).reset_index(drop=True)
    for name in ("field_time", "lab_time"):
        frame[name] = pd.to_datetime(frame[name], utc=True)
    return pd.concat([pairs.loc[~several], frame.astype(pairs.dtypes.to_dict())], ignore_index=True)


def field_method(key: Key, technique: str, instrument: str, calibration: str) -> FieldMethod:
    """The field's method of one column: how the row was read, and what the heading names."""
    return FieldMethod(technique, instrument, calibration, key.method)


def lab_method(
    key: Key, technique: str, code: str, digestion: str, laboratory: str = ""
) -> LabMethod:
    """The laboratory's method of one column, and whose it is.

    A method that the heading names is the code where the row names none; where both name
    one, two columns stay two methods.
    """
    if not code or code.casefold() == key.method.casefold():
        return LabMethod(technique, code or key.method, digestion, laboratory=laboratory)
    return LabMethod(technique, code, digestion, key.method, laboratory)
