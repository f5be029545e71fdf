"""Write ``demo_inputs/``: ``python -m tests.demo.make_demo_inputs [folder]``.

Everything is invented and seeded: the same code writes the same bytes. ``reconcile.toml``
and ``README.md`` of the folder are written by hand and left alone.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from tests.demo import extras, paperwork
from tests.demo import scenario as s
from tests.demo.materials import PREFIX, Sample, month_start, ordinary_of, samples_of
from tests.demo.measurements import (
    LabRow,
    certificate_name,
    lab_cell,
    lab_rows,
    libs_shots,
    umpire_rows,
    written_id,
    xrf_counts,
)
from tests.demo.paperwork import stamp
from tests.demo.tables import Sheet, number, plain, workbook_bytes

FOLDER = Path(__file__).resolve().parents[2] / "demo_inputs"
ROCK_UNITS = {"Li": ("Li2O", "%", s.PERCENT / s.LI2O_PER_LI, "KR-fusion-1"),
              "Fe": ("Fe2O3", "%", s.PERCENT / s.FE2O3_PER_FE, "KR-fusion-1"),
              "Cu": ("Cu", "mg/kg", 1.0, "KR-acid-2"), "Zn": ("Zn", "mg/kg", 1.0, "KR-acid-2"),
              "Pb": ("Pb", "mg/kg", 1.0, "KR-acid-2"), "As": ("As", "mg/kg", 1.0, "KR-acid-2"),
              "Au": ("Au", "g/t", 1.0, "KR-fire-3")}  # fmt: skip
#: The tables of the first month as they lie on somebody's disk, before anybody described them.
UNSORTED = {
    "field/xrf_soil_{}.csv": "soil, xrf export.csv",
    "field/xrf_rock_{}.csv": "xrf pulps.csv",
    "field/xrf_parts_{}.csv": "xrf steel.csv",
    "field/libs_rock_{}.csv": "libs faces.csv",
    "field/libs_parts_{}.csv": "LIBS steel.csv",
    "lab/soil_four_acid_{}.csv": "certificates soil.csv",
    "lab/rock_certificate_{}_1.xlsx": "certificate rock 1.xlsx",
    "lab/rock_certificate_{}_2.xlsx": "certificate rock 2.xlsx",
    "lab/parts_spark_{}.csv": "certificates steel.csv",
    "register/sample_register_{}.csv": "sample list.csv",
    "custody/custody_{}.csv": "handovers.csv",
    "reference_materials.csv": "certified values.csv",
    "specification_limits.csv": "grades.csv",
    "aliases.csv": "settled ids.csv",
}
LAB_HEADING = ["Sample ID", "Certificate", "Issue", "Dispatch", "Received", "Analysed", "Reported",
               "QC", "Repeat of"]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Made:
    """All files with their bytes, the true samples, and the planted troubles."""

    files: dict[str, bytes]
    samples: dict[tuple[str, str], tuple[Sample, ...]]  # (period, kind)
    planted: tuple[s.Planted, ...]


class Plants(list[s.Planted]):
    """Collects planted troubles while the tables are made."""

    def add(self, *values: Any) -> None:
        self.append(s.Planted(*values))


def make(periods: Sequence[str] = s.PERIODS) -> Made:
    """Make everything in memory; other months than the example's where a long history is asked."""
    files: dict[str, bytes] = {}
    plants = Plants()
    everything = {(p, k): samples_of(p, k) for p in periods for k in PREFIX}
    for period in periods:
        soil, rock, parts = (everything[period, kind] for kind in PREFIX)
        files |= _field(period, soil, rock, parts, plants)
        files |= _lab(period, soil, rock, parts, plants)
        name = f"register/sample_register_{period}.csv"
        files[name] = _csv(paperwork.register(period, soil + rock + parts))
        sheet = paperwork.custody(period, soil + rock + parts)
        files[f"custody/custody_{period}.csv"] = _csv(sheet)
        _custody_plants(period, sheet, everything, plants)
        files |= extras.files(period, plants)
    files["reference_materials.csv"] = _csv(paperwork.reference_materials())
    files["specification_limits.csv"] = _csv(paperwork.specification_limits())
    files["aliases.csv"] = _csv(paperwork.aliases(everything))
    if periods[0] == s.PERIODS[0]:
        files |= {f"unsorted/{name}": files[of.format(periods[0])] for of, name in UNSORTED.items()}
    return Made(files, everything, tuple(plants))


