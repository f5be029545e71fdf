"""Field readings and laboratory results of the invented samples, as their tables carry them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from tests.demo import scenario as s
from tests.demo.materials import LAB_REPEATS, PREFIX, Sample, generator, month_start, ordinary_of
from tests.demo.tables import number, plain

READ_DAYS = {1: (7, 8, 9), 2: (14, 15, 16)}
REFERENCES = {
    "xrf_soil": ("RM-S1", "RM-S2"),
    "xrf_rock": ("RM-R1",),
    "libs_rock": ("RM-R1",),
    "xrf_parts": ("RM-A1", "RM-A2"),
    "libs_parts": ("RM-A1", "RM-A2"),
}
BLANK = {"Cu": 0.5, "Zn": 0.8, "Pb": 0.5, "As": 0.3, "Ni": 0.5, "Fe": 12.0, "Au": 0.0}


@dataclass(frozen=True, slots=True)
class Visit:
    """One stop of a field method: a sample or a control, when, and what stands there."""

    name: str
    at: datetime
    operator: str
    true: dict[str, float]
    matrix: str
    sample: Sample | None = None


def visits(period: str, table: str, samples: tuple[Sample, ...]) -> list[Visit]:
    """The walk of one field method through a month: controls first and last on every day."""
    kind = table.split("_")[1]
    start = month_start(period)
    walk: list[Visit] = []
    ordinary = [x for x in samples if x.ordinal >= 0]
    for batch, days in READ_DAYS.items():
        mine = [x for x in ordinary if x.batch == batch]
        share = math.ceil(len(mine) / len(days))
        for place, day in enumerate(days):
            clock = start + timedelta(days=day - 1, hours=8, minutes=5 + 3 * place)
            operator = f"field analyst {1 + (day + len(table)) % 2}"
            for code in REFERENCES[table]:
                walk.append(_reference(code, clock, operator, table))
                clock += timedelta(minutes=6)
            if table.startswith("xrf") and kind != "parts":
                walk.append(Visit("BLANK", clock, operator, BLANK, "blank"))
                clock += timedelta(minutes=6)
            for sample in mine[place * share : (place + 1) * share]:
                at = clock
                if s.NIGHT_SHIFT_PART.get(period) == sample.ordinal and kind == "parts":
                    at = start + timedelta(minutes=25 if table == "xrf_parts" else 40)
                walk.append(
                    Visit(sample.sample_id, at, operator, sample.true, sample.matrix, sample)
                )
                clock += timedelta(minutes=11)
            walk.append(_reference(REFERENCES[table][0], clock, operator, table))
    return walk


def _reference(code: str, at: datetime, operator: str, table: str) -> Visit:
    material = next(m for m in s.REFERENCE_MATERIALS if m.code == code)
    true = {e: value for e, (value, _) in material.certified.items()}
    if table.endswith("parts"):
        true.setdefault("Ni", 900.0)
    return Visit(code, at, operator, true, material.matrix)


def truth_of(period: str, table: str, matrix: str) -> dict[str, s.FieldTruth]:
    """How this field method errs in this matrix and month (rock reference powder: as aplite)."""
    of = next(
        of
        for of in (matrix, "", "aplite" if table == "libs_rock" else "soil")
        if (table, of) in s.FIELD
    )
    return {
        element: _at(period, truth, s.BEFORE.get((table, of, element)))
        for element, truth in s.FIELD[table, of].items()
    }


def _at(period: str, truth: s.FieldTruth, before: tuple[str, float] | None) -> s.FieldTruth:
    if before is None or period >= before[0]:
        return truth
    return replace(truth, factor=before[1])


def _level(rng: np.random.Generator, visit: Visit, element: str, truth: s.FieldTruth) -> float:
    """Mean that the field method would show for this sample after endless readings, mg/kg."""
    error = float(rng.normal(0, 1))
    if visit.sample is None:
        factor = 1 + (truth.factor - 1) * s.BIAS_SEEN_BY_REFERENCE
        return visit.true.get(element, 0.0) * factor
    level = visit.true[element] * truth.factor * math.exp(truth.error_sd * error)
    if element == "As" and visit.matrix == "soil" and visit.true["Pb"] >= 10 * visit.true["As"]:
        level += s.LEAD_ADDS_TO_ARSENIC * visit.true["Pb"]
    return level


def _scatter(rng: np.random.Generator, sd: float) -> float:
    """A factor with mean one."""
    return math.exp(float(rng.normal(0, 1)) * sd - sd * sd / 2)


@dataclass(frozen=True, slots=True)
class Count:
    """One XRF result: a number with its standard deviation, or below its limit (mg/kg)."""

    value: float
    sigma: float
    limit: float

    @property
    def detected(self) -> bool:
        return self.value >= self.limit


def xrf_counts(
    period: str, table: str, samples: tuple[Sample, ...], readings: int
) -> list[tuple[Visit, int, dict[str, Count]]]:
    """Every reading of an XRF table: (stop, reading of the stop, element -> result)."""
    rng = generator(period, table)
    result = []
    for visit in visits(period, table, samples):
        truth = truth_of(period, table, visit.matrix)
        levels = {e: _level(rng, visit, e, t) for e, t in truth.items()}
        for reading in range(1, readings + 1):
            counts = {}
            for element, t in truth.items():
                limit = t.limit * float(rng.uniform(0.9, 1.1))
                x = levels[element] * _scatter(rng, t.reading_sd)
                x += float(rng.normal(0, 1)) * limit / 3
                sigma = math.hypot(limit / 3, 0.6 * t.reading_sd * max(x, 0.0))
                counts[element] = Count(x, sigma, limit)
            result.append((visit, reading, counts))
    return result


def libs_shots(
    period: str, table: str, samples: tuple[Sample, ...], spots: int, shots: int
) -> list[tuple[Visit, int, int, str, dict[str, float]]]:
    """Every shot of a LIBS table: (stop, spot, shot, spot class, element -> mg/kg)."""
    rng = generator(period, table)
    result = []
    for visit in visits(period, table, samples):
        truth = truth_of(period, table, visit.matrix)
        levels = {e: _level(rng, visit, e, t) for e, t in truth.items()}
        classes = ["random"] * (spots if visit.sample else 3)
        rock = visit.sample is not None and visit.sample.kind == "rock"
        if rock and visit.sample and visit.sample.ordinal in s.TARGETED_ROCKS:
            classes += ["targeted"] * 2
        for spot, spot_class in enumerate(classes, 1):
            grain = 1.0 if spot_class == "random" else 6.5
            there = {
                e: levels[e] * _scatter(rng, t.spot_sd if visit.sample else 0.0) * grain
                for e, t in truth.items()
            }
            for shot in range(1, shots + 1):
                values = {
                    e: max(
                        there[e] * _scatter(rng, t.reading_sd)
                        + float(rng.normal(0, 1)) * t.limit / 3,
                        0.0,
                    )
                    for e, t in truth.items()
                }
                result.append((visit, spot, shot, spot_class, values))
    return result


# ---- the laboratory -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LabRow:
    """One line of a certificate, values in mg/kg."""

    written_id: str
    certificate: str
    issue: int
    dispatch: str
    received: datetime
    analysed: datetime
    reported: datetime
    values: dict[str, float]
    qc: str = ""  # what the laboratory itself says: repeat | method blank
    repeat_of: str = ""
    sample: Sample | None = None
    stray: bool = False


def certificate_name(kind: str, period: str, batch: int) -> str:
    """Invented number of a certificate."""
    return f"C{PREFIX[kind][-1]}-{period[2:4]}{period[5:]}-{batch}"


def lab_rows(
    period: str, kind: str, samples: tuple[Sample, ...]
) -> tuple[tuple[LabRow, ...], tuple[LabRow, ...]]:
    """All rows of a month's certificates, and those of a re-issue (empty where there is none)."""
    rng = generator(period, "laboratory", kind)
    truth = s.LAB[kind]
    rows: list[LabRow] = []
    failed = s.FAILED_BATCH.get(period)
    for batch in (1, 2):
        certificate = certificate_name(kind, period, batch)
        start = month_start(period) + timedelta(days=11 if batch == 1 else 18)
        received = start + timedelta(hours=10, minutes=20)
        analysed = start + timedelta(days=3, hours=9)
        reported = start + timedelta(days=7 + s.LATE.get((kind, period, batch), 0), hours=15)
        factor = dict.fromkeys(truth, 1.0)
        if failed and failed[:2] == (kind, batch):
            factor[failed[2]] = failed[3]

        def measure(true: dict[str, float], factor: dict[str, float] = factor) -> dict[str, float]:
            return {
                e: true[e] * factor[e] * math.exp(float(rng.normal(0, 1)) * t.error_sd)
                for e, t in truth.items()
                if e in true
            }

        def line(
            text: str,
            true: dict[str, float],
            sample: Sample | None = None,
            *,
            certificate: str = certificate,
            batch: int = batch,
            dates: tuple[datetime, datetime, datetime] = (received, analysed, reported),
            **more: object,
        ) -> LabRow:
            dispatch = sample.dispatch if sample else f"{PREFIX[kind]}-{certificate[3:]}"
            if sample and sample.by_hand and kind == "rock":
                dates = (dates[0] + timedelta(hours=48), *dates[1:])
            return LabRow(
                text, certificate, 1, dispatch, *dates, measure(true), sample=sample,
                **more,  # type: ignore[arg-type]
            )  # fmt: skip

        repeats = []
        for sample in samples:
            if sample.batch != batch or not sample.to_lab:
                continue
            rows.append(line(written_id(sample), sample.true, sample))
            if sample.ordinal in LAB_REPEATS[kind]:
                repeats.append(sample)
        for sample in repeats:
            rows.append(
                line(f"{sample.sample_id} R", sample.true, sample, qc="repeat",
                     repeat_of=sample.sample_id)
            )  # fmt: skip
        if kind != "parts":
            nothing = {e: 0.02 * t.low for e, t in truth.items()}
            rows.append(line(f"MB {certificate}", nothing, qc="method blank"))
        if batch == 2:  # a result that belongs to nobody here
            foreign = ordinary_of(samples, 1).true
            stray = f"{PREFIX[kind]}-{9000 + 7 * (1 + s.place_of(period))}"
            if kind == "soil":
                rows.append(line(stray, foreign, stray=True))
    rows = _swapped(period, kind, rows)
    return _issues(period, kind, rows)


