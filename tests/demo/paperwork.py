"""Register, custody events, reference materials and aliases of the invented scenario."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from itertools import groupby

from tests.demo import scenario as s
from tests.demo.materials import FORM, PREFIX, Sample, month_start, ordinary_of
from tests.demo.measurements import alias_of
from tests.demo.tables import Sheet, plain

KEEPER = {
    "soil": "field technician 1", "rock": "core technician 1", "parts": "storekeeper 1",
}  # fmt: skip
LABORATORY = {"soil": "geochemical laboratory", "rock": "geochemical laboratory",
              "parts": "metals laboratory"}  # fmt: skip
REGISTER_HEADING = [
    "Sample ID", "Matrix", "Specimen form", "Moisture basis", "Moisture %", "Pair type", "Group",
    "Collected", "Collected by", "Dispatch", "Dispatched", "Mass g", "Place", "Selection",
    "Sample kind", "Reference code", "Duplicate of", "Duplicate kind", "Note",
]  # fmt: skip
CUSTODY_HEADING = [
    "Event ID", "Sample ID", "Dispatch", "Event", "Time", "By", "To", "Seal", "Seal intact",
    "Containers", "Mass g", "Place", "Note",
]  # fmt: skip


def stamp(at: datetime) -> str:
    """ISO time with its zone."""
    return at.isoformat(timespec="minutes")


def register(period: str, samples: tuple[Sample, ...]) -> Sheet:
    """The sample register of a month."""
    sheet = Sheet([REGISTER_HEADING])
    for x in samples:
        ordinary = x.sample_kind == "sample"
        pair_type = {"soil": "split", "rock": "split", "parts": "same part"}[x.kind]
        note = ""
        if x.kind == "soil" and x.ordinal == 30:
            note = "=2 bags, second bag torn"
        if x.kind == "parts" and x.ordinal == 5:
            note = "mill mark hard to read; ±1 heat"
        sheet.add(
            [
                x.sample_id, x.matrix, FORM[x.kind] if x.sample_kind != "blank" else "pulp", "dry",
                "" if math.isnan(x.moisture_pct) or not ordinary else plain(x.moisture_pct, 3),
                pair_type, x.group,
                stamp(x.collected) if ordinary else "", KEEPER[x.kind] if ordinary else "",
                x.dispatch,
                stamp(_sealed_at(period, x) + timedelta(hours=1)) if x.to_lab else "",
                plain(x.mass_g, 4),
                {"soil": "line", "rock": "drill hole", "parts": "goods yard"}[x.kind]
                + (f" {x.group}" if x.group and x.kind != "parts" else ""),
                "random within line" if x.kind == "soil" and ordinary else "",
                x.sample_kind, x.reference_code, x.duplicate_of,
                "pulp" if x.duplicate_of else "", note,
            ]
        )  # fmt: skip
    return sheet


def custody(period: str, samples: tuple[Sample, ...]) -> Sheet:
    """The custody events of a month, in order of time."""
    events: list[tuple[datetime, list[str]]] = []
    for kind in PREFIX:
        mine = [x for x in samples if x.kind == kind]
        events += _collections(kind, [x for x in mine if x.ordinal >= 0])
        events += _stays(period, kind, [x for x in mine if not x.to_lab])
        for batch in (1, 2):
            events += _controls(period, kind, batch, mine)
            events += _journey(period, kind, batch, [x for x in mine if x.batch == batch])
    sheet = Sheet([CUSTODY_HEADING])
    for place, (at, cells) in enumerate(sorted(events, key=lambda e: (e[0], e[1])), 1):
        sample, dispatch, event, *rest = cells
        sheet.add(
            [f"E-{period[2:4]}{period[5:]}-{place:03d}", sample, dispatch, event, stamp(at), *rest]
        )
    return sheet


def _collections(kind: str, ordinary: list[Sample]) -> list[tuple[datetime, list[str]]]:
    events = []
    for group, members in groupby(ordinary, key=lambda x: (x.batch, x.collected.date())):
        those = sorted(members, key=lambda x: x.sample_id)
        at = max(x.collected for x in those) if group else those[0].collected
        names = "; ".join(x.sample_id for x in those)
        place = {"soil": "soil lines", "rock": "core shed", "parts": "goods yard"}[kind]
        events.append(
            (at, [names, "", "collected", KEEPER[kind], "", "", "", str(len(those)),
                  plain(sum(x.mass_g for x in those), 6), place, ""])
        )  # fmt: skip
    return events


def _stays(period: str, kind: str, samples: list[Sample]) -> list[tuple[datetime, list[str]]]:
    """Samples that are never sent lie in the store."""
    at = month_start(period) + timedelta(days=17, hours=9)
    names = "; ".join(x.sample_id for x in samples)
    return [(at, [names, "", "stored", KEEPER[kind], "", "", "", "", "", "sample store", ""])]


def _controls(
    period: str, kind: str, batch: int, samples: list[Sample]
) -> list[tuple[datetime, list[str]]]:
    """Blind controls are taken from their store shortly before the dispatch is sealed."""
    at = month_start(period) + timedelta(days=9 if batch == 1 else 16, hours=13, minutes=20)
    those = [x for x in samples if x.ordinal < 0 and x.batch == batch]
    return [
        (at, ["; ".join(x.sample_id for x in those), "", "collected", KEEPER[kind], "", "", "",
              str(len(those)), plain(sum(x.mass_g for x in those), 6), "control store",
              "blind controls put among the samples"])
    ]  # fmt: skip


def _sealed_at(period: str, sample: Sample) -> datetime:
    """When a sample's dispatch is sealed; it leaves an hour later."""
    days = timedelta(days=9 if sample.batch == 1 else 16, hours=14)
    return month_start(period) + days + timedelta(minutes=20 if sample.by_hand else 0)


