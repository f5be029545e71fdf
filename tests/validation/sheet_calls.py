"""How often a result sheet calls wrongly, by simulation through the program's own evaluation.

``python -m tests.validation.sheet_calls`` writes a table into docs/validation.md. Each study is
evidence of known truth, evaluated, corrected and judged by the program; where its verdict accepts,
samples of a coming month that nobody has seen are decided as a sheet decides them.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, APPROVED
from reconcile.figures import evaluation, laboratory_error
from reconcile.figures.over_months import MONTH
from reconcile.judgement import factor_proposal, grounds, verdicts
from reconcile.judgement.decision import LevelTerms
from reconcile.judgement.factor_life import Life
from reconcile.judgement.field_values import FieldMean
from reconcile.judgement.results import Rules, decide
from reconcile.statistics.level_calls import ABOVE, BELOW, TOO_CLOSE
from reconcile.statistics.proportions import clopper_pearson
from tests.pairs import STRATUM, pairs, settings
from tests.validation.notes import put_table

Array = NDArray[np.float64]

LEVEL, FALSE_ALARMS, MISSED = 200.0, 0.10, 0.05
LOW, HIGH = 50.0, 800.0  # contents, log-uniform
MONTHS = 4
READS = {
    "none": lambda t: t,
    "ratio": lambda t: 1.2 * t,
    "line": lambda t: 20 + 1.1 * t,
    "power": lambda t: 2.5 * t**0.85,
}


@dataclass(frozen=True, slots=True)
class Truth:
    """What the field reads of a content t, and every error beside it; relative SDs."""

    name: str
    form: str = "ratio"
    spot: float = 0.08  # one spot about the sample's own reading
    spots: int = 3  # of each sample of the evidence
    sheet_spots: int = 3  # of each sample of the sheet
    split: float = 0.04  # what the field reads of a sample about what a split of it holds
    lab: float = 0.02
    months: float = 0.01  # biases of months, the coming one too
    drift: float = 0.0  # from the first month of the evidence to the last
    goes_on: bool = False  # the coming month is one step further, else somewhere between
    limit: float = 0.0  # of detection of the field, mg/kg
    pairs: int = 60
    low: float = LOW
    high: float = HIGH
    cluster: float = 0.0  # common to the samples of a hole
    below: bool = False  # someone acts below the level


TRUTHS = (
    Truth("no bias", "none"),
    Truth("no bias, 100 pairs", "none", pairs=100),
    Truth("reads 4 % high, as read", "none", drift=0.0, pairs=100),
    Truth("ratio 1.2"),
    Truth("ratio 1.2, 30 pairs", pairs=30),
    Truth("ratio 1.2, 100 pairs", pairs=100),
    Truth("line 20 + 1.1·t", "line"),
    Truth("power 2.5·t^0.85", "power", pairs=100),
    Truth("spots to split 10 %", split=0.10),
    Truth("spots to split 20 %", split=0.20, pairs=100),
    Truth("no bias, spots to split 20 %", "none", split=0.20, pairs=100),
    Truth("spot RSD 20 %", spot=0.20),
    Truth("two of three spots", spot=0.15, sheet_spots=2),
    Truth("laboratory RSD 5 %", lab=0.05),
    Truth("laboratory RSD 8 %", lab=0.08),
    Truth("months 3 %", months=0.03),
    Truth("drift 4 % within the evidence", drift=0.04),
    Truth("drift 4 %, going on (not promised)", drift=0.04, goes_on=True),
    Truth("20 % below the limit", limit=87.0),
    Truth("40 % below the limit", limit=151.0, pairs=100),
    Truth("range ×4", low=100.0, high=400.0),
    Truth("holes in common 5 %", cluster=0.05),
    Truth("someone acts below", below=True),
)


def values(
    truth: Truth, n: int, month: Array, spots: int, rng: np.random.Generator,
    contents: Array | None = None,
) -> tuple[Array, Array, Array, Array]:  # fmt: skip
    """Contents of the splits, laboratory results, field means and their standard errors."""
    t = contents
    if t is None:
        t = np.exp(rng.uniform(math.log(truth.low), math.log(truth.high), n))
    reads = READS[truth.form](t) * (1.04 if truth.name == "reads 4 % high, as read" else 1.0)
    holes = rng.normal(0, truth.cluster, n // 5 + 1)[np.arange(n) // 5]
    sample = reads * np.exp(rng.normal(0, truth.split, n) + month + holes)
    each = sample[:, None] * np.exp(rng.normal(0, truth.spot, (n, spots)))
    lab = t * np.exp(rng.normal(0, truth.lab, n))
    se = each.std(axis=1, ddof=1) / math.sqrt(spots) if spots > 1 else np.full(n, math.nan)
    return t, lab, each.mean(axis=1), se


def evidence(truth: Truth, rng: np.random.Generator) -> tuple[pd.DataFrame, float]:
    """Pairs of MONTHS months, and the bias (of logarithms) of the month to come."""
    number = np.arange(truth.pairs) * MONTHS // truth.pairs
    own = rng.normal(0, truth.months, MONTHS + 1)
    going = truth.drift * (np.arange(MONTHS + 1) / (MONTHS - 1) - 0.5)
    if not truth.goes_on:
        going[-1] = rng.uniform(-truth.drift / 2, truth.drift / 2)
    biases = own + going
    _, lab, field, se = values(truth, truth.pairs, biases[number], truth.spots, rng)
    table = pairs(lab, field, se / field)
    table["field_spots"] = table["field_n"] = truth.spots
    table[MONTH] = [f"2026-{i + 1:02d}" for i in number]
    table["group"] = [f"hole {i // 5}" for i in range(truth.pairs)] if truth.cluster else ""
    if truth.limit:
        low = field < truth.limit
        table.loc[low, "field_qualifier"] = "<"
        table.loc[low, "field_low"] = 0.0
        table.loc[low, ["field_high"]] = truth.limit
        table.loc[low, ["field_mean", "field_se", "field_sd"]] = math.nan
        table.loc[low, "used"] = False
        table.loc[low, ["reason_code", "reason"]] = (
            "field-outside-limits",
            "field outside its limits",
        )
    return table, float(biases[-1])


def agreed(truth: Truth) -> dict[str, object]:
    """What the client agreed: wide where the material is heterogeneous, else the defaults."""
    if max(truth.split, truth.spot / math.sqrt(truth.spots)) >= 0.09:
        return {"agreement_span": 0.95, "grey_region": 0.6, "bias_margin": 0.15}
    return {"grey_region": 0.3, "censored_share": 0.6, "bias_margin": 0.12}


@dataclass(frozen=True, slots=True)
class Study:
    """Calls of one study's coming samples; counts."""

    accepted: bool
    decided: int = 0
    wrong_above: int = 0
    wrong_below: int = 0
    too_close: int = 0
    judged: int = 0  # decided or too close
    least: float = 0.0  # too close of these where every error is known
    at_level: int = 0  # contents at the level itself
    at_above: int = 0
    at_below: int = 0


