"""Where a function of one number crosses zero.

Brent 1973, Algorithms for Minimization without Derivatives, chapter 4, step by step as
``scipy.optimize.brentq`` takes it, so that the root is the same to its last bit. Importing that
package for this one search cost a fifth of a second in every command.
"""

from __future__ import annotations

import math
from collections.abc import Callable

_ROUNDS = 100


def brentq(
    function: Callable[[float], float],
    low: float,
    high: float,
    *,
    xtol: float = 2e-12,
    rtol: float = 8.881784197001252e-16,
) -> float:
    """A root between ``low`` and ``high``, where the function has opposite signs.

    Raises ValueError where the signs are the same or a value is NaN, RuntimeError where 100
    rounds do not reach the tolerance.
    """

    def value(at: float) -> float:
        found = float(function(at))
        if math.isnan(found):
            raise ValueError(f"the function is NaN at {at}")
        return found

    before, now, across = float(low), float(high), 0.0
    f_before, f_now, f_across = value(before), value(now), 0.0
    if f_before == 0:
        return before
    if f_now == 0:
        return now
    if (f_before < 0) == (f_now < 0):
        raise ValueError("the function has the same sign at both ends")
    step_before = step = 0.0
    for _ in range(_ROUNDS):
        if f_before != 0 and f_now != 0 and (f_before < 0) != (f_now < 0):
            across, f_across = before, f_before
            step_before = step = now - before
        if abs(f_across) < abs(f_now):
            before, now, across = now, across, now
            f_before, f_now, f_across = f_now, f_across, f_now
        delta = (xtol + rtol * abs(now)) / 2
        half = (across - now) / 2
        if f_now == 0 or abs(half) < delta:
            return now
        tried = math.inf
        if abs(step_before) > delta and abs(f_now) < abs(f_before):
            if before == across:  # a secant
                tried = -f_now * (now - before) / (f_now - f_before)
            else:  # a parabola through three points
                rise = (f_before - f_now) / (before - now)
                other = (f_across - f_now) / (across - now)
                tried = (
                    -f_now
                    * (f_across * other - f_before * rise)
                    / (other * rise * (f_across - f_before))
                )
        if 2 * abs(tried) < min(abs(step_before), 3 * abs(half) - delta):
            step_before, step = step, tried
        else:
            step_before = step = half
        before, f_before = now, f_now
        now += step if abs(step) > delta else (delta if half > 0 else -delta)
        f_now = value(now)
    raise RuntimeError(f"no root within {_ROUNDS} rounds, now at {now}")
