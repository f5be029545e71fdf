"""Strings of the report's pages, the page for the screen and the workbook's sheets."""

from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, INSUFFICIENT, LABORATORY_ONLY

# ---- headings ------------------------------------------------------------------------

CONTENTS = "Contents"
VERDICTS = "Verdicts"
ACCOUNT = "Account of what was read"
QUALITY = "Quality control"
CUSTODY = "Custody, identity and suspected faults"
EXCLUSIONS = "Excluded results"
QUARANTINE = "Quarantined rows"
UNMATCHED = "Unmatched samples"
CHANGES = "Changes since the release before"
DETAILS = "Further figures"
SCORES_TITLE = "Factors of earlier months"
CONFORMITY = "Conformity with specification limits"
MORE_PLOTS = "Trends and chances of wrong calls"
METHODS = "Methods"
STATEMENT = "Text for a mineral report, to be edited"
TEST_REPORT = "What ISO/IEC 17025 asks of a report"
SETTINGS = "Settings"
INPUTS = "Inputs"
CAUTIONS = "Cautions and limits"
SIGN_OFF = "Sign-off"
STRATA = "Strata"
SMALL_STRATA = "Strata with too few usable pairs"
END = "End of report"

RELEASE = "Release"
SITE = "Site"
PERIOD = "Period"
STATUS = "Status"
SECTIONS = {
    "verdicts": VERDICTS,
    "account": ACCOUNT,
    "strata": STRATA,
    "small-strata": SMALL_STRATA,
    "more-plots": MORE_PLOTS,
    "factor-scores": SCORES_TITLE,
    "conformity": CONFORMITY,
    "quality": QUALITY,
    "custody": CUSTODY,
    "exclusions": EXCLUSIONS,
    "quarantine": QUARANTINE,
    "unmatched": UNMATCHED,
    "changes": CHANGES,
    "details": DETAILS,
    "methods": METHODS,
    "statement": STATEMENT,
    "test-report": TEST_REPORT,
    "settings": SETTINGS,
    "inputs": INPUTS,
    "cautions": CAUTIONS,
    "sign-off": SIGN_OFF,
}

DRAFT = "DRAFT – not signed"
#: By the last act on a release.
RELEASE_STATES = {
    "draft": DRAFT,
    "prepared": "Prepared – not checked, not approved",
    "checked": "Checked – not approved",
    "approved": "Approved",
    "accepted": "Approved, accepted by the client",
    "refused": "Refused by the client",
}
PAGE = "Release {release} · page {page} of {total}"
REVISION = "Period {period} · revision {revision}"
SUPERSEDING = "{revision}, supersedes {release}"

# ---- cover ---------------------------------------------------------------------------

