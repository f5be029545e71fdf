"""Parts of sentences: joining words, nouns with their plurals, what is said of a stratum."""

# ---- joining -------------------------------------------------------------------------

#: Ends of an interval or a range.
TO = "{low} to {high}"
AND_MORE = "{named} and {n} more"
AND_FURTHER = "each of: {named}; {n} more"
ONLY_MORE = "and {n} more"
NO = "no"
YES_NO = {True: "yes", False: "no"}
CUT_TEXT = "{text}… ({n} characters)"

SAMPLES = ("sample", "samples")
PAIRS = ("pair", "pairs")
USABLE_PAIRS = ("usable pair", "usable pairs")
STRATA_COUNTED = ("stratum", "strata")
READINGS = ("reading", "readings")
SPOTS = ("spot", "spots")
CHECKS = ("check", "checks")
OTHER_STEPS = ("other step", "other steps")
EXCLUDED_RESULTS = ("line of exclusions", "lines of exclusions")
REFUSED_FILES = ("refused file", "refused files")
REFUSED_ROWS = ("refused row", "refused rows")
REFUSED_CELLS = ("refused cell", "refused cells")
MORE_CHANGES = ("more change", "more changes")
CHANGES_COUNTED = ("change", "changes")
SERIOUS_FINDINGS = ("serious finding", "serious findings")
MATRIX_SAMPLES = ("{matrix} sample", "{matrix} samples")
SAMPLES_OF_MATRIX = "{samples} (matrix {matrix})"

# ---- dates ---------------------------------------------------------------------------

#: By the settings' names of the styles.
DATE_STYLES = {
    "year-month-day": "{year}-{month}-{day}",
    "day month year": "{plain_day} {name} {year}",
    "month day, year": "{name} {plain_day}, {year}",
    "day.month.year": "{day}.{month}.{year}",
    "day/month/year": "{day}/{month}/{year}",
}
DATE_WITH_TIME = "{date}, {time} UTC"
MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)

# ---- first page ----------------------------------------------------------------------

USABLE_NONE = "none"
HOW_WRONG_ONE = (
    "{most} {results} lie between {low} and {high} times the laboratory's for {stratum} (n = {n})"
)
HOW_WRONG_WIDEST = (
    ", the narrowest, and {results} between {low} and {high} times the laboratory's for {stratum} "
    "(n = {n}), the widest of the {strata} {among}"
)
LEFT_OUT = (
    "{excluded}, {quarantined}, {field_only} with a field reading only, {lab_only} with a lab "
    "result only. Every reason stands with its count under “{section}”."
)
CHANGE = "{what}: {before} → {after}"
MORE_AT = "{count}: see “{section}”."
MORE_STEPS = "{n} further steps stand on the pages of the strata."
LOOK_AT = "A person must look at {count} ({subjects}): see “{section}”."
COVER_VERDICT_HEADINGS = ("", "Verdict", "Strata", "Which: element, field method · material")
COVER_ACCOUNT_HEADINGS = ("Step", "Counted", "Entered", "Kept", "Not kept", "Balance")

# ---- a stratum -----------------------------------------------------------------------

