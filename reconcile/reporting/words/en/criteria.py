"""Criteria of a verdict in words: name, what was asked, what was found, why it binds, what next."""

ASK_NAMES = {
    "purpose": "purpose",
    "element": "element",
    "suspected fault": "suspected fault",
    "description of the comparison": "description of the comparison",
    "pairs": "pairs",
    "pairs in each third": "pairs in each third of the range",
    "pairs outside the limits": "pairs outside the limits of a method",
    "controls": "controls",
    "spots per sample": "spots per sample",
    "custody": "custody of the used pairs",
    "data-quality level": "data-quality level",
    "choice of the samples": "choice of the samples",
    "mean bias": "mean bias",
    "bias over the range": "bias over the range",
    "spread": "spread",
    "bias through the period": "bias through the period",
    "decision at a level": "decision at {level}",
    "samples at a level": "samples near {level}",
    "bias at a level": "bias at {level}",
    "missed at a level": "missed at {level}",
    "false alarms at a level": "false alarms at {level}",
    "missed samples counted": "missed at {level}, counted",
    "bias of a coming month": "bias of a coming month",
    "error of a coming sample": "error of a coming sample",
}
OF_VALUES = "{name}, {of}"
OUTCOMES = {
    "shown": "shown",
    "not shown": "not shown",
    "shown to fail": "shown to fail",
    "told, not asked for": "told, not asked for",
    "no decision here": "not shown: no decision here",
}
#: What releases made before outcomes were kept said of a criterion.
OUTCOMES_BEFORE = {True: "yes", False: "no", None: "not judged"}
NOT_ASKED = "not asked for"
NOT_ESTIMABLE_CRITERION = "not estimable"

PURPOSE_ASKED = "not resource estimation"
PURPOSE_NEVER = (
    "estimates of resources or reserves need laboratory results unless a qualified person says "
    "otherwise"
)
ELEMENT_ASKED = "not a precious metal, not field carbon"
ELEMENT_PRECIOUS = "in a precious metal a few grains decide the result"
ELEMENT_CARBON = "carbon by a field method is never the sole basis"
FAULT_ASKED = "none"
DESCRIPTION_ASKED = "specimen form, moisture basis, digestion class"
DESCRIPTION_FACTS = {
    "specimen_form": "specimen form",
    "moisture_basis": "moisture basis",
    "digestion_class": "digestion class",
}
DESCRIPTION_UNSTATED = "{names} not stated"
DESCRIPTION_DIFFERS = "moisture bases differ ({basis})"
DESCRIPTION_STATED = "stated"
LEAST = "{least} or more"
PAIRS_FOUND = "{n} used"
AS_INDEPENDENT = "{n}, in clusters that weigh as {effective} independent ones"
THIRDS_FOUND = "{first}, {second} and {third}"
CENSORED_ASKED = "at most {most}"
CENSORED_FOUND = "{share} of {offered}"
CONTROLS_ASKED = "a reference material in control on both sides"
CONTROLS_FOUND = "shown on both sides"
SPOTS_ASKED = "{least} or more (median)"
SPOTS_FOUND = "{median} (median), {fewest} at least"
CUSTODY_ASKED = "none broken"
CUSTODY_STATE = "{n} {state}"
CUSTODY_NONE = "no pair"
CUSTODY_LEFT_OUT = "{found}; {n} broken, left out"
CUSTODY_LOST = "custody records are gone or cut ({files})"
SELECTION_ASKED = "not for extreme or suspected values alone"
BINDING_SELECTION = (
    "Only samples chosen for their field value were sent ({found}); they show no mean bias of the "
    "others."
)
NEXT_SELECTION = "Send samples that are chosen at random; 'reconcile plan' chooses them."
QUALITY_ASKED = "{level} or better"
QUALITY_FOUND = "{level}, as read"