def _csv(sheet: Sheet) -> bytes:
    return sheet.text().encode("utf-8")


# ---- field --------------------------------------------------------------------------


def _field(
    period: str,
    soil: tuple[Sample, ...],
    rock: tuple[Sample, ...],
    parts: tuple[Sample, ...],
    plants: Plants,
) -> dict[str, bytes]:
    files = {
        f"field/xrf_soil_{period}.csv": _csv(_xrf_soil(period, soil, plants)),
        f"field/xrf_rock_{period}.csv": _csv(_xrf_rock(period, rock)),
        f"field/xrf_parts_{period}.csv": _csv(_xrf_parts(period, parts, plants)),
        f"field/libs_rock_{period}.csv": _csv(_libs_rock(period, rock, plants)),
    }
    sheet = _libs_parts(period, parts, plants)
    files[f"field/libs_parts_{period}.csv"] = b"\xef\xbb\xbf" + sheet.text(";").encode("utf-8")
    for kind, samples in (("soil", soil), ("rock", rock), ("parts", parts)):
        for ordinal in s.FIELD_ONLY[kind]:
            sample = ordinary_of(samples, ordinal)
            plants.add(period, "field without laboratory", f"field/xrf_{kind}_{period}.csv", 0,
                       sample.sample_id, "read in the field, never sent", "listed")  # fmt: skip
    return files


def _xrf_soil(period: str, samples: tuple[Sample, ...], plants: Plants) -> Sheet:
    """Wide, mg/kg; errors of two standard deviations and the limits in columns of their own."""
    elements = list(s.FIELD["xrf_soil", "soil"])
    sheet = Sheet(
        [["Sample", "Reading", "Read at", "Read by", "Seconds counted",
          *(text for e in elements for text in (f"{e} mg/kg", f"{e} uncertainty 2s mg/kg",
                                                f"{e} limit mg/kg")), "Calibration"]]
    )  # fmt: skip
    file = f"field/xrf_soil_{period}.csv"
    for place, (visit, _, counts) in enumerate(xrf_counts(period, "xrf_soil", samples, 3), 1):
        cells = [visit.name, str(place), stamp(visit.at), visit.operator, "60"]
        for element in elements:
            count = counts[element]
            cells += (
                [_ppm(count.value), _ppm(2 * count.sigma)]
                if count.detected
                else ["not detected", ""]
            )
            cells.append(_ppm(count.limit))
        ordinal = visit.sample.ordinal if visit.sample else -1
        _spoil_soil(period, ordinal, cells, place)
        row = sheet.add([*cells, s.calibration_of(period)])
        if ordinal in s.LEAD_RICH_SOILS and visit.sample and place % 3 == 1:
            ratio = visit.true["Pb"] / visit.true["As"]
            plants.add(period, "lead on arsenic", file, row, visit.sample.sample_id,
                       f"true Pb:As is {ratio:.0f}", "arsenic not used")  # fmt: skip
    _note_spoiled(period, sheet, file, samples, plants)
    return sheet


def _spoil_soil(period: str, ordinal: int, cells: list[str], place: int) -> None:
    """Cells that a hand or an export spoiled; each on the first reading of its sample."""
    if place % 3 != 1:
        return
    if period == "2026-08" and ordinal == 8:
        cells[5] = cells[5][0] + "O" + cells[5][2:] + "x"
    if period == "2026-09" and ordinal == 12:
        cells[2] = "2026-09-31T10:20+02:00"
    if period == "2026-10" and ordinal == 5:
        cells[0] = f"{cells[0].lower()} "


