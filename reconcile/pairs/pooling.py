"""Whether strata that differ only in facts that the settings pool may really be one.

The setting asks, the test answers: slopes and offsets of the parts must not differ
(analysis of covariance). Where the test refuses, or can't be made, the parts stay apart.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from reconcile.base.model.singles import Pooling
from reconcile.base.settings.whole import Settings
from reconcile.pairs.pairing import Joined
from reconcile.statistics import decisions

#: Joins with these facts pooled, but for the pooled strata named; gives pairs with reasons.
Join = Callable[[Sequence[str], frozenset[str]], tuple[Joined, pd.DataFrame]]


def pooled_where_allowed(
    join: Join, settings: Settings
) -> tuple[Joined, pd.DataFrame, dict[str, Pooling]]:
    """Strata and pairs, pooled where setting and test allow; the test by stratum key."""
    joined, pairs = join(settings.pool, frozenset())
    if not settings.pool:
        return joined, pairs, {}
    tested = tests(join((), frozenset())[1], joined.together, settings)
    refused = frozenset(whole for whole, found in tested.items() if not found.pooled)
    if refused:
        joined, pairs = join(settings.pool, refused)
    parts = {part: tested[whole] for part, whole in joined.together.items() if whole in refused}
    return joined, pairs, tested | parts


def tests(apart: pd.DataFrame, together: dict[str, str], settings: Settings) -> dict[str, Pooling]:
    """The test of every pooled stratum that has more than one part, by its key.

    ``apart``: pairs with their reasons, in the strata that all facts divide; ``together``:
    from those strata to the pooled ones.
    """
    alpha = settings.thresholds.pooling_alpha
    parts: dict[str, list[str]] = {}
    for part, whole in sorted(together.items()):
        parts.setdefault(whole, []).append(part)
    found = {}
    for whole, names in parts.items():
        if len(names) < 2:
            continue
        pairs = apart.loc[apart["stratum"].isin(names) & apart["used"].astype(bool)]
        lab, field = pairs["lab_mean"].to_numpy("float64"), pairs["field_mean"].to_numpy("float64")
        positive = bool(np.all(lab > 0) and np.all(field > 0))
        test = decisions.interaction_test(
            lab, field, pairs["stratum"].to_numpy(), "log" if positive else "absolute"
        )
        allowed = (
            not test.reason
            and not test.left_out
            and test.n_strata == len(names)
            and test.slopes_p >= alpha
            and test.intercepts_p >= alpha
        )
        found[whole] = Pooling(settings.pool, tuple(names), allowed, alpha, test)
    return found
