"""How often the right form of a factor is chosen, by simulation.

``python -m tests.validation.factor_forms`` writes the table into docs/validation.md. The
truths are stated in TRUTHS; effects are clearly beyond the noise.
"""

from __future__ import annotations

import argparse
from collections import Counter
from multiprocessing import Pool
from pathlib import Path

import numpy as np
import pandas as pd

from reconcile.figures import evaluation
from reconcile.judgement import factor_proposal
from tests.pairs import STRATUM, pairs, settings
from tests.validation.notes import put_table

#: What the field instrument reads of a true mass fraction t, mg/kg.
TRUTHS = {
    "none": "t",
    "offset": "t + 100, constant SD 25, t 200 to 1000",
    "ratio": "1.2·t",
    "line": "60 + 1.1·t",
    "power": "2.5·t^0.8",
}
PAIRS = 60


def study(form: str, seed: int, n: int = PAIRS) -> pd.DataFrame:
    """One month: t log-uniform 50 to 800 and RSD 8 % (laboratory 2 %), but for the offset.

    The replicates of each sample say as much of the field's error as is true.
    """
    rng = np.random.default_rng([seed, n, list(TRUTHS).index(form)])
    if form == "offset":
        true = rng.uniform(200, 1000, n)
        field = true + 100 + rng.normal(0, 25, n)
        return pairs(true + rng.normal(0, 8, n), field, 25 / field)
    true = np.exp(rng.uniform(np.log(50), np.log(800), n))
    read = {"none": true, "ratio": 1.2 * true, "line": 60 + 1.1 * true, "power": 2.5 * true**0.8}
    lab = true * np.exp(rng.normal(0, 0.02, n))
    return pairs(lab, read[form] * np.exp(rng.normal(0, 0.08, n)), 0.08)


def chosen(task: tuple[str, int]) -> str:
    """The form that the program proposes for one study; 'none' where it proposes none."""
    config = settings()
    evaluated = evaluation.evaluate(STRATUM, study(*task), None, config)
    factor = factor_proposal.propose(STRATUM, evaluated, config, None).factor
    return factor.form if factor else "none"


def counts(form: str, cases: int, workers: int = 1) -> Counter[str]:
    """Chosen forms of many studies of one truth."""
    tasks = [(form, seed) for seed in range(cases)]
    if workers == 1:
        return Counter(map(chosen, tasks))
    with Pool(workers) as pool:
        return Counter(pool.imap_unordered(chosen, tasks, 20))


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    lines = [
        f"{given.cases} invented months of {PAIRS} pairs for each truth; field RSD 8 %, "
        "laboratory RSD 2 %, t from 50 to 800 mg/kg, but where stated.",
        "",
        "| truth | field reads | " + " | ".join(TRUTHS) + " |",
        "|---|---|" + "---|" * len(TRUTHS),
    ]
    for form, reads in TRUTHS.items():
        found = counts(form, given.cases, given.workers)
        shares = " | ".join(f"{found[f] / given.cases:.1%}" for f in TRUTHS)
        lines.append(f"| {form} | {reads} | {shares} |")
        print(lines[-1], flush=True)
    put_table(
        given.into, "factor forms", "How often the right form of a factor is chosen",
        f"python -m tests.validation.factor_forms --cases {given.cases}", lines,
    )  # fmt: skip


if __name__ == "__main__":
    main()
