"""What is still missing: pairs for a conclusion, spots for a mean, samples for the laboratory.

Figures are planning figures under the model that each sentence states. The choice of
samples keeps its stratum and each sample's chance of being chosen (Horvitz & Thompson 1952).
The chances are equal, so that no statistic of the chosen samples needs a weight.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from reconcile.base.errors import ReconcileError
from reconcile.base.methods import FieldMethod, LabMethod
from reconcile.base.model import Finding, Stratum, StratumResult
from reconcile.base.settings import Settings, Thresholds
from reconcile.base.writing import write_whole
from reconcile.figures import evaluation
from reconcile.intake import workspace as ws
from reconcile.pairs import pairing
from reconcile.releases import release
from reconcile.reporting.render import tables
from reconcile.run import pipeline
from reconcile.statistics import sample_size
from reconcile.store.database import Store

RANDOM, EVERY = "at random in stratum", "every sample is sent"
NO_VALUE = "no field value"
_MOST_STRATA = 10


@dataclass(frozen=True, slots=True)
class Need:
    """One figure of a plan: how many, how many are there, under which model."""

    what: str
    needed: float  # NaN: not attainable, or not to be said
    there: int
    model: str

    @property
    def missing(self) -> float:
        """How many are still missing; NaN where the need is not known."""
        return max(self.needed - self.there, 0.0) if math.isfinite(self.needed) else math.nan

    def sentence(self) -> str:
        """The figure in words."""
        if not math.isfinite(self.needed):
            return f"{self.what}: can't be planned from these pairs ({self.model})."
        return (
            f"{self.what}: {self.needed:.0f} pairs, {self.there} there, "
            f"{self.missing:.0f} missing ({self.model})."
        )


def needs_of(
    result: StratumResult, settings: Settings, power: float = 0.80, half_width: float = 0.55
) -> tuple[Need, ...]:
    """Pairs needed for a verdict, for limits of a given precision and for a bound on errors.

    ``half_width``: how closely each limit of agreement is to be known, in standard
    deviations of the differences (0.55 is what 40 pairs give; Bland & Altman 1999, section
    2). From the log ratios of the stratum's used pairs; a bias found so far is taken as
    true where it lies inside the margin.
    """
    t = settings.thresholds
    element = settings.of(result.stratum.element, result.stratum.matrix)
    margin = (element.margin if element else None) or t.bias_margin
    n = result.statistics.n_used
    limits = result.statistics.limits_log_ratio
    rsd = limits.sd if limits.sd > 0 else math.nan
    ratio = result.statistics.geometric_mean_ratio.value
    edge = math.log1p(margin)
    found = math.log(ratio) if math.isfinite(ratio) and ratio > 0 else math.nan

    def equivalence(bias: float) -> float:
        if not (math.isfinite(rsd) and math.isfinite(bias)):
            return math.nan
        return sample_size.pairs_for_equivalence(rsd, edge, power, t.equivalence_alpha, bias)

    return (
        Need("any verdict", float(t.minimum_pairs), n, "setting minimum_pairs"),
        Need(
            f"bias within ±{margin:.0%}, if there is none", equivalence(0.0), n,
            f"two one-sided t tests, power {power:.0%}, SD of log ratios {rsd:.3g}",
        ),
        Need(
            f"bias within ±{margin:.0%}, if it is as found", equivalence(found), n,
            f"the same with a true ratio of {ratio:.3g}",
        ),
        Need(
            f"each limit of agreement to ±{half_width:g} SD",
            sample_size.pairs_for_limits(half_width, t.confidence), n,
            f"normal differences, {t.confidence:.0%} interval",
        ),
        *_decisions(result, t),
    )  # fmt: skip


def _decisions(result: StratumResult, t: Thresholds) -> tuple[Need, ...]:
    """Samples on the side that someone acts on, for a bound on missed ones at each level."""
    bound = t.false_negative_bound or t.false_negative_rate
    needed = sample_size.pairs_for_false_decision_bound(bound, t.confidence)
    model = f"exact binomial bound at {t.confidence:.0%}"
    what = f"at most {bound:.0%} wrong decisions, with none wrong"
    if not result.statistics.levels:
        return (Need(what, needed, result.statistics.n_used, f"{model}; no decision level"),)
    return tuple(
        Need(
            f"{what}, at {x.name}", needed,
            (x.false_positive if x.acts == "below" else x.false_negative).n,
            f"{model}; samples {x.acts} the level by the laboratory",
        )
        for x in result.statistics.levels
    )  # fmt: skip


def lab_share(result: StratumResult, cost_ratio: float) -> float:
    """Share of field samples to send to the laboratory where one result costs so much more.

    ``cost_ratio`` = cost of a laboratory result over that of a field result; double
    sampling with regression (Cochran, Sampling Techniques, chapter 12, from memory).
    """
    r = result.statistics.correlation.r.value
    return sample_size.optimum_lab_fraction(r, 1.0, cost_ratio) if math.isfinite(r) else math.nan


def spots_for(pairs: pd.DataFrame, target: float) -> float:
    """Spots so that a field mean is known to a relative standard error ``target``.

    From the pooled relative variance of one spot in the pair table (model.PAIR_COLUMNS).
    """
    used = pairs.loc[pairs["used"].astype(bool)]
    mean = used["field_mean"].to_numpy("float64")
    spots = used["field_spots"].to_numpy("float64")
    shots = used["field_n"].to_numpy("float64")
    count = np.where(spots >= 2, spots, shots)
    se = used["field_se"].to_numpy("float64")
    keep = np.isfinite(se) & (count >= 2) & (mean > 0)
    if not keep.any():
        return math.nan
    freedom = count[keep] - 1
    variance = float(np.sum(freedom * count[keep] * (se[keep] / mean[keep]) ** 2) / np.sum(freedom))
    return sample_size.spots_needed(math.sqrt(variance), target)


# ---- which samples --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Candidate:
    """One sample without a laboratory result, with its field means (mg/kg) per element."""

    sample_id: str
    kind: str  # method, matrix, form, basis: what is compared alike
    values: Mapping[str, float]
    matrix: str = ""


@dataclass(frozen=True, slots=True)
class Choice:
    """One sample for the laboratory."""

    sample_id: str
    kind: str
    reason: str
    probability: float  # of being chosen, before the draw
    element: str = ""
    value: float = math.nan  # mg/kg


def choose(
    candidates: Sequence[Candidate],
    levels: Mapping[str, Sequence[tuple[str, float]]],
    number: int,
    seed: str,
) -> tuple[Choice, ...]:
    """Choose ``number`` samples of one kind for the laboratory, spread over the range.

    The candidates are put in order of a provisional value (``_provisional``, from the field
    results) and cut into strata of about equal size; within each a seeded random choice is
    made. Every sample has the same chance number/candidates, whatever its stratum: how many a
    stratum gives is its exact share, rounded at random so that it holds on average (systematic
    sampling with unequal sizes; Cochran, Sampling Techniques, chapters 5 and 8, from memory).
    So the chosen samples weigh alike, and shares counted among them (missed ones, those
    within a margin) are those of all samples. Samples picked for lying near a level by the
    field would show more missed ones than there are. The random order is that of SHA-256 over
    ``seed`` and the sample id: the same on every machine, and not to be steered by the order
    of a file.
    """
    if number <= 0 or not candidates:
        return ()
    ordered = sorted(candidates, key=lambda c: c.sample_id)
    if number >= len(ordered):
        return tuple(Choice(c.sample_id, c.kind, EVERY, 1.0) for c in ordered)
    elements = _leading(ordered, levels)
    value = _provisional(ordered, elements)
    by_value = sorted(ordered, key=lambda c: (value[c.sample_id], _order(seed, c.sample_id)))
    parts = max(1, min(number // 2, _MOST_STRATA))
    edges = [i * len(by_value) // parts for i in range(parts + 1)]
    chance = number / len(by_value)
    start = int(_order(seed, "start"), 16) / 16**64
    named = " and ".join(elements) or NO_VALUE
    chosen: list[Choice] = []
    for part, (low, high) in enumerate(pairwise(edges), start=1):
        take = math.floor(high * chance + start) - math.floor(low * chance + start)
        drawn = sorted(by_value[low:high], key=lambda c: _order(seed, c.sample_id))[:take]
        reason = f"{RANDOM} {part} of {parts} by {named}"
        chosen += [_choice(c, reason, chance, elements) for c in drawn]
    return tuple(sorted(chosen, key=lambda c: c.sample_id))


def _order(seed: str, sample_id: str) -> str:
    return hashlib.sha256(f"{seed}\n{sample_id}".encode("utf-8", "surrogatepass")).hexdigest()


def _leading(
    candidates: Sequence[Candidate], levels: Mapping[str, Sequence[tuple[str, float]]]
) -> tuple[str, ...]:
    """The elements that order the samples: those with decision levels, else all with values."""
    present = sorted({e for c in candidates for e in c.values})
    decided = [e for e in present if levels.get(e)]
    return tuple(decided or present)


def _provisional(candidates: Sequence[Candidate], elements: Sequence[str]) -> dict[str, float]:
    """Mean rank of each sample over the elements; without a value it ranks below all others."""
    total = dict.fromkeys((c.sample_id for c in candidates), 0.0)
    for element in elements:
        values = np.array([c.values.get(element, math.nan) for c in candidates])
        ranks = stats.rankdata(np.where(np.isfinite(values), values, -math.inf))
        for c, rank in zip(candidates, ranks, strict=True):
            total[c.sample_id] += float(rank)
    return total


def _choice(c: Candidate, reason: str, chance: float, elements: Sequence[str]) -> Choice:
    """One choice, with the value of the first leading element that the sample has."""
    known = next((e for e in elements if math.isfinite(c.values.get(e, math.nan))), "")
    return Choice(
        c.sample_id, c.kind, reason, chance, known, c.values[known] if known else math.nan
    )


# ---- one month ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StratumPlan:
    """The figures of one stratum of the latest release."""

    stratum: Stratum
    verdict: str
    needs: tuple[Need, ...]
    lab_share: float  # at ``cost_ratio``
    spots: float  # for a relative standard error of ``target``


@dataclass(frozen=True, slots=True)
class Plan:
    """What to send to the laboratory this month, and what is missing for a verdict."""

    period: str
    figures_of: str  # the period whose pairs gave the figures; "" where there is none
    cost_ratio: float
    target: float
    strata: tuple[StratumPlan, ...]
    choices: tuple[Choice, ...]
    candidates: int
    path: Path | None
    told: tuple[Finding, ...] = ()  # of store and archive


CHOICE_COLUMNS = (
    "sample_id", "kind", "reason", "inclusion_probability", "element", "field_value_mg_kg",
    "period",
)  # fmt: skip


def plan(
    folder: Path,
    period: str,
    share: float | None = None,
    cost_ratio: float = 20.0,
    target: float = 0.10,
    save: Path | None = None,
) -> Plan:
    """Choose from the month's samples without a laboratory result; say what is missing.

    ``share`` of each kind of sample is chosen (at least 2); else the largest optimum share
    of its strata at ``cost_ratio`` (cost of a laboratory over a field result), between 5 %
    and 50 %, and 10 % where nothing is known. Nothing is released. Raises ReconcileError
    where no field table of the month can be read.
    """
    if share is not None and not 0 < share <= 1:
        raise ReconcileError(f"A share of {share:g} is not possible.", "Give it between 0 and 1.")
    if not cost_ratio > 0 or not 0 < target < 1:
        raise ReconcileError(
            "The cost ratio and the target must be above zero, the target below 1.",
            "Such as --cost-ratio 20 --target 0.1.",
        )
    if save is not None and save.exists():
        raise ReconcileError(f"{save} exists already.", "Name a new file.")
    workspace = ws.load_workspace(folder)
    settings = workspace.settings
    with Store(workspace.store_file) as store:
        run = _read(pipeline.begin(workspace, period, store))
        if not any(c == "field" for c in _kinds(run)):
            raise ReconcileError(
                f"No field table of {period} could be read.",
                "Put the month's field table in, or mend 'files' in reconcile.toml.",
            )
        candidates = _candidates(run)
        known = period
        if "lab" not in _kinds(run):  # figures come from the newest month that has them
            known = max((p for p in _released(workspace) if p < period), default="")
            run = _read(pipeline.begin(workspace, known, store)) if known else run
        results: tuple[StratumResult, ...] = ()
        if {"field", "lab"} <= _kinds(run):
            for _, step in pipeline.STEPS[3:7]:
                run = step(run)
            results = run.results
    strata = tuple(
        StratumPlan(
            r.stratum, r.verdict.decision, needs_of(r, settings), lab_share(r, cost_ratio),
            spots_for(r.pairs, target),
        )
        for r in results
    )  # fmt: skip
    choices: list[Choice] = []
    for kind in sorted({c.kind for c in candidates}):
        of_kind = [c for c in candidates if c.kind == kind]
        levels = {
            symbol: evaluation.levels_of(
                Stratum(symbol, FieldMethod(), LabMethod(), of_kind[0].matrix), settings
            )
            for symbol in settings.element
        }
        part = share if share is not None else _share_of(kind, strata)
        number = min(len(of_kind), max(2, math.ceil(part * len(of_kind) - 1e-9)))
        choices += choose(of_kind, levels, number, f"{period}\n{kind}")
    made = Plan(
        period, known, cost_ratio, target, strata, tuple(choices), len(candidates), save, run.told
    )
    if save is not None:
        rows = [
            [c.sample_id, c.kind, c.reason, c.probability, c.element, c.value, period]
            for c in choices
        ]
        write_whole(save, tables.to_csv(CHOICE_COLUMNS, rows), new=True)
    return made


def _read(run: pipeline.Run) -> pipeline.Run:
    return pipeline.settle_identities(pipeline.read_found(pipeline.find_files(run)))


def _kinds(run: pipeline.Run) -> set[str]:
    return {stored.kind for _, stored in run.files if not stored.problem}


def _released(workspace: ws.Workspace) -> list[str]:
    root = workspace.output / "releases"
    folders = sorted(root.iterdir()) if root.is_dir() else []
    return [f.name for f in folders if ws.is_month(f.name) and release.latest(f) is not None]


def _share_of(kind: str, strata: Sequence[StratumPlan]) -> float:
    known = [s.lab_share for s in strata if _kind(s.stratum) == kind and math.isfinite(s.lab_share)]
    return min(max(max(known), 0.05), 0.50) if known else 0.10


def _kind(stratum: Stratum) -> str:
    parts = stratum.read_by.set_up.parts
    return " · ".join([*parts, stratum.matrix, stratum.specimen_form, stratum.moisture.field])


def _candidates(run: pipeline.Run) -> list[Candidate]:
    """Samples of the month with field results and no laboratory result."""
    store = run.store
    side = pairing.Side(store, "field")
    keys = pairing.keys_of(store, "field", run.workspace.settings.workspace.elements)
    samples = store.frame("SELECT * FROM field_sample ORDER BY number")
    with_lab = {
        row[0]
        for row in store.rows("SELECT DISTINCT sample_id FROM lab_row WHERE disposition = 'sample'")
    }
    values: list[dict[str, float]] = [{} for _ in range(len(samples))]
    for key in keys:
        means = side.of(key)
        for place in np.flatnonzero((means.n > 0) & (means.censored == 0)):
            values[int(place)][key.element] = float(means.low[place])
    found = []
    for i, row in enumerate(samples.to_dict("records")):
        if row["sample_id"] in with_lab:
            continue
        parts = [row[k] for k in ("technique", "instrument", "calibration")]
        kind = " · ".join(
            [*(str(p) for p in parts if p), row["matrix"], row["specimen_form"],
             row["moisture_basis"]]
        )  # fmt: skip
        found.append(Candidate(str(row["sample_id"]), kind, values[i], str(row["matrix"])))
    return found
