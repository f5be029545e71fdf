"""What a finding on readings is made of, and who it names."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding

Floats = npt.NDArray[np.float64]

NAMED = 6


@dataclass(frozen=True, slots=True)
class Column:
    """The results of one element, aligned with the rows of ``facts``.

    ``value`` and ``error`` (one standard deviation) in mg/kg; NaN where a result is
    censored or missing, or no error is stated.
    """

    element: str
    value: Floats
    error: Floats


def named(samples: Iterable[str]) -> str:
    """The first of some samples, and how many more there are."""
    listed = list(dict.fromkeys(s for s in samples if s))
    more = f" and {len(listed) - NAMED} more" if len(listed) > NAMED else ""
    return ", ".join(listed[:NAMED]) + more


def warning(
    samples: Iterable[str],
    text: str,
    evidence: str,
    advice: str,
    severity: str = "warning",
    *,
    code: FindingCode,
) -> Finding:
    """A finding on readings of some samples."""
    return Finding("quality", severity, named(samples), text, evidence, advice, code=code)


def by_method(frame: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    """The rows of each method, those of none under ""."""
    for method, rows in frame.groupby("method", sort=True):
        yield str(method), rows
