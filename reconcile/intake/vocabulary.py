"""The usual words of headings (common practice, no source), by kind of table."""

from __future__ import annotations

from reconcile.intake.tables import (
    ALIAS_FACTS,
    CORRECTION_FACTS,
    CUSTODY_FACTS,
    FIELD_FACTS,
    LAB_FACTS,
    LIMIT_FACTS,
    REFERENCE_FACTS,
    REGISTER_FACTS,
)


def word_set(text: str) -> frozenset[str]:
    """The words of a text."""
    return frozenset(text.split())


FACTS: dict[str, tuple[str, ...]] = {
    "field": FIELD_FACTS,
    "lab": LAB_FACTS,
    "sample register": REGISTER_FACTS,
    "custody": CUSTODY_FACTS,
    "reference materials": REFERENCE_FACTS,
    "aliases": ALIAS_FACTS,
    "corrections": CORRECTION_FACTS,
    "specification limits": LIMIT_FACTS,
}
#: Meanings that serve the reading itself and are no facts of the row.
HELPERS: dict[str, tuple[str, ...]] = {
    "field": ("unit", "sigma", "element", "value", "error", "limit", "qualifier", "date", "time"),
    "lab": ("unit", "sigma", "element", "value", "error", "limit", "qualifier"),
    "sample register": ("date", "time"),
    "custody": ("date", "time"),
    "reference materials": ("unit", "element", "value", "error"),
    "aliases": (),
    "corrections": (),
    "specification limits": (),
}
TIME_FACTS = frozenset(
    {"measured_at", "received_at", "analysed_at", "reported_at", "collected_at", "at"}
)
NUMBER_FACTS = frozenset(
    {
        "moisture_pct", "count_time_s", "sample_mass_g", "digest_volume_ml", "containers",
        "mass_g", "certified_mg_kg", "uncertainty_mg_kg", "coverage_factor",
        "minimum", "maximum",
    }
)  # fmt: skip
#: The fact that a plain date (and time) fills.
TIME_OF_KIND = {
    "field": "measured_at",
    "sample register": "collected_at",
    "custody": "at",
}


def facts_of(kind: str) -> tuple[str, ...]:
    """Every meaning that a column of this kind of table may have."""
    return tuple(f for f in FACTS[kind] if f != "row") + HELPERS[kind]


def _spread(words: dict[str, str]) -> dict[str, str]:
    return {word.strip(): fact for fact, many in words.items() for word in many.split("|")}


_COMMON = {
    "lab_id": "lab id|lab no|lab number|lab sample id|lab sample no|laboratory id|laboratory no|"
    "laboratory number|lab reference|lab ref|lab code",
    "sample_kind": "sample kind|qc type|control type",
    "reference_code": "reference code|crm|crm code|reference material|standard code|standard name",
    "duplicate_of": "duplicate of|original sample|parent sample|repeat of",
    "duplicate_kind": "duplicate kind|duplicate type",
    "matrix": "matrix|lithology|rock type|alloy|material type",
    "specimen_form": "specimen form|specimen|preparation|prep",
    "moisture_basis": "moisture basis|basis",
    "moisture_pct": "moisture|moisture %|moisture pct|moisture percent|water content %",
    "pair_type": "pair type",
    "group": "hole|hole id|holeid|batch|heat|heat no|heat number|drillhole|borehole|core|group|lot",
    "note": "note|notes|comment|comments|remark|remarks|info",
}
_SAMPLE = (
    "sample|sample id|sample no|sample number|sample name|sampleid|sample #|sample ref|"
    "sample reference|client sample id|client sample|client id|customer sample id|"
    "your reference|sample identification|specimen id|field id|sample code|bag no|bag number"
)

