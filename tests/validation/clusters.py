"""Pairs in clusters: how often the decision accepts at the edge of what was agreed, before and now.

``python -m tests.validation.clusters`` draws studies whose pairs come in clusters (holes, heats)
of 5 and 10 with an intracluster correlation, and writes two tables into docs/validation.md:
wrong acceptances at the edge of each criterion, and the power that is lost where clusters have
nothing in common. 'Before' takes the same pairs as independent.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from scipy import special

from reconcile.base.model.verdict import Ask, Outcome
from reconcile.judgement.decision import Decision, LevelTerms, Terms, decide
from reconcile.statistics.proportions import clopper_pearson
from tests.validation.notes import put_table

LEVEL = LevelTerms("cut-off", 200.0)
TERMS = Terms(levels=(LEVEL,))
SIZES, CLUSTERS, CORRELATIONS = (40, 100), (5, 10), (0.0, 0.3, 0.6)
RSD, LAB_RSD, SPREAD, IN_COMMON = 0.08, 0.02, 16.0, 0.5


@dataclass(frozen=True, slots=True)
class Edge:
    """A truth at the edge of one criterion, which must be shown in 5 % of studies at most."""

    name: str
    ask: Ask
    bias: float = 0.0  # of logarithms
    rsd: float = RSD


EDGES = (
    Edge("bias 10 %, over the range", Ask.RANGE, math.log(1.10)),
    Edge("bias 10 %, through the period", Ask.TIME, math.log(1.10)),
    Edge("limits of agreement a factor 1.40", Ask.SPREAD, 0.0, math.log(1.40) / 1.959964),
    Edge("5 % missed at the edge", Ask.MISSED, 0.0, math.log(1.2) / float(special.ndtri(0.95))),
)
RIGHT = Edge("no bias, RSD 8 %", Ask.RANGE)


def study(
    edge: Edge, n: int, size: int, correlation: float, seed: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lab, field and cluster of every pair, mg/kg; clusters are read one after the other.

    Half of the spread of true contents lies between clusters. What a cluster has in common is
    in the errors of field against truth; ``edge.rsd`` is the SD of both parts together, the
    laboratory's error included.
    """
    rng = np.random.default_rng((n, size, round(100 * correlation), seed))
    owner = np.arange(n) // size
    reach = math.log(SPREAD) / math.sqrt(12)  # SD of a uniform logarithm
    parts = np.sqrt([IN_COMMON, 1 - IN_COMMON]) * reach
    content = parts[0] * rng.normal(size=owner[-1] + 1)[owner] + parts[1] * rng.normal(size=n)
    own = edge.rsd**2 - LAB_RSD**2
    between, within = math.sqrt(correlation * own), math.sqrt((1 - correlation) * own)
    error = between * rng.normal(size=owner[-1] + 1)[owner] + within * rng.normal(size=n)
    true = LEVEL.value * np.exp(content)
    lab = true * np.exp(rng.normal(0, LAB_RSD, n))
    return lab, true * np.exp(edge.bias + error), owner


def decided(
    edge: Edge, n: int, size: int, correlation: float, seed: int
) -> tuple[Decision, Decision]:
    """One study judged with its pairs as independent, and by their clusters."""
    lab, field, owner = study(edge, n, size, correlation, seed)
    judged = partial(decide, lab, field, TERMS, "log ratio", LAB_RSD**2, times=np.arange(float(n)))
    return judged(), judged(clusters=[owner])


def shown(made: Decision, edge: Edge) -> bool:
    """Whether the criterion of the edge was shown."""
    return any(c.ask is edge.ask and c.outcome is Outcome.SHOWN for c in made.criteria)


Task = tuple[Edge, int, int, float, int]


def one(task: Task) -> tuple[bool, bool, bool, bool]:
    """Shown before and now, accepted before and now."""
    before, now = decided(*task)
    return shown(before, task[0]), shown(now, task[0]), before.accepted, now.accepted


def rates(edge: Edge, studies: int, sizes: tuple[int, ...], workers: int) -> Iterator[list[str]]:
    """Cells of one edge: pairs, clusters of, correlation, and four counts."""
    with Pool(workers) as pool:
        for n in sizes:
            for size in CLUSTERS:
                for rho in CORRELATIONS:
                    tasks = [(edge, n, size, rho, seed) for seed in range(studies)]
                    counts = np.sum(list(pool.imap(one, tasks, 20)), axis=0)
                    said = [_shown(int(k), studies) for k in counts]
                    print(edge.name, n, size, rho, *said, flush=True)
                    yield [str(n), str(size), f"{rho:g}", *said]


def _shown(count: int, studies: int) -> str:
    rate = clopper_pearson(count, studies)
    return f"{rate.value:.1%} ({rate.low:.1%} to {rate.high:.1%})"


def main() -> None:
    """Write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1000)
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    head = "| pairs | clusters of | correlation |"
    lines = [
        "Pairs come in clusters (holes, heats, lots) that have a part of the error in common; "
        "'before' takes the same pairs as independent. Field and laboratory together scatter with "
        "an RSD of 8 % but where the edge says otherwise, the laboratory with 2 %; half of the "
        "spread of contents lies between clusters, which are read one after the other. "
        f"{given.studies} studies in each row.",
        "",
        "At the edge of what was agreed its criterion must be shown in 5 % of studies at most "
        "(95 % intervals):",
        "",
        f"| edge {head} shown before | shown now |",
        "|---|---|---|---|---|---|",
    ]
    for edge in EDGES:
        for row in rates(edge, given.studies, tuple(given.sizes), given.workers):
            lines.append(f"| {edge.name} | {' | '.join(row[:5])} |")
    lines += [
        "",
        "Acceptances of a method without bias: with correlation 0 what the clusters cost; with "
        "more what was accepted before rested on fewer pairs than were counted.",
        "",
        f"{head} accepted before | accepted now |",
        "|---|---|---|---|---|",
    ]
    for row in rates(RIGHT, given.studies, tuple(given.sizes), given.workers):
        lines.append(f"| {' | '.join([*row[:3], *row[5:]])} |")
    command = f"python -m tests.validation.clusters --studies {given.studies}"
    title = "How often pairs in clusters are accepted at the edge of what was agreed"
    put_table(given.into, "clusters", title, command, lines)


if __name__ == "__main__":
    main()
