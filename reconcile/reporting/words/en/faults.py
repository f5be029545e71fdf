"""Words of suspected faults and of what a person settled about them."""

FAULTS = {
    "unit": "Suspected: the units of field and lab differ. The median field/lab ratio is {ratio}, "
    "that is {powers}. A calibration bias of that size is out of the ordinary; results near a "
    "limit or an overlapping line could also give it.",
    "isotope": "The median field/lab ratio is {ratio}, that is {powers}. {isotope}; molecules are "
    "measured on that mass too, which alone can give such a ratio. A unit may differ as well.",
    "field oxide": "Suspected: the field value of {element} is {formula}. The median field/lab "
    "ratio is {ratio}, and {formula}/{element} is {factor}. A calibration bias of {bias} would "
    "look the same.",
    "lab oxide": "Suspected: the lab value of {element} is {formula}. The median field/lab ratio "
    "is {ratio}, and {element}/{formula} is {factor}. A calibration bias of {bias} would look the "
    "same.",
    "moisture": "Suspected: field specimens were wet and the lab's dry. The median field/lab ratio "
    "of {ratio} is what the stated moisture gives. A calibration bias of that size would look "
    "the same.",
    "common factor": "Most of the {count} elements of this method stand at one common field/lab "
    "ratio, {ratio}: suspected is a cause that all share, such as dilution or a wrong mass, "
    "moisture, a partial digestion, or the distance to the specimen. A common calibration bias "
    "would look the same.",
}
FAULT_SEVERITY = {
    "unit": "serious",
    "isotope": "warning",
    "field oxide": "serious",
    "lab oxide": "serious",
    "moisture": "serious",
    "common factor": "warning",
}
_THEN = (
    " Then settle the finding as 'fault' or 'no fault' (reconcile settle); nothing was corrected."
)
FAULT_ADVICE = {
    "unit": "Check the units of both tables, in headings, settings and on the certificate." + _THEN,
    "isotope": "Ask the laboratory for another isotope or a collision cell, and check the units of "
    "both tables." + _THEN,
    "field oxide": "Check whether the field table holds oxides or elements." + _THEN,
    "lab oxide": "Check whether the certificate holds oxides or elements." + _THEN,
    "moisture": "Bring both sides to one moisture basis, or measure dried specimens; water also "
    "weakens the signal, so that dilution alone is no full correction." + _THEN,
    "common factor": "Look for a cause that all elements share before a factor is made for each."
    + _THEN,
}
FAULT_POWER = "10^{power} with a bias of the method of {bias}"
FAULT_OR = ", or "
FAULT_ISOTOPE = "The {side} result is measured on the isotope {element}-{number}"
FAULT_ALL = " It holds for all of these elements (their median ratios): {named}."
FAULT_EVIDENCE = (
    "n = {n}, 95 % interval of the median {low} to {high}, the ratios scatter by {spread}"
)
FAULT_OTHERS = (
    "{elements} other elements of the method stand about {centre}, with biases of usually {spread}"
)
FAULT_ODDS = "the fault makes the ratio {odds} times likelier than a bias of the usual size does"
FAULT_READ = "{side} read as {species} in {units}"
FAULT_BY_ROW = "the unit of each row"
FAULT_MOISTURE_EVIDENCE = (
    "n = {n}, 95 % interval of the median {low} to {high}; divided by (1 - moisture) the median is "
    "{left}; {nearer} ratios come nearer to 1"
)
FAULT_COMMON_EVIDENCE = (
    "their median ratios are {low} to {high}, within {within} of the common one; {strata} strata"
)
SETTLED = "Settled as {verdict} by {by} ({at}): {reason}."
FAULT_NONE = "none"
FAULT_TOLD = "none that forbids a verdict; see the findings"