def _note_spoiled(
    period: str, sheet: Sheet, file: str, samples: tuple[Sample, ...], plants: Plants
) -> None:
    what = {
        "2026-08": (8, "unreadable cell", "copper cell is no number", "cell quarantined"),
        "2026-09": (12, "impossible date", "31 September", "quarantined"),
        "2026-10": (5, "other spelling", "id in lower case with a blank", "joined"),
    }
    if period not in what:
        return
    ordinal, kind, text, expect = what[period]
    sample = ordinary_of(samples, ordinal)
    names = {sample.sample_id, f"{sample.sample_id.lower()} "}
    row = next(i for i, line in enumerate(sheet.lines, 2) if line[0] in names)
    plants.add(period, kind, file, row, sample.sample_id, text, expect)


def _xrf_rock(period: str, samples: tuple[Sample, ...]) -> Sheet:
    """Long: one line per reading and element, '<5' cells; iron in %, the rest in ppm."""
    sheet = Sheet(
        [["Time", "Operator", "Rock pulp", "Count", "Element", "Result", "Plus or minus", "Unit"]]
    )
    for visit, reading, counts in xrf_counts(period, "xrf_rock", samples, 2):
        for element, count in counts.items():
            unit, per = ("%", s.PERCENT) if element == "Fe" else ("ppm", 1.0)
            result, error = (
                (number(count.value / per, 4), number(2 * count.sigma / per, 2))
                if count.detected
                else (f"<{number(count.limit / per, 2)}", "")
            )
            sheet.add([stamp(visit.at), visit.operator, visit.name, str(reading), element, result,
                       error, unit])  # fmt: skip
    return sheet


def _xrf_parts(period: str, samples: tuple[Sample, ...], plants: Plants) -> Sheet:
    """Wide, %, errors of one standard deviation; where a result is 'below limit', the limit stands
    in the column of the error."""
    elements = list(s.FIELD["xrf_parts", ""])
    sheet = Sheet(
        [["Count no", "When", "Who", "Part", "Heat",
          *(text for e in elements for text in (f"{e} %", f"± {e} %"))]]
    )  # fmt: skip
    file = f"field/xrf_parts_{period}.csv"
    for place, (visit, _, counts) in enumerate(xrf_counts(period, "xrf_parts", samples, 3), 1):
        cells = [str(place), stamp(visit.at), visit.operator, visit.name,
                 visit.sample.group if visit.sample else ""]  # fmt: skip
        for count in counts.values():
            cells += (
                [number(count.value / s.PERCENT, 4), number(count.sigma / s.PERCENT, 2)]
                if count.detected
                else ["below limit", number(count.limit / s.PERCENT, 2)]
            )
        row = sheet.add(cells)
        if not visit.sample or place % 3 != 1:
            continue
        name = visit.sample.sample_id
        if visit.sample.ordinal in s.POOR_PARTS:
            plants.add(
                period,
                "below the ordered content",
                file,
                row,
                name,
                "less molybdenum than ordered",
                "both sides agree",
            )
        if s.NIGHT_SHIFT_PART.get(period) == visit.sample.ordinal:
            plants.add(period, "month boundary", file, row, name,
                       "read 00:25 on the 1st at UTC+2, the day before in UTC",
                       "belongs to the month of the place's clock")  # fmt: skip
    return sheet


def _libs_rock(period: str, samples: tuple[Sample, ...], plants: Plants) -> Sheet:
    """Wide per shot; lithium in mg/kg, iron in %; times without a zone."""
    sheet = Sheet(
        [["Sample", "Spot", "Shot", "Spot class", "Gas purge", "Time", "Operator", "Li mg/kg",
          "Fe %"]]
    )  # fmt: skip
    file = f"field/libs_rock_{period}.csv"
    aimed: set[str] = set()
    for visit, spot, shot, spot_class, values in libs_shots(period, "libs_rock", samples, 8, 3):
        row = sheet.add(
            [visit.name, str(spot), str(shot), spot_class, "argon",
             visit.at.strftime("%Y-%m-%d %H:%M"), visit.operator,
             number(values["Li"], 4), number(values["Fe"] / s.PERCENT, 4)]
        )  # fmt: skip
        if spot_class == "targeted" and visit.name not in aimed:
            aimed.add(visit.name)
            plants.add(period, "targeted spots", file, row, visit.name,
                       "six shots on two spots aimed at grains, from this row on",
                       "rows kept out")  # fmt: skip
    return sheet


