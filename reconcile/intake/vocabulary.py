"""The usual words of headings, and the rules that combine them, by kind of table.

Words of the trade, of open standards and of plain language (common practice, no source;
``tests/intake/vocabulary_words.csv`` says which is which). A spelling of one export alone is
no usual word: the settings of its workspace name it under ``columns``.
"""

from __future__ import annotations

from reconcile.intake.tables import (
    ALIAS_FACTS,
    CHECK_FACTS,
    CORRECTION_FACTS,
    CUSTODY_FACTS,
    FIELD_FACTS,
    INSTRUMENT_FACTS,
    LAB_FACTS,
    LABORATORY_FACTS,
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
    "instrument checks": CHECK_FACTS,
    "instruments": INSTRUMENT_FACTS,
    "laboratories": LABORATORY_FACTS,
}
#: Meanings that serve the reading itself and are no facts of the row.
HELPERS: dict[str, tuple[str, ...]] = {
    "field": (
        "unit",
        "sigma",
        "element",
        "value",
        "error",
        "limit",
        "qualifier",
        "date",
        "time",
        "accepted",
        "rejected",
    ),
    "lab": (
        "unit",
        "sigma",
        "element",
        "value",
        "error",
        "limit",
        "qualifier",
        "accepted",
        "rejected",
    ),
    "sample register": ("date", "time"),
    "custody": ("date", "time"),
    "reference materials": ("unit", "element", "value", "error"),
    "aliases": (),
    "corrections": (),
    "specification limits": (),
    "instrument checks": ("date", "time"),
    "instruments": (),
    "laboratories": (),
}
TIME_FACTS = frozenset(
    {
        "measured_at", "received_at", "analysed_at", "reported_at", "collected_at",
        "dispatched_at", "at", "calibration_due", "valid_until",
    }
)  # fmt: skip
NUMBER_FACTS = frozenset(
    {
        "moisture_pct", "count_time_s", "sample_mass_g", "digest_volume_ml", "containers",
        "mass_g", "certified_mg_kg", "uncertainty_mg_kg", "coverage_factor",
        "minimum", "maximum", "position_mm", "at_most_mg_kg",
        "selection_probability",
    }
)  # fmt: skip
#: The fact that a plain date (and time) fills.
TIME_OF_KIND = {
    "field": "measured_at",
    "sample register": "collected_at",
    "custody": "at",
    "instrument checks": "at",
}


def facts_of(kind: str) -> tuple[str, ...]:
    """Every meaning that a column of this kind of table may have."""
    return tuple(f for f in FACTS[kind] if f != "row") + HELPERS[kind]


#: What may stand behind a noun that names a thing by a number or a mark.
_MARKS = ("id", "no", "num", "number", "name", "code", "ref", "reference", "identification", "#")
#: Units of time and mass that a heading may end with.
_SECONDS = ("", " s", " sec", " seconds", " min", " minutes", " ms")
_GRAMS = ("", " g", " kg", " mg")
_LENGTHS = (" mm", " cm", " m", " in", " inch", " inches", " µm", " um")


def _spread(words: dict[str, tuple[str, ...]]) -> dict[str, str]:
    return {word: fact for fact, many in words.items() for word in many}


def _either(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split("|"))


def _numbered(nouns: str) -> tuple[str, ...]:
    """'sample id', 'sample no', … for each noun."""
    return tuple(f"{noun} {mark}" for noun in _either(nouns) for mark in _MARKS)


def _named(nouns: str) -> tuple[str, ...]:
    """The nouns alone, and numbered."""
    return _either(nouns) + _numbered(nouns)


def _dated(acts: str) -> tuple[str, ...]:
    """'received', 'received at', 'date received', 'received date', … for each act."""
    return tuple(
        form
        for act in _either(acts)
        for form in (
            act, f"{act} at", f"{act} on", f"date {act}", f"{act} date", f"date of {act}",
            f"time {act}", f"{act} time", f"{act} date time", f"{act} date and time",
        )
    )  # fmt: skip