def _journey(
    period: str, kind: str, batch: int, samples: list[Sample]
) -> list[tuple[datetime, list[str]]]:
    """Sealing, two handovers, opening, analysis and storage of a batch's dispatches."""
    events: list[tuple[datetime, list[str]]] = []
    sent = sorted((x for x in samples if x.to_lab), key=lambda x: (x.dispatch, x.sample_id))
    for dispatch, members in groupby(sent, key=lambda x: x.dispatch):
        those = list(members)
        apart = those[0].by_hand
        lost_track = apart and kind == "rock"
        wrong_seal = apart and kind == "soil"
        seal = f"{4000 + 61 * s.place_of(period) + 13 * list(PREFIX).index(kind) + batch}"
        if apart:
            seal = "" if lost_track else str(int(seal) + 500)
        arrived = f"{seal[:2]}{seal[3]}{seal[2]}" if wrong_seal else seal
        n, mass = str(len(those)), sum(x.mass_g for x in those)
        keeper, lab = KEEPER[kind], LABORATORY[kind]
        carrier = "field geologist 2" if apart else "carrier 1"
        clock = _sealed_at(period, those[0])
        received = clock + timedelta(hours=44)
        taken = clock + timedelta(hours=2)
        if lost_track:  # handed over on paper, taken up three days later, nobody between
            taken = clock + timedelta(hours=1 + 71)
            received = taken + timedelta(hours=20)

        def note(at: datetime, event: str, by: str, to: str = "", seal: str = "",
                 intact: str = "", n: str = "", mass: float = math.nan, place: str = "",
                 text: str = "", dispatch: str = dispatch) -> None:  # fmt: skip
            grams = "" if math.isnan(mass) else plain(mass, 6)
            events.append((at, ["", dispatch, event, by, to, seal, intact, n, grams, place, text]))

        intact = "yes" if seal else ""
        if seal:
            note(clock, "sealed", keeper, "", seal, "", n, mass, "sample store")
        note(clock + timedelta(hours=1), "relinquished", keeper, carrier, seal, "", n, mass,
             "sample store")  # fmt: skip
        note(taken, "received", carrier, "", seal, intact, n, mass, "sample store",
             "left in the office over three days" if lost_track else "")  # fmt: skip
        note(received - timedelta(minutes=10), "relinquished", carrier, f"{lab} reception", seal,
             "", n, mass, f"{lab}")  # fmt: skip
        note(
            received, "received", f"{lab} reception", "", arrived, intact, n, mass * 0.998, f"{lab}"
        )
        note(received + timedelta(hours=3), "opened", f"{lab} reception", "", arrived, intact, n,
             place=f"{lab}")  # fmt: skip
        analysed = month_start(period) + timedelta(days=14 if batch == 1 else 21, hours=9)
        note(analysed, "analysed", f"{lab} reception", place=f"{lab}")
        late = timedelta(days=s.LATE.get((kind, period, batch), 0))
        reported = analysed + timedelta(days=4, hours=6) + late
        note(reported, "reported", f"{lab} reception", place=f"{lab}")
        note(
            analysed + timedelta(days=5) + late,
            "stored",
            f"{lab} reception",
            place=f"{lab} archive",
        )
    return events


def reference_materials() -> Sheet:
    """The certified values, in the unit that each certificate uses."""
    sheet = Sheet(
        [["Reference code", "Element", "Certified value", "Expanded uncertainty", "Unit",
          "Coverage factor", "Matrix", "Note"]]
    )  # fmt: skip
    for material in s.REFERENCE_MATERIALS:
        for element, (value, uncertainty) in material.certified.items():
            unit, per = "mg/kg", 1.0
            if material.kind == "parts" or element == "Fe":
                unit, per = "%", s.PERCENT
            elif element == "Au":
                unit = "g/t"
            sheet.add([material.code, element, plain(value / per, 6), plain(uncertainty / per, 6),
                       unit, "2", material.matrix, "invented material"])  # fmt: skip
    return sheet


def specification_limits() -> Sheet:
    """What each invented grade may hold."""
    sheet = Sheet([["Grade", "Element", "Minimum", "Maximum", "Unit", "Note"]])
    for grade, limits in s.GRADES.items():
        for element, (low, high) in limits.items():
            ends = ["" if end is None else plain(end, 6) for end in (low, high)]
            sheet.add([grade, element, *ends, "%", "invented grade"])
    return sheet


def aliases(samples: dict[tuple[str, str], tuple[Sample, ...]]) -> Sheet:
    """What a person has entered about ids written otherwise."""
    sheet = Sheet([["Written ID", "Sample ID", "Entered by", "Reason"]])
    for period, (kind, ordinal) in s.ALIASED.items():
        sample = ordinary_of(samples[period, kind], ordinal)
        sheet.add([alias_of(sample), sample.sample_id, "data manager 1",
                   "bag numbered twice; both numbers seen on the bag, photo kept"])  # fmt: skip
    return sheet
