"""Strings of the page for the screen."""

SKIP = "Skip to the content"
TO_TOP = "↑ Top"
FILTER = "Show rows with all of these words:"
HOVER = (
    "Point at a mark, or choose the plot and step through its marks with the arrow keys: its "
    "sample and its story stand here."
)
CHOOSE = "Show strata of"
CHOOSE_ALL = "all"
CHOOSE_AGAIN = "Show all"
CHOOSE_BY = {
    "element": "element",
    "technique": "technique",
    "material": "material",
    "verdict": "verdict",
    "change": "since the last month",
}
CHANGES_OF_VERDICT = {"▲": "better", "▼": "worse", "+": "new", "": "unchanged"}
SHOW_STRATUM = "Evidence, plots, figures and criteria of {label}"
SHOW_SECTION = "Show: {title}"
PAIRS_OF = "Pairs of {label}"
PAIRS_OF_HEADINGS = (
    "Sample", "Lab, {unit}", "Field, {unit}", "Field / lab", "Used", "Why not", "Read in the field",
    "Read by", "Analysed", "Certificate", "Custody",
)  # fmt: skip
PACKED = (
    "{what} of {label} ({n} pairs) are drawn by this page's script when the stratum is opened. "
    "Where no script runs, {file} holds the pairs, and audit.pdf the plots ('run --with audit')."
)
PACKED_PLOTS, PACKED_PAIRS = "The plots", "The pairs"
AT_UTC = "{at} UTC"
ALT_NOTHING = "Nothing can be drawn."
ALT_POINTS = "{counts}. {x_name}: {x}. {y_name}: {y}."
ALT_RANGE = "{n} marks, {what}: {range}."
ALT_TREND = "{what} by month: {values}."
ALT_CHANCE = "{chance} for true values ({what}) around {name}, {level}."
ALT_CONTROL = "{range} Rules that were broken: {rules}."
ALT_SITES = "{what} of the sites {sites}, for {compared}."
ALT_ROW = "{name}: {verdict}; no usable bias; pairs and months: {counted}"
ALT_ROW_BIAS = "{name}: {verdict}; field/lab {ratio} ({interval}); pairs and months: {counted}"
HOVER_MARK = "{name} ({label}): {x_name} {x}; {y_name} {y}"
HOVER_RECOVERY = "{name} ({kind}): {recovery}, n = {n}"
HOVER_PERIOD = "{period}: {value}"
HOVER_COUNT = "{told}, n = {n}"
HOVER_CHANCE = "{value}: {chance} (at most {most})"
RULE_HEADING = "Rule"
SCREEN_VERDICT_HEADINGS = (
    "Valid until",
    "Binding reason",
    "Next step",
    "Field method",
    "Lab method",
)