FACTS = {
    "prepared_for": "Prepared for",
    "prepared_by": "Prepared by",
    "purpose": "Purpose stated before the data",
    "data_until": "Data until",
    "supersedes": "Supersedes",
    "custody_head": "Head of the custody chain",
    "record_head": "Head of the record before this release",
    "inputs_hash": "SHA-256 of the inputs",
    "settings_hash": "SHA-256 of the settings",
    "code_version": "Version of the program",
}
NOT_STATED = "not stated"
NOTHING_SUPERSEDED = "nothing; first release of the period"
NO_CUSTODY = "no custody events were given"
Q_MAY_I = "May field results be used alone?"
ANSWER = (
    "Of {total} of element, method and material, field results may be used alone in {read} as "
    "read{corrected}, each in its valid range{until}."
)
ANSWER_NONE = "In none of {total} of element, method and material may field results be used alone."
ANSWER_CORRECTED = " and in {n} with a factor in force"
ANSWER_PENDING = "{n} could be used once a second person approves their factors."
ANSWER_MORE = " more"
ANSWER_REST = "For the other {n} the laboratory decides."
COMBINATIONS = ("combination", "combinations")
FACTORS_COUNTED = ("proposed factor", "proposed factors")
APPROVALS = "A second person approves or refuses {count}: {factors}{more}."
APPROVALS_MORE = " and more"
VERDICTS_MOVED = "Verdicts that changed since {period}:"
VERDICT_MOVED = "{stratum}: {before}, now {after}"
MORE_MOVED = "- and {n} more, marked in the report's picture"
NO_VERDICT_MOVED = "No verdict changed since {period}."
WHOLE = "The release as a whole"
Q_VERDICTS = "What the verdicts say"
MAY_I = (
    "In {usable} of {total} field results may be used alone for the stated purpose ({purpose}), "
    "each only in its valid range{until}; outside it, and for anything else, the laboratory "
    "decides."
)
UNTIL = " and until {date}"
UNTIL_SEVERAL = " and until the date on its page"
Q_RISK = "What is the largest open risk?"
RISK_FINDING = "{count} not settled by a person. The first, {subject}: {text}"
RISK_UNCONTROLLED = (
    "For {count} that may be used no reference material in control was measured on both sides."
)
RISK_MISSED = (
    "{stratum} missed {missed} of {n} samples {acts} “{level}”: up to {high} may be missed "
    "({confidence} interval {low} to {high}); more samples there narrow it."
)
RISK_NONE = (
    "None stands out: no serious finding, controls behind every stratum that may be used, and no "
    "decision level that its results could miss."
)
RISK_AFTER = "After it: {text}"
RANGES_AT = "Each valid range stands with its stratum"
Q_HOW_WRONG = "How wrong can a field result be?"
AMONG_USABLE = "strata accepted as read"
AMONG_ALL = "strata, none of which is accepted as read"
LIMITS_AS_READ = (
    "Results as read, before any correction; each stratum's page gives the limits' intervals."
)
NO_LIMITS = "No limits of agreement can be given for the {among}."
MORE_LOST = "{n} further steps with losses"
NOTHING_LOST = "{n}: nothing lost"
Q_LEFT_OUT = "What was left out?"
Q_CHANGED = "What changed since the release before?"
Q_NEXT = "What to do now"
FIRST_RELEASE = "This is the first release of the period; there is nothing to compare it with."
NO_CHANGE = "Nothing is listed as changed against {release}."
NOTHING_NEXT = "Nothing is outstanding for these strata beyond next month's confirmation samples."
NOT_USABLE_TITLE = "Composition only"
COVER_CAUTION = (
    "Composition only: this report says nothing about fitness for service, strength or heat "
    "treatment, and is not a basis for resource estimation. It supports and does not replace "
    "the judgement of a competent, qualified or licensed person and the local code."
)

# ---- verdicts ------------------------------------------------------------------------

DECISION_TITLE = {
    ACCEPTED: "Accepted",
    ACCEPTED_CORRECTED: "Accepted after correction",
    LABORATORY_ONLY: "Laboratory only",
    INSUFFICIENT: "Insufficient evidence",
}
DECISION_MEANING = {
    ACCEPTED: "field results may be used alone, for the stated purpose and in the stated range",
    ACCEPTED_CORRECTED: (
        "field results may be used once the factor named on the stratum's page is approved and "
        "applied, in the stated range"
    ),
    LABORATORY_ONLY: "send every sample that matters to the laboratory",
    INSUFFICIENT: "the pairs do not carry a verdict either way; treat as laboratory only",
}
VERDICT_HEADINGS = (
    "Verdict",
    "Stratum",
    "n",
    "Field/lab ratio",
    "Limits of agreement",
    "Valid range",
    "Page",
)
CRITERIA_HEADINGS = ("Criterion", "Asked", "Found", "Outcome")
CRITERIA_MET = (
    "Further criteria, shown or told: {n}; each stands in report.html and statistics.json."
)
CRITERION_MET = "{name} ({found})"
BINDING = "Why"
NEXT_STEP = "Next step"
VALID_RANGE = "Valid range"
VALID_UNTIL = "Valid until"
ONE_STRATUM = (
    "One line is one stratum, under its methods; its page shows plots, figures and criteria. "
    "n: pairs used; ratio: geometric mean of field/lab with its interval."
)
AGAINST = "{field} against {lab}"

# ---- the months behind a stratum -------------------------------------------------------

