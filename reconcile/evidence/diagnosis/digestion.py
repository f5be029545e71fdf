"""Lab lower than field because the acid left the mineral behind."""

from __future__ import annotations

from collections.abc import Iterable

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.release import StratumResult

#: Elements bound in minerals that the digestion hardly attacks, by its class: barite, zircon,
#: chromite, rutile, ilmenite, cassiterite, monazite, silicates … (from memory; common
#: geochemical practice). A partial digestion leaves silicates, a near-total one only the
#: most resistant minerals.
HARDLY_ATTACKED: dict[str, frozenset[str]] = {
    "partial": frozenset(
        {"Al", "Ba", "Ce", "Cr", "Ga", "Hf", "K", "La", "Li", "Na", "Nb", "Nd", "Rb", "Si", "Sn",
         "Sr", "Ta", "Th", "Ti", "V", "W", "Y", "Zr", "Be", "Ca", "Mg", "Fe", "Mn"}
    ),
    "near-total": frozenset({"Ba", "Cr", "Hf", "Nb", "Sn", "Ta", "Ti", "W", "Zr", "Si"}),
}  # fmt: skip
#: Of the partial list, those that only a silicate host withholds: expected to a lesser degree.
_SOMETIMES = frozenset({"Be", "Ca", "Mg", "Fe", "Mn", "Sr", "V", "Li", "Ga", "Rb"})


def digestion_deficit(results: Iterable[StratumResult]) -> tuple[Finding, ...]:
    """A note for each stratum whose lab is below its field as the digestion lets one expect.

    Where the digestion class is 'partial' or 'near-total', the element is known as hardly
    attacked by it, and the interval of the geometric-mean field/lab ratio lies above 1. Such
    a difference is no fault of the field method, and a factor that removes it brings field
    values to the lab's extractable basis, not to the total content.
    """
    findings = []
    for result in results:
        stratum = result.stratum
        ratio = result.statistics.bias.geometric_mean_ratio
        hard = HARDLY_ATTACKED.get(stratum.digestion_class.strip().casefold(), frozenset())
        if stratum.element not in hard or not ratio.estimable or not ratio.low > 1:
            continue
        often = "in silicates" if stratum.element in _SOMETIMES else "as a rule"
        findings.append(
            Finding(
                area="diagnosis",
                severity="note",
                subject=stratum.key,
                text=(
                    f"The lab is below the field for {stratum.element}, which a "
                    f"{stratum.digestion_class} digestion leaves behind {often}: the difference "
                    "is at least partly the digestion's."
                ),
                evidence=(
                    f"geometric-mean field/lab ratio {ratio.value:.3g} ({ratio.level:.0%} interval "
                    f"{ratio.low:.3g} to {ratio.high:.3g}), n = {ratio.n}"
                ),
                advice=(
                    "Name the basis with every factor ('to the lab's "
                    f"{stratum.digestion_class} basis'); ask for a total method where the total "
                    "content decides."
                ),
                code=FindingCode.DIGESTION,
                parameters=(("class", stratum.digestion_class),),
                strata=(stratum.key,),
            )
        )
    return tuple(findings)