FACT_WORDS: dict[str, dict[str, str]] = {
    "field": _spread(
        {
            **_COMMON,
            "sample_id": _SAMPLE + "|test label|ident",
            "technique": "technique",
            "instrument": "instrument|instrument serial|instrument serial num|"
            "instrument serial number|instrument serial no|serial|serial no|serial number|"
            "instrument id|analyser|analyzer",
            "calibration": "calibration|calibration name|mode|method name|application",
            "operator": "operator|inspector|user|analyst|measured by",
            "measured_at": "measured at|measurement time|date time|datetime|timestamp|time stamp|"
            "reading time|date and time|date & time|test time",
            "date": "date|test date|reading date|measurement date",
            "time": "time",
            "reading_no": "reading no|reading #|reading|reading number|reading id|test no|test #|"
            "test number|nr|shot id|index no",
            "spot_no": "spot|spot no|spot number|spot #|location no|point|point no",
            "shot_no": "shot|shot no|shot number|shot #",
            "spot_class": "spot class|spot type",
            "gas_purge": "gas purge|purge|purge gas|atmosphere|gas",
            "count_time_s": "count time s|count time|live time s|live time|measuring time s|"
            "acquisition time s|duration s|count time sec|total time s|real time s",
            "unit": "unit|units|uom",
            "sigma": "sigma|sigma value|error sigma|sigma level",
        }
    ),
    "lab": _spread(
        {
            **_COMMON,
            "sample_id": _SAMPLE,
            "technique": "technique|analytical technique",
            "laboratory": "laboratory|lab|lab name|laboratory name",
            "lab_method": "method|method code|lab method|analytical method|analysis method",
            "digestion": "digestion|digest|dissolution|decomposition",
            "digestion_class": "digestion class",
            "certificate": "certificate|certificate no|certificate number|report no|report number|"
            "job no|job number|work order|report|coa|job",
            "certificate_issue": "certificate issue|issue|revision|version|issue no",
            "dispatch": "dispatch|dispatch no|dispatch number|submission|submission no|shipment",
            "received_at": "received at|received|date received|received date|receipt date",
            "analysed_at": "analysed at|analysed|analyzed|date analysed|date analyzed|"
            "analysis date|analysed date|date of analysis",
            "reported_at": "reported at|reported|date reported|report date|reported date|"
            "certificate date|issue date|date of issue",
            "sample_mass_g": "sample mass g|sample weight g|mass g|weight g|sample mass mg|"
            "sample mass|sample weight",
            "digest_volume_ml": "digest volume ml|volume ml|final volume ml|digest volume",
            "unit": "unit|units|uom",
            "sigma": "sigma|sigma value",
        }
    ),
    "sample register": _spread(
        {
            **_COMMON,
            "sample_id": _SAMPLE,
            "collected_at": "collected at|collected|date collected|collection date|sampled|"
            "sampling date|date sampled|sample date|collection time|date time",
            "date": "date",
            "time": "time",
            "dispatch": "dispatch|dispatch no|dispatch number|submission|shipment",
            "sample_mass_g": "sample mass g|sample weight g|mass g|weight g|mass kg|weight kg|"
            "sample mass kg|sample weight kg|sample mass mg",
            "place": "place|location|site|area",
            "selection": "selection|selected as|selection rule|why sent",
        }
    ),
    "custody": _spread(
        {
            "event_id": "event id|event no|event number|no",
            "sample_id": _SAMPLE + "|samples|sample ids",
            "dispatch": "dispatch|dispatch no|dispatch number|submission|shipment",
            "event": "event|action|activity|step",
            "at": "at|date time|datetime|timestamp|when|date and time|event time",
            "date": "date|event date",
            "time": "time",
            "by": "by|from|person|who|relinquished by|done by|handed over by",
            "to": "to|received by|recipient|handed over to",
            "seal": "seal|seal no|seal number|seal id",
            "seal_intact": "seal intact|intact|seal ok",
            "containers": "containers|number of containers|no of containers|bags|boxes",
            "mass_g": "mass g|weight g|mass kg|weight kg|gross mass g|gross mass kg",
            "place": "place|location|site",
            "note": "note|notes|comment|comments|remark|remarks",
        }
    ),
    "reference materials": _spread(
        {
            "reference_code": "reference code|reference material|material|crm|crm code|code|"
            "standard|standard code|name|id",
            "element": "element|analyte|constituent|symbol|species|parameter",
            "value": "certified value|certified|assigned value|value|certified mg kg|"
            "certified concentration|mass fraction",
            "error": "uncertainty|expanded uncertainty|u|certified uncertainty|uncertainty mg kg|"
            "95% ci|95 % ci|confidence interval",
            "coverage_factor": "coverage factor|k|k factor",
            "unit": "unit|units|uom",
            "matrix": "matrix",
            "note": "note|notes|comment|comments|remark|remarks|source",
        }
    ),
    "aliases": _spread(
        {
            "written_id": "written id|written|alias|as written|found id|id as written",
            "sample_id": "sample id|sample|true id|registered id|sample no|sample number",
            "entered_by": "entered by|by|who|person",
            "reason": "reason|why|note|comment",
        }
    ),
    "corrections": _spread({"corrected_because": "why corrected"}),
}
FACT_WORDS["specification limits"] = _spread(
    {
        "grade": "grade|grade name|alloy|alloy grade|designation|material|steel",
        "element": "element|symbol|analyte|constituent",
        "minimum": "minimum|min|lower limit|least|at least|from",
        "maximum": "maximum|max|upper limit|most|at most|to",
        "unit": "unit|units|uom",
        "note": "note|notes|comment|comments|remark|remarks|source",
    }
)
for _kind, _facts in FACTS.items():
    for _fact in _facts:
        FACT_WORDS[_kind].setdefault(_fact.replace("_", " "), _fact)
    FACT_WORDS[_kind].pop("row", None)