GLANCE = "Every element, method and material at a glance"
GLANCE_AXIS = "field / laboratory"
GLANCE_COUNTED = "pairs · months"
GLANCE_NONE = "no usable pair"
GLANCE_KEY = (
    "Disc: bias; thick line: its {level} interval; thin line: where single samples are expected; "
    "wedge: beyond the scale."
)
GLANCE_AGREED = "Grey: the bias that was agreed; dotted: the spread that was agreed."
GLANCE_GOES_ON = "{title}, more"
GLANCE_TOGETHER = (
    "Where many share a verdict, a line holds all elements of a method, one disc each."
)
GLANCE_UNCHANGED = "No verdict is another than in the month before."
GLANCE_FIRST = "First month: nothing to compare with."
GLANCE_CHANGED = "▲ better, ▼ worse, + new since the last month."
GLANCE_BETTER, GLANCE_WORSE, GLANCE_NEW = "▲", "▼", "+"
EVIDENCE = "Evidence"
EVIDENCE_AND = " and "
EVIDENCE_ONE = "Evidence: {pairs} of one month, {month}."
EVIDENCE_MONTHS = "Evidence: {pairs} of {n} months, {first} to {last}; {own} of them of this month."
EVIDENCE_BEGUN = {
    "month alone": "Earlier months do not count, by the settings.",
    "first month": "No earlier month has released pairs of this kind.",
    "another method": "It begins anew: until {last} there was another {names}.",
    "laboratory not named": "It begins anew: releases until {last} do not name the laboratory; "
    "run those months again to count them.",
    "event": "It begins with {what}.",
    "not before": "Months before {what} do not count, by the settings.",
    "window": "No more than {what} earlier months count, by the settings.",
    "bias moved": "It begins anew with {what}: the bias moved.",
    "all there is": "These are all that were released.",
}
EVIDENCE_MOVED = {
    "step": "{seen} showed a step of the bias: from {first} on by {size} against the months before",
    "drift": "{seen} showed a drift of the bias, by {size} a month",
}
EVIDENCE_ANEW = "{moved}; only the months from {first} on count."
EVIDENCE_KEPT = "{moved}; the months before count all the same, by the settings."
EVIDENCE_STEADY = "No step or drift of the bias between {n} months is shown."
EVIDENCE_NOT_LOOKED = "{n} months are too few to tell a step from a spread."
EVIDENCE_CHART = (
    "Against what the months since {since} said before it, this month lies off by {score} SD; "
    "CUSUM {up} up and {down} down, limit {h} (a false alarm in {cusum_run} months); weighted mean "
    "{average}, limit ±{limit} (in {average_run} months)."
)
EVIDENCE_BEYOND = " The chart of the months since {since} is beyond its limit."
BIAS_MOVED = {
    "step": "The bias took a step: from {first} on {value} ({low} to {high}) against the months "
    "before.",
    "drift": "The bias drifts: {value} ({low} to {high}) a month.",
}
BIAS_MOVED_BY = "Distance from no change {distance}, limit {limit}."
BIAS_MOVED_ADVICE = (
    "Look for the cause (calibration, window, tube, crew, another certificate). Where it is known, "
    "name it and its day under begins in [evidence]; after_change says if earlier months count."
)
BEYOND_CHART = "The months since {since} lie off what those before them say; no step is shown yet."
BEYOND_CHART_BY = (
    "CUSUM {up} up and {down} down, limit {h} (a false alarm in {cusum_run} months); weighted mean "
    "{average}, limit ±{limit} (in {average_run} months)."
)
BEYOND_CHART_ADVICE = "Look at calibration and controls, and send more samples next month."
EVIDENCE_FACTS = {
    "field_method": "instrument or calibration",
    "laboratory": "laboratory",
    "lab_method": "laboratory method",
    "matrix": "material",
    "specimen_form": "specimen form",
    "moisture_basis": "moisture basis",
    "pair_type": "pair type",
}
EVIDENCE_AGAIN = " {pairs} of samples that another month counts were left out."
EVIDENCE_LIMITED = " {pairs} known only by a limit: {kept} of them enter the bias over months."
EVIDENCE_BIAS = (
    "Over these months the field reads {bias} against the laboratory (n {n}); {spread}. The bias "
    "of a coming month lies within {coming} and the error of one of its samples within {sample} "
    "({level} intervals)."
)
EVIDENCE_NONE = "The bias over months is not estimable: {why}."
EVIDENCE_VALUE = "{value} % ({low} to {high})"
EVIDENCE_INTERVAL = "{low} to {high} %"
EVIDENCE_SPREAD = (
    "SD between months: {found} seen in these; {low} to {high} where the {assumed} that are "
    "assumed count as {weight} further months"
)
EVIDENCE_SPREAD_ASSUMED = (
    "how the bias moves between months is not known: an SD of {assumed} is assumed, at the weight "
    "of {weight} months"
)
EVIDENCE_OWN = "{month} (this month)"
EVIDENCE_LONG_RUN = "long run"
EVIDENCE_COMING = "a coming month"
EVIDENCE_SAMPLE = "one sample of it"
EVIDENCE_NEXT = "next"
EVIDENCE_HEADINGS = ("Month", "Pairs", "Bias by its own pairs", "Bias beside the other months")
PLOT_EVIDENCE = "Bias (field/lab) by month"
EVIDENCE_COLUMNS = {
    "stratum": "Stratum",
    "what": "What",
    "month": "Month",
    "release": "Release",
    "pairs": "Pairs",
    "bias": "Value",
    "low": "From",
    "high": "To",
    "seen": "Beside the others",
    "seen_low": "From ",
    "seen_high": "To ",
    "confidence": "Confidence",
    "begun": "Why it goes no further back",
    "watched": "From month to month",
    "key": "Stratum, whole key",
}
EVIDENCE_LINES = {
    "month": "bias of the month",
    "long-run bias": "long-run bias",
    "SD between months": "SD between months",
    "bias of a coming month": "bias of a coming month",
    "error of a coming sample": "error of a coming sample",
    "step between months": "step between months",
    "drift per month": "drift per month",
    "month against earlier ones": "month against earlier ones, SD",
    "CUSUM up": "CUSUM up, SD",
    "CUSUM down": "CUSUM down, SD",
    "weighted mean of months": "weighted mean of months, SD",
}

