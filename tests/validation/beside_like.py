"""How verdicts do where a stratum is judged beside like ones, by simulation.

``python -m tests.validation.beside_like`` writes a table into docs/validation.md: a stratum of
few pairs beside six of 40, judged by its own pairs alone (`beside_like = "told"`) and beside them
(`"decides"`), by evaluate, partial pooling and judge as the program runs them.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from reconcile.base.model.further import Further
from reconcile.base.model.verdict import ACCEPTED
from reconcile.figures import evaluation, partial
from reconcile.figures.evaluation import Evaluated
from reconcile.judgement import verdicts
from reconcile.judgement.factor_proposal import Proposal
from reconcile.statistics.proportions import clopper_pearson
from tests.pairs import STRATUM, settings, study
from tests.validation.notes import put_table

SETTINGS = settings().model_copy(update={"element": {}})
MARGIN, RSD, OTHERS, PAIRS = 0.10, 0.06, 6, 40


@dataclass(frozen=True, slots=True)
class Truth:
    """How the biases of like strata lie: drawn about none, or one that differs from the others."""

    spread: float
    differs: float | None = None

    @property
    def name(self) -> str:
        """In words."""
        if self.differs is None:
            return f"all drawn, SD {self.spread:.0%}"
        return f"the others drawn, SD {self.spread:.0%}; this one {self.differs:+.0%}"


TRUTHS = (
    Truth(0.0), Truth(0.02), Truth(0.05), Truth(0.08), Truth(0.0, MARGIN), Truth(0.02, MARGIN),
    Truth(0.05, MARGIN),
)  # fmt: skip


def judged(task: tuple[Truth, int, int]) -> tuple[bool, bool, bool]:
    """Accepted as read by its own pairs, and beside like strata; and whether that is wrong."""
    truth, n, seed = task
    rng = np.random.default_rng([seed, n, TRUTHS.index(truth)])
    biases = truth.spread * rng.normal(size=OTHERS + 1)
    if truth.differs is not None:
        biases[0] = math.log1p(truth.differs)
    strata = [replace(STRATUM, matrix=f"material {i}") for i in range(OTHERS + 1)]
    found: dict[str, Evaluated] = {}
    for i, (stratum, bias) in enumerate(zip(strata, biases, strict=True)):
        pairs = study(
            n if i == 0 else PAIRS, math.exp(bias), RSD, seed=int(rng.integers(2**31))
        ).assign(stratum=stratum.key)
        found[stratum.key] = (
            evaluation.evaluate(stratum, pairs, None, SETTINGS, shown=False)
            if i == 0
            else Evaluated(pairs, None, (0, 0, 0), MARGIN)  # type: ignore[arg-type]
        )
    key = strata[0].key
    own = found[key]
    second = partial.partly_pooled(strata, found, SETTINGS).get(key)
    if second is not None:
        own = evaluation.with_further(own, (Further.PARTLY_POOLED, second))
    alone, beside = (
        verdicts.judge(
            strata[0], replace(own, decides=decides and second is not None),
            Proposal(None, None, ""), SETTINGS, None, "",
        ).decision == ACCEPTED
        for decides in (False, True)
    )  # fmt: skip
    return alone, beside, abs(math.expm1(biases[0])) >= MARGIN - 1e-12


def row(truth: Truth, n: int, answers: Sequence[tuple[bool, bool, bool]]) -> str:
    """One row of the table: accepted, and accepted though the bias is beyond the margin."""
    count = len(answers)
    cells = []
    for wrong in (False, True):
        for which in (0, 1):
            c = clopper_pearson(sum(a[which] and (a[2] or not wrong) for a in answers), count)
            cells.append(f"{c.value:.1%} ({c.low:.1%} to {c.high:.1%})")
    return f"| {truth.name} | {n} | {' | '.join(cells)} |"


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=400)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    lines = [
        f"A material with n pairs beside {OTHERS} like ones with {PAIRS} pairs each, field RSD "
        f"{RSD:.0%}, laboratory 2 %, bias margin {MARGIN:.0%}, no decision level; "
        f"{given.studies} studies in each row, 95 % intervals. 'Alone': `beside_like` is 'told', "
        "'beside': it is 'decides'. Wrong is an acceptance as read where the bias of this material "
        "is at or beyond the margin. Over materials that are drawn, at most 5 % of all may be "
        "wrong. Where one material differs from all others the chance is not promised for that "
        "one, as the setting says; these rows show what comes of it.",
        "",
        "| truth | n | accepted, alone | accepted, beside | wrong, alone | wrong, beside |",
        "|---|---|---|---|---|---|",
    ]
    with Pool(given.workers) as pool:
        for truth in TRUTHS:
            for n in (16, 24, 40):
                answers = pool.map(judged, [(truth, n, s) for s in range(given.studies)], 10)
                lines.append(row(truth, n, answers))
                print(lines[-1], flush=True)
    command = f"python -m tests.validation.beside_like --studies {given.studies}"
    title = "How verdicts do beside like strata"
    put_table(given.into, "beside like", title, command, lines)


if __name__ == "__main__":
    main()
