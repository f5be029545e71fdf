"""Eight ways in which a decision can say more than its evidence, each measured by simulation.

``python -m tests.validation.decision_faults --studies 200`` writes the table into
docs/validation.md. Every study runs through the program's own functions. The column 'earlier' is
what the same command found at the commit that BEFORE names: before bias was judged at the levels,
spread by its upper bound, and factors by nested validation. One further fault, that the newest
earlier proposal was scored whether or not it was approved, is no matter of chance and has tests
of its own (tests/test_scoring.py).
"""

from __future__ import annotations

import argparse
import csv
import math
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from functools import partial
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from scipy import integrate, stats

from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, Ask, Outcome
from reconcile.base.settings.whole import Settings
from reconcile.commands import planning
from reconcile.figures import evaluation, laboratory_error
from reconcile.judgement import factor_proposal, verdicts
from reconcile.judgement.factor_proposal import Proposal
from reconcile.statistics.grey_region import edge_chance
from reconcile.statistics.level_band import bias_interval, truth_line
from reconcile.statistics.proportions import clopper_pearson
from reconcile.trials import as_read, trial
from reconcile.trials.studies import STRATUM, draw
from reconcile.trials.truths import Truth
from tests.validation.notes import put_table

#: The commit of the earlier figures, and these.
BEFORE = ("733c92b", Path(__file__).parent / "decision_faults_before.csv")
NO_FACTOR = Proposal(None, None, "")
SIZES = (20, 40, 100)


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of one case."""

    question: str
    case: str
    n: int
    studies: int
    figure: str
    value: float  # a share, unless the figure's name says otherwise
    low: float  # exact 95 % interval of a share; NaN where it is no share
    high: float
    wanted: str


def _share(question: str, case: str, n: int, figure: str, hits: list[bool], wanted: str) -> Row:
    rate = clopper_pearson(sum(hits), len(hits))
    return Row(question, case, n, len(hits), figure, rate.value, rate.low, rate.high, wanted)


def _number(question: str, case: str, n: int, figure: str, values: list[float], wanted: str) -> Row:
    mean = float(np.mean(values))
    return Row(question, case, n, len(values), figure, mean, math.nan, math.nan, wanted)


# ---- one study each; all at the top level, for the pool ------------------------------------


def _evaluated(truth: Truth, n: int, seed: int) -> tuple[Settings, evaluation.Evaluated]:
    config, study = trial.settings_of(truth), draw(truth, n, seed)
    errors = laboratory_error.lab_errors(study.duplicates, config.errors)
    found = evaluation.evaluate(
        STRATUM, study.pairs, laboratory_error.lab_error_of(errors, STRATUM), config
    )
    return config, found


def _as_read(truth: Truth, n: int, seed: int) -> bool:
    """Whether one study is accepted as read; no factor is offered."""
    return as_read.outcome(truth, n, seed, trial.settings_of(truth)).decision == ACCEPTED


def _spread_met(truth: Truth, n: int, seed: int) -> bool:
    config, found = _evaluated(truth, n, seed)
    verdict = verdicts.judge(STRATUM, found, NO_FACTOR, config, None, "")
    return [c.outcome for c in verdict.criteria if c.ask is Ask.SPREAD] == [Outcome.SHOWN]


def _slope(truth: Truth, n: int, seed: int) -> tuple[float, bool]:
    """Headline slope, and whether its interval holds the true one."""
    slope = _evaluated(truth, n, seed)[1].statistics.headline_line.slope
    return slope.value, slope.low <= true_slope(truth) <= slope.high


def true_slope(truth: Truth) -> float:
    """Slope of the mean of the field values on the true content, where ``power`` is 1."""
    return truth.ratio * math.exp(truth.between**2 / 2)


def _factor(truth: Truth, n: int, seed: int) -> tuple[str, bool, float, float]:
    """Form, whether accepted after correction, ratio of corrected to true at both ends."""
    verdict, factor = trial.decide(draw(truth, n, seed), trial.settings_of(truth))
    if factor is None:
        return "", False, math.nan, math.nan
    ends = np.array([truth.low, truth.high])
    everywhere = replace(factor, low=0.0, high=math.inf)
    ratio = factor_proposal.correct(everywhere, truth.reads(ends))[0] / ends
    after = verdict.decision == ACCEPTED_CORRECTED
    return factor.form, after, float(ratio[0]), float(ratio[1])


def _held_out(truth: Truth, n: int, seed: int) -> tuple[float, float, bool]:
    """Mean log error of the held-out values, and that of the factor on samples to come.

    And whether the interval of the bias at the level, as the verdict has it from the held-out
    values, holds the bias that the factor truly leaves there.
    """
    config, found = _evaluated(truth, n, seed)
    proposal = factor_proposal.propose(STRATUM, found, config, None)
    if proposal.factor is None or proposal.held_out is None:
        return math.nan, math.nan, False
    lab = found.used["lab_mean"].to_numpy("float64")
    t = np.geomspace(truth.low, truth.high, 200)
    everywhere = replace(proposal.factor, low=0.0, high=math.inf)
    to_come = factor_proposal.correct(everywhere, truth.reads(t))[0]
    line = truth_line(lab, proposal.held_out, "log ratio", truth.lab_rsd**2)
    seen = bias_interval(line, math.log(truth.level))
    at = truth.reads(np.array([truth.level]))
    left = float(factor_proposal.correct(everywhere, at)[0][0]) / truth.level - 1
    return (
        float(np.mean(np.log(proposal.held_out / lab))),
        float(np.mean(np.log(to_come / t))),
        seen.low <= left <= seen.high,
    )


def _chance(truth: Truth, n: int, seed: int) -> tuple[float, bool]:
    """Chance of a wrong call 10 % above the level; whether its upper bound holds the true one."""
    used = _evaluated(truth, n, seed)[1].used
    lab, field = (used[c].to_numpy("float64") for c in ("lab_mean", "field_mean"))
    line = truth_line(lab, field, "log ratio", truth.lab_rsd**2)
    found = edge_chance(line, truth.level, 1.1 * truth.level)
    return found.value, found.upper >= true_chance(truth)


def true_chance(truth: Truth) -> float:
    """P(field below the level | true value 10 % above it); 1 minus that where it acts above."""
    gap = math.log(truth.level / float(truth.reads(np.array([1.1 * truth.level]))[0]))
    return float(stats.norm.cdf(gap / truth.field_sd))


def _planned(truth: Truth, n: int, seed: int) -> tuple[float, float, bool, bool]:
    """Missed share among planned and random samples, and whether each was accepted as read."""
    month = draw(truth, 10 * n, seed).pairs
    values = dict(zip(month["sample_id"], month["field_mean"], strict=True))
    candidates = [planning.Candidate(s, "one", {"Cu": v}) for s, v in values.items()]
    levels = {"Cu": [("cut-off", truth.level)]}
    chosen = {c.sample_id for c in planning.choose(candidates, levels, n, str(seed))}
    order = np.random.default_rng(seed).permutation(len(month))[:n]
    out = []
    config = trial.settings_of(truth)
    for part in (month[month["sample_id"].isin(chosen)], month.iloc[np.sort(order)]):
        part = part.reset_index(drop=True)
        lab, field = part["lab_mean"].to_numpy(), part["field_mean"].to_numpy()
        above = lab >= truth.level
        missed = float(np.mean(field[above] < truth.level)) if above.any() else math.nan
        error = laboratory_error.LabError(truth.lab_rsd**2, math.inf, "stated")
        found = evaluation.evaluate(STRATUM, part, error, config)
        verdict = verdicts.judge(STRATUM, found, NO_FACTOR, config, None, "")
        out.append((missed, verdict.decision == ACCEPTED))
    return out[0][0], out[1][0], out[0][1], out[1][1]


# ---- the questions ------------------------------------------------------------------------

Many = Callable[..., list]


def bias_at_the_level(many: Many, studies: int) -> Iterator[Row]:
    """Power law of mean ratio 1: the ratio at the level 500 as stated."""
    for ratio in (1.0, 1.101, 1.15, 1.18):
        truth = Truth(
            f"ratio {ratio:g} at 500", level=500, power=1 + math.log(ratio) / math.log(2.5)
        )
        for n in SIZES:
            hits = many(_as_read, truth, n, studies)
            wanted = "high, rising with n" if ratio == 1 else "5 % at most"
            yield _share("1 bias at the level", truth.name, n, "accepted as read", hits, wanted)


def points(many: Many, studies: int) -> Iterator[Row]:
    """Spread as agreed exactly; missed shares far beyond what was agreed, of one or two samples."""
    between = math.sqrt((math.log(1.40) / 1.959964) ** 2 - 0.08**2 - 0.02**2)
    truth = Truth("true limits as agreed, a factor 1.40", between=between, level=0)
    for n in SIZES:
        hits = many(_spread_met, truth, n, studies)
        yield _share("2 spread by a point", truth.name, n, "spread met", hits, "5 % at most")
    for level, ratio in ((700.0, 1.0), (700.0, 0.97), (700.0, 0.93)):
        truth = Truth("", ratio=ratio, level=level)
        missed = integrate.quad(
            lambda u, truth=truth: stats.norm.cdf(
                math.log(truth.level / float(truth.reads(np.array([math.exp(u)]))[0])) / 0.08
            ),
            math.log(level), math.log(truth.high),
        )[0] / math.log(truth.high / level)  # fmt: skip
        truth = replace(truth, name=f"ratio {ratio:g}, level 700, true share missed {missed:.0%}")
        hits = many(_as_read, truth, 20, studies)
        yield _share("2 missed by a point", truth.name, 20, "accepted as read", hits, "few")
    truth = Truth("ratio 1.08, RSD 12 %, level 200", ratio=1.08, rsd=0.12)
    chance = stats.norm.sf(math.log(200 / 160 / 1.08) / 0.12)
    case = f"{truth.name}, false alarms {chance:.0%} at 160"
    for n in SIZES:
        hits = many(_as_read, truth, n, studies)
        yield _share("2 false alarms", case, n, "accepted as read", hits, "5 % at most")


def error_ratio(many: Many, studies: int) -> Iterator[Row]:
    """What separates spots and split is in no replicate: slope of the headline line.

    A log-normal factor between spots and split has a mean above one: exp(SD²/2).
    """
    for between in (0.0, 0.20, 0.30):
        truth = Truth(f"spots to split {between:.0%}, range ×4", between=between).with_range(4)
        for n in (40, 100):
            found = many(_slope, truth, n, studies)
            slopes = [s for s, _ in found if math.isfinite(s)]
            name, true = "3 error ratio", f"{true_slope(truth):.3f}"
            yield _number(name, truth.name, n, "mean slope (no share)", slopes, true)
            hits = [h for _, h in found]
            yield _share(name, truth.name, n, "its interval holds the true slope", hits, "95 %")


def disguised_shrinkage(many: Many, studies: int) -> Iterator[Row]:
    """Nothing to correct: what is proposed, and what the corrected values are off at the ends."""
    for between in (0.08, 0.20):
        truth = Truth(
            f"nothing to correct, spots to split {between:.0%}, range ×2", between=between, level=0
        ).with_range(2)
        found = many(_factor, truth, 40, studies)
        name = "4 shrinkage as a factor"
        for figure, hits in (
            ("form 'power'", [f == "power" for f, *_ in found]),
            ("any factor but 'none'", [f not in ("", "none") for f, *_ in found]),
            ("accepted after correction", [a for _, a, *_ in found]),
        ):
            yield _share(name, truth.name, 40, figure, hits, "few")
        proposed = [(low, high) for f, _, low, high in found if f not in ("", "none")] or [(1, 1)]
        for figure, values in zip(("low", "high"), zip(*proposed, strict=True), strict=True):
            yield _number(
                name, truth.name, 40, f"corrected/true at the {figure} end (no share)",
                list(values), "1",
            )  # fmt: skip


def held_out(many: Many, studies: int) -> Iterator[Row]:
    """How far held-out values are off on average, and the factor on samples to come."""
    truth = Truth("ratio 1.2, spots to split 10 %", ratio=1.2, between=0.10)
    for n in (20, 40):
        found = [x for x in many(_held_out, truth, n, studies) if math.isfinite(x[0])]
        for figure, i in (("held-out mean log error", 0), ("log error on samples to come", 1)):
            size = math.sqrt(float(np.mean([x[i] ** 2 for x in found])))
            yield Row(
                "6 held-out bias", truth.name, n, len(found),
                f"{figure}, root mean square (no share)", size, math.nan, math.nan,
                "the first may be smaller",
            )  # fmt: skip
        yield _share(
            "6 held-out bias", truth.name, n, "interval at the level holds what the factor leaves",
            [x[2] for x in found], "90 %",
        )  # fmt: skip


def wrong_calls(many: Many, studies: int) -> Iterator[Row]:
    """Power law with a ratio of 0.90 at the level: the printed chance 10 % above it."""
    truth = Truth("ratio 0.90 at 500, mean ratio 1", level=500,
                  power=1 + math.log(0.90) / math.log(2.5))  # fmt: skip
    found = many(_chance, truth, 40, studies)
    case = f"{truth.name}, true chance {true_chance(truth):.0%}"
    name = "7 chance of a wrong call"
    yield _number(name, case, 40, "mean printed chance", [c for c, _ in found], "as the true one")
    yield _share(name, case, 40, "its upper bound holds the true", [h for _, h in found], "95 %")


def planned(many: Many, studies: int) -> Iterator[Row]:
    """Samples chosen by 'plan' against as many at random, of an unbiased method."""
    truth = Truth("no bias, RSD 8 %, 40 chosen of 400")
    found = many(_planned, truth, 40, studies)
    name = "8 planned samples"
    for figure, i in (("missed share, planned", 0), ("missed share, random", 1)):
        values = [x[i] for x in found if math.isfinite(x[i])]
        yield _number(name, truth.name, 40, figure, values, "the same")
    for figure, i in (("accepted, planned", 2), ("accepted, random", 3)):
        yield _share(name, truth.name, 40, figure, [x[i] for x in found], "the same")


QUESTIONS = (
    bias_at_the_level, points, error_ratio, disguised_shrinkage, held_out, wrong_calls, planned,
)  # fmt: skip


def rows(studies: int, workers: int = 1, only: str = "") -> Iterator[Row]:
    """Every row of the table."""
    with Pool(workers) as pool:

        def many(one: Callable[..., object], truth: Truth, n: int, count: int) -> list:
            return pool.map(partial(one, truth, n), range(count), 5)

        for question in QUESTIONS:
            if only in question.__name__:
                yield from question(many, studies)


def read_rows(path: Path) -> dict[tuple[str, str, int, str], Row]:
    """Rows that ``write_rows`` wrote, by question, case, samples and figure."""
    if not path.exists():
        return {}
    with path.open(encoding="utf-8", newline="") as stream:
        found = [
            Row(
                r["question"], r["case"], int(r["n"]), int(r["studies"]), r["figure"],
                float(r["value"]), float(r["low"]), float(r["high"]), r["wanted"],
            )
            for r in csv.DictReader(stream)
        ]  # fmt: skip
    return {(r.question, r.case, r.n, r.figure): r for r in found}


def write_rows(path: Path, found: list[Row]) -> None:
    """The figures as CSV."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(asdict(found[0])), lineterminator="\n")
        writer.writeheader()
        writer.writerows(map(asdict, found))


