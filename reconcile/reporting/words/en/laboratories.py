"""Laboratories beside each other, and certificates of one laboratory."""

LABORATORIES = "Laboratories, certificates and operators"
LABORATORIES_INTRO = (
    "Results of two laboratories for the same samples, compared with each other alone: they are "
    "never averaged into the value that stands against the field. Ratios are of the second "
    "laboratory over the first; the limits hold nineteen of twenty of them; the share is of "
    "samples within {share} of the first. A bias is held against the agreed margin of the element."
)
LABORATORIES_TITLE = "Laboratory against laboratory"
LABORATORY_HEADINGS = (
    "Element", "First", "Second", "n", "Ratio", "Interval", "Limits", "Share", "Bias",
)  # fmt: skip
LABORATORY_STANDS = "{laboratory} (stands)"
LABORATORY_LIMITED = "{n} ({limited} more by a limit only)"
LABORATORY_BIAS = {
    "within": "shown within ±{margin}",
    "beyond": "shown beyond ±{margin}",
    "": "not shown within ±{margin}",
}
CERTIFICATES_TITLE = "Certificates of one laboratory"
CERTIFICATES_INTRO = (
    "Pairs of each certificate against those of the others of the same stratum: laboratory over "
    "field, so that a shift up is a certificate that reads high, or days on which the field read "
    "low. p: one-way analysis of variance. By date: change in 30 days. Told as a finding below "
    "p {level} where a shift is {size} or more (certificate_level, certificate_size)."
)
OPERATORS_TITLE = "Operators"
OPERATORS_INTRO = (
    "Pairs of each operator against those of the others of the same stratum: field over "
    "laboratory. p: one-way analysis of variance; it holds where they read the same kind of "
    "samples. Told as a finding below p {level} where one reads {size} or more from the others "
    "(operator_level, operator_size)."
)
#: By kind of group: title, introduction, and the settings of level and size that it names.
GROUPS = {
    "certificates": (
        CERTIFICATES_TITLE, CERTIFICATES_INTRO, "thresholds.certificate_level",
        "thresholds.certificate_size",
    ),
    "operators": (
        OPERATORS_TITLE, OPERATORS_INTRO, "thresholds.operator_level", "thresholds.operator_size",
    ),
}  # fmt: skip
_GROUP = ("p", "Farthest", "Shift", "Interval", "In 30 days", "p by date", "Call")
GROUP_HEADINGS = {
    "certificates": ("Stratum", "Certificates", *_GROUP),
    "operators": ("Stratum", "Operators", *_GROUP),
}
CERTIFICATE_CALL = {True: "told", False: "–"}
LABORATORIES_COLUMNS = {
    "kind": "Kind",
    "element": "Element",
    "stratum": "Stratum, whole key",
    "first_laboratory": "Laboratory",
    "first": "First; certificate; operator",
    "second_laboratory": "Second laboratory",
    "second": "Second, or others",
    "moisture_basis": "Moisture basis",
    "stands": "First stands",
    "day": "Day",
    "n": "n",
    "limited": "By a limit only",
    "figure": "Figure",
    "value": "Value",
    "low": "Interval from",
    "high": "Interval to",
    "unit": "Unit",
    "p_value": "p",
    "told": "Outcome",
}