def _libs_parts(period: str, samples: tuple[Sample, ...], plants: Plants) -> Sheet:
    """Wide per shot; semicolons, decimal commas, day before month, no zone."""
    elements = list(s.FIELD["libs_parts", ""])
    sheet = Sheet(
        [["Part", "Spot", "Shot", "Spot class", "Gas purge", "Time", "Operator",
          *(f"{e} %" for e in elements)]]
    )  # fmt: skip
    file = f"field/libs_parts_{period}.csv"
    for visit, spot, shot, spot_class, values in libs_shots(period, "libs_parts", samples, 2, 3):
        cells = [
            visit.name,
            str(spot),
            str(shot),
            spot_class,
            "argon",
            visit.at.strftime("%d.%m.%Y %H:%M"),
            visit.operator,
            *(number(values[e] / s.PERCENT, 4).replace(".", ",") for e in elements),
        ]
        nameless = (
            period == "2026-10"
            and visit.sample is not None
            and visit.sample.ordinal == 11
            and (spot, shot) == (2, 3)
        )
        if nameless:
            cells[0] = ""
        row = sheet.add(cells)
        if nameless:
            plants.add(period, "no id", file, row, visit.name, "a shot without a part id",
                       "row quarantined")  # fmt: skip
    return sheet


def _ppm(value: float) -> str:
    return number(value, 4 if value >= 1_000 else 3) if value >= 10 else f"{value:.1f}"


# ---- laboratory ---------------------------------------------------------------------


def _lab(
    period: str,
    soil: tuple[Sample, ...],
    rock: tuple[Sample, ...],
    parts: tuple[Sample, ...],
    plants: Plants,
) -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    rows, again = lab_rows(period, "soil", soil)
    name = f"lab/soil_four_acid_{period}.csv"
    sheet = _soil_certificate(rows)
    files[name] = _csv(sheet)
    _lab_plants(period, "soil", name, rows, 2, plants)
    if again:
        later = f"lab/soil_four_acid_{period}_issue2.csv"
        files[later] = _csv(_soil_certificate(again))
        _, _, element, factor = s.REISSUED[period]
        plants.add(period, "re-issued certificate", later, 0, "",
                   f"{again[0].certificate} issue 2: {element} of issue 1 read {factor:g} of it",
                   "issue 1 superseded")  # fmt: skip
    if period in s.UMPIRE:
        files |= _umpire(period, soil, plants)
    rows, _ = lab_rows(period, "rock", rock)
    for batch in (1, 2):
        certificate = certificate_name("rock", period, batch)
        mine = tuple(r for r in rows if r.certificate == certificate)
        name = f"lab/rock_certificate_{period}_{batch}.xlsx"
        files[name] = workbook_bytes(_rock_certificate(certificate, mine))
        _lab_plants(period, "rock", name, mine, 9, plants)
        if days := s.LATE.get(("rock", period, batch)):
            plants.add(period, "late certificate", name, 0, "",
                       f"reported {mine[0].reported:%Y-%m-%d}, {days} days later than usual",
                       "its results belong to the month of the readings")  # fmt: skip
    rows, _ = lab_rows(period, "parts", parts)
    name = f"lab/parts_spark_{period}.csv"
    files[name] = _csv(_parts_certificate(rows))
    _lab_plants(period, "parts", name, rows, 3, plants)
    return files


def _lab_start(row: LabRow) -> list[str]:
    return [row.written_id, row.certificate, str(row.issue), row.dispatch, stamp(row.received),
            stamp(row.analysed), stamp(row.reported), row.qc, row.repeat_of]  # fmt: skip