def _shown(row: Row) -> str:
    if "(no share)" in row.figure:
        return f"{row.value:.3f}"
    if math.isnan(row.low):
        return f"{row.value:.1%}"
    return f"{row.value:.1%} ({row.low:.1%} to {row.high:.1%})"


def table(found: list[Row], before: dict[tuple[str, str, int, str], Row]) -> list[str]:
    """The table as Markdown lines."""
    lines = [
        "| fault | case | samples | figure | wanted | now (95 % interval) | studies | earlier | "
        "studies |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for r in found:
        old = before.get((r.question, r.case, r.n, r.figure))
        was = (_shown(old), str(old.studies)) if old else ("–", "–")
        lines.append(
            f"| {r.question} | {r.case} | {r.n} | {r.figure.removesuffix(' (no share)')} | "
            f"{r.wanted} | {_shown(r)} | {r.studies} | {was[0]} | {was[1]} |"
        )
    return lines


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=200)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--only", default="", help="questions whose name holds this text")
    parser.add_argument("--rows", type=Path, help="write the figures as CSV here, and no notes")
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    found = []
    for row in rows(given.studies, given.workers, given.only):
        found.append(row)
        print(row, flush=True)
        if given.rows:
            write_rows(given.rows, found)
    if given.rows:
        return
    text = [
        "Studies of invented months: field RSD 8 % in repeats, laboratory RSD 2 %, true mass "
        "fractions log-uniform from 50 to 800 mg/kg but where stated, default thresholds. "
        f"'Earlier' is the same at commit {BEFORE[0]}.",
        "",
        *table(found, read_rows(BEFORE[1])),
    ]  # fmt: skip
    put_table(
        given.into, "decision faults", "Decisions that said more than their evidence",
        f"python -m tests.validation.decision_faults --studies {given.studies}", text,
    )  # fmt: skip


if __name__ == "__main__":
    main()
