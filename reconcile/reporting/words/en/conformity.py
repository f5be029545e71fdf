"""Conformity with specification limits: section, sheet and command."""

CONFORMITY_CAUTION = (
    "Composition only. A grade that is consistent with these results is not shown to be the grade "
    "of the part, and nothing here says that a part may be used: conformity in service is decided "
    "by a licensed or competent person under the local code, with what chemistry can't show (heat "
    "treatment, hardness, strength, soundness). Where a wrong part can hurt someone, confirm by "
    "laboratory analysis before use, carbon above all."
)
CONFORMITY_HOW = (
    "All grades of the table that the results do not speak against are listed, not the nearest "
    "one. A grade in bold has every one of its limits decided within. U is the expanded "
    "uncertainty: of an approved factor (k = 2) where one holds; else of replicates and the "
    "agreement with the laboratory as read, bias included (k from Student's t); for laboratory "
    "results, of the laboratory's duplicates. What a specimen's own spots scatter beyond those of "
    "ordinary samples is added, and k grows with it. A formula has the sum of the uncertainties of "
    "its elements, as if their errors went together. A field result whose stratum was not "
    "accepted as read, or that lies outside the range of its pairs, may speak against a grade and "
    "not for it."
)
#: By technique, what it can't measure.
CONFORMITY_CANNOT = {
    "XRF": "Portable XRF measures neither carbon nor any other light element (hydrogen to "
    "sodium), and magnesium to chlorine hardly in air: grades that differ by these alone can't be "
    "told apart.",
}
CONFORMITY_LIMITS = "The limits, as the table states them"
CONFORMITY_LIMIT_HEADINGS = ("Grade", "Limits")
CONFORMITY_COUNTS = "What the result sets are consistent with"
CONFORMITY_COUNT_HEADINGS = ("Results by", "Grades consistent with them", "Specimens")
CONFORMITY_EACH = "Specimen by specimen, the rarer outcomes first"
CONFORMITY_HEADINGS = (
    "Specimen",
    "Results by",
    "Consistent with",
    "Speaks against",
    "Open or not decided",
    "Not measured",
)
CONFORMITY_NONE = "No result set has an element of the table of limits."
NO_GRADE = "no grade of the table"
NONE_JUDGED = "not judged"
NONE_OF_JUDGED = "none of those judged"
NOT_LOOKED_AT = "not judged: {grades}"
AT_MOST, AT_LEAST, FROM_TO = "at most {high}", "at least {low}", "{low} to {high}"
CONFORMITY_OF = "{n} of {total}"
SPEAKS = "{names}: {why}"
AND_NOT_JUDGED = " ({not_judged})"
ABSENT = "· {elements}, {why}"
ABSENT_BY = "{technique}: {why}"
#: Headings of the sheet, in its order.
CONFORMITY_COLUMNS = (
    "Specimen",
    "Side",
    "Results by",
    "Material, or certificate",
    "Consistent grades",
    "Every limit decided within",
    "Not judged",
    "Speaks against",
    "Open or not decided",
    "Not measured",
    "In words",
    "Place",
    "Ordered as",
    "Outcome of that",
)
