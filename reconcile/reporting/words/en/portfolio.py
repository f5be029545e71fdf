"""Words of what is said of many sites."""

PORTFOLIO_STATES = {
    "released": "released",
    "unchanged": "unchanged",
    "differs": "would change",
    "failed": "failed",
    "busy": "held by another run",
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
