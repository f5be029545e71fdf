"""Variance components of nested data by restricted maximum likelihood, to rounding error."""

from __future__ import annotations

from typing import Any

import numpy as np

from reconcile.statistics._values import Floats, Integers, quiet
from reconcile.statistics.result import NAN
from reconcile.statistics.variance_search import lowest


class _Nested:
    """Sums of shots in spots in samples, and −2 log restricted likelihood made of them."""

    def __init__(self, x: Floats, sample: Integers, spot: Integers) -> None:
        self.shots = np.bincount(spot).astype(np.float64)
        self.means = np.bincount(spot, weights=x) / self.shots
        owner = np.zeros(self.shots.size, dtype=np.int64)
        owner[spot] = sample
        self.owner = np.unique(owner, return_inverse=True)[1]
        self.within = float(np.sum((x - self.means[spot]) ** 2))
        self.free = float(x.size - self.shots.size)

    def _by_sample(self, values: Any) -> Any:
        if np.iscomplexobj(values):  # bincount adds real weights only
            return self._by_sample(values.real) + 1j * self._by_sample(values.imag)
        return np.bincount(self.owner, weights=values)

    def minus_two_log(self, variances: Any) -> Any:
        """At (shot, spot, sample) variances; complex ones give exact derivatives.

        The mean of a spot has variance spot + shot/m; what the samples add follows from the
        matrix determinant lemma and the Sherman-Morrison formula. Constants are left out.
        """
        shot, spot, sample = variances
        w = 1 / (spot + shot / self.shots)
        a, b = self._by_sample(w), self._by_sample(w * self.means)
        c = self._by_sample(w * self.means**2)
        shrink = 1 / (1 + sample * a)
        precision = np.sum(a * shrink)
        mean = np.sum(b * shrink) / precision
        off = b - mean * a
        square = c - 2 * mean * b + mean**2 * a - sample * shrink * off**2
        return (
            self.free * np.log(shot) + self.within / shot - np.sum(np.log(w))
            - np.sum(np.log(shrink)) + np.sum(square) + np.log(precision)
        )  # fmt: skip


def _start(nested: _Nested, x: Floats, with_spot: bool) -> Floats:
    shot = nested.within / nested.free if nested.free > 0 else float(np.var(x)) / 3
    whole = float(np.var(x, ddof=1))
    return np.array([max(shot, whole * 1e-6), whole / 3 if with_spot else 0.0, whole / 2])


@quiet
def reml_components(
    x: Floats, sample: Integers, spot: Integers | None
) -> tuple[float, float, float] | None:
    """Variances of shot, spot (NaN without spots) and sample; None where none is found.

    A variance that wants to be negative is held at zero. In balanced data without negative
    estimates the answer is that of the analysis of variance.
    """
    spread = float(x.std())
    if not spread > 0:
        return None
    z = (x - float(x.mean())) / spread
    nested = _Nested(z, sample, sample if spot is None else spot)
    if not (nested.free > 0 and nested.within > 0):
        return None
    allowed = [0, 2] if spot is None else [0, 1, 2]
    at = lowest(nested.minus_two_log, _start(nested, z, spot is not None), allowed, (0,))
    if not np.all(np.isfinite(at)):
        return None
    shot, within, between = (float(v) * spread**2 for v in at)
    return shot, NAN if spot is None else within, between
