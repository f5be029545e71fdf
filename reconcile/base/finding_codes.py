"""What findings are of, by code: whatever reads a finding asks its code, never its words."""

from __future__ import annotations

from enum import StrEnum


class FindingCode(StrEnum):
    """Kinds of findings; breaks of custody have their rule's name (``custody.rules``) instead."""

    UNIT = "unit"
    ISOTOPE = "isotope"
    FIELD_OXIDE = "field oxide"
    LAB_OXIDE = "lab oxide"
    MOISTURE = "moisture"
    COMMON_FACTOR = "common factor"
    DIGESTION = "digestion"
    EXCHANGED_LABELS = "exchanged labels"

    # commands
    CUSTODY_HEAD_FOR_RECORD = "custody head for record"
    KEPT_FILE_ALTERED = "kept file altered"

    # custody
    NO_CUSTODY_RECORD = "no custody record"

    # documents
    INDEX_UNREADABLE = "index unreadable"
    INDEX_TIME_UNREADABLE = "index time unreadable"
    INDEX_INCOMPLETE = "index incomplete"
    DOCUMENT_WITHOUT_SAMPLE = "document without sample"
    DOCUMENT_ALTERED = "document altered"
    CERTIFICATE_DIFFERS = "certificate differs"
    CERTIFICATE_LACKS_SAMPLES = "certificate lacks samples"
    CERTIFICATE_OTHER_UNIT = "certificate in another unit"
    CERTIFICATE_WITHOUT_TEXT = "certificate without text"

    # quality
    FAILED_BRACKET = "failed bracket"
    NO_CHECK_OF_INSTRUMENT = "no check of instrument"
    NO_CHECK_AT_END_OF_DAY = "no check at end of day"
    CHECKS_FAR_APART = "checks far apart"
    DRIFT = "drift"
    ENERGY_CHECK_MISSING = "energy check missing"
    ENERGY_CHECK_FAILED = "energy check failed"
    FIELD_BLANK_MISSING = "field blank missing"
    CALIBRATION_OVERDUE = "calibration overdue"
    SCOPE_ENDED = "scope ended"
    READER_NO_LONGER_AUTHORISED = "reader no longer authorised"
    READER_NOT_AUTHORISED = "reader not authorised"
    CONTROL_CHART_RULE = "control chart rule"
    CONTROL_FAILED = "control failed"
    FEWER_CONTROLS = "fewer controls"
    BATCH_WITHOUT_CONTROL = "batch without control"
    TREND_IN_SPOTS = "trend in spots"
    TREND_OF_METHOD = "trend of method"
    SHOTS_REJECTED = "shots rejected"
    FEW_SPOTS = "few spots"
    LIGHT_IN_AIR = "light in air"
    NO_GAS_PURGE = "no gas purge"
    COUNT_TIME_NOT_STATED = "count time not stated"
    COUNT_TIME_SHORT = "count time short"
    NOT_DETECTED = "not detected"
    NOT_QUANTIFIED = "not quantified"
    ERROR_NOT_STATED = "error not stated"
    READ_MOIST = "read moist"
    MOISTURE_NOT_STATED = "moisture not stated"
    LINES_OVERLAP = "lines overlap"

    # figures
    LABORATORIES_DIFFER = "laboratories differ"
    OPERATORS_DIFFER = "operators differ"
    ONLY_ENDS_SENT = "only ends sent"
    SELECTION_MATTERS = "selection matters"
    CERTIFICATES_SHIFT = "certificates shift"

    # judgement
    BIAS_MOVED = "bias moved"
    MONTH_BEYOND_CHART = "month beyond chart"
    FACTOR_SHIFTED = "factor shifted"
    LIMITS_NOT_JUDGED = "limits not judged"
    NO_GRADE_CONSISTENT = "no grade consistent"
    NO_GRADE_IN_COMMON = "no grade in common"
    ORDERED_GRADE_EXCLUDED = "ordered grade excluded"
    ORDERED_GRADE_UNKNOWN = "ordered grade unknown"
    PLACE_DIFFERS = "place differs"
    PLACES_IN_TWO_GROUPS = "places in two groups"
    SHEET_ALTERED = "sheet altered"
    SHEET_TOUCHED = "sheet touched"
    SHEET_SCORED = "sheet scored"

    # pairs
    EARLIER_RELEASE_GONE = "earlier release gone"
    EARLIER_RELEASE_ALTERED = "earlier release altered"
    REISSUE_INCOMPLETE = "reissue incomplete"
    CERTIFICATE_REPLACED = "certificate replaced"
    CERTIFICATES_UNDATED = "certificates undated"
    OVER_RANGE_CONTRADICTED = "over range contradicted"
    MONTH_WITHOUT_PAIR = "month without pair"
    SEVERAL_LABORATORIES = "several laboratories"
    LABORATORY_UNNAMED = "laboratory unnamed"
    LABORATORY_UNMET = "laboratory unmet"
    LABORATORY_AWAITED = "laboratory awaited"
    NO_FIELD_READING = "no field reading"
    CONTROLS_ALONE = "controls alone"
    NO_TIME_OF_MEASUREMENT = "no time of measurement"
    CERTIFICATE_TWICE = "certificate twice"
    REGISTERED_DIFFERENTLY = "registered differently"
    SUM_TOO_HIGH = "sum too high"
    ZERO_UNSTATED = "zero unstated"
    PAIRS_REPEATED = "pairs repeated"
    PLACE_NOT_READ = "place not read"
    LAB_ROW_SHARED = "lab row shared"

    # releases
    RECORD_SHORTENED = "record shortened"
    MARK_MISSING = "mark missing"
    RECORD_MISSING = "record missing"
    CUSTODY_FILE_GONE = "custody file gone"
    RECORD_ALTERED = "record altered"
    RECORD_CUT_OFF = "record cut off"
    PEOPLE_UNREADABLE = "people unreadable"
    KEY_NOT_REGISTERED = "key not registered"
    SIGNED_REPORT_ALTERED = "signed report altered"
    SIGNATURE_DOUBTED = "signature doubted"
    TIME_STAMP_DOUBTED = "time stamp doubted"

    # run
    HOLDINGS_ALTERED = "holdings altered"
    FOREIGN_FILE = "foreign file"
    STORE_MISSING = "store missing"
    STORE_UNFIT = "store unfit"
    STORE_UNUSED_BYTES = "store unused bytes"
    SAMPLE_NOT_REGISTERED = "sample not registered"
    ELEMENTS_CHOSEN = "elements chosen"
    LEAVE_OUT_UNMET = "leave out unmet"
    MATRIX_UNMET = "matrix unmet"
    NO_FILE_MATCHES = "no file matches"
    DOCUMENT_UNREADABLE = "document unreadable"
    FILE_NOT_KEPT = "file not kept"
    FILE_UNREADABLE = "file unreadable"
    NOTE_OF_READING = "note of reading"
    COLUMN_ASKED = "column asked"
    COLUMN_NOT_THERE = "column not there"
    READ_TWICE_ALIKE = "read twice alike"
    FILE_COPIED = "file copied"
    SAME_CELLS_TWICE = "same cells twice"
    RELEASE_DIFFERS = "release differs"
    DRAWN_DIFFERS = "drawn document differs"
    DRAWN_NOT_COMPARED = "drawn document not compared"

    # samples
    CHECK_CHARACTER_WRONG = "check character wrong"
    NEAR_MISS = "near miss"
    NEAR_MISSES_UNLISTED = "near misses unlisted"
    ALIAS_AMBIGUOUS = "alias ambiguous"
    ALIAS_OF_ALIAS = "alias of alias"
    ALIAS_UNREGISTERED = "alias unregistered"
    REGISTERED_ALIKE = "registered alike"
    CORRECTION_REFUSED = "correction refused"
    NAMES_TAKEN_AS_ONE = "names taken as one"

    # store
    STORE_MENDED = "store mended"


#: Suspected faults of a stratum.
FAULTS = frozenset(
    {
        FindingCode.UNIT, FindingCode.ISOTOPE, FindingCode.FIELD_OXIDE, FindingCode.LAB_OXIDE,
        FindingCode.MOISTURE, FindingCode.COMMON_FACTOR,
    }
)  # fmt: skip
#: Of these, the ones that a factor must not paper over.
BLOCKING = FAULTS - {FindingCode.ISOTOPE, FindingCode.COMMON_FACTOR}
#: What a person can settle.
SETTLED_BY_PERSONS = FAULTS | {FindingCode.DIGESTION, FindingCode.EXCHANGED_LABELS}
#: What the list of refused files, rows and cells speaks of too.
LISTED_AS_REFUSED = frozenset({FindingCode.FILE_UNREADABLE})