# ---- stratum page --------------------------------------------------------------------

FIGURES_LEFT = "Difference of field from lab"
FIGURES_RIGHT = "Headline line ({method}), scatter and decisions"
FIGURE_HEADINGS = ("Figure", "Value", "{level} interval", "n")
CRITERIA = "Criteria of the verdict"
FACTOR = "Correction factor"
NO_FACTOR = "No correction factor is proposed."
NOTES = "Notes"
DETAIL_FACTS = {
    "field_method": "Field method",
    "lab_method": "Lab method",
    "matrix": "Matrix",
    "specimen_form": "Specimen",
    "moisture_basis": "Moisture basis",
    "pair_type": "Pair type",
    "digestion_class": "Digestion",
}
NOTES_CUT = "{n} more in “{section}”."
FACTOR_FORM = {
    "none": "none",
    "offset": "offset: lab = field − a",
    "ratio": "ratio: lab = field / b",
    "line": "line: lab = (field − a) / b",
    "power": "power: ln lab = (ln field − a) / b, both in mg/kg",
}

AXIS_LAB = "Laboratory, {unit}"
AXIS_FIELD = "Field, {unit}"
AXIS_LEVEL_SHORT, AXIS_DIFFERENCE_SHORT = "Level, {unit}", "Field − lab"
AXIS_MEAN = "Mean of field and laboratory, {unit}"
AXIS_GEOMETRIC = "Geometric mean of field and laboratory, {unit}"
AXIS_DIFFERENCE = "Field − lab, {unit}"
AXIS_RATIO = "Field / lab"
PLOT_METHODS = "Field against laboratory"
PLOT_DIFFERENCE = "Difference against level, intervals shaded"
PLOT_RATIO = "Ratio against level, intervals shaded"
RULE_NAMES = {
    "lower": "lower limit",
    "upper": "upper limit",
    "bias": "mean difference",
    "ratio": "mean ratio",
}
AGREED_MARGIN = "Thin lines: agreed bias."
AGREED_SPAN = "Dots: agreed spread."
AGREED_SPAN_BEYOND = "Agreed spread: wider."
CORRECTED_MARKS = "Squares: corrected."
LEGEND = {
    "used": "used",
    "excluded": "excluded",
    "corrected": "corrected by the factor",
    "field_below": "field below limit",
    "lab_below": "lab below limit",
    "both_below": "both below limit",
    "above": "above an upper limit",
    "partial": "some shots below limit",
    "one": "field = lab",
    "fit": "headline line",
    "band": "{level} interval",
    "level": "decision level",
}
AXIS_TRUE = "True value, {unit}"
AXIS_CHANCE = "Wrong call"
PLOT_TREND = "Ratio field/lab by period"
PLOT_CHANCE = "Chance of a wrong call, as read"
PLOT_CHANCE_CORRECTED = "Chance of a wrong call, corrected values"
MORE_PLOTS_INTRO = (
    "Plots for which the pages of the strata had no room, in the order of the strata. Trend: "
    "geometric mean of field/lab in the latest release of each earlier period and in this one, "
    "with its interval. Chance: for a "
    "true value on the horizontal axis, how likely one field result as read falls on the wrong "
    "side of the decision level; the dotted line is its one-sided upper 95 % bound (noncentral "
    "t, Owen 1968). The scatter holds the laboratory's error too, so that the chances are on "
    "the safe side."
)
NOT_DRAWN = "{n} at or below zero not drawn on log axes"
NO_LIMIT = "{n} without stated limit not drawn"
AS_DENSITY = "Shades: over {most} pairs."
NOTHING_TO_PLOT = "No pair can be drawn."

