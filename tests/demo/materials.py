"""The invented samples of a month: what they are, when they were taken, what they truly hold."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from tests.demo import scenario as s

PREFIX = {"soil": "KRS", "rock": "KRR", "parts": "KRP"}
FIRST_NUMBER = {"soil": 1000, "rock": 2000, "parts": 3000}
#: Controls hidden among the numbers of a month: kind -> (ordinal in the list, what, code).
BLIND_CONTROLS = {
    "soil": ((9, "reference material", "RM-S1"), (15, "blank", ""), (26, "reference material",
             "RM-S2"), (38, "reference material", "RM-S1"), (44, "blank", ""),
             (55, "reference material", "RM-S2")),
    "rock": ((8, "reference material", "RM-R1"), (14, "blank", ""),
             (36, "reference material", "RM-R1"), (42, "blank", "")),
    "parts": ((7, "reference material", "RM-A1"), (15, "reference material", "RM-A2"),
              (29, "reference material", "RM-A1"), (37, "reference material", "RM-A2")),
}  # fmt: skip
#: Ordinary samples (ordinal) of which a second pulp goes to the laboratory under its own number.
BLIND_DUPLICATES = {"soil": (2, 11, 18, 33, 44, 50), "rock": (1, 10, 32, 44), "parts": ()}
#: Ordinary samples that the laboratory itself repeats.
LAB_REPEATS = {"soil": (5, 15, 31, 49), "rock": (6, 38), "parts": (2, 8, 14, 21, 26, 36)}

PLACES = {
    "soil": tuple(f"L{n:02d}" for n in range(1, 9)),
    "rock": tuple(f"KRH-{n:02d}" for n in range(1, 7)),
    "parts": tuple(f"H{n}" for n in (7031, 7032, 7040, 7044, 7051, 7058, 7063, 7066)),
}
FORM = {"soil": "sieved", "rock": "pulp", "parts": "ground metal face"}


@dataclass(frozen=True, slots=True)
class Sample:
    """One numbered thing that goes into the month's tables."""

    sample_id: str
    period: str
    kind: str  # soil | rock | parts
    matrix: str
    group: str
    ordinal: int  # among ordinary samples; -1 for controls
    batch: int  # 1 or 2: dispatch and certificate of the month
    collected: datetime
    true: dict[str, float] = field(repr=False)
    sample_kind: str = "sample"
    reference_code: str = ""
    duplicate_of: str = ""
    moisture_pct: float = math.nan
    mass_g: float = math.nan
    note: str = ""

    @property
    def to_lab(self) -> bool:
        """Whether the sample is sent on at all."""
        return self.ordinal not in s.FIELD_ONLY[self.kind] or self.ordinal < 0

    @property
    def by_hand(self) -> bool:
        """Whether it travels apart from its dispatch."""
        if self.kind == "soil":
            return self.ordinal in s.SEAL_MISMATCH_SOILS.get(self.period, ())
        return self.kind == "rock" and self.ordinal in s.BROKEN_CUSTODY_ROCKS.get(self.period, ())

    @property
    def dispatch(self) -> str:
        """Number under which it travels; '' where it stays."""
        letter = f"{'H' if self.by_hand else ''}{self.batch}"
        stem = f"{PREFIX[self.kind]}-{self.period[2:4]}{self.period[5:]}-{letter}"
        return stem if self.to_lab else ""


def generator(*label: str) -> np.random.Generator:
    """Randomness of one table of one month; tables do not depend on each other's order."""
    return np.random.default_rng([s.SEED, *"/".join(label).encode()])


def _spread(rng: np.random.Generator, content: s.Range, n: int) -> npt.NDArray[np.float64]:
    share: npt.NDArray[np.float64] = rng.beta(1.3, 1.3, n)
    if content.logarithmic:
        return content.low * (content.high / content.low) ** share
    return content.low + share * (content.high - content.low)


def _contents(period: str, matrix: s.MatrixTruth) -> list[dict[str, float]]:
    rng = generator(period, "contents", matrix.name)
    columns = {e: _spread(rng, c, matrix.count) for e, c in matrix.contents.items()}
    if "Pb" in columns:  # ordinary soils and rocks stay clear of the lead overlap
        columns["As"] = np.maximum(columns["As"], columns["Pb"] / 6.5)
    rows = [{e: float(v[i]) for e, v in columns.items()} for i in range(matrix.count)]
    if matrix.name == "soil":
        for place, ratio in zip(s.LEAD_RICH_SOILS, (18, 23, 30), strict=True):
            rows[place]["Pb"] = 380.0 + 110.0 * s.LEAD_RICH_SOILS.index(place)
            rows[place]["As"] = rows[place]["Pb"] / ratio
    if matrix.name == s.STAINLESS.name:
        for place, molybdenum in s.POOR_PARTS.items():
            rows[place]["Mo"] = molybdenum
    if matrix in (s.STAINLESS, s.CHROMIUM_MOLYBDENUM):
        for row in rows:
            row["Fe"] = 1e6 - sum(row.values()) - 6_000.0  # silicon, carbon and the rest
    return rows


