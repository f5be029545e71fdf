"""The hidden truth of the invented demonstration: true biases, errors and planted troubles.

Everything here is invented: the place, the materials, the instruments, the laboratories.
The files under ``demo_inputs/`` are made from these parameters by ``make_demo_inputs.py``
and carry none of them; tests compare what the program finds with what stands here.

Contents are mass fractions in mg/kg, ``*_sd`` are standard deviations of the natural
logarithm unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta, timezone

from reconcile.intake.workspace import months_between

SEED = 20_260_801
PERIODS = ("2026-05", "2026-06", "2026-07", "2026-08", "2026-09", "2026-10")
FIRST_TROUBLES = "2026-08"  # the months before are quiet, but for what is said of them below
ZONE = timezone(timedelta(hours=2))  # the place keeps UTC+2 all year
PERCENT = 10_000.0  # mg/kg in 1 %

#: Oxide to element, from abridged standard atomic weights (Li 6.94, O 15.999, Fe 55.845).
LI2O_PER_LI = (2 * 6.94 + 15.999) / (2 * 6.94)
FE2O3_PER_FE = (2 * 55.845 + 3 * 15.999) / (2 * 55.845)


@dataclass(frozen=True, slots=True)
class Range:
    """True contents of one element in one matrix, spread over a range, mg/kg."""

    low: float
    high: float
    logarithmic: bool = True


@dataclass(frozen=True, slots=True)
class FieldTruth:
    """How one field method errs for one element in one matrix.

    A sample's field mean is ``factor`` x true x exp(N(0, error_sd)); spots then scatter
    with ``spot_sd`` and shots or readings with ``reading_sd`` (both with mean one), and
    counting adds N(0, limit / 3) mg/kg.
    """

    factor: float
    error_sd: float
    reading_sd: float
    limit: float
    spot_sd: float = 0.0


@dataclass(frozen=True, slots=True)
class LabTruth:
    """How the laboratory reports one element."""

    error_sd: float
    low: float  # lower reporting limit, mg/kg
    high: float = float("inf")  # upper reporting limit, mg/kg
    digits: int = 3


@dataclass(frozen=True, slots=True)
class MatrixTruth:
    """One matrix: how many samples a month and what they hold."""

    name: str
    count: int
    contents: dict[str, Range]


SOIL = MatrixTruth(
    "soil",
    56,
    {
        "Cu": Range(25, 900),
        "Zn": Range(60, 1_500),
        "Pb": Range(15, 450),
        "As": Range(8, 150),
        "Ni": Range(14, 45),
        "Fe": Range(16_000, 70_000),
    },
)
APLITE = MatrixTruth(
    "aplite",
    23,
    {
        "Li": Range(700, 11_000),
        "Fe": Range(5_000, 16_000),
        "Cu": Range(8, 120),
        "Zn": Range(30, 400),
        "Pb": Range(10, 90),
        "As": Range(4, 40),
        "Au": Range(0.005, 0.08),
    },
)
AMPHIBOLITE = MatrixTruth(
    "amphibolite",
    24,
    {
        "Li": Range(60, 1_400),
        "Fe": Range(50_000, 105_000),
        "Cu": Range(40, 2_500),
        "Zn": Range(80, 6_000),
        "Pb": Range(12, 400),
        "As": Range(5, 250),
        "Au": Range(0.01, 4.0),
    },
)
PEGMATITE = MatrixTruth(
    "coarse pegmatite",
    3,
    {
        "Li": Range(1_500, 16_000),
        "Fe": Range(3_000, 12_000),
        "Cu": Range(6, 60),
        "Zn": Range(20, 200),
        "Pb": Range(10, 60),
        "As": Range(3, 20),
        "Au": Range(0.005, 0.05),
    },
)
STAINLESS = MatrixTruth(
    "austenitic stainless steel",
    25,
    {
        "Cr": Range(16.15e4, 17.9e4, False),
        "Ni": Range(10.0e4, 12.2e4, False),
        "Mo": Range(2.03e4, 2.45e4, False),
        "Mn": Range(0.9e4, 1.9e4, False),
    },
)
CHROMIUM_MOLYBDENUM = MatrixTruth(
    "chromium-molybdenum steel",
    15,
    {
        "Cr": Range(2.05e4, 2.45e4, False),
        "Ni": Range(0.06e4, 0.16e4, False),
        "Mo": Range(0.92e4, 1.08e4, False),
        "Mn": Range(0.38e4, 0.60e4, False),
    },
)

#: (field table, matrix) -> element -> truth. Matrix "" stands for every matrix of the table.
FIELD: dict[tuple[str, str], dict[str, FieldTruth]] = {
    ("xrf_soil", "soil"): {
        "Cu": FieldTruth(1.15, 0.10, 0.04, 12),  # a true bias: reads 15 % high
        "Zn": FieldTruth(1.00, 0.06, 0.04, 9),  # none
        "Pb": FieldTruth(1.00, 0.07, 0.04, 8),  # none
        "As": FieldTruth(1.00, 0.08, 0.05, 5),  # none, but lead adds to it where it is high
        "Ni": FieldTruth(1.00, 0.25, 0.15, 60),  # useless: most soils are below its limit
        "Fe": FieldTruth(0.97, 0.04, 0.02, 60),  # a bias of no consequence
    },
    ("xrf_rock", ""): {
        "Fe": FieldTruth(1.00, 0.04, 0.02, 60),
        "Cu": FieldTruth(1.00, 0.06, 0.03, 5),
        "Zn": FieldTruth(1.00, 0.06, 0.03, 5),
        "Pb": FieldTruth(0.86, 0.07, 0.03, 4),
        "As": FieldTruth(1.00, 0.08, 0.04, 3),
        "Au": FieldTruth(1.00, 0.50, 0.30, 6),  # useless: grades are far below its limit
    },
    ("libs_rock", "aplite"): {
        "Li": FieldTruth(0.86, 0.05, 0.12, 15, 0.25),  # a true bias: reads 14 % low
        "Fe": FieldTruth(1.00, 0.06, 0.10, 150, 0.20),
    },
    ("libs_rock", "amphibolite"): {
        "Li": FieldTruth(1.00, 0.05, 0.12, 15, 0.25),  # none
        "Fe": FieldTruth(1.00, 0.06, 0.10, 150, 0.15),
    },
    ("libs_rock", "coarse pegmatite"): {
        "Li": FieldTruth(0.86, 0.05, 0.12, 15, 1.0),  # grains far larger than a spot
        "Fe": FieldTruth(1.00, 0.06, 0.10, 150, 0.60),
    },
    ("xrf_parts", ""): {
        "Cr": FieldTruth(1.000, 0.006, 0.004, 300),
        "Ni": FieldTruth(0.985, 0.008, 0.006, 600),
        "Mo": FieldTruth(1.020, 0.008, 0.005, 80),
        "Mn": FieldTruth(1.00, 0.040, 0.030, 400),
        "Fe": FieldTruth(1.000, 0.003, 0.002, 500),
    },
    ("libs_parts", ""): {
        "Cr": FieldTruth(1.01, 0.025, 0.03, 150, 0.015),
        "Ni": FieldTruth(1.00, 0.025, 0.03, 150, 0.015),
        "Mo": FieldTruth(0.97, 0.035, 0.04, 100, 0.02),
        "Mn": FieldTruth(1.12, 0.04, 0.04, 60, 0.02),  # a true bias: reads 12 % high
    },
}

#: What was otherwise in the first months: (table, matrix, element) -> (first month for which FIELD
#: holds, factor before it).
BEFORE: dict[tuple[str, str, str], tuple[str, float]] = {
    # a step that nobody wrote down: lead read 2 % high, and 14 % low from August on
    ("xrf_rock", "", "Pb"): ("2026-08", 1.02),
    # the calibration before
    ("xrf_soil", "soil", "Cu"): ("2026-07", 1.05),
    ("xrf_soil", "soil", "Zn"): ("2026-07", 0.96),
}
#: (first month, name): the calibration of the soil table.
CALIBRATIONS = (("2026-05", "soil 2"), ("2026-07", "soil 3"))

#: Lead lines overlap arsenic's: each mg/kg of lead adds this much arsenic to an XRF reading
#: of a soil whose Pb:As is 10 or more.
LEAD_ADDS_TO_ARSENIC = 0.012

#: A reference material shows only this share of a bias that comes from the natural matrix; it
#: is even, and the instruments do not drift, so its readings scatter by ``reading_sd`` alone.
BIAS_SEEN_BY_REFERENCE = 0.2

LAB: dict[str, dict[str, LabTruth]] = {
    "soil": {
        "Cu": LabTruth(0.02, 5),
        "Zn": LabTruth(0.02, 5),
        "Pb": LabTruth(0.02, 5),
        "As": LabTruth(0.03, 5),
        "Ni": LabTruth(0.025, 2),
        "Fe": LabTruth(0.015, 100),
    },
    "rock": {
        "Li": LabTruth(0.010, 23),  # 0.005 % Li2O
        "Fe": LabTruth(0.008, 70),
        "Cu": LabTruth(0.02, 5, 10_000),
        "Zn": LabTruth(0.02, 5, 10_000),
        "Pb": LabTruth(0.02, 5, 10_000),
        "As": LabTruth(0.03, 5, 10_000),
        "Au": LabTruth(0.035, 0.01, 100),
    },
    "parts": {
        "Cr": LabTruth(0.004, 10, digits=4),
        "Ni": LabTruth(0.005, 10, digits=4),
        "Mo": LabTruth(0.006, 10, digits=4),
        "Mn": LabTruth(0.006, 10, digits=4),
        "Fe": LabTruth(0.002, 100, digits=4),
    },
}


@dataclass(frozen=True, slots=True)
class ReferenceMaterial:
    """An invented reference material: certified mg/kg and expanded uncertainty (k = 2)."""

    code: str
    matrix: str
    kind: str  # soil | rock | parts
    certified: dict[str, tuple[float, float]]


REFERENCE_MATERIALS = (
    ReferenceMaterial(
        "RM-S1", "soil", "soil",
        {"Cu": (212, 10), "Zn": (348, 17), "Pb": (121, 6), "As": (46, 3), "Ni": (38, 2),
         "Fe": (36_100, 1_400)},
    ),
    ReferenceMaterial(
        "RM-S2", "soil", "soil",
        {"Cu": (655, 33), "Zn": (1_120, 56), "Pb": (408, 20), "As": (118, 7), "Ni": (164, 9),
         "Fe": (52_300, 2_100)},
    ),
    ReferenceMaterial(
        "RM-R1", "rock", "rock",
        {"Li": (6_180, 170), "Fe": (24_600, 640), "Cu": (318, 16), "Zn": (1_460, 73),
         "Pb": (186, 10), "As": (74, 5), "Au": (1.85, 0.16)},
    ),
    ReferenceMaterial(
        "RM-A1", "austenitic stainless steel", "parts",
        {"Cr": (168_200, 1_700), "Ni": (107_400, 1_300), "Mo": (21_300, 320),
         "Mn": (14_100, 220), "Fe": (672_000, 5_000)},
    ),
    ReferenceMaterial(
        "RM-A2", "chromium-molybdenum steel", "parts",
        {"Cr": (22_600, 230), "Mo": (9_950, 150), "Mn": (5_020, 80), "Fe": (953_000, 7_000)},
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Planted:
    """One planted trouble and where it stands.

    ``row`` is the 1-based line of the CSV file or row of the sheet; 0 where the trouble is
    no single row. ``expect`` says in one word what a careful program does with it.
    """

    period: str
    kind: str
    file: str
    row: int
    sample_id: str
    what: str
    expect: str


#: Ordinals (0-based, among the month's ordinary samples of a kind) that carry a trouble.
#: Kept here, apart from the generator, so that a test can be read beside them.
FIELD_ONLY = {"soil": (20, 41), "rock": (30,), "parts": (33,)}
LEAD_RICH_SOILS = (4, 23, 47)  # Pb:As from 18 to 30
OVER_RANGE_ROCKS = (27,)  # zinc above 10 000 mg/kg by the laboratory (an amphibolite)
TARGETED_ROCKS = (3, 29)  # two spots each aimed at grains
#: Parts that hold less molybdenum than ordered (2.0 %): ordinal -> mg/kg.
#: Invented grades: element -> (minimum, maximum), mass %; None where there is no limit.
GRADES: dict[str, dict[str, tuple[float | None, float | None]]] = {
    "KR 20": {"C": (None, 0.08), "Cr": (16.0, 18.0), "Ni": (9.5, 13.0), "Mo": (2.0, 3.0),
              "Mn": (None, 2.0)},
    "KR 20 low carbon": {"C": (None, 0.03), "Cr": (16.0, 18.0), "Ni": (9.5, 13.0),
                         "Mo": (2.0, 3.0), "Mn": (None, 2.0)},
    "KR 18": {"C": (None, 0.08), "Cr": (16.0, 19.0), "Ni": (8.5, 13.0), "Mn": (None, 2.0)},
    "KR 4": {"C": (0.05, 0.15), "Cr": (1.9, 2.6), "Mo": (0.87, 1.13), "Mn": (0.3, 0.7)},
    "KR 3": {"C": (0.05, 0.15), "Cr": (0.8, 1.25), "Mo": (0.4, 0.65), "Mn": (0.3, 0.7)},
}  # fmt: skip
POOR_PARTS = {9: 17_000.0, 16: 17_800.0, 20: 18_500.0}
LAB_TYPO = {
    "2026-08": ("soil", 10, "letter O for zero"),
    "2026-09": ("rock", 12, "two digits exchanged"),
    "2026-10": ("soil", 3, "letter O for zero"),
}
SWAPPED_SOILS = {"2026-08": (6, 17)}  # labels exchanged at the laboratory
#: What the two exchanged soils truly hold: one poor, one rich, so that a careful eye can see it.
SWAPPED_CONTENTS = (
    {"Cu": 44.0, "Zn": 105.0, "Pb": 24.0, "As": 9.5, "Ni": 20.0, "Fe": 22_000.0},
    {"Cu": 690.0, "Zn": 1_180.0, "Pb": 310.0, "As": 96.0, "Ni": 34.0, "Fe": 54_000.0},
)
SEAL_MISMATCH_SOILS = {"2026-09": (35, 36, 37, 38)}
BROKEN_CUSTODY_ROCKS = {"2026-10": (16, 40)}
FAILED_BATCH = {"2026-09": ("soil", 2, "Zn", 1.24)}  # kind, certificate, element, factor
REISSUED = {"2026-10": ("soil", 2, "Pb", 0.80)}  # issue 1 reads this factor; issue 2 is right
#: Check assays of soils by a second laboratory: month -> how many samples, the element that it
#: reads differently, by which factor, and the samples' place of one whose bag was torn.
UMPIRE = {"2026-10": (15, "Pb", 1.18, 7)}
UMPIRE_NAME = "umpire laboratory"
ALIASED = {"2026-10": ("soil", 21)}  # the laboratory wrote an older number; an alias stands

#: A certificate that came after its month: (kind, month, batch) -> days later than usual.
LATE = {("rock", "2026-07", 2): 21}


@dataclass(frozen=True, slots=True)
class Sediments:
    """Stream sediments of one month, read in turn by two persons with one instrument."""

    count: int
    lost: int  # place of the sample whose bag was not in the box
    first: str
    second: str  # holds the window at a distance: reads ``factor`` of what is there
    factor: float
    day: int  # of the month, on which they were read


SEDIMENTS = {"2026-10": Sediments(24, 8, "field analyst 1", "trainee 1", 0.86, 7)}


@dataclass(frozen=True, slots=True)
class Weld:
    """A part of one steel with a weld of another; true contents, mg/kg."""

    base: dict[str, float]
    weld: dict[str, float]
    ordered: str  # grade
    positions: tuple[float, ...]  # mm along a line; the weld is at 0


WELDS = {
    "2026-10": Weld(
        {"Cr": 169_000, "Ni": 109_000, "Mo": 23_500, "Mn": 14_000},
        {"Cr": 23_000, "Ni": 1_000, "Mo": 10_000, "Mn": 5_200},
        "KR 20", (-40.0, -20.0, 0.0, 20.0, 40.0),
    ),
}  # fmt: skip

#: Part whose reading falls in October by the place's clock and in September by UTC.
NIGHT_SHIFT_PART = {"2026-10": 0}


def place_of(period: str) -> int:
    """Place of a month in the example, 0 for that in which the troubles begin."""
    return months_between(FIRST_TROUBLES, period)


def calibration_of(period: str) -> str:
    """The calibration under which soils were read in a month."""
    return max(entry for entry in CALIBRATIONS if entry[0] <= period)[1]
