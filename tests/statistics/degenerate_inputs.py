"""Arrays that break careless arithmetic, for tests that nothing breaks."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from reconcile.statistics.result import Estimate

NAN, INF = float("nan"), float("inf")

#: name -> two equally long arrays
PAIRS: dict[str, tuple[list[float], list[float]]] = {
    "empty": ([], []),
    "one": ([1.0], [2.0]),
    "two": ([1.0, 2.0], [1.5, 2.5]),
    "all NaN": ([NAN] * 5, [NAN] * 5),
    "all equal": ([3.0] * 8, [3.0] * 8),
    "all zero": ([0.0] * 8, [0.0] * 8),
    "two constants": ([3.0] * 8, [4.0] * 8),
    "perfect line": ([1.0, 2, 3, 4, 5, 6, 7, 8], [2.0, 4, 6, 8, 10, 12, 14, 16]),
    "identical": ([1.0, 2, 3, 4, 5, 6, 7, 8], [1.0, 2, 3, 4, 5, 6, 7, 8]),
    "negatives": ([-1.0, -2, -3, -4, -5.5, -6], [-1.1, -2.2, -2.9, -4, -5, -6]),
    "mixed signs": ([-1.0, 2, -3, 4, -5, 6], [1.0, -2.2, 3, -4, 5, -6]),
    "NaN and infinity": ([1.0, NAN, INF, -INF, 2, 3], [NAN, 1.0, 2, 3, 2.1, 2.9]),
    "infinite": ([INF] * 6, [1.0, 2, 3, 4, 5, 6]),
    "huge outlier": ([1.0, 2, 3, 4, 5, 6, 7, 1e12], [1.1, 2.1, 2.9, 4.2, 5, 6.1, 7.3, 9.0]),
    "enormous": ([1e300, 2e300, 3e300, 4e300, 1e-300], [2e300, 1e300, 3e300, 1e300, 1.0]),
    "near overflow": ([1.7e308, 1.6e308, 1.5e308, 1.0, 2.0], [1.0, 1.7e308, 1.2e308, 2.0, 3.0]),
    "tiny": ([1e-300, 2e-300, 3e-300, 4e-300, 5e-300], [1e-300, 2e-300, 3e-300, 5e-300, 4e-300]),
    "denormal": ([5e-324, 5e-324, 1e-323, 0.0, 1e-322], [5e-324, 0.0, 1e-323, 5e-324, 1.0]),
    "nearly equal": ([1.0, 1 + 1e-16, 1.0, 1 - 1e-16, 1.0, 1.0], [1.0] * 6),
}


def estimates_in(result: Any) -> list[Estimate]:
    """Every Estimate that a result holds, at any depth of tuples."""
    if isinstance(result, Estimate):
        return [result]
    if isinstance(result, tuple):
        return [e for item in result for e in estimates_in(item)]
    if dataclasses.is_dataclass(result) and not isinstance(result, type):
        return [
            e for f in dataclasses.fields(result) for e in estimates_in(getattr(result, f.name))
        ]
    return []


def check_sound(result: Any) -> None:
    """No number that is not one: an Estimate is usable throughout, or says why not."""
    for e in estimates_in(result):
        if e.estimable:
            assert not math.isinf(e.value)
            # an interval is complete or absent; absent needs a reason
            if math.isnan(e.low) or math.isnan(e.high):
                assert math.isnan(e.low), e
                assert math.isnan(e.high), e
            else:
                assert e.low <= e.high, e
        else:
            assert e.reason, e
            assert math.isnan(e.low), e
            assert math.isnan(e.high), e
            assert math.isnan(e.se), e
    sentence = getattr(result, "sentence", None)
    if sentence is not None:
        text = sentence("mg/kg")
        assert text
        assert "nan" not in text.lower().replace("nano", "")
        assert text.endswith(".")


def rng() -> np.random.Generator:
    return np.random.default_rng(20261)
