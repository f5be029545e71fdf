"""Rank lines: how time and memory grow with the number of pairs.

Run with ``pytest -m benchmark -s tests/benchmarks/test_rank_lines_speed.py``.
"""

from __future__ import annotations

import math
import time
import tracemalloc
from collections.abc import Callable

import numpy as np
import pytest

from reconcile.statistics.line import Line
from reconcile.statistics.lines import passing_bablok, theil_sen

SIZES = (5_000, 20_000, 80_000)


def pairs(n: int, rounded: bool) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(n)
    truth = rng.lognormal(3, 0.8, n)
    x, y = (truth * rng.lognormal(0, 0.07, n) for _ in range(2))
    return (np.round(x, 1), np.round(y, 1)) if rounded else (x, y)


@pytest.mark.benchmark
@pytest.mark.parametrize("rounded", [False, True], ids=["continuous", "one decimal, many ties"])
@pytest.mark.parametrize("fit", [passing_bablok, theil_sen])
def test_time_grows_as_n_log_n_and_memory_as_n(fit: Callable[..., Line], rounded: bool) -> None:
    found = []
    for n in SIZES:
        x, y = pairs(n, rounded)
        # the faster of two runs: other work on the machine only ever adds
        seconds = []
        for _ in range(2):
            start = time.process_time()
            line = fit(x, y)
            seconds.append(time.process_time() - start)
        assert line.slope.low <= line.slope.value <= line.slope.high
        tracemalloc.start()
        fit(x, y)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        found.append((n, min(seconds), peak))
        per = 1e9 * min(seconds) / (n * math.log2(n))
        print(
            f"\n{fit.__name__} n {n:7,d}: {min(seconds):6.2f} s, {per:6.1f} ns per n log2 n, "
            f"{peak / 2**20:6.1f} MiB, {peak / n:5.0f} bytes a pair",
            end="",
        )
    (small, fast, little), (large, slow, much) = found[0], found[-1]
    # 16 times the pairs: n log n gives 21 times the time, n² would give 256
    growth = large * math.log(large) / (small * math.log(small))
    assert slow / fast < 3 * growth
    # memory beyond a fixed part (the slopes listed at the end) grows as n
    assert much < 200 * 2**20 + 600 * large
    assert much / little < 1.5 * large / small
    assert found[1][1] < 2
    assert found[1][2] < 200 * 2**20
