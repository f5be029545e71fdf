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

from reconcile.base.errors import ReconcileError
from reconcile.base.methods import FieldMethod, LabMethod
from reconcile.base.model.account import Finding
from reconcile.base.model.release import StratumResult
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import AS_READ, HELD_OUT, Ask, Verdict
from reconcile.base.selection import RANDOM as SELECTION_RANDOM
from reconcile.base.settings.whole import Settings
from reconcile.base.spreadsheet import to_csv
from reconcile.base.writing import write_whole
from reconcile.evidence import diagnosis
from reconcile.figures import shown_unit
from reconcile.figures.evaluation import Evaluated
from reconcile.intake import workspace as ws
from reconcile.judgement import criterion_words, factor_proposal, needs, verdicts
from reconcile.pairs import sides
from reconcile.releases import release
from reconcile.run import pipeline
from reconcile.statistics import distributions as stats
from reconcile.statistics import sample_size
from reconcile.store.database import Store
from reconcile.store.statements import sql

RANDOM, EVERY = "at random in stratum", "every sample is sent"
NO_VALUE = "no field value"
_MOST_STRATA = 10


@dataclass(frozen=True, slots=True)
class Need:
    """One figure of a plan: how many, how many are there, under which model."""

    what: str
    needed: float  # NaN: can't be reached by more samples
    there: int
    model: str
    ask: Ask

    @property
    def missing(self) -> float:
        """How many are still missing; NaN where no number would do."""
        return max(self.needed - self.there, 0.0) if math.isfinite(self.needed) else math.nan


_MODELS = {
    Ask.PAIRS: "setting minimum_pairs",
    Ask.THIRDS: "setting pairs_per_third; pairs lacking in a third",
    Ask.RANGE: "the bounds of the verdict, if line, scatter and range stay as found",
    Ask.SPREAD: "chi-square bound, if the scatter stays as found",
    Ask.TIME: "t interval of a stretch of time, if its bias and scatter stay as found",
    Ask.LEVEL_SAMPLES: "samples lacking on a side near the level",
    Ask.LEVEL_BIAS: "t interval at the level, if line and scatter stay as found",
    Ask.MISSED: "noncentral t bound at the edge of the grey region, if line and scatter stay",
    Ask.FALSE_ALARMS: "noncentral t bound at the edge of the grey region, if line and scatter stay",
    Ask.COMING: "months of as many pairs, if their mean bias and its spread stay as found",
    Ask.MISSED_COUNT: "exact binomial interval of samples on the acting side, if the share stays",
}
NOT_REACHABLE = "not reachable by more samples: what was found is not within what was agreed"
NO_LINE = "not reachable by more samples of this kind: {why}"


def needs_of(
    stratum: Stratum,
    evaluated: Evaluated,
    verdict: Verdict,
    settings: Settings,
    fault: Finding | None = None,
) -> tuple[Need, ...]:
    """Samples needed for each criterion of the verdict, by the verdict's own bounds.

    Of the values that the verdict last judged: as read, or corrected where they were. What
    was found is taken to stay: a new draw may need more.
    """
    terms = verdicts.terms_of(stratum, settings, evaluated.margin, verdict.alpha)
    lab, field = (evaluated.used[c].to_numpy("float64") for c in ("lab_mean", "field_mean"))
    of = AS_READ
    if verdict.decisions > 1:
        held_out = factor_proposal.propose(stratum, evaluated, settings, fault).held_out
        if held_out is not None:
            field, of = held_out, HELD_OUT
    made = verdicts.decision_of(lab, field, evaluated, terms, of)
    least = [needs.of_pairs(c) for c in verdict.criteria if c.ask in (Ask.PAIRS, Ask.THIRDS)]
    least += [needs.of_months(c) for c in verdict.criteria if c.ask is Ask.COMING and c.of == of]
    return tuple(_in_words(n, made.line.reason) for n in (*least, *needs.needs(made, terms)))


def _in_words(need: needs.Need, why: str) -> Need:
    model = _MODELS[need.criterion.ask]
    if not math.isfinite(need.needed):
        model = NO_LINE.format(why=why) if why else NOT_REACHABLE
    return Need(
        criterion_words.name(need.criterion), need.needed, need.there, model, need.criterion.ask
    )


def lab_share(result: StratumResult, cost_ratio: float) -> float:
    """Share of field samples to send to the laboratory where one result costs so much more.

    ``cost_ratio`` = cost of a laboratory result over that of a field result; double
    sampling with regression (Cochran, Sampling Techniques, chapter 12, from memory).
    """
    r = result.statistics.agreement.correlation.r.value
    return sample_size.optimum_lab_fraction(r, 1.0, cost_ratio) if math.isfinite(r) else math.nan


def spots_for(pairs: pd.DataFrame, target: float) -> float:
    """Spots so that a field mean is known to a relative standard error ``target``.

    From the pooled relative variance of one spot in the pair table (PAIR_COLUMNS).
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
    "sample_id", "kind", "selection", "reason", "inclusion_probability", "element",
    "field_value_mg_kg", "period",
)  # fmt: skip


def _judged(run: pipeline.Run) -> pipeline.Run:
    """A run whose identities are settled, walked on up to its verdicts."""
    steps = dict(pipeline.STEPS)
    names = list(steps)
    for name in names[names.index("judge controls and custody") : names.index("give verdicts") + 1]:
        run = steps[name](run)
    return run


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
    with Store(workspace.store_file, engine=workspace.engine) as store:
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
        asked: list[tuple[Need, ...]] = []
        if {"field", "lab"} <= _kinds(run):
            run = _judged(run)
            results = run.results
            suspected = diagnosis.by_stratum(run.findings)
            asked = [
                needs_of(
                    r.stratum,
                    run.gathered[r.stratum.key].evaluated,
                    r.verdict,
                    settings,
                    suspected.get(r.stratum.key),
                )
                for r in results
            ]
    strata = tuple(
        StratumPlan(
            r.stratum, r.verdict.decision, of_it, lab_share(r, cost_ratio),
            spots_for(r.pairs, target),
        )
        for r, of_it in zip(results, asked, strict=True)
    )  # fmt: skip
    choices: list[Choice] = []
    for kind in sorted({c.kind for c in candidates}):
        of_kind = [c for c in candidates if c.kind == kind]
        levels = {
            symbol: shown_unit.levels_of(
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
            [
                c.sample_id,
                c.kind,
                SELECTION_RANDOM,
                c.reason,
                c.probability,
                c.element,
                c.value,
                period,
            ]
            for c in choices
        ]
        write_whole(save, to_csv(CHOICE_COLUMNS, rows), new=True)
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
    side = sides.Side(store, "field")
    keys = sides.keys_of(store, "field", run.workspace.settings.workspace.elements)
    samples = store.frame(sql("planning.field_samples"))
    with_lab = {row[0] for row in store.rows(sql("planning.answered"))}
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
