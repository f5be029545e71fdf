"""Variance components by restricted maximum likelihood, through statsmodels."""

from __future__ import annotations

import math
import warnings

import numpy as np

from reconcile.statistics._values import Floats, Integers


def reml_components(
    x: Floats, sample: Integers, spot: Integers | None
) -> tuple[float, float, float] | None:
    """Variances of shot, spot (NaN without spots) and sample; None where it did not converge."""
    import pandas as pd
    from statsmodels.regression.mixed_linear_model import MixedLM

    centre, spread = float(x.mean()), float(x.std())
    if not spread > 0:
        return None
    frame = pd.DataFrame({"y": (x - centre) / spread, "sample": sample})
    spots = {} if spot is None else {"vc_formula": {"spot": "0 + C(spot)"}}
    if spot is not None:
        frame["spot"] = spot
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        try:
            model = MixedLM.from_formula(
                "y ~ 1", groups="sample", re_formula="1", data=frame, **spots
            )
            fit = model.fit(reml=True, method=["lbfgs", "powell"], gtol=1e-10)
        except (ValueError, np.linalg.LinAlgError):
            return None
    if not fit.converged:
        return None
    shot = float(fit.scale) * spread**2
    between = float(np.asarray(fit.cov_re)[0, 0]) * spread**2
    within = math.nan if spot is None else float(fit.vcomp[0]) * spread**2
    return (shot, within, between) if all(map(math.isfinite, (shot, between))) else None
