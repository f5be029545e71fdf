"""Faults that a factor must not paper over: wrong unit or species, swapped labels, digestion.

Everything here is a suspicion with its evidence; nothing is corrected.
"""

from reconcile.evidence.diagnosis.digestion import HARDLY_ATTACKED, digestion_deficit
from reconcile.evidence.diagnosis.faults import by_stratum, candidate_factors, suspected_faults
from reconcile.evidence.diagnosis.swaps import suspected_swaps

__all__ = [
    "HARDLY_ATTACKED",
    "by_stratum",
    "candidate_factors",
    "digestion_deficit",
    "suspected_faults",
    "suspected_swaps",
]