# ---- sections ------------------------------------------------------------------------

ACCOUNT_INTRO = (
    "Every row that was read is kept, lost for a named reason, or held elsewhere in this report. "
    "Each step balances: entered = kept + lost."
)
ACCOUNT_HEADINGS = ("Step", "Counted", "Entered", "Kept", "Lost", "Reason of the loss", "Balance")
FILES = "Account of each file"
FILES_INTRO = (
    "What became of the rows of every sheet: rows = accepted + not accepted, and of laboratory and "
    "field tables accepted = used + not used. Controls are used where controls are judged. "
    "The rows of a file are counted apart from the reading that accepts or refuses them."
)
FILES_HEADINGS = (
    "File and sheet",
    "Read by",
    "Rows",
    "Accepted",
    "Used",
    "Not accepted or not used, with the reason",
    "Balance",
)
READ_AGAIN = "{table}, the same sheet read again"
CORRECTIONS = "Corrections of single cells"
CORRECTIONS_INTRO = (
    "A person entered these corrections; the files stay as they are and the text found is kept."
)
CORRECTION_HEADINGS = (
    "File",
    "Row",
    "Column",
    "Found",
    "Corrected to",
    "By",
    "Because",
    "What became of it",
)
QUALITY_HEADINGS = (
    "Side",
    "Control",
    "Code",
    "Element",
    "Batch or day",
    "n",
    "Found",
    "Expected",
    "Recovery",
    "Score",
    "Passed",
)
RECOVERY_TITLE = "Recovery of reference materials by element (found over expected)"
RECOVERY_AXIS = "Recovery"
RECOVERY_SIDES = {"field": "field", "lab": "laboratory", "failed": "failed"}
QUALITY_RULES = "Rules by which the controls were judged"
QUALITY_NONE = (
    "No reference material, blank, duplicate or check standard was found among the inputs. "
    "Trueness of either side is therefore not demonstrated."
)
RATES_HEADINGS = ("Side", "Control", "Checks", "Passed", "Failed", "Not judged")
PASSED = {True: "passed", False: "failed", None: "not judged"}
FINDING_HEADINGS = ("Severity", "Area", "Subject", "What was found", "Advice")
FINDINGS_NONE = "No findings."
CUSTODY_HEAD = (
    "Head of the chain of custody events (SHA-256): {head}. Anyone who holds a copy of this "
    "report can tell later whether recorded events were altered; the chain shows alteration, "
    "not truth."
)
RECORD_HEAD = (
    "Head of the record before this release ({lines}): {head}. 'reconcile verify --head' "
    "tells later whether the record up to there is what it was; keep this report in another's "
    "hands."
)
LINE, LINES = "line", "lines"
NO_RECORD = "The record held nothing before this release."
EXCLUSIONS_INTRO = (
    "These results were read and understood but kept out of a statistic, each for the reason given."
)
EXCLUSION_HEADINGS = ("Kind", "Sample", "Element", "Reason", "Evidence", "Advice")
QUARANTINE_INTRO = "These rows were read but could not be used; the good rows beside them were."
QUARANTINE_HEADINGS = ("File", "Sheet", "Row", "Column", "Found", "Reason", "Advice")
NONE_LISTED = "None."
TRUNCATED = "The first {shown} of {total} are listed; all are in {file}."
UNMATCHED_FIELD = "Field readings without a lab result"
UNMATCHED_LAB = "Lab results without a field reading"
UNMATCHED_INTRO = (
    "A result without its partner is in no statistic. Ids are never joined because they look alike."
)
CHANGE_HEADINGS = ("What", "Before", "Now")
SETTING_HEADINGS = ("Setting", "Value", "Meaning")
SETTINGS_INTRO = (
    "Every threshold that a flag or a verdict rests on. None is a universal pass mark: each is "
    "agreed with the client before the data. Values are written as in reconcile.toml."
)
INPUT_HEADINGS = (
    "File", "Kind", "Rows", "Accepted", "Rows refused", "Cells refused", "Bytes", "SHA-256"
)  # fmt: skip
RULE = "Rule for the headline line: {rule}"
DETAILS_INTRO = "Results beyond the page of each stratum, in words."