def study(truth: Truth, seed: int, samples: int = 200) -> Study:
    """One study: evidence, verdict, and the calls of samples of the month after."""
    rng = np.random.default_rng([seed, TRUTHS.index(truth)])
    config = settings(**agreed(truth))
    levels = ({"name": "level", "value": LEVEL, "acts": "below" if truth.below else "at or above"},)
    config = config.model_validate({**config.model_dump(), "element": {"Cu": {"levels": levels}}})
    table, coming = evidence(truth, rng)
    error = laboratory_error.LabError(truth.lab**2, math.inf, "stated")
    evaluated = evaluation.evaluate(STRATUM, table, error, config, shown=False)
    proposal = factor_proposal.dated(
        factor_proposal.propose(STRATUM, evaluated, config, None), "2026-01-01", "2027-12-31"
    )
    verdict = verdicts.judge(STRATUM, evaluated, proposal, config, None, "2027-12-31")
    if verdict.decision not in (ACCEPTED, ACCEPTED_CORRECTED):
        return Study(False)
    plain = {
        "decision": verdict.decision, "range_low": verdict.range_low,
        "range_high": verdict.range_high, "valid_until": verdict.valid_until,
        "criteria": [
            {"ask": c.ask, "outcome": c.outcome, "facts": dict(c.facts)} for c in verdict.criteria
        ],
    }  # fmt: skip
    relative = evaluated.statistics.difference_scale == "log ratio"
    model = evaluated.statistics.error_model
    assert model is not None
    lab = (model.lab.low if model.lab.low > 0 else 0.0, model.shape == "proportional")
    ground = grounds.ground_of(STRATUM, "r", "2026-04", plain, relative, evaluated.used, lab)
    lives = []
    if proposal.factor is not None:
        factor = replace(proposal.factor, status=APPROVED)
        lives = [Life(factor, "2026-04", 1, "r", "A", "", "", verdict.decision, "", "B")]
    terms = LevelTerms("level", LEVEL, truth.below, missed=MISSED, false_alarms=FALSE_ALARMS)
    rules = Rules({("Cu", STRATUM.matrix): (terms,)}, 0.5, {}, {})

    def calls(contents: Array | None, n: int) -> tuple[Array, Array, list[str]]:
        bias = np.full(n, coming)
        t, _, field, _ = values(truth, n, bias, truth.sheet_spots, rng, contents)
        found = []
        for i, y in enumerate(field):
            limited = y < truth.limit
            mean = FieldMean(
                f"N{i}", "Cu", STRATUM.read_by, STRATUM.matrix, STRATUM.specimen_form,
                STRATUM.moisture_basis, "2026-05-05", "2026-05-05", truth.sheet_spots,
                "<" if limited else "", 0.0 if limited else float(y),
                truth.limit if limited else float(y),
            )  # fmt: skip
            result = decide(mean, [ground], lives, rules)
            found.append(result.levels[0].call)
        return t, field, found

    t, field, found = calls(None, samples)
    call = np.array(found)
    judged = call != ""
    _, _, at_level = calls(np.full(samples // 2, LEVEL), samples // 2)
    return Study(
        True, int(np.sum(judged & (call != TOO_CLOSE))), int(np.sum((call == ABOVE) & (t < LEVEL))),
        int(np.sum((call == BELOW) & (t >= LEVEL))), int(np.sum(call == TOO_CLOSE)),
        int(judged.sum()), float(np.sum(_known(truth, field[judged]) == TOO_CLOSE)),
        sum(c != "" for c in at_level), at_level.count(ABOVE), at_level.count(BELOW),
    )  # fmt: skip


def _known(truth: Truth, field: Array) -> NDArray[np.str_]:
    """The calls where line and every error are known, and the coming month's bias is not."""
    times = 1.04 if truth.name == "reads 4 % high, as read" else 1.0
    at = READS[truth.form](np.array([LEVEL * 0.999, LEVEL * 1.001])) * times
    slope = math.log(at[1] / at[0]) / math.log(1.001 / 0.999)
    sd = math.sqrt(
        truth.spot**2 / truth.sheet_spots + truth.split**2 + truth.months**2 + truth.cluster**2
        + truth.drift**2 / 12
    ) / slope  # fmt: skip
    off = np.log(field / np.mean(at)) / slope
    rate_above, rate_below = (MISSED, FALSE_ALARMS) if truth.below else (FALSE_ALARMS, MISSED)
    up, down = (stats.norm.isf(rate) * sd for rate in (rate_above, rate_below))
    return np.where(off >= up, ABOVE, np.where(off < -down, BELOW, TOO_CLOSE))


@dataclass(frozen=True, slots=True)
class Row:
    """All studies of one truth that the verdict accepts."""

    truth: Truth
    studies: int
    accepted: int
    total: Study
    at_above: tuple[float, float, float]  # share at the level, and its 95 % interval over studies
    at_below: tuple[float, float, float]

    @property
    def rates(self) -> tuple[float, float]:
        """What was set for 'above' and 'below'."""
        return (MISSED, FALSE_ALARMS) if self.truth.below else (FALSE_ALARMS, MISSED)

    @property
    def wrong(self) -> tuple[tuple[float, float, float], ...]:
        """Wrong 'above' and wrong 'below' as shares of the decided samples, with 95 % intervals."""
        s = self.total
        found = (clopper_pearson(n, s.decided) for n in (s.wrong_above, s.wrong_below))
        return tuple((e.value, e.low, e.high) for e in found)

    @property
    def over(self) -> float:
        """Share 'too close' over the least where everything is known."""
        return self.total.too_close / self.total.least if self.total.least else math.nan

    @property
    def kept(self) -> bool:
        """Whether no interval lies above what was set, among decided and at the level."""
        shares = zip((*self.wrong, self.at_above, self.at_below), self.rates * 2, strict=True)
        return all(low <= rate for (_, low, _), rate in shares)


def row(truth: Truth, wanted: int, most: int) -> Row:
    """Studies of one truth until ``wanted`` are accepted, ``most`` at most."""
    found: list[Study] = []
    seed = 0
    while len(found) < wanted and seed < most:
        one = study(truth, seed)
        seed += 1
        if one.accepted:
            found.append(one)
    names = [n for n in Study.__dataclass_fields__ if n != "accepted"]
    total = Study(bool(found), **{n: sum(getattr(s, n) for s in found) for n in names})
    shares = [
        [getattr(s, name) / s.at_level for s in found if s.at_level]
        for name in ("at_above", "at_below")
    ]
    return Row(truth, seed, len(found), total, *map(_over_studies, shares))


def _over_studies(shares: list[float]) -> tuple[float, float, float]:
    """Mean over studies with the t interval: samples of one study share its factor."""
    if len(shares) < 2:
        return (math.nan, math.nan, math.nan)
    mean, se = float(np.mean(shares)), float(np.std(shares, ddof=1)) / math.sqrt(len(shares))
    half = float(stats.t.isf(0.025, len(shares) - 1)) * se
    return mean, max(mean - half, 0.0), mean + half


def lines(rows: list[Row]) -> list[str]:
    """The table and what it says."""
    promised = [r for r in rows if r.accepted and not r.truth.goes_on]
    kept = sum(r.kept for r in promised)
    worst = max(r.over for r in promised)
    out = [
        f"Wrong 'above' at most {FALSE_ALARMS:.0%}, wrong 'below' at most {MISSED:.0%} (the other "
        "way round where someone acts below), set before the data. What is promised is the chance "
        "for a sample whose content is at the level itself; among decided samples it is smaller "
        "where contents spread, here log-uniform over the range of the evidence. The coming month "
        "has a bias of its own. 'Too close' is compared with the least that is possible where "
        "line, errors and spread of months are known exactly. Where spots and split differ by "
        "9 % or more the client agreed to a wider spread and grey region, else nothing is "
        "accepted. Intervals are 95 %; at the level over studies, for samples of one study share "
        "its factor. A drift that goes on beyond the evidence is told by the monthly score of the "
        "factor, not by the sheet: its row shows what it does.",
        "",
        f"{kept} of {len(promised)} truths keep what was set; 'too close' is "
        f"at most {worst:.2f} times the least.",
        "",
        "| truth | studies accepted | decided | wrong 'above' of decided | wrong 'below' of "
        "decided | 'above' at the level | 'below' at the level | too close | over the least |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for r in rows:
        if not r.accepted:
            out.append(f"| {r.truth.name} | 0 of {r.studies} | – | – | – | – | – | – | – |")
            continue
        shares = (*r.wrong, r.at_above, r.at_below)
        shown = " | ".join(f"{a:.1%} ({b:.1%} to {c:.1%})" for a, b, c in shares)
        share = r.total.too_close / r.total.judged
        out.append(
            f"| {r.truth.name} | {r.accepted} of {r.studies} | {r.total.decided} | {shown} | "
            f"{share:.1%} | {r.over:.2f} |"
        )
    return out


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--studies", type=int, default=20, help="accepted ones of each truth")
    parser.add_argument("--only", default="", help="part of a truth's name")
    given = parser.parse_args()
    rows = []
    for truth in TRUTHS:
        if given.only in truth.name:
            rows.append(row(truth, given.studies, 3 * given.studies))
            print("\n".join(lines(rows)[-1:]), flush=True)
    if not given.only:
        put_table(
            Path("docs/validation.md"), "calls of result sheets",
            "How often a result sheet calls wrongly",
            f"python -m tests.validation.sheet_calls --studies {given.studies}", lines(rows),
        )  # fmt: skip


if __name__ == "__main__":
    main()
