"""Strings of the client's report and of the audit volume as volumes."""

AUDIT = "Audit volume"
AUDIT_OF = "Audit volume of release {release}"
AUDIT_PAGE = "Audit volume · {release} · page {page} of {total}"
AUDIT_INTRO = (
    "This volume holds all that stands behind the report of the same release: every stratum with "
    "its criteria and further figures, what was left out and why, settings, account, controls, "
    "conformity and statements. It is drawn from the release's own values, so that both always "
    "say the same."
)
AUDIT_END = "End of the audit volume"
AUDIT_STRATA = "Strata in this volume"
LOOK_AT_STRATA = "What someone must look at"
QUIET = "The other strata"
QUIET_INTRO = (
    "A stratum is one element by one method in one material. Every figure of each stands in the "
    "audit volume under the same name."
)
LOOKS = {
    "worse": "Looked at because its verdict is worse than in the month before.",
    "flips": "Looked at because its verdict would be another with every excluded pair put back.",
    "level": "Looked at because a decision level was shown to fail.",
    "near": "Looked at because its bias may come near to the largest that was agreed.",
    "corrected": "Looked at because its results need a correction factor.",
    "better": "Looked at because its verdict is better than in the month before.",
}
MORE_TO_LOOK_AT = (
    "{n} more that someone must look at stand among the other strata, each with the reason."
)
QUALITY_FINE = (
    "{checked} controls were judged and none failed; {unjudged} could not be judged. Each stands "
    "in the audit volume, “{section}”."
)
QUALITY_FAILED = (
    "Of {checked} judged controls {failed} failed; {unjudged} could not be judged. All, the "
    "charts over time and the duplicates stand in the audit volume, “{section}”."
)
QUALITY_NO_CONTROLS = "No controls were given."
FINDINGS_FINE = (
    "Nothing was found that someone must look at; {notes} stand in the audit volume, “{section}”."
)
FINDINGS_REST = "{notes} stand in the audit volume, “{section}”."
NOTES_COUNTED = ("note", "notes")
CRITERIA_ALL_MET = "All {n} are met; each stands in the audit volume under the same name."
CRITERIA_OTHERS = "The other {n} stand in the audit volume under the same name."