def umpire_rows(
    period: str, samples: tuple[Sample, ...]
) -> tuple[tuple[Sample, str, dict[str, float]], ...]:
    """Samples that a second laboratory determined again: status and contents, mg/kg."""
    many, element, factor, torn = s.UMPIRE[period]
    rng = generator(period, "umpire")
    exchanged = s.SWAPPED_SOILS.get(period, ())
    chosen = [
        x for x in samples
        if x.to_lab and x.sample_kind == "sample" and written_id(x) == x.sample_id
        and x.ordinal not in exchanged
    ][:many]  # fmt: skip
    rows = []
    for place, sample in enumerate(chosen):
        found = {
            e: sample.true[e]
            * (factor if e == element else 1.0)
            * math.exp(float(rng.normal(0, 1)) * t.error_sd)
            for e, t in s.LAB["soil"].items()
        }
        if place == torn:
            found = {e: 0.5 * value for e, value in found.items()}
        rows.append((sample, "void" if place == torn else "final", found))
    return tuple(rows)


def written_id(sample: Sample) -> str:
    """The id as the laboratory wrote it."""
    period, kind = sample.period, sample.kind
    typo = s.LAB_TYPO.get(period)
    alias = s.ALIASED.get(period)
    if typo and typo[:2] == (kind, sample.ordinal):
        text = sample.sample_id
        if typo[2].startswith("letter"):
            head, tail = text.rsplit("-", 1)
            return f"{head}-{tail.replace('0', 'O', 1)}"
        return f"{text[:-4]}{text[-3]}{text[-4]}{text[-2:]}"  # 2114 -> 1214
    if alias and alias == (kind, sample.ordinal):
        return alias_of(sample)
    return sample.sample_id