FACT_WORDS["corrections"] |= {"row": "file_row", "sheet": "of_sheet"}

#: Headings of the long layout.
LONG_WORDS = _spread(
    {
        "element": "element|analyte|parameter|species|constituent|determinand|symbol|component",
        "value": "value|result|concentration|conc|reported value|reported result|amount|"
        "measured value|final result",
        "error": "error|uncertainty|standard deviation|std dev|sd",
        "limit": "limit|detection limit|lod|dl|mdl|lor|reporting limit|lower limit|"
        "limit of detection|lld",
        "qualifier": "qualifier|prefix|sign|censoring",
    }
)

VALUE_WORDS = word_set(
    """
    value values conc concentration concentrations result results mean average avg content
    reading measured reported mass fraction abundance dry basis total element certified
    assigned
    """
)
SD_WORDS = word_set(
    """
    sd std stdev stddev st.dev st.dev. deviation
    """
)
ERROR_WORDS = SD_WORDS | word_set(
    """
    error err errors sigma σ uncertainty unc u dev standard expanded
    """
)
RELATIVE_WORDS = word_set(
    """
    rsd %rsd cv rel relative sem stderr se
    """
)
LIMIT_WORDS = word_set(
    """
    lod lld dl mdl loq lor idl limit limits detection
    """
)
INTENSITY_WORDS = word_set(
    """
    cps kcps counts count intensity iraw inet net gross peak area bkg background cps/ua
    cps/µa ratio rate int raw
    """
)
IGNORED_WORDS = word_set(
    """
    compound level flag flags status grade spec pass min max
    """
)
METHOD_WORDS = word_set(
    """
    icp icpms icp-ms icpoes icp-oes icp-aes icpaes oes aes ms aas xrf pxrf wdxrf wd-xrf
    edxrf ed-xrf libs fa inaa naa leco combustion ir aqua regia 4a four acid acids digest
    digestion titration grav gravimetric finish fire assay fusion bead pellet pressed
    powder by uv-vis
    """
)
#: Headings that look like results and are none.
NOT_RESULTS = {
    "bal": "the balance to 100 %, not an element",
    "balance": "the balance to 100 %, not an element",
    "bal error": "the balance to 100 %, not an element",
    "bal cps ua": "the balance to 100 %, not an element",
    "le": "light elements together, not an element",
    "le concentration": "light elements together, not an element",
    "le error 1s": "light elements together, not an element",
    "le error": "light elements together, not an element",
    "loi": "loss on ignition, not an element",
    "loi %": "loss on ignition, not an element",
    "total": "a sum, not an element",
    "total %": "a sum, not an element",
    "sum": "a sum, not an element",
    "sum %": "a sum, not an element",
    "latitude": "a coordinate",
    "longitude": "a coordinate",
    "easting": "a coordinate",
    "northing": "a coordinate",
    "elevation": "a coordinate",
}
UNIT_LABELS = frozenset({"unit", "units", "uom", "measurement unit", "reporting unit"})
METHOD_LABELS = frozenset(
    {"method", "methods", "method code", "analysis method", "lab method", "scheme", "technique"}
)
LIMIT_LABELS = frozenset(
    """lower limit|detection limit|lod|dl|mdl|lld|lor|limit of detection|limit|lower|det limit|
    detection|reporting limit|lower detection limit|ldl|lower reporting limit|detection limits|
    min detection|limit of reporting""".replace("\n", "")
    .replace("    ", "")
    .split("|")
)
UPPER_LABELS = frozenset(
    """upper limit|udl|upper detection limit|upper|uloq|upper reporting limit|
    max detection""".replace("\n", "")
    .replace("    ", "")
    .split("|")
)