MEAN_BIAS_FOUND = "{low} to {high} ({confidence} interval), n {n}"
RANGE_ASKED = (
    "bias within {lowest} and {highest} where {share} or more of the pairs lie ({confidence} band)"
)
RANGE_FOUND = "shown where {share} of the pairs lie, n {n}"
RANGE_BEYOND = "{found}; shown to lie outside where {beyond} lie"
SPREAD_ASKED = "limits of agreement within a factor {span}, by an upper {confidence} bound"
SPREAD_FOUND = "a factor {value}, at most {upper}, n {n}"
TIME_ASKED = (
    "mean bias of each stretch of time within {lowest} and {highest} ({confidence} intervals)"
)
TIME_FOUND = "{low} to {high} in the widest, stretch {stretch} of {stretches}, n {n}"
TIME_UNKNOWN = "not looked for: {timed} of {n} samples have a time of reading of their own"
LEVEL_ASKED = "a level within the range of the pairs"
LEVEL_OUTSIDE = "outside the range of the pairs: no decision at this level"
LEVEL_CUT = "outside the range that the factor corrects: no decision at this level"
LEVEL_SAMPLES_ASKED = "{least} or more on each side, within a factor {reach}"
LEVEL_SAMPLES_FOUND = "{above} at or above, {below} below"
LEVEL_BIAS_ASKED = (
    "within {lowest} and {highest} ({confidence} interval), the level in the accepted range"
)
LEVEL_BIAS_FOUND = "{low} to {high}, n {n}"
LEVEL_BIAS_OUTSIDE = "{found}; the level lies outside the range where the bias is shown"
CHANCE_ASKED = "at most {rate} of samples {grey} {side} it, by an upper {confidence} bound"
CHANCE_SIDES = {True: "above", False: "below"}
CHANCE_FOUND = "{value}, at most {upper}; counted over all: {counted}"
COUNTED = "{wrong} of {among} ({confidence} interval {low} to {high})"
COUNTED_NONE = "no sample"
MISSED_COUNT_ASKED = "the interval of the counted share ends at or below {bound}"
COMING_ASKED = "within {lowest} and {highest} but for a chance of at most {rate}"
COMING_FOUND = "beyond: {chance}; long-run bias {low} to {high}, {months}, n {n}{spread}"
COMING_MONTHS = ("{n} month", "{n} months")
COMING_ASSUMED = "; SD between months not known, {assumed} assumed"
COMING_SURE = "{found}; {failing} sure that too many months are beyond"
COMING_SAMPLE_ASKED = "within a factor {span} ({level} interval)"
COMING_SAMPLE_FOUND = "{low} to {high}, {months}, n {n}"

BINDING_FIGURE = "{name}. Asked for: {asked}. Found: {found}."
BINDING_PLAIN = "{found}."
BINDING_NO_PAIR = "No pair was used; {asked} are needed."
BINDING_ONE_PAIR = "Only 1 pair was used; {asked} are needed."
BINDING_PAIRS = "Only {n} pairs were used; {asked} are needed."
BINDING_CLUSTERS = (
    "The {n} pairs used are in clusters and weigh as {effective} independent ones; {asked} are "
    "needed."
)
BINDING_ONE_CLUSTER = (
    "The {n} pairs used are all of one group (hole, heat, lot), which shows nothing of how others "
    "are read."
)
BINDING_THIRDS = "The thirds of the range hold {found} pairs; {asked} are needed in each."
BINDING_CENSORED = (
    "Too many results lie outside a method's limits: {found} pairs, where {asked} is accepted."
)
BINDING_SPOTS = "The samples have {found} spots; {asked} are asked for."
BINDING_QUALITY_NONE = "No data-quality level could be assigned; {asked} is asked for."
BINDING_QUALITY = "The data-quality level is {found}; {asked} is asked for."

