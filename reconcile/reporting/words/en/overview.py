"""Strings of the page over all releases."""

OVERVIEW_TITLE = "{title}: all releases"
OVERVIEW_NONE = "There is no release yet."
OVERVIEW_NEWEST = "Newest: {period}, revision {revision} ({release}): {verdicts}."
OVERVIEW_COUNT = "{n} {verdict}"
OVERVIEW_UNREAD = "Can't be read, and so not shown: {periods}. 'reconcile verify' says why."
OVERVIEW_STRATA = "Verdicts by month"
OVERVIEW_STRATA_INTRO = (
    "One line for each element, method and material. A mark leads to the page of that month. "
    "{marks}; an empty cell: not compared in that month."
)
OVERVIEW_STRATUM = "Element, method, material"
OVERVIEW_MARK = "{period}: {verdict}, {n} pairs"
OVERVIEW_FACTORS = "Correction factors"
OVERVIEW_NO_FACTORS = "No factor is in force, and none waits for approval."
OVERVIEW_FACTOR_HEADINGS = (
    "State", "Factor", "Element, method, material", "Lab = f(field)", "From", "Until",
    "Approved by",
)  # fmt: skip
OVERVIEW_STATES = {
    "expiring": "in force, ends within a month",
    "standing": "in force",
    "over": "over since the newest month",
    "waiting": "waits for a second person",
}
OVERVIEW_FINDINGS = "Open findings"
OVERVIEW_NO_FINDINGS = "No finding of the newest releases asks for a person."
OVERVIEW_FINDING_HEADINGS = ("Month", "Severity", "What it is about", "What was found")
OVERVIEW_NOT_KEPT = "Not kept by releases of an earlier version: {periods}."
OVERVIEW_FILES = "Where each file lies"
OVERVIEW_FILE_HEADINGS = ("Month", "Release", "Revision", "Asks for a person", "Documents", "Data")
OVERVIEW_EARLIER = "earlier: {revisions}"
OVERVIEW_DRAWN = "{name} (drawn beside it)"
OVERVIEW_AS_OF = (
    "Written by the latest run from what releases and the record hold. What persons record "
    "afterwards stands here after the next run."
)