METHODS_TEXT = (
    (
        "Unit of evidence",
        "The sample is the unit. Shots are averaged within a spot and spots within a sample, with "
        "their variance kept; replicate lab determinations are averaged the same way. Pairs of "
        "different pair type, specimen form, moisture basis, instrument, calibration or lab method "
        "are not mixed unless a setting pools them.",
    ),
    (
        "Bias",
        "Mean difference with t interval; geometric mean of field/lab with its interval; median "
        "difference after Hodges and Lehmann (1963). Equivalence is claimed only by two one-sided "
        "tests against the agreed margin (Schuirmann 1987); the absence of a significant "
        "difference is never read as agreement.",
    ),
    (
        "Agreement",
        "Limits of agreement after Bland and Altman (1986, 1999): the interval that holds 95 % of "
        "single field-minus-lab differences, with exact intervals of the limits (Carkeet 2015) and "
        "the tolerance interval beside them. Where the spread grows with the level, the limits are "
        "those of the ratio field/lab. Concordance correlation after Lin (1989). Correlation "
        "depends on the range of the samples and is blind to bias: printed, it never decides.",
    ),
    (
        "Lines",
        "Both axes carry error. The headline line follows a written rule on the structure of the "
        "errors: Deming, weighted Deming (Linnet 1990, 1993), York (2004) with the SDs of both "
        "sides at each level, or Passing and Bablok (1983). Least squares is printed for reference "
        "only. No line is drawn or used beyond the pairs.",
    ),
    (
        "Censored results",
        "A result below or above a limit keeps its limit; no number is put in its place. Such "
        "pairs enter a maximum-likelihood estimate of the ratio and are drawn at their limit.",
    ),
    (
        "Correction",
        "The form is chosen by cross-validation over whole groups, toward the simpler form. A "
        "factor holds for its element, instrument, calibration, matrix, specimen form, moisture "
        "basis and lab method, inside its range, until its date. It brings a field value to the "
        "basis of the named lab method, digestion included; it does not restore what a partial "
        "digestion leaves undissolved.",
    ),
    (
        "Errors and scatter",
        "The SD of a field mean is fitted as s0² + (θ·level)² to the replicates of the samples "
        "(maximum likelihood; two components after Rocke and Lorenzato 1995, "
        "Technometrics 37:176) and called constant, "
        "proportional or mixed where the likelihood-ratio test rejects the others. Scatter of "
        "readings is split into shots, spots and samples by nested analysis of variance (of more "
        "than 5,000 samples, 5,000 evenly spaced ones are looked into). Where LIBS, XRF and "
        "laboratory met on the same samples, the error variance of each comes from their "
        "covariances with none taken as the truth (Grubbs 1948), with generalised intervals.",
    ),
    (
        "Data-quality levels",
        "Definitive: r² of at least 0.85, relative SD of at most 10 %, slope 1 and intercept 0 "
        "within their intervals. Quantitative screening: r² of at least 0.70 and a relative SD "
        "below 20 %. Else qualitative screening. The levels are those of US EPA's verification "
        "programme for field-portable XRF (1998). Beside them stand the limits of US EPA Method "
        "6200 (2007), sections 9.5 and 9.7: relative SD of at most 20 % (chromium 30 %) from "
        "seven replicates; r of at least 0.7 for screening; r of at least 0.9 and no difference "
        "at 99 % confidence for definitive use. Where a contract asks for a level, the agency's "
        "own text holds. r² depends on the range and is blind to bias: no verdict rests on it.",
    ),
    (
        "Strata taken together",
        "Where a setting names facts that are not to divide strata, the parts are compared first "
        "(analysis of covariance: slopes, then offsets). They are pooled only where neither "
        "differs; else they stay apart.",
    ),
    (
        "Intervals that fall short",
        "Every interval was tried on 2,000 simulated studies of known truth with 20, 40 and 100 "
        "pairs, at constant SD and at constant CV; a 95 % interval must hold the truth in 93 to "
        "97 % of them. Those that do not are named with each stratum, with what serves better. "
        "Where the page leads with ratios, least squares has an interval that allows scatter in "
        "proportion to the level (MacKinnon and White 1985); the textbook one holds in 75 %.",
    ),
    (
        "Many strata",
        "The p values of differences are adjusted over all strata after Benjamini and Hochberg "
        "(1995).",
    ),
    (
        "Digits",
        "Intervals are shown to one significant digit of their half width (two where it starts "
        "with 1 or 2) and values to the same decimals. The data files hold full precision.",
    ),
    (
        "Data files",
        "Mass fractions in the CSV and JSON files are in mg/kg, ratios and shares are fractions. "
        "In CSV files an apostrophe stands before text that a spreadsheet would run as a formula; "
        "the JSON files and the workbook hold such text as it was written. A character without "
        "visible form is written as its code, for example ⟨U+200B⟩.",
    ),
)
STATEMENT_INTRO = (
    "Drafted from the data of this release for the person who signs a public report; what only "
    "that person knows stands in [brackets]. The order is that of the assay-data entries of the "
    "JORC Code 2012, Table 1; whether and how field results may be disclosed is that person's "
    "decision under the code in force."
)
STATEMENT_TITLES = {
    "instruments": "Instruments and readings",
    "laboratory": "Laboratory methods: partial or total",
    "factors": "Calibration factors and their derivation",
    "quality": "Nature of quality control",
    "accuracy": "Accuracy and precision",
    "adjustment": "Verification and adjustment of data",
    "security": "Sample security",
    "samples": "Samples",
}
STATEMENT_INSTRUMENT = (
    "{method}: {elements}; {samples} with {readings} on {spots} each. Make and model: {make}; "
    "reading time, or pulses per spot: {time}; filter: {filter}; software: {software}; "
    "temperature: {temperature}; atmosphere: {gas}; coordinates: {coordinates}; calibration due: "
    "{due}; licence: {licence}."
)
TO_STATE = "[state]"
STATEMENT_LAB = (
    "{method}: {elements}; {digestion}. Laboratory: {laboratory}; accreditation: {accreditation}; "
    "scope: {scope}; relationship to the company [state]."
)
DIGESTION_TEXT = {
    "partial": "the technique is partial: what the acid leaves undissolved is not reported",
    "near-total": "the technique is near-total: refractory minerals may be left undissolved",
    "total": "the technique is total",
    "": "whether the technique is partial or total [state]",
}
STATEMENT_NO_FACTOR = (
    "No factor beyond the instruments' own calibration is proposed by this release; calibrations "
    "set in the instruments and their derivation [state]."
)
STATEMENT_FACTOR = (
    "{stratum}: {factor} Derived from pairs of this period by cross-validation over whole groups; "
    "status {status}."
)
STATEMENT_CONTROL = "{side} {kind}: {checks}, {passed} passed, {failed} failed, {open} not judged"
STATEMENT_NO_CONTROL = (
    "No standard, blank or duplicate is among the inputs; if none was measured, state why not."
)
STATEMENT_ACCURACY = (
    "Of {strata}: {decisions}. “Accepted” means acceptable bias and spread for the stated purpose "
    "({purpose}) inside the valid range only."
)
STATEMENT_ADJUSTMENT = (
    "All results in the data files of this release are as read and as certified; none is "
    "adjusted. Where a factor is applied elsewhere, raw and corrected values are to be shown "
    "beside each other with the factor's name. Twinned holes, independent verification and "
    "storage of primary data [state]."
)
STATEMENT_SECURITY = "Custody of the pairs: {counts}. Measures taken for security [state]."
STATEMENT_SAMPLES = (
    "Specimen forms: {forms}. Pair types: {types}. Representivity, sub-sampling and sample size "
    "against grain size [state]."
)
TEST_REPORT_INTRO = (
    "Items of ISO/IEC 17025:2017, 7.8.2.1, 7.8.2.2, 7.8.3 to 7.8.8, in our words, and where this "
    "report has them. It is a comparison of results, not a test report under accreditation, "
    "unless a person with that authority issues it as one."
)
TEST_REPORT_HEADINGS = ("Item", "In this report")
TEST_REPORT_ITEMS = (
    ("Title", "first page"),
    ("Name and address of the laboratory", "not applicable; lab methods on each stratum's page"),
    ("Place of the activities, mobile ones included", "not in the inputs: state beside sign-off"),
    ("Unique identification on each page and a clear end", "release id at the foot; last line"),
    ("Customer", "first page: prepared for"),
    ("Methods", "each stratum's page; Methods"),
    ("Items: description and condition", "specimen, matrix, moisture on each stratum's page"),
    ("Dates of receipt and of sampling", "pairs.csv; custody events"),
    ("Dates of the activities", "pairs.csv: field_time, lab_time"),
    ("Date of issue", "with the signatures; the file itself holds no clock"),
    ("Sampling plan and method", "not applicable: sampling is the customer's; [state]"),
    ("Results relate only to the items", "Cautions and limits: Items"),
    ("Results with units", "each stratum's page; data files"),
    ("Additions, deviations, exclusions", "Excluded results; Quarantined rows; Findings"),
    ("Person who authorises", "Sign-off"),
    ("Results of external providers marked", "all lab results are; certificate in pairs.csv"),
    ("Data of the customer marked, with disclaimer", "Cautions and limits: Items"),
    ("Measurement uncertainty", "limits of agreement and intervals, lab's error included"),
    ("Statement of conformity and decision rule", "verdict and its criteria, asked and found"),
    ("Opinions and interpretations marked", "verdicts, notes and next steps are such"),
    ("Report on sampling", "not applicable"),
    ("Calibration certificate", "not applicable"),
    ("Amended report says what changed and names the original", "Changes; Supersedes"),
)
CAUTION_TEXT = (
    (
        "Judgement",
        "This report supports and does not replace the judgement of a competent, qualified or "
        "licensed person. Local codes, permits and the client's procedure take precedence. It is "
        "not a test report under a laboratory's accreditation unless a person signs it as one.",
    ),
    (
        "Items",
        "The results relate only to the samples named in the data files and to the conditions "
        "under which they were measured. Lab results are those of the named certificates; ids, "
        "places and descriptions are as supplied.",
    ),
    (
        "Mineral resources",
        "Field-only results are not for resource estimation or public disclosure of grade unless "
        "the competent or qualified person says so in writing. A correction factor is an "
        "adjustment of assay data and must be stated wherever corrected values are shown.",
    ),
    (
        "Metals in service",
        "Composition only. Nothing here shows heat treatment, hardness, strength, soundness or "
        "fitness for service. Where a wrong alloy can hurt someone, confirm by laboratory "
        "analysis before use, carbon above all.",
    ),
    (
        "Environmental decisions",
        "An action level is a legal matter: the competent authority's rule for sampling, "
        "replication and confirmation decides.",
    ),
    (
        "LIBS",
        "Laser radiation: keep to the laser class, controlled area and eyewear on the instrument's "
        "label and in the local rules. The plasma is an ignition source: hot-work permit in "
        "hazardous areas. Mirror-like surfaces reflect the beam. Shots leave marks on the part. "
        "Argon displaces air in closed rooms.",
    ),
    (
        "X-ray",
        "Open-beam X-ray: only licensed and trained users, dosimetry and distances as the local "
        "authority asks. Never hold a sample in the hand while measuring, never point the "
        "instrument at a person.",
    ),
    (
        "Dust and materials",
        "Grinding and sieving can set free silica, lead, beryllium, asbestos and other harmful "
        "dust: extraction, wet work and breathing protection as the local rules ask. Some minerals "
        "and scales are radioactive.",
    ),
)
SIGN_OFF_INTRO = (
    "Each role is a separate person. A release is a draft until the signatures below are given; "
    "its files are identified by the release id on each page and the digests in its manifest."
)
SIGN_OFF_GIVEN = (
    "Acts of persons on this release, as the chained record holds them; it shows that they were "
    "entered so, and a signature with a key by whom. The release is identified by its id on each "
    "page and the digests in its manifest."
)
SIGN_OFF_ACTS = {
    "prepared": "Prepared",
    "checked": "Checked",
    "approved": "Approved",
    "accepted": "Accepted by the client",
    "refused": "Refused by the client",
}
SIGN_OFF_ACT_HEADINGS = ("What", "Name", "Role", "When", "Said", "Signed with a key")
SIGN_OFF_ON_COVER = "{by}, {role}, {at}"
SIGN_OFF_ROLES = ("Prepared", "Checked", "Competent or qualified person", "Client")
SIGN_OFF_HEADINGS = ("Role", "Name", "Date", "Signature")
