"""Words of what is said of many sites."""

PORTFOLIO_STATES = {
    "released": "released",
    "unchanged": "unchanged",
    "differs": "would change",
    "failed": "failed",
    "busy": "held by another run",
    "unreachable": "storage can't be reached",
    "refused": "worker has other versions",
    "killed": "worker was killed",
}
PORTFOLIO_RUN_COLUMNS = ("site", "month", "state", "release", "verdicts", "to look at", "what")
PORTFOLIO_STANDING = {
    "released": "released",
    "released with findings": "released, findings to look at",
    "months without release": "months without a release",
    "a run did not end": "a run did not end",
    "no release yet": "no release yet",
    "can't be read": "can't be read",
}
DUTY_TITLE = "Who needs whom"
DUTY_COLUMNS = {
    "site": "site",
    "state": "state",
    "month": "month",
    "revision": "rev.",
    "verdicts": "verdicts",
    "findings": "open findings",
    "factors": "factors ending",
    "certificates": "laboratory overdue",
    "calibrations": "calibrations due",
    "age": "age of data, days",
    "what": "what",
}
DUTY_DUE = "{what} until {on}"
DUTY_OVER = "{what} since {on}"
DUTY_MISSING = "no release of {months}"
DUTY_UNFINISHED = "the last run of {months} did not end"
DUTY_ACCREDITATION = "accreditation of {what}"

BETWEEN_RUNNING = "Sites beside each other, {period}, revision {revision}"
BETWEEN_ANSWER = "What stands out"
BETWEEN_NAMED = {
    "instrument": "Instrument {name} differs from its peers: {what}.",
    "laboratory": "What is measured against '{name}' differs from the rest: {what}. The "
    "laboratory is to be looked at before the instruments that are held against it.",
    "site": "Site {name} differs from its peers: {what}.",
    "operator": "The readings of operator {name} differ from those of others: {what}.",
}
BETWEEN_CONTRAST = "{comparison} {difference}% ({low} to {high}%; {lines} against {others})"
BETWEEN_ALIKE = "Nothing here tells it apart from {names}."
BETWEEN_ALIKE_KIND = {
    "instrument": "instrument {name}",
    "laboratory": "what '{name}' measured",
    "site": "site {name}",
    "operator": "operator {name}",
}
BETWEEN_NONE = (
    "No instrument, laboratory or site was found to differ from its peers. That is no proof that "
    "none does."
)
BETWEEN_ASK = (
    "A difference says where to look first, not what is wrong: material, preparation and "
    "digestion may differ between sites too. A competent person decides."
)
BETWEEN_PICTURE = "Sites against elements"
BETWEEN_PICTURE_KEY = (
    "Dot and line: bias field/lab of a site with its {level} interval. Grey: where the bias of "
    "a further site is expected from all. Rule: mean over sites. Full dot: made with an "
    "instrument or laboratory, or at a site, that is named above."
)
BETWEEN_SHORT = "{shown} of {all} sites, those furthest from their peers; the tables hold all."
BETWEEN_X = "field/lab"
BETWEEN_EFFECTS = "Element by element"
BETWEEN_EFFECT_COLUMNS = (
    "element, method, material", "sites", "bias, %", "from", "to", "further site from", "to",
    "SD between sites, %", "I², %", "Q", "p of Q",
)  # fmt: skip
BETWEEN_EFFECTS_NOTE = (
    "Bias: random-effects mean over sites with its {level} interval (Paule, Mandel; Hartung, "
    "Knapp). A further site's bias is expected within the second pair of bounds. I² is the share "
    "of the scatter that the sites' own errors do not explain."
)
BETWEEN_SUSPECTS = "Instruments, laboratories, sites"
BETWEEN_SUSPECT_COLUMNS = (
    "kind", "name", "element, method, material", "difference, %", "from", "to", "lines", "others",
    "p", "p adjusted", "named",
)  # fmt: skip
BETWEEN_SUSPECTS_NOTE = (
    "Each against all that was made without it, the effects of the named ones taken off. Named: "
    "at most {rate} of those that are named are expected to be false discoveries (Benjamini "
    "and Hochberg)."
)
BETWEEN_KINDS = {
    "instrument": "instrument",
    "laboratory": "laboratory",
    "site": "site",
    "operator": "operator",
}
BETWEEN_LINES = "Site by site"
BETWEEN_LINE_COLUMNS = (
    "site", "element, method, material", "instrument", "laboratory", "pairs", "bias, %", "from",
    "to", "from peers, %", "p adjusted", "verdict",
)  # fmt: skip
BETWEEN_INPUTS = "What it rests on"
BETWEEN_INPUT_COLUMNS = ("site", "release", "SHA-256 of its manifest")
BETWEEN_WITHOUT_COLUMNS = ("site", "why it does not count")
BETWEEN_YES = "yes"
BETWEEN_NO = "no"
BETWEEN_FILES = {"lines": "sites.csv", "suspects": "suspects.csv"}
BETWEEN_SHEETS = {
    "effects": "Elements",
    "suspects": "Suspects",
    "lines": "Sites",
    "inputs": "Inputs",
}
BETWEEN_MATTERS = "A difference of {matters} or more matters here."
BETWEEN_SMALL = "smaller than what matters"

#: By the name of a call, what it says to the person on duty.
CALLS = {
    "failed": "A run failed",
    "crashed": "A run ended without a word",
    "late": "A run is late",
    "needs a person": "Findings need a person",
}
CALL_OTHER = "The schedule calls"
CALL_SUBJECT = "{what}: {about}"
CALL_WHERE = "'reconcile portfolio status' shows every site."
CALL_SENT = "Sent: {subject}"
CALL_NOT_SENT = "Not sent: {subject} ({error})"