def _soil_certificate(rows: tuple[LabRow, ...]) -> Sheet:
    """Wide, '<5' cells, iron in % beside mg/kg."""
    elements = list(s.LAB["soil"])
    units = {e: ("%", s.PERCENT) if e == "Fe" else ("mg/kg", 1.0) for e in elements}
    sheet = Sheet([[*LAB_HEADING, *(f"{e} {units[e][0]}" for e in elements)]])
    for row in rows:
        values = (lab_cell("soil", e, row.values.get(e), units[e][1]) for e in elements)
        sheet.add([*_lab_start(row), *values])
    return sheet


def _umpire(period: str, soil: tuple[Sample, ...], plants: Plants) -> dict[str, bytes]:
    """Check assays of a second laboratory, with a status of each result."""
    elements = list(s.LAB["soil"])
    certificate = f"UM-{period[2:4]}{period[5:]}"
    day = stamp(month_start(period) + timedelta(days=27, hours=15))
    sheet = Sheet(
        [["Sample ID", "Certificate", "Reported", "Status", "Reject reason",
          *(f"{e} mg/kg" for e in elements)]]
    )  # fmt: skip
    name = f"lab/soil_umpire_{period}.csv"
    many, element, factor, _ = s.UMPIRE[period]
    for row, (sample, status, found) in enumerate(umpire_rows(period, soil), 2):
        why = "bag torn" if status == "void" else ""
        values = (lab_cell("soil", e, found[e]) for e in elements)
        sheet.add([sample.sample_id, certificate, day, status, why, *values])
        if why:
            plants.add(period, "rejected result", name, row, sample.sample_id, why,
                       "set aside with its reason")  # fmt: skip
    plants.add(period, "check assays", name, 0, "",
               f"{many} samples again by the {s.UMPIRE_NAME}: {element} reads {factor:g} of it",
               "compared laboratory against laboratory")  # fmt: skip
    return {name: _csv(sheet)}


def _parts_certificate(rows: tuple[LabRow, ...]) -> Sheet:
    """Wide, the unit in a second heading row."""
    elements = list(s.LAB["parts"])
    heading = ["Part", *LAB_HEADING[1:]]
    sheet = Sheet([[*heading, *elements], [""] * len(heading) + ["%"] * len(elements)])
    for row in rows:
        values = (lab_cell("parts", e, row.values.get(e), s.PERCENT) for e in elements)
        sheet.add([*_lab_start(row), *values])
    return sheet


def _rock_certificate(certificate: str, rows: tuple[LabRow, ...]) -> Callable[[Any, Any], None]:
    """A workbook: two lines of preamble, then element, unit, method and limits as headings."""

    def fill(book: Any, sheet: Any) -> None:
        sheet.title = "Results"
        width = len(LAB_HEADING) - 1
        sheet.append([f"Certificate {certificate} (invented laboratory)"])
        sheet.append(["Lithium borate fusion, four acids, fire assay of 25 g"])
        sheet.append([])
        sheet.append([*LAB_HEADING, *(v[0] for v in ROCK_UNITS.values())])
        sheet.append(["Unit", *[None] * width, *(v[1] for v in ROCK_UNITS.values())])
        sheet.append(["Method", *[None] * width, *(v[3] for v in ROCK_UNITS.values())])
        truth = s.LAB["rock"]
        sheet.append(
            [
                "Lower limit",
                *[None] * width,
                *(_cell(plain(truth[e].low / v[2], 2)) for e, v in ROCK_UNITS.items()),
            ]
        )
        sheet.append(
            ["Upper limit", *[None] * width,
             *(None if truth[e].high == float("inf") else _cell(plain(truth[e].high, 6))
               for e in ROCK_UNITS)]
        )  # fmt: skip
        for row in rows:
            times = (_naive(t) for t in (row.received, row.analysed, row.reported))
            cells = (lab_cell("rock", e, row.values.get(e), v[2]) for e, v in ROCK_UNITS.items())
            sheet.append(
                [row.written_id, row.certificate, row.issue, row.dispatch, *times,
                 row.qc or None, row.repeat_of or None, *(_cell(c) for c in cells)]
            )  # fmt: skip
        notes = book.create_sheet("Notes")
        notes.append(["< below the lower limit; > above the upper limit"])

    return fill


