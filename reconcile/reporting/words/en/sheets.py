"""Result sheets: decisions on field-only samples."""

SHEET_TITLE = "Result sheet"
SHEET_SUBTITLE = "{title} · sheet {name}"
SHEET_RUNNING = "Result sheet {name}, issued {at}"
SHEET_FOOTER = "Sheet {release} · page {page} of {total}"
SHEET_STATES = {
    "issued": "DRAFT – not checked, not approved",
    "checked": "Checked – not approved",
    "approved": "Approved",
    "accepted": "Approved, accepted by the client",
    "refused": "Refused by the client",
    "withdrawn": "WITHDRAWN",
    "superseded": "SUPERSEDED",
}
SHEET_FACTS = {
    "number": "Sheet",
    "issued": "Issued",
    "prepared_by": "Prepared by",
    "prepared_for": "For",
    "purpose": "Purpose",
    "source": "Table",
    "samples": "Samples",
    "operators": "Read by",
    "method": "Field methods",
    "basis": "Laboratory's methods behind it",
    "factors": "Correction factors",
    "releases": "Evidence",
    "record": "Head of the record before it",
    "supersedes": "Takes the place of",
}
CALL_WORDS = {
    "below": "below",
    "above": "above",
    "too close to call": "too close: laboratory",
    "": "no decision",
}
SAMPLE_CALLS = {
    "act": "on the acting side",
    "too close": "too close: laboratory",
    "undecided": "no decision",
    "no action": "on the other side",
    "no level": "no level",
}
SHEET_SUMMARY = "What was found"
SHEET_COUNT_HEADINGS = (
    "Element", "Level", "Below", "Above", "Too close: laboratory", "No decision",
    "Wrong 'above' at most", "Wrong 'below' at most",
)  # fmt: skip
SHEET_RULE_TITLE = "The rule, set before the data"
SHEET_RULE = (
    "A result is called above a level only where a sample whose content is at the level would "
    "give so high a result with a chance of at most the stated rate, and below in the same way "
    "(guarded acceptance and rejection, JCGM 106:2012 section 8.3 and ILAC-G8:09/2019; the two "
    "errors of US EPA QA/G-4, 2006). So the chance of a wrong call is at most the rate for every "
    "sample, whatever its content, where the errors are as the evidence shows them. Most samples "
    "lie further from a level, and their chance is far smaller. What lies between is too close to "
    "call and goes to the laboratory. No share of wrong calls among those that were called is "
    "promised: it depends on how many samples lie near the level."
)
SHEET_UNCERTAINTY = (
    "± is the expanded uncertainty, k = 2, against one laboratory result of a split: it holds the "
    "spots that were read, what separates spots and split, the laboratory's own error, the factor, "
    "and the spread between months. A call speaks of the content: where the laboratory's own "
    "error is known, it does not widen what is too close."
)
SHEET_SPOTS = (
    "Nothing is decided on a sample with fewer than {share} of the spots or readings that a sample "
    "of the evidence has (spots_share)."
)
SHEET_GRADE_RULE = "Grades by {rule}, as release {release} judged them; composition only."
SHEET_LOT = "Lot {lot}"
SHEET_NO_LOT = "Samples without a lot"
SHEET_LINE_HEADINGS = ("Sample", "Read on", "What it comes to")
SHEET_LOT_HEADINGS = (
    "Element", "Samples", "Without a value", "On the acting side, of those called",
    "Mean of those with a value", "Upper 95 % limit of the mean", "By",
)  # fmt: skip
SHEET_LOT_NOTE = (
    "The mean and its one-sided upper 95 % limit are of these samples (ITRC, incremental sampling; "
    "Student's, or Chebyshev's where results are skewed; the factor's uncertainty is common to "
    "all). They are the lot's only where the samples represent it. A lot with a sample that has no "
    "value has no limit."
)
SHEET_NOTES = "Not decided, and why"
SHEET_NOTE_HEADINGS = ("Sample", "Element", "Level", "Reason")
SHEET_ALL_RESULTS = "every level"
SHEET_MORE_NOTES = "and {n} more; result_sheet.csv holds all of them."
SHEET_GRADES = "Grades"
SHEET_GRADE_HEADINGS = ("Part", "Method", "Grade", "Call", "Against", "Not decided")
SHEET_WITHOUT_LEVEL = (
    "Elements without a decision level stand in result_sheet.csv and in the workbook: {elements}."
)
SHEET_ANSWERED = "{n} samples of the table have a laboratory result and are not on this sheet."
SHEET_ACTS = "Who acted"
SHEET_ACT_HEADINGS = ("What", "Name", "Role", "When", "Said", "Signed with a key")
SHEET_ACT_WORDS = {
    "issued": "Prepared and issued",
    "checked": "Checked",
    "approved": "Approved",
    "accepted": "Accepted by the client",
    "refused": "Refused by the client",
    "withdrawn": "Withdrawn",
}
SHEET_CAUTION = (
    "Composition and a level only: this sheet says nothing about hazard, use, strength or heat "
    "treatment. It supports and does not replace the judgement of a competent, qualified or "
    "licensed person, and local codes and permits take precedence. X-ray and laser devices are "
    "used by trained persons only. It is no test report under a laboratory's accreditation and no "
    "basis for a resource estimate."
)
SHEET_COSTS = "What each way of deciding is expected to cost"
SHEET_COST_HEADINGS = ("Way", "Assays", "Expected wrong calls", "Expected cost")
SHEET_POLICIES = {
    "laboratory": "every sample to the laboratory",
    "sheet": "by this sheet, the rest to the laboratory",
    "field alone": "by the field alone, each result as it lies",
}
SHEET_COST_ASSAYS = "assays"
SHEET_COST_WRONG = "expected cost of wrong calls"
SHEET_COST_SCALE = "Expected cost, {currency}"
SHEET_COST_CURRENCY = "currency of the settings"
SHEET_PART_TITLE = "Part {sample}"
SHEET_PART_PLACES = "Where it was read"
SHEET_PART_HEADINGS = ("Place", "Spots", "As read")
SHEET_PART_LINE = "Position along the line, mm"
SHEET_PART_PHOTO = "{file}{note}. {marks}SHA-256 {sha256}"
SHEET_PART_MARKS = "Circles are the spots that the index marks. "
SHEET_PART_NO_MARKS = "The index marks no spot on it. "
SHEET_PART_NO_PHOTO = "No photo of this part is tied to it by an index of evidence."
SHEET_MAP = "Where the samples were taken"
SHEET_MAP_X = {True: "Longitude, °", False: "Easting, {unit}"}
SHEET_MAP_Y = {True: "Latitude, °", False: "Northing, {unit}"}
SHEET_MAP_SYSTEM = "Coordinates as given: {system}. North is up."
SHEET_MAP_TAKEN = "WGS 84 (taken so: the rows name no system)"
SHEET_MAP_NO_SYSTEM = "a reference system that nobody has stated"
SHEET_MAP_WGS84 = (
    " Positions stand in result_sheet.geojson (longitude and latitude, WGS 84, RFC 7946)."
)
SHEET_MAP_OTHER = (
    " They are not reprojected: result_sheet.geojson has them as properties, without geometry, for "
    "GeoJSON gives positions in WGS 84 alone (RFC 7946)."
)
SHEET_MAP_LEFT = " {n} samples of the lot state no position."
SHEET_MAP_SCALE = "{length} {unit}"
SHEET_MAP_SEVERAL = " Coordinates in other systems are not drawn ({n} samples)."
SHEET_GEOJSON_NOTE = (
    "Composition and levels only; the sheet's PDF says how it was decided and what it is not for."
)
SHEET_COST_NONE = "below 0.001"
SHEET_AVOIDED = "{n} of {all} assays are not needed."
#: Why nothing is decided; {what} is what the reason speaks of.
REASON_WORDS = {
    "no evidence": "no release has pairs of {what} with the laboratory",
    "several laboratory methods": "evidence against several laboratory methods ({what}): name one",
    "laboratory only": "the verdict is 'laboratory only' (release {what})",
    "insufficient evidence": "the evidence is insufficient (release {what})",
    "verdict over": "read after the last day of the verdict ({what})",
    "factor doubted": "new pairs say to withdraw the factor ({what})",
    "control failed": "a control of the day failed ({what})",
    "few spots": "too few spots or readings ({what} behind the evidence)",
    "left out": "left out by a person's entry ({what})",
    "level outside the evidence": "the level is outside the evidence ({what})",
    "censored": "known between its limits only",
    "no value": "no value",
    "interference": "overlapping lines ({what})",
    "no time of measurement": "no time of measurement",
    "outside the range": "outside the range of the evidence ({what})",
    "not estimable": "the uncertainty can't be estimated",
    "no factor": "no factor of this element is in the record",
    "not approved": "the factor is not approved ({what})",
    "superseded": "the factor is superseded ({what})",
    "expired": "the factor is over ({what})",
    "withdrawn": "the factor was withdrawn ({what})",
    "more than one factor fits": "more than one factor fits ({what})",
    "the factor has no dates": "the factor has no dates ({what})",
    "before the factor": "read before the factor holds ({what})",
    "other technique": "another technique ({what})",
    "other instrument": "another instrument ({what})",
    "other calibration": "another calibration ({what})",
    "other field method": "another field method ({what})",
    "other matrix": "another material ({what})",
    "other specimen form": "another form of the specimen ({what})",
    "other moisture basis": "another moisture basis ({what})",
}
SHEET_FORM_SAMPLES = "samples"
SHEET_FORM_FROM = "from result sheet"
SHEET_FORM_SOURCE = "result sheet {sheet}"
SHEET_BOOK = {
    "sheet": "Sheet",
    "results": "Results",
    "levels": "Levels",
    "grades": "Grades",
    "acts": "Acts",
    "lots": "Lots",
}
SHEET_OF_BOTH = "{n} of {both}"
SHEET_COMES_TO = "what the sample comes to"
SHEET_AT_LEVEL = "{level}: {n} of {both}"
SHEET_SD = "SD, mg/kg"
SHEET_ACTS_BELOW, SHEET_ACTS_ABOVE = "below", "at or above"
