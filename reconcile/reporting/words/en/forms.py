"""Strings of printed forms: custody form, sample labels, codes, a sample's story."""

PAGE_OF = "page {page} of {total}"
PROGRAM = "Reconcile"

# ---- custody form --------------------------------------------------------------------

FORM_TITLE = "Custody form"
FORM_SUBJECT = "Custody form of dispatch {dispatch}"
FORM_RUNNING = "Custody form, dispatch {dispatch}"
FORM_DISPATCH = "Dispatch {dispatch}"
FORM_RECORDED = "Recorded so far"
FORM_EVENT_HEADINGS = ("time ({zone})", "event", "by", "to", "seal", "containers", "mass")
FORM_SENDER = "To be written by the sender"
FORM_SENDER_FIELDS = (
    ("containers (number and kind)", "seal numbers", "carrier and waybill"),
    ("analyses asked, limits required", "hazards to tell the receiver", "remarks"),
)
FORM_HANDOVER = "Handover"
FORM_HANDOVER_HEADINGS = (
    "relinquished by (name, organisation)",
    "signature",
    "date, time, zone",
    "received by (name, organisation)",
    "signature",
    "date, time, zone",
)
FORM_RECEIPT = "On receipt"
FORM_YES_NO = "{box} yes   {box} no"
FORM_SEALS_FOUND = "seal numbers found"
FORM_SEALS_INTACT = "seals intact"
FORM_CONTAINERS = "containers counted"
FORM_COUNT_AGREES = "count agrees with the sender's"
FORM_CONDITION = (
    "condition on receipt   {box} good   {box} wet   {box} damaged   {box} other, namely:"
)
FORM_MASS_FOUND = "mass found, unit"
FORM_STORED_AT = "stored at"
FORM_MISSING = "missing (sample ids); --missing"
FORM_EXTRA = "not on the list (sample ids); --extra"
FORM_DEVIATIONS = "deviations (what, who was told); damaged samples are ticked in the list"
FORM_SAMPLES = "Samples ({n})"
FORM_SAMPLE_HEADINGS = (
    "no.", "sample id", "bar code", "QR code", "mass", "sent", "received, damaged",
)  # fmt: skip
FORM_MASSES_TELL = (
    "The masses tell the inserted controls from the samples, so that the laboratory would know "
    "the blind ones: weigh controls like samples, or leave the column empty (--without-masses)."
)
FORM_TWO_BOXES = "{box}   {box}"
FORM_SOURCES = "Made from: {files}"
FORM_END = "End of the list."
FORM_CAUTION = (
    "Samples can hold lead, silica, asbestos or radioactive minerals. Local rules for handling "
    "and transport come first. A form shows what was written down; it proves no fact by itself."
)

# ---- labels and codes ----------------------------------------------------------------

LABELS_TITLE = "Sample labels"
LABEL_DISPATCH = "dispatch {dispatch}"
LABEL_TOO_SMALL = "the QR code of so long an id needs a larger label"
LABEL_NO_BARS = "QR code only"
CODE_NOT_PLAIN = "a bar code can't hold these characters; QR code only"
CODE_TOO_LONG = "too long for a bar code that reads; QR code only"
CODE_NONE = "too long for any code; copy the id by hand"

# ---- a sample's story ----------------------------------------------------------------

STORY_TITLE = "The story of a sample"
STORY_OF = "The story of sample {sample}"
STORY_CUSTODY = "Custody"
STORY_CUSTODY_HEADINGS = ("when (UTC)", "act", "holder after it", "seal", "written in")
STORY_NO_CUSTODY = "No custody event is recorded."
STORY_READINGS = "Field readings, mg/kg"
STORY_NO_READING = "No field reading."
STORY_DETERMINATIONS = "Laboratory determinations, mg/kg"
STORY_NO_DETERMINATION = "No determination."
STORY_RESULT_HEADINGS = (
    "when (UTC)",
    "method",
    "rows",
    "lowest to highest value",
    "who",
    "written in",
)
STORY_USES = "Use in releases"
STORY_USE_HEADINGS = ("release", "used or left out, and why")
STORY_NO_USE = "It stands in no release yet."
STORY_MORE = "and {n} more; 'reconcile story' lists all."
STORY_EVIDENCE = "Evidence"
STORY_NO_EVIDENCE = "No photo or document is tied to this sample."
STORY_MORE_FILES = "and {n} more files."
STORY_UTC = "{at} UTC"
STORY_NO_TIME = "time not given"
STORY_SHA = "SHA-256 {sha256}"