def _ordinary(period: str, kind: str) -> list[tuple[str, dict[str, float]]]:
    matrices = {
        "soil": (s.SOIL,),
        "rock": (s.APLITE, s.AMPHIBOLITE, s.PEGMATITE),
        "parts": (s.STAINLESS, s.CHROMIUM_MOLYBDENUM),
    }[kind]
    rows = [(m.name, row) for m in matrices for row in _contents(period, m)]
    if kind == "soil" and period in s.SWAPPED_SOILS:
        for place, contents in zip(s.SWAPPED_SOILS[period], s.SWAPPED_CONTENTS, strict=True):
            rows[place][1].update(contents)
    if kind == "rock":
        for place in s.OVER_RANGE_ROCKS:
            rows[place][1]["Zn"] = 13_400.0
    return rows


def _control_contents(kind: str, sample_kind: str, code: str) -> dict[str, float]:
    if sample_kind == "blank":
        trace = {"Cu": 0.8, "Zn": 1.2, "Pb": 0.7, "As": 0.4, "Ni": 0.5, "Li": 2.0, "Au": 0.001}
        return {"Fe": 60.0} | {e: trace[e] for e in s.LAB[kind] if e in trace}
    material = next(m for m in s.REFERENCE_MATERIALS if m.code == code)
    contents = {e: value for e, (value, _) in material.certified.items()}
    if kind == "parts":
        contents.setdefault("Ni", 900.0)  # not certified in RM-A2
    return contents


def month_start(period: str) -> datetime:
    """First moment of the month in the place's own zone."""
    year, month = (int(p) for p in period.split("-"))
    return datetime(year, month, 1, tzinfo=s.ZONE)


def samples_of(period: str, kind: str) -> tuple[Sample, ...]:
    """Every numbered sample of one kind and month, controls among them, in order of number."""
    rng = generator(period, "samples", kind)
    start = month_start(period)
    ordinary = _ordinary(period, kind)
    half = len(ordinary) // 2
    controls = {place: (what, code) for place, what, code in BLIND_CONTROLS[kind]}
    order = _mixed(rng, len(ordinary)) if kind == "rock" else list(range(len(ordinary)))
    number = FIRST_NUMBER[kind] + 100 * s.place_of(period)
    made: list[Sample] = []
    later: list[Sample] = []

    def new_id() -> str:
        nonlocal number
        number += 1
        return f"{PREFIX[kind]}-{number:04d}"

    for position, ordinal in enumerate(order):
        batch = 1 if position < half else 2
        day = (1 if batch == 1 else 8) + (position % half) * 4 // half
        collected = start + timedelta(days=day, hours=7, minutes=int(rng.integers(0, 600)))
        if kind == "parts" and s.NIGHT_SHIFT_PART.get(period) == ordinal:
            collected = start - timedelta(hours=2)
        matrix, true = ordinary[ordinal]
        group = PLACES[kind][(position * len(PLACES[kind])) // len(ordinary)]
        if position in controls:
            what, code = controls[position]
            contents = _control_contents(kind, what, code)
            of = next((m.matrix for m in s.REFERENCE_MATERIALS if m.code == code), kind)
            made.append(
                Sample(new_id(), period, kind, of, "", -1, batch, collected, contents, what, code,
                       mass_g=60.0)
            )  # fmt: skip
        sample = Sample(
            new_id(), period, kind, matrix, group, ordinal, batch, collected, true,
            moisture_pct=round(float(rng.uniform(4, 22)), 1) if kind == "soil" else math.nan,
            mass_g=round(float(rng.uniform(180, 420)), 0),
        )  # fmt: skip
        made.append(sample)
        if ordinal in BLIND_DUPLICATES[kind]:
            later.append(sample)
    for sample in later:
        made.append(
            Sample(new_id(), period, kind, sample.matrix, sample.group, -1, sample.batch,
                   sample.collected, sample.true, "duplicate", "", sample.sample_id,
                   sample.moisture_pct, 60.0)
        )  # fmt: skip
    return tuple(made)


def _mixed(rng: np.random.Generator, n: int) -> list[int]:
    """Rocks come in no order of lithology."""
    return [int(i) for i in rng.permutation(n)]


def ordinary_of(samples: tuple[Sample, ...], ordinal: int) -> Sample:
    """The ordinary sample with this ordinal."""
    return next(x for x in samples if x.ordinal == ordinal)