def _naive(at: datetime) -> datetime:
    return at.replace(tzinfo=None)


def _cell(text: str) -> str | float | None:
    try:
        return float(text) if text else None
    except ValueError:
        return text


def _lab_plants(
    period: str, kind: str, file: str, rows: tuple[LabRow, ...], first: int, plants: Plants
) -> None:
    """Say which rows of a certificate carry a trouble; ``first`` is the row of the first one."""
    typo, failed = s.LAB_TYPO.get(period), s.FAILED_BATCH.get(period)
    for place, row in enumerate(rows, first):
        sample = row.sample
        ordinal = sample.ordinal if sample and not row.qc else -1
        name = sample.sample_id if sample else row.written_id
        if row.stray:
            plants.add(period, "laboratory without sample", file, place, row.written_id,
                       "a result that belongs to nobody here", "listed")  # fmt: skip
        if typo and ordinal >= 0 and (kind, ordinal) == typo[:2] and sample:
            plants.add(
                period,
                "id with a typo",
                file,
                place,
                name,
                f"written '{written_id(sample)}': {typo[2]}",
                "suggested, not joined",
            )
        if ordinal >= 0 and s.ALIASED.get(period) == (kind, ordinal):
            plants.add(period, "alias", file, place, name, f"written '{row.written_id}'",
                       "joined through aliases.csv")  # fmt: skip
        if ordinal >= 0 and kind == "soil" and ordinal in s.SWAPPED_SOILS.get(period, ()):
            plants.add(period, "labels exchanged", file, place, name,
                       "holds the other sample's results", "suspected, not mended")  # fmt: skip
        if failed and kind == failed[0] and row.certificate.endswith(f"-{failed[1]}") and (
            sample and sample.sample_kind == "reference material"
        ):  # fmt: skip
            plants.add(
                period,
                "reference material out of limits",
                file,
                place,
                name,
                f"{sample.reference_code}: {failed[2]} reads {failed[3]:g} of the truth, "
                f"as in all of {row.certificate}",
                "batch kept out for this element",
            )
        if kind == "rock" and ordinal in s.OVER_RANGE_ROCKS:
            plants.add(period, "above the upper limit", file, place, name,
                       "zinc above 10 000 mg/kg", "censored, not used as a number")  # fmt: skip


def _custody_plants(
    period: str,
    sheet: Sheet,
    everything: dict[tuple[str, str], tuple[Sample, ...]],
    plants: Plants,
) -> None:
    file = f"custody/custody_{period}.csv"
    for kind, table, what, expect in (
        ("soil", s.SEAL_MISMATCH_SOILS, "seal mismatch", "deviation or broken"),
        ("rock", s.BROKEN_CUSTODY_ROCKS, "broken custody", "kept out"),
    ):
        for ordinal in table.get(period, ()):
            sample = ordinary_of(everything[period, kind], ordinal)
            rows = [i for i, line in enumerate(sheet.lines, 2)
                    if line[2] == sample.dispatch and line[3] == "received"]  # fmt: skip
            row = rows[-1] if kind == "soil" else rows[0]
            text = (
                "the laboratory noted another seal number than was put on"
                if kind == "soil"
                else "71 hours between handed over and taken up, nobody in charge"
            )
            plants.add(period, what, file, row, sample.sample_id, text, expect)


def write(folder: Path) -> Made:
    """Make everything and write it into ``folder``."""
    made = make()
    for name, content in made.files.items():
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    return made


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    result = write(target)
    print(f"{len(result.files)} files, {sum(map(len, result.files.values())):,} bytes in {target}")