LINE_NAMES = {
    "ols": "least squares",
    "weighted ols": "weighted least squares",
    "deming": "Deming",
    "weighted deming": "weighted Deming",
    "passing-bablok": "Passing–Bablok",
    "theil-sen": "Theil–Sen",
    "york": "York",
}
#: Names of elements that the table of names spells otherwise.
ELEMENT_NAMES = {"aluminum": "aluminium", "cesium": "caesium"}
FIELD = "field"
SIDES = {"lab": "laboratory", "field": "field"}
ABOVE, BELOW, LEVEL_WITH, FROM = "above", "below", "about level with", "from"
SIDED = "{size} {side}"
NOT_ESTIMABLE = "not estimable"
NO_PAIR = (
    "There is no usable pair of {technique} and laboratory {name} results: nothing can be said of "
    "the bias."
)
TOO_FEW = "too few"
NO_BIAS = "{pairs} of {technique} and laboratory {name} results can't show the bias ({reason})."
BIAS = (
    "On {samples} the {technique} {name} result was on average {difference} the laboratory's "
    "({level} interval {interval})."
)
BIAS_RATIO = (
    "On {samples} the {technique} {name} result was on average {ratio} times the laboratory's "
    "({level} interval {interval})."
)
LIMITS = (
    "{most} {results} lie between {low} and {high} the laboratory's "
    "({level} intervals of these ends {low_interval} and {high_interval} {unit}, n = {n})."
)
LIMITS_RATIO = (
    "{most} {results} lie between {low} and {high} times the laboratory's "
    "({level} intervals of these ends {low_interval} and {high_interval}, n = {n})."
)
#: What one field result of a pair is: a mean, one reading, or not known.
RESULTS_OF_MEANS = "field results (each the mean of {count}, median)"
RESULTS_OF_ONE = "field results (each of one {one}, median)"
RESULTS = "field results"
NINETEEN_OF_TWENTY = "Nineteen of twenty"
SHARE_OF = "{share} of"
CENSORED = (
    "{censored} of {pairs} has a result below or above a limit; with these kept as limits the "
    "field is {ratio} times the laboratory's ({level} interval {interval}, n = {n}).",
    "{censored} of {pairs} have a result below or above a limit; with these kept as limits the "
    "field is {ratio} times the laboratory's ({level} interval {interval}, n = {n}).",
)
VERDICT_ACCEPTED = "Field results may be used alone{where}{until}."
VERDICT_CORRECTED = "Field results may be used after correction{factor}{where}{until}."
VERDICT_LABORATORY = "Laboratory only: {reason}"
VERDICT_NONE = "No verdict can be given yet: {reason}"
PUT_BACK_FLIPS = (
    "With every excluded pair put back ({n} pairs instead of {used}) the verdict would be "
    "“{verdict}”: {reason}"
)
PUT_BACK_SAME = (
    "With every excluded pair put back ({n} pairs instead of {used}) the verdict would be the same."
)
#: Marks a verdict that would be another with every excluded pair put back.
FLIP_MARK = " ‡"
FLIP_NOTE = "‡ With every excluded pair put back the verdict would be another; its page says which."
BECOMES = "{stratum}: {verdict}"
FLIPS = (
    " With every excluded pair put back the verdict of {strata} would be another ({names}; marked "
    "‡ under “{section}”)."
)
RANGE_UNTIL = "{range} until {date}"
WITH_FACTOR = " with factor {factor}"
BETWEEN = " between {low} and {high}"
UNTIL_DATE = " until {date}"
COUNTS_TEXT = (
    "{joined} joined: {used} used, {excluded} excluded; field result censored in {field}, lab "
    "result in {lab}, both in {both}."
)
CLUSTERS_TEXT = (
    "In {clusters} clusters (hole, heat, lot, laboratory row or batch) they weigh as {effective} "
    "independent pairs."
)
CLUSTERS_JUDGED = (
    "The criteria are judged so; the intervals of figures are those of independent pairs."
)
RANGE_TEXT = "Range of the used pairs: {ranges}."
DETAIL = "{value} ({level} interval {interval}, n = {n})."

# ---- a stratum's figures -------------------------------------------------------------

AS_DIFFERENCE = "– as difference from the lab"
PAIRS_WITHIN = "Pairs within ±{share} of the lab"
LIMIT_ROWS = {"lower": "Lower limit of agreement", "upper": "Upper limit of agreement"}
AS_RATIO = "{label}, ratio"
EQUIVALENT = "Equivalent ±{margin} {unit}, {level} interval"
TOLERANCE = "Tolerance interval 95/95"
LINE_SLOPE, LINE_INTERCEPT, LINE_SD = "Slope", "Intercept", "Residual SD"
ERROR_RATIO = "Error ratio λ (variance, field/lab)"
NO_DIFFERENCE = "No difference, adjusted p value"
CORRELATION = "Correlation r (no criterion)"
RANK_CORRELATION = "Rank correlation (no criterion)"
BIAS_AT = "Bias at “{level}” ({value})"
MISSED = "– missed (false negatives)"
FALSE_ALARMS = "– false alarms (false positives)"
MORE_LEVELS = "{n} further decision levels: statistics.csv"
TITLE_WITH_NAME = "{label} ({name})"

# ---- factor --------------------------------------------------------------------------

WITH_ERROR = "{value} (standard error {se})"
FACTOR_TEXT = (
    "{id} ({status}), {form}; {coefficients}; n = {n}; field values {range}. Root mean square "
    "error on pairs held out: {before} before, {after} after. Basis: {basis}."
)

# ---- lists ---------------------------------------------------------------------------

BY_REASON = "{total} in all, by reason: {reasons}."
FURTHER_REASONS = "{named}; {n} further reasons"
SHEET_OF = "workbook.xlsx, sheet {sheet}"
CV = "CV {value}"
