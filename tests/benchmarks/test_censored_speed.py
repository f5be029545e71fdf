"""Processor time of censored values in number, beside one matrix product of the same size."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest

from reconcile.statistics import censored_slope
from reconcile.statistics.turnbull_masses import turnbull
from tests.statistics.test_censored_size import limited

pytestmark = pytest.mark.benchmark
N = 3_000


def seconds(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


def test_slope_and_masses_of_three_thousand(capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(3)
    low = rng.lognormal(3, 1, N)
    high = low * rng.lognormal(0.5, 0.4, N).clip(1.01)
    square = rng.normal(size=(N, N))
    scale = seconds(lambda: square @ square)
    slope = seconds(lambda: censored_slope.akritas_theil_sen(*limited(N, 9)))
    masses = seconds(lambda: turnbull(low, high))
    with capsys.disabled():
        print(
            f"\n{N} censored pairs: slope {slope:.2f} s, masses by intervals {masses:.2f} s; a "
            f"product of two {N} x {N} matrices {scale:.2f} s"
        )
