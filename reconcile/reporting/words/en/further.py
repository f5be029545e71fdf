"""Words of the further figures: labels, and what the figures say."""

FURTHER_LEFT = "Errors and scatter"
FURTHER_RIGHT = "Lines, limits and summaries"
FURTHER_OF = "{label}: further figures"
FURTHER_AT = "Further figures and results in words: audit volume, “Further figures”."
FURTHER_SIDES = {"lab": "lab", "field": "field"}
#: What is read more than once on a sample: its name where spots are given, and where not.
SCATTER_UNITS = {True: ("spot", "spots", "shots"), False: ("reading", "readings", "readings")}
ONE_PAIR = "one pair"
NOT_RESOLVED = "not resolved from zero"
NO_INTERVAL = "no interval is claimed"
LEVEL_NUMBER = "level {n}"
P_NOT_KNOWN = "p not known"
P_BELOW = "p {p}"
P_IS = "p = {p}"
WITH_INTERVAL = "{value} ({level} interval {interval})"
THIRD_SAID = "{where} {value}{interval}, n = {n}"
POOLED_PARTS = ("part", "parts")
STRUCTURE = {
    "constant SD": "about the same at every level: {s0}",
    "constant CV": "in proportion to the level: {theta} of it",
    "mixed": "a constant part of {s0} together with {theta} of the level",
    "unknown": "not known to be constant or to grow with the level ({reason})",
}
STRUCTURE_SAID = (
    "The SD of a field mean, from its replicates, is {what} ({samples}, {freedom} degrees of "
    "freedom; {p_sd} for a constant SD, {p_cv} for a constant CV)."
)
STRUCTURE_NONE = "How the field’s error depends on the level can’t be said: {reason}."
ERRORS_SAID = (
    "Of what separates the pairs the laboratory’s error has an SD of {lab}{replicates}{rest}. "
    "{splits}"
)
ERRORS_NONE = "The errors of the pairs can’t be told apart: {reason}."
ERRORS_REPLICATES = ", the field mean’s replicates {sd}"
ERRORS_RESOLVED = (
    ", and heterogeneity between what the field read and what the laboratory got {sd}, from the "
    "scatter of the pairs"
)
ERRORS_NOT_RESOLVED = (
    "; heterogeneity between what the field read and what the laboratory got is not resolved"
)
ERRORS_SPLITS = {
    True: "Duplicates of splits are in the laboratory’s part.",
    False: "Without duplicates of splits what separates two splits of one sample can’t be told "
    "apart and stands in heterogeneity.",
}
BESIDE_SAID = (
    "A second opinion, which decides only where the setting beside_like says so: beside {strata} "
    "like strata (other materials or instruments) the bias is {seen}; by its own pairs alone it "
    "is {own}. {gain}"
)
BESIDE_GAIN = "The like strata are worth {more} more pairs: as {gain} instead of {n}."
BESIDE_NO_GAIN = "The like strata differ too much among themselves to say more of this one."
SCATTER_SAID = (
    "One {one} scatters with an SD of {single}, so that the mean of {now} has a standard error of "
    "{se_now}; {double} would bring it to {se_double}, {four} to {se_four}. More of them lessen "
    "only this part, not what separates field and lab for other reasons."
)
SCATTER_RELATIVE = " Relative SDs are those of natural logarithms."
SCATTER_LIMITS = "{coverage} results of one {one} lie {between} that of one laboratory result."
BETWEEN_TIMES = "between {low} and {high} times"
BETWEEN_DIFFERENCE = "between {low} and {high}"
THREE_SAID = (
    "With none of the three methods taken as the truth, on {samples} that all measured, the error "
    "SDs are: {parts}. This holds only if their errors are independent; what two field methods "
    "share (the same face, grain or moisture) is counted to the third."
)
THREE_NOT_RESOLVED = "{name} not resolved from zero (at most {most})"
THREE_NONE = "The errors of three methods could not be separated: {reason}."
THREE_LAB = " Duplicates alone put the lab’s at {sd} or more."
LEVEL_SAID = (
    "Data-quality level: {level} (relative SD of one reading {rsd}, r² {r_squared}); what decided: "
    "{binding}. US EPA Method 6200: precision of at most {rsd_method} {precision}, r for screening "
    "{screening}, r and no difference for definitive use {definitive}{few}. The published limits "
    "stand under {methods}.{analogy}"
)
LEVEL_ALL_MET = "all limits of the highest level are met"
LEVEL_NONE = "No data-quality level can be given: {binding}."
LEVEL_FEW = "; at most {found} readings of a sample, where it asks for {n}"
LEVEL_BY_ANALOGY = (
    " The levels were written for {written} and are applied to {technique} by analogy."
)
MET_WORDS = {True: "is met", False: "is not met", None: "can’t be judged"}
LEVEL_LIMITS_SAID = (
    "The spread of the differences changes with the level ({p}): limits of agreement by level "
    "(Bland and Altman 1999, section 3.2) stand among the further figures, and the one pair of "
    "limits on the page is too wide at one end and too narrow at the other."
)
LEVEL_LIMITS_CONSTANT = "The spread of the differences is not seen to change with the level ({p})."
WITHOUT_SAID = (
    "The pair that moves the slope most is {sample}: by {influence} of its standard errors. With "
    "it the slope is {slope}, without it {slope_without}; {bias_name} {bias} with it, "
    "{bias_without} without."
)
BIAS_NAMES = {True: "ratio field/lab", False: "mean difference"}
CENSORED_SAID = (
    "With {censored} of {pairs} censored and kept at their limits, the slope of the logarithms is "
    "{slope} (Akritas, Theil and Sen; the lab’s error is not allowed for and flattens it{short})."
)
CENSORED_SHORT = (
    "; where lab results are censored too, as here, its interval holds the truth in 1 to 2 % fewer "
    "studies than it says: prefer the ratio with censored pairs kept"
)
CENSORED_NONE = "A line with the censored pairs kept can’t be given: {reason}."
MEDIAN_SAID = (
    "Of {n} {side} values {below} lie below their limits; with these kept as limits the median is "
    "{km} by Kaplan and Meier, {ros} by regression on order statistics."
)
MEDIAN_NONE = "not estimable ({reason})"
DETECTION_SAID = (
    "Of {pairs} both methods detected {both}, only the laboratory {lab_only}, only the field "
    "{field_only}, neither {neither}{test}."
)
DETECTION_TEST = " (exact McNemar test of equal detection: {p})"
POOLED_YES = (
    "Pooled over {facts} from {parts}, as the setting asks and the test allows: slopes {slopes}, "
    "offsets {offsets} (analysis of covariance, n = {n}; a difference would be seen below p = "
    "{alpha}). That none is seen is no proof that there is none."
)
POOLED_NO = (
    "Kept apart although the setting asks to pool over {facts}: {why} (analysis of covariance of "
    "{parts}, n = {n}; least p allowed {alpha})."
)
POOLED_WHY = "slopes {slopes}, offsets {offsets}"
POOLED_SMALL = "a part has too few pairs for the test"
TESTS_SAID = (
    "No difference between field and lab on average: {p} for this stratum alone, {adjusted} "
    "adjusted for the number of strata (Benjamini and Hochberg)."
)
TOP_SAID = "Without the highest sample ({top}) the slope is {without} instead of {slope}."
BEND_SAID = "The points bend ({p} for a straight line)."
NO_BEND_SAID = "No bend is seen ({p} for a straight line)."
RANKS_BEND_SAID = "Cumulative sums tell a bend ({p} for a straight line)."
TREND_SAID = "The scatter about the line {way} with the level ({p})."
TREND_WAYS = {True: "grows", False: "shrinks"}
THIRDS_SAID = "Slope by thirds of the samples: {parts}."
THIRDS_RANKS = (
    "Slope by thirds of the samples: {parts}. No intervals are given: that of a rank line held the "
    "truth in 49 to 95 % of simulated thirds. Deming regression, once the ratio of the error "
    "variances is known, holds it in 92 to 96 %."
)
#: Where a published interval is known to hold the truth less often than it says.
SHORT_MARK = " *"
SHORT_NOTE = "* This interval can be too narrow for such data: see the further figures."
SHORT_SAID = (
    "Mind the intervals marked *, or named here, which for such data can hold the truth in less "
    "than 95 % of studies. As simulated: {parts}. Better: {better}."
)
SHORT = {
    "correlation": "of r, in 91 % at 20 pairs",
    "concordance": "of the concordance, in 91 % at 20 pairs of very uneven levels",
    "limits": (
        "of the lower limit of agreement, in 91 % where relative errors, not ln(field/lab), are "
        "normal with a CV of 10 %"
    ),
    "levels": "of limits by level, in 90 % at 20 pairs",
}
SHORT_BETTER = {
    "correlation": "the concordance of logarithms (95 to 96 %)",
    "concordance": "the concordance of logarithms (95 to 96 %)",
    "limits": "the tolerance interval, which is wider",
    "levels": "limits of the ratio (95 %), where all values lie above zero",
}