NEXT_FORBIDDEN = "Use laboratory results; field readings may guide where to sample."
NEXT_PAIRS = (
    "Send at least {n} more sample of this kind to the laboratory.",
    "Send at least {n} more samples of this kind to the laboratory.",
)
NEXT_CLUSTERS = "Send samples of other groups (holes, heats, lots) to the laboratory."
NEXT_THIRDS = "Choose the next samples for the laboratory over the whole range, low to high."
NEXT_CENSORED = "Choose samples above the limits of both methods, or a method with lower limits."
NEXT_SPOTS = "Shoot {n} or more spots on each sample."
NEXT_CUSTODY = "Put the custody records back as they were, then run again."
NEXT_CONTROLS = (
    "Measure a reference material of this kind on both sides and enter it, then run again."
)
NEXT_ENTER = "Enter what is missing in the tables or in reconcile.toml, then run again."
NEXT_QUALITY_NONE = "Repeat readings on the samples, so that their precision is known."
NEXT_QUALITY = "Use laboratory results; more spots or a longer count time may reach the level."
NEXT_MORE = "Send more of the next month's samples to the laboratory, spread over the range."
NEXT_MONTHS = (
    "If what was found stays so, {n} more month with {pairs} pairs would show it.",
    "If what was found stays so, {n} more months with {pairs} pairs each would show it.",
)
NEXT_NO_MONTHS = (
    "No number of further months would show it if what was found stays so: look for what moves "
    "the bias from month to month, or correct it."
)
NEXT_TIME = (
    "Look for what changed within the period (calibration, window, crew, weather) and judge the "
    "part after it on its own."
)
NEXT_LEVEL = (
    "Send more of the next month's samples near “{level}” to the laboratory, on both sides of it."
)
NEXT_CAUSE = (
    "Use laboratory results; look for the cause (preparation, moisture, surface, calibration) "
    "before the next campaign."
)
NEXT_ACCEPTED = "Keep sending part of the samples to the laboratory each month."
NEXT_FACTOR = (
    "Have the factor approved by a second person; test it on next month's pairs before it is "
    "fitted again."
)

NEXT_KEPT = "Go on with factor {factor}, which stands until {until}; send samples as planned."
FACTOR_KEPT = (
    "No new factor is proposed: factor {factor} is in force, and a fit to all the evidence would "
    "change corrected values by {most} at most, less than {least} (least_change of the margin)."
)

ACCEPTED_READ = "Bias, spread and decisions were shown to be within what was agreed, as read."
ACCEPTED_FACTOR = (
    "{first} With factor {factor} the criteria were shown to be met on samples that the fit had "
    "not seen."
)
ACCEPTED_PART = " The range is where the bias is shown: {share} of the pairs lie in it."
ACCEPTED_LIKE = (
    " The bias is taken beside that of like strata, as the setting beside_like says: its chance "
    "of being wrong holds over these strata and not for each."
)
ACCEPTED_UNTIMED = (
    " Whether the bias moved within the period was not looked for: times of reading are not known."
)
#: A decision level in a sentence: its name may begin with 'least'.
LEVEL_NAMED = "“{level}”"
ACCEPTED_NO_DECISION = " No decision at {levels}: outside the range of the pairs."
ACCEPTED_CUT = " No decision at {levels}: outside the range that the factor corrects."
ACCEPTED_CAUTION = " But {what}."
ACCEPTANCES = ("acceptance", "acceptances")
JUDGINGS = ("judging", "judgings")
MANY_VERDICTS = (
    "Of {accepted} at most {wrong} are to be expected wrong, whatever the truth ({judged} of "
    "results against what was agreed, each wrong with no more than its agreed chance)."
)
MANY_VERDICTS_YEAR = (
    "In the {months} months that were released of the year up to this one: of {accepted} at most "
    "{wrong}; months share evidence, so that what is wrong may stay wrong over several of them."
)
HELD_OUT_OF_MANY = (
    " For held-out samples each form was fitted to {most} of {n} pairs, evenly spaced by "
    "laboratory value; the factor is fitted to all."
)
PUT_BACK_CORRECTED = (
    "A correction fitted to all of them met the criteria on samples that its fit had not seen."
)