def alias_of(sample: Sample) -> str:
    """The older number of a sample, from a bag that was numbered twice."""
    return f"L03-{sample.sample_id[-3:]}B"


def _swapped(period: str, kind: str, rows: list[LabRow]) -> list[LabRow]:
    pair = s.SWAPPED_SOILS.get(period) if kind == "soil" else None
    if not pair:
        return rows
    places = {r.sample.ordinal: i for i, r in enumerate(rows)
              if r.sample and r.sample.ordinal in pair and not r.qc}  # fmt: skip
    a, b = (places[p] for p in pair)
    rows[a], rows[b] = (
        replace(rows[a], values=rows[b].values),
        replace(rows[b], values=rows[a].values),
    )
    return rows


def _issues(
    period: str, kind: str, rows: list[LabRow]
) -> tuple[tuple[LabRow, ...], tuple[LabRow, ...]]:
    plan = s.REISSUED.get(period)
    if not plan or plan[0] != kind:
        return tuple(rows), ()
    _, batch, element, factor = plan
    certificate = certificate_name(kind, period, batch)
    later = tuple(
        replace(r, issue=2, reported=r.reported + timedelta(days=2))
        for r in rows
        if r.certificate == certificate
    )
    first = tuple(
        replace(r, values=r.values | {element: r.values[element] * factor})
        if r.certificate == certificate and element in r.values
        else r
        for r in rows
    )
    return first, later


def lab_cell(kind: str, element: str, value: float | None, per: float = 1.0) -> str:
    """A certificate's cell: rounded, or '<limit', or '>limit'; ``per`` converts mg/kg."""
    if value is None:
        return ""
    truth = s.LAB[kind][element]
    if value < truth.low:
        return f"<{plain(truth.low / per, 2)}"
    if value > truth.high:
        return f">{plain(truth.high / per, 6)}"
    return number(value / per, truth.digits)
