"""The acceptance dossier for one client."""

DOSSIER_TITLE = "Acceptance of field results"
DOSSIER_SUBTITLE = "{title} · from release {release}"
DOSSIER_ANSWER = (
    "Of {total} of element, method and material, field results may be used alone in "
    "{read} as read{corrected}, each only as the table says."
)
#: Of corrected values, and as read.
DOSSIER_RATIOS = {True: "Field / laboratory, corrected", False: "Field / laboratory, as read"}
DOSSIER_DIFFERENCES = {True: "Field − laboratory, corrected", False: "Field − laboratory, as read"}
DOSSIER_FACTS = {
    "client": "For",
    "prepared_by": "Prepared by",
    "purpose": "Purpose stated before the data",
    "period": "Evidence of",
    "manifest": "SHA-256 of the release's manifest",
    "custody_head": "Head of the custody chain",
    "record_head": "Head of the record before the release",
    "inputs": "SHA-256 of the inputs",
    "settings": "SHA-256 of the settings",
}
DOSSIER_PERIOD = "{period}, revision {revision}: {inputs} input files, {pairs} pairs used"
DOSSIER_ACCEPTED = "What is accepted, in which range, until when"
DOSSIER_ACCEPTED_INTRO = (
    "Field results may be used alone for the stated purpose only where a line stands here: by this "
    "method, on this material, in this form, in this range and until this date; where the verdict "
    "says after correction, only once a second person has approved its factor and it is applied. "
    "Anything else goes to the laboratory."
)
DOSSIER_SINCE = "What was found since"
DOSSIER_SINCE_INTRO = (
    "This dossier speaks of {period}. Of the strata below something else was found afterwards, and "
    "what was found afterwards holds."
)
DOSSIER_SINCE_HEADINGS = ("Stratum", "Verdict here", "Since", "By")
DOSSIER_SINCE_FACTOR = {
    "withdrawn": "Factor withdrawn: not to be applied",
    "superseded": "Factor superseded by a later one",
    "called to be withdrawn": "Later pairs say to withdraw the factor: not to be applied",
}
DOSSIER_NONE = (
    "Nothing is accepted: no stratum of this release allows field results to be used alone for the "
    "stated purpose."
)
DOSSIER_HEADINGS = (
    "",
    "Stratum",
    "Verdict",
    "Valid range",
    "Until",
    "n",
    "Factor",
)
DOSSIER_OTHERS = "What is not accepted"
DOSSIER_OTHER_HEADINGS = ("Stratum", "Verdict", "Binding reason")
DOSSIER_EVIDENCE = "Evidence and risk, stratum by stratum"
DOSSIER_EVIDENCE_INTRO = (
    "Each verdict rests on criteria that were set before the data; all are listed with what was "
    "asked and what was found. The curves give the chance of a wrong call at a decision level for "
    "a true value on the horizontal axis; dotted is the one-sided upper 95 % bound. The "
    "laboratory's own error is in them, so that they are on the safe side."
)
DOSSIER_CURVE_READ = "Chance of a wrong call at {level}, as read"
DOSSIER_CURVE_CORRECTED = "Chance of a wrong call at {level}, corrected"
DOSSIER_NO_CURVE = (
    "No operating characteristic: no decision level inside the range of the pairs, or too few "
    "pairs."
)
DOSSIER_CORRECTED_NOTE = (
    "The curve of corrected results uses the factor on the pairs it was fitted to; the criteria "
    "named “held out” are those on samples that the fit had not seen."
)
DOSSIER_SCORE = (
    "Factor of an earlier month on this month's pairs, n = {n}: {call}; mean error {shift} "
    "({interval}), share of laboratory results inside the stated intervals {coverage}."
)
DOSSIER_METHODS = "{field} against {lab}"
DOSSIER_CHECKS = "What is checked each month from now on"
DOSSIER_CHECKS_LIST = (
    "A part of the samples keeps going to the laboratory, at least half of it chosen at random, "
    "the rest near decision levels and at the ends of the range; at least {pairs} pairs per "
    "stratum carry a verdict.",
    "Before anything is fitted again, the factors and field results of the months before are tried "
    "on the new pairs; false alarms at no more than {alarm}. 'Withdraw' ends the use of a factor "
    "at once.",
    "Bias within ±{margin} by two one-sided tests and single results within a factor "
    "{span} of the laboratory's, or whatever the settings give for the element; at decision "
    "levels at most {missed} of the samples missed.",
    "Reference materials on both sides: field recovery {low} to {high}, laboratory |zeta| at "
    "most {zeta}; blanks and duplicates; results of a failed batch count for nothing.",
    "Custody of each sample, seals and holding times; a sample whose custody is broken counts for "
    "nothing.",
    "A change of instrument, calibration, window, laboratory method, preparation, moisture or "
    "material ends the acceptance for what changed, until new pairs carry a new verdict.",
    "An acceptance ends on its date unless a later release renews it: {months} months at most.",
)
DOSSIER_LIMITS = "Limits and cautions"
DOSSIER_AGREED = "Agreed criteria"
DOSSIER_MORE = "{n} further notes stand in the release's report."
DOSSIER_RUNNING = "Acceptance · {period} · revision {revision}"
DOSSIER_SECTIONS = {
    "checks": "dossier-checks",
    "rules": "dossier-rules",
    "evidence": "dossier-evidence",
    "limits": "dossier-limits",
}

CHARACTERISTICS_TRUTH = "what is true of the method"
CHARACTERISTICS_WRONG = "accepted wrongly"
CHARACTERISTICS_RIGHT = "accepted rightly"
CHARACTERISTICS_SAMPLES = "{n} samples"
DOSSIER_RULES = "How often these rules accept wrongly"
DOSSIER_RULES_INTRO = (
    "The rules by which this dossier accepts were tried on {studies} invented studies of each of "
    "{truths} field methods whose truth is known, as read. Accepted wrongly: bias, spread, missed "
    "samples or false alarms truly beyond what was agreed anywhere in the accepted range; at most "
    "{allowed} are promised (thick line). Accepted rightly: the power; 0 where nothing may be "
    "accepted. Lines are exact 95 % intervals. Agreed in these trials: bias within 10 %, limits of "
    "agreement within a factor 1.40, 5 % missed and 10 % false alarms at the edges of a grey "
    "region of ±20 %; this dossier's own terms stand with each stratum."
)
