"""How often a correction is made out of noise, by simulation.

``python -m tests.validation.narrow_ranges`` writes the table into docs/validation.md: unbiased
field results over narrow ranges, whose spots differ much from the split that the laboratory
got. No factor should be proposed, and one that is should not shrink values to their middle.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from multiprocessing import Pool
from pathlib import Path

import numpy as np
import pandas as pd

from reconcile.figures import evaluation
from reconcile.figures.laboratory_error import LabError
from reconcile.judgement import factor_proposal
from reconcile.judgement.factor_choice import FORMS
from tests.pairs import STRATUM, pairs, settings
from tests.validation.notes import put_table

#: Factor between highest and lowest level, RSD between spots and split, lab error known.
CASES = ((2, 0.20, True), (2, 0.30, True), (4, 0.20, True), (10, 0.20, True), (2, 0.20, False))
PAIRS = 60
LAB_RSD = SPOT_RSD = 0.05


def study(span: float, heterogeneity: float, seed: int, n: int = PAIRS) -> pd.DataFrame:
    """One month of an unbiased method; levels log-uniform from 100 mg/kg up."""
    rng = np.random.default_rng([seed, n, int(100 * span), int(100 * heterogeneity)])
    true = 100 * np.exp(rng.uniform(0, math.log(span), n))
    field = true * np.exp(rng.normal(0, math.hypot(heterogeneity, SPOT_RSD), n))
    return pairs(true * np.exp(rng.normal(0, LAB_RSD, n)), field, SPOT_RSD)


def proposed(task: tuple[float, float, bool, int]) -> tuple[str, float, float]:
    """Form of the factor ('none' without one) and the correction at the lowest and highest."""
    span, heterogeneity, known, seed = task
    error = LabError(LAB_RSD**2, 20, "20 pairs of laboratory duplicates") if known else None
    config = settings()
    evaluated = evaluation.evaluate(STRATUM, study(span, heterogeneity, seed), error, config)
    factor = factor_proposal.propose(STRATUM, evaluated, config, None).factor
    if factor is None:
        return "none", 1.0, 1.0
    at = np.clip([100.0, 100.0 * span], factor.low, factor.high)
    low, high = factor_proposal.correct(factor, at)[0] / at
    return factor.form, float(low), float(high)


def results(
    span: float, heterogeneity: float, known: bool, studies: int, workers: int = 1
) -> list[tuple[str, float, float]]:
    """Forms and corrections at both ends of many studies of one case."""
    tasks = [(span, heterogeneity, known, seed) for seed in range(studies)]
    if workers == 1:
        return [proposed(task) for task in tasks]
    with Pool(workers) as pool:
        return list(pool.imap(proposed, tasks, 10))


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=500)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    lines = [
        f"{given.studies} invented months of {PAIRS} pairs for each case: no bias, laboratory RSD "
        f"{LAB_RSD:.0%}, replicates of the field mean {SPOT_RSD:.0%}. The last two columns are "
        "the mean corrections, of all months, at the lowest and at the highest level.",
        "",
        "| range | RSD, spots to split | laboratory's error | "
        + " | ".join("no factor" if f == "none" else f for f in FORMS)
        + " | at the lowest | at the highest |",
        "|---|---|---|" + "---|" * (len(FORMS) + 2),
    ]
    for span, heterogeneity, known in CASES:
        found = results(span, heterogeneity, known, given.studies, given.workers)
        forms = Counter(form for form, _, _ in found)
        shares = " | ".join(f"{forms[f] / given.studies:.1%}" for f in FORMS)
        ends = " | ".join(f"{np.mean([r[i] for r in found]) - 1:+.1%}" for i in (1, 2))
        lines.append(
            f"| ×{span:g} | {heterogeneity:.0%} | {'known' if known else 'not known'} | {shares} "
            f"| {ends} |"
        )
        print(lines[-1], flush=True)
    put_table(
        given.into, "narrow ranges", "How often a correction is made out of noise",
        f"python -m tests.validation.narrow_ranges --studies {given.studies}", lines,
    )  # fmt: skip


if __name__ == "__main__":
    main()
