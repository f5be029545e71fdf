"""Strings of the pages on controls."""

CONTROL_CHARTS = "Controls over time"
CHARTS_INTRO = (
    "One chart for each control, element and method with eight results or more in the files of "
    "this release, in order of time; instrument and calibration are kept apart. A field result is "
    "the mean of one check, a laboratory's a single determination. Full line: centre (median). "
    "Dotted: 2 s; dashed: 3 s (s: mean moving range over 1.128). A ringed mark completes a rule. "
    "Numbers at the right in mg/kg."
)
NO_CHARTS = "No control was measured eight times or more by one method: no chart rests on fewer."
CHART_OF = "{side}: {method}"
CHART_HEAD = "{code} · {element} (n = {n})"
CHARTS_LEFT_OUT = (
    "{shown} of {total} charts are shown, those with signals first; every signal stands among the "
    "findings."
)
CHART_RULE_HEADINGS = (
    "Rule",
    "Charts that show it",
    "Expected by chance",
    "False alarms of one good chart",
)
CHART_ANY_RULE = "any of them"
CHART_SHARE = "{shown} of {total}"
CHART_RULE_NOTE = (
    "False alarms: the share of charts in control, with as many results as the shortest and the "
    "longest chart here, on which the rule speaks at least once; simulated with normal, "
    "independent results and known centre and s. Limits estimated from few results speak oftener. "
    "Expected: the sum of those shares over the charts. Rules as in Nelson (1984), "
    "J. Qual. Technol. 16:237, and Champ and Woodall (1987), Technometrics 29:393."
)
RATES = "Controls against plan"
PLAN_HEADINGS = (
    "Side",
    "Kind",
    "Controls",
    "Samples",
    "Share",
    "Planned",
    "Batches",
    "Batches without any",
)
NOT_PLANNED = "none"
STAGES = "Duplicates stage by stage"
STAGE_HEADINGS = (
    "Method",
    "Element",
    "Stage",
    "Pairs",
    "Relative SD of one result",
    "Interval",
    "Added by this stage",
)
STAGES_NOTE = (
    "The scatter of each stage holds that of every later one (a field duplicate that of "
    "preparation and measurement). Relative SD: nested analysis of variance of the logarithms. "
    "A stage whose share cannot be told from zero adds '–'."
)
LINES_SHOWN = "{shown} of {total} lines are shown."
PUT_BACK = "Results with exclusions put back"
PUT_BACK_HEADINGS = (
    "Stratum",
    "Pairs taken",
    "n",
    "Field over laboratory (geometric mean)",
    "Interval",
)
PUT_BACK_NOTE = (
    "Nothing is deleted: pairs of failed batches and of samples whose custody is broken are kept "
    "out of the statistics of this report, and put back here. Only pairs with both results "
    "quantified count. Where a line changes the verdict's ground, look at the cause first."
)
NO_PUT_BACK = "No pair with both results quantified was kept out."
#: By the name that the result carries.
PUT_BACK_LINES = {
    "with failed batches put back": "failed batches put back",
    "with broken custody put back": "broken custody put back",
    "with every exclusion put back": "everything put back",
}
AS_REPORTED = "as reported"