def _measured(quantities: str, units: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(quantity + unit for quantity in _either(quantities) for unit in units)


_MASSES = _measured("sample mass|sample weight|mass|weight|gross mass", _GRAMS)
_MOMENTS = _either("date time|datetime|timestamp|time stamp|date and time|date & time")
_SAMPLE = (
    *_named("sample|client sample|customer sample|submitted sample"),
    *_numbered("specimen|bag|field|client"),
)
_DISPATCH = _named("dispatch|submission|shipment")
_ORDERED = _either(
    "ordered grade|expected grade|specified grade|required grade|nominal grade|grade ordered|"
    "grade expected"
)
_NOTES = _either("note|notes|comment|comments|remark|remarks")
_UNITS = _either("unit|units|uom")
_COMMON = {
    "lab_id": (
        *_numbered("lab|laboratory|lab sample|laboratory sample"),
    ),
    "sample_kind": _either("sample kind|sample type|qc type|qc kind|control type|control kind"),
    "reference_code": (
        *_either("crm|reference material"),
        *_numbered("crm|reference|reference material|standard|control material"),
    ),
    "duplicate_of": _either("duplicate of|repeat of|original sample|parent sample"),
    "duplicate_kind": _either("duplicate kind|duplicate type"),
    "matrix": _either("matrix|lithology|rock type|alloy|material type"),
    "specimen_form": _either("specimen form|specimen|preparation|prep"),
    "moisture_basis": _either("moisture basis|basis"),
    "moisture_pct": _measured("moisture|water content", ("", " %", " pct", " percent")),
    "pair_type": _either("pair type"),
    "group": _named("hole|drillhole|borehole|core|batch|heat|group|lot"),
    "note": _NOTES,
}  # fmt: skip

#: Whether a row counts; of a heading that says 'accepted' or 'rejected' the cells say yes or no.
_STATUS = {
    "status": (
        *_either("status|reading status|result status|test status|measurement status|shot status"),
        *_either("sample status|analysis status|qc status|row status|validity|pass fail"),
    ),
    "accepted": _either(
        "accepted|accept|valid|is valid|approved|usable|pass|passed|included|reading accepted"
    ),
    "rejected": _either(
        "rejected|reject|invalid|void|voided|excluded|exclude|discarded|discard|failed|"
        "reading rejected|is rejected"
    ),
    "status_reason": _either(
        "rejection reason|reason for rejection|reject reason|reason rejected|why rejected|"
        "status reason|reason of rejection"
    ),
}

_COORDINATES = {
    "latitude": _either("latitude|lat|gps latitude"),
    "longitude": _either("longitude|lon|long|gps longitude"),
    "easting": _either("easting|east|utm easting|utm east|grid easting|grid east|easting m"),
    "northing": _either(
        "northing|north|utm northing|utm north|grid northing|grid north|northing m"
    ),
    "coordinate_system": _either(
        "coordinate system|coordinate reference system|crs|epsg|map projection"
    ),
}

FACT_WORDS: dict[str, dict[str, str]] = {
    "field": _spread(
        {
            **_COMMON,
            **_STATUS,
            "sample_id": _SAMPLE,
            "technique": _either("technique"),
            "instrument": (
                *_either("instrument|analyser|analyzer|serial"),
                *_numbered("instrument|analyser|analyzer|serial|instrument serial"),
                *_either("instrument serial"),
            ),
            "calibration": _either("calibration|calibration name|calibration version|mode"),
            "operator": _either("operator|inspector|user|analyst|measured by|read by"),
            "measured_at": (
                *_MOMENTS,
                *_either("measured at|read at|measurement time|reading time|test time"),
            ),
            "date": _either("date|measurement date|reading date|test date"),
            "time": _either("time"),
            "reading_no": _either("reading") + _numbered("reading|measurement|test"),
            "spot_no": _named("spot|point") + _numbered("location"),
            "shot_no": _named("shot"),
            "spot_class": _either("spot class|spot type"),
            "location": _either(
                "location|location on part|place|place on part|spot location|test location|"
                "measuring location|measurement location|position"
            ),
            "position_mm": _measured(
                "position|line position|position along line|distance|distance along line|"
                "distance along the line",
                _LENGTHS,
            ),
            "model": _either("model|instrument model|instrument type|analyser model"),
            "software": _either("software|software version|firmware|firmware version"),
            "temperature": _either(
                "temperature|detector temperature|ambient temperature|temperature c"
            ),
            "filter": _either("filter|beam filter|filters"),
            **_COORDINATES,
            "part_role": _either("part role|role|zone|weld zone|metal zone|weld region"),
            "ordered_grade": _ORDERED,
            "gas_purge": _either("gas purge|purge gas|purge|atmosphere|gas"),
            "count_time_s": (
                *_measured(
                    "count time|counting time|live time|real time|measuring time|"
                    "acquisition time|exposure time|total time",
                    _SECONDS,
                ),
                *_measured("duration", _SECONDS[1:]),
            ),
            "unit": _UNITS,
            "sigma": _either("sigma|error sigma|sigma level"),
        }
    ),
    "lab": _spread(
        {
            **_COMMON,
            **_STATUS,
            "sample_id": _SAMPLE,
            "technique": _either("technique|analytical technique"),
            "laboratory": _either("laboratory|lab|laboratory name|lab name"),
            "lab_method": _either(
                "method|method code|lab method|analytical method|analysis method"
            ),
            "digestion": _either("digestion|digest|dissolution|decomposition"),
            "digestion_class": _either("digestion class"),
            "certificate": _named("certificate|report") + _numbered("job"),
            "certificate_issue": _either("certificate issue|issue|revision|version|issue no"),
            "dispatch": _DISPATCH,
            "received_at": _dated("received|receipt"),
            "analysed_at": _dated("analysed|analyzed|analysis"),
            "reported_at": _dated("reported|report")
            + _either("certificate date|issue date|date of issue"),
            "sample_mass_g": _MASSES,
            "digest_volume_ml": _measured("digest volume|final volume", ("", " ml", " l"))
            + _either("volume ml"),
            "location": _either(
                "location on part|place on part|spot location|test location|location|place"
            ),
            "part_role": _either("part role|role|zone|weld zone|metal zone|weld region"),
            "unit": _UNITS,
            "sigma": _either("sigma|error sigma|sigma level"),
        }
    ),
    "sample register": _spread(
        {
            **_COMMON,
            "sample_id": _SAMPLE,
            "collected_at": _dated("collected|collection|sampled|sampling")
            + _either("sample date|date time"),
            "collected_by": _either("collected by|collector|sampled by|sampler|taken by"),
            "date": _either("date"),
            "time": _either("time"),
            "dispatch": _DISPATCH,
            "dispatched_at": _dated("dispatched|sent|shipped")
            + _either("dispatch date|date of dispatch|dispatch time"),
            "dispatched_by": _either(
                "dispatched by|sent by|shipped by|relinquished by|handed over by"
            ),
            "seal": _named("seal"),
            "sample_mass_g": _MASSES,
            "place": _either("place|location|site|area"),
            "selection": _either("selection|selected as|selection rule|why sent|chosen as"),
            "selection_probability": _either(
                "selection probability|inclusion probability|chance of being chosen|"
                "chance of selection"
            ),
            "ordered_grade": _ORDERED,
            **_COORDINATES,
        }
    ),
    "custody": _spread(
        {
            "event_id": _numbered("event") + _either("no"),
            "sample_id": (*_SAMPLE, *_either("samples|sample ids")),
            "dispatch": _DISPATCH,
            "event": _either("event|action|activity|step"),
            "at": (*_MOMENTS, *_either("at|when|event time")),
            "date": _either("date|event date"),
            "time": _either("time"),
            "by": _either("by|from|person|who|relinquished by|done by|handed over by"),
            "to": _either("to|received by|recipient|handed over to"),
            "seal": _named("seal"),
            "seal_intact": _either("seal intact|intact|seal ok"),
            "containers": _either("containers|number of containers|no of containers|bags|boxes"),
            "mass_g": _measured("mass|weight|gross mass|gross weight", _GRAMS[1:]),
            "place": _either("place|location|site"),
            "note": _NOTES,
        }
    ),
    "reference materials": _spread(
        {
            "reference_code": (
                *_either("material|crm|code|standard|name|id|reference material"),
                *_numbered("reference|reference material|crm|standard|material"),
            ),
            "element": _either("element|analyte|constituent|symbol|species|parameter"),
            "value": _either(
                "certified value|certified|assigned value|value|certified mg kg|"
                "certified concentration|mass fraction"
            ),
            "error": _either(
                "uncertainty|expanded uncertainty|u|certified uncertainty|uncertainty mg kg|"
                "95% ci|95 % ci|confidence interval"
            ),
            "coverage_factor": _either("coverage factor|k|k factor"),
            "unit": _UNITS,
            "matrix": _either("matrix"),
            "note": (*_NOTES, "source"),
        }
    ),
    "aliases": _spread(
        {
            "written_id": _either("written id|written|alias|as written|found id|id as written"),
            "sample_id": (*_named("sample"), *_either("true id|registered id")),
            "entered_by": _either("entered by|by|who|person"),
            "reason": _either("reason|why|note|comment"),
        }
    ),
    "corrections": _spread({"corrected_because": _either("why corrected")}),
}
FACT_WORDS["specification limits"] = _spread(
    {
        "grade": _either("grade|grade name|alloy|alloy grade|designation|material|steel"),
        "element": _either("element|symbol|analyte|constituent"),
        "formula": _either("formula|expression"),
        "minimum": _either("minimum|min|lower limit|least|at least|from"),
        "maximum": _either("maximum|max|upper limit|most|at most|to"),
        "unit": _UNITS,
        "note": (*_NOTES, "source"),
    }
)
_INSTRUMENT = (
    *_either("instrument|analyser|analyzer|serial|instrument serial"),
    *_numbered("instrument|analyser|analyzer|serial|instrument serial"),
)
FACT_WORDS["instrument checks"] = _spread(
    {
        "instrument": _INSTRUMENT,
        "check": _either("check|check type|check kind|kind|type|test"),
        "at": (*_MOMENTS, *_either("at|when|checked at")),
        "date": _either("date|check date"),
        "time": _either("time"),
        "outcome": _either("outcome|result|pass fail|passed|status"),
        "by": _either("by|operator|who|person|done by|checked by"),
        "note": _NOTES,
    }
)
FACT_WORDS["instruments"] = _spread(
    {
        "instrument": _INSTRUMENT,
        "make": _either("make|maker|manufacturer"),
        "model": _either("model|type"),
        "software": _either("software|software version|firmware|firmware version"),
        "calibration": _either("calibration|calibration name|calibration version|mode"),
        "calibration_due": _either("calibration due|due|next calibration|calibration until"),
        "licence": _either("licence|license|registration|permit"),
        "note": _NOTES,
    }
)
FACT_WORDS["laboratories"] = _spread(
    {
        "laboratory": _either("laboratory|lab|laboratory name|lab name|name"),
        "lab_method": _either("method|method code|lab method|code"),
        "scope": _either("scope|elements|covers"),
        "accreditation": _either("accreditation|accredited by|accreditation no"),
        "valid_until": _either("valid until|until|expires"),
        "note": _NOTES,
    }
)
for _kind, _facts in FACTS.items():
    for _fact in _facts:
        FACT_WORDS[_kind].setdefault(_fact.replace("_", " "), _fact)
    FACT_WORDS[_kind].pop("row", None)
FACT_WORDS["corrections"] |= {"row": "file_row", "sheet": "of_sheet"}

_JOINED = {
    kind: {words.replace(" ", ""): fact for words, fact in known.items() if " " in words}
    for kind, known in FACT_WORDS.items()
}


def fact_of(kind: str, heading: str) -> str:
    """The fact that a heading (lower-case words) names in this kind of table; '' for none.

    Words may be joined: 'sampleid' is 'sample id'.
    """
    return FACT_WORDS[kind].get(heading) or _JOINED[kind].get(heading, "")


#: Headings of the long layout.
LONG_WORDS = _spread(
    {
        "element": _either(
            "element|analyte|parameter|species|constituent|determinand|symbol|component"
        ),
        "value": _either(
            "value|result|concentration|conc|reported value|reported result|amount|"
            "measured value|final result"
        ),
        "error": _either("error|uncertainty|standard deviation|std dev|sd"),
        "limit": _either(
            "limit|detection limit|lod|dl|mdl|lor|reporting limit|lower limit|"
            "limit of detection|lld"
        ),
        "qualifier": _either("qualifier|prefix|sign|censoring"),
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
RATIO_WORDS = word_set("ratio ratios")
INTENSITY_WORDS = RATIO_WORDS | word_set(
    """
    cps kcps counts count intensity net gross peak area bkg background cps/ua cps/µa rate raw
    """
)
IGNORED_WORDS = word_set(
    """
    grade min max
    """
)
#: Beside an element: what may take its result out.
FLAG_WORDS = word_set(
    """
    flag flags status pass
    """
)
METHOD_WORDS = word_set(
    """
    icp icpms icp-ms icpoes icp-oes icp-aes icpaes oes aes ms aas xrf pxrf wdxrf wd-xrf
    edxrf ed-xrf libs fa inaa naa combustion ir aqua regia four acid acids digest
    digestion titration grav gravimetric finish fire assay fusion bead pellet pressed
    powder by uv-vis
    """
)
_NO_RESULT = {
    "bal": "the balance to 100 %, not an element",
    "balance": "the balance to 100 %, not an element",
    "le": "light elements together, not an element",
    "loi": "loss on ignition, not an element",
    "total": "a sum, not an element",
    "sum": "a sum, not an element",
    "easting": "a coordinate",
    "northing": "a coordinate",
    "elevation": "a coordinate",
}
_KINDS_OF_FIGURE = (
    VALUE_WORDS | ERROR_WORDS | INTENSITY_WORDS | LIMIT_WORDS | word_set("% 1s 2s 3s ua µa")
)


def why_no_result(heading: str) -> str:
    """Why a heading (lower-case words) looks like a result and is none; '' for all others."""
    first, *rest = heading.split() or [""]
    return _NO_RESULT.get(first, "") if _KINDS_OF_FIGURE.issuperset(rest) else ""


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
