"""What October has beside the yearly round: stream sediments read by two persons, and a weld."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from tests.demo import scenario as s
from tests.demo.materials import generator, month_start
from tests.demo.paperwork import CUSTODY_HEADING, REGISTER_HEADING, stamp
from tests.demo.tables import Sheet, number, plain

ELEMENTS = ("Cu", "Zn")
_ERRORS = {"Cu": (0.035, 0.02), "Zn": (0.03, 0.02)}  # of a sample, of a reading
_LAB_SD = 0.015
_CONTROL, _DISPATCH = "RM-S1", "KRD-{month}-1"


def sediment_ids(period: str) -> list[str]:
    """Ids of the sediments of a month; the last is a blind control."""
    many = s.SEDIMENTS[period].count
    first = 4_001 + 100 * s.place_of(period)
    return [f"KRD-{first + i}" for i in range(many + 1)]


def lost_sediment(period: str) -> str:
    """The sample whose bag was not in the box."""
    return sediment_ids(period)[s.SEDIMENTS[period].lost]


def weld_id(period: str) -> str:
    """The welded part of a month."""
    return f"KRP-{3_090 + 100 * s.place_of(period)}"


def files(period: str, plants: list[s.Planted]) -> dict[str, bytes]:
    """The further files of a month; none where it has neither sediments nor a weld."""
    if period not in s.SEDIMENTS:
        return {}
    sheets = {
        f"field/xrf_sediment_{period}.csv": _field(period),
        f"field/xrf_weld_{period}.csv": _weld(period, plants),
        f"lab/sediment_{period}.csv": _lab(period),
        f"register/further_register_{period}.csv": _register(period),
        f"custody/further_custody_{period}.csv": _custody(period, plants),
    }
    second, factor = s.SEDIMENTS[period].second, s.SEDIMENTS[period].factor
    plants.append(
        s.Planted(period, "operators apart", f"field/xrf_sediment_{period}.csv", 0, "",
                  f"{second} reads {factor:g} of what is there", "told with its size")
    )  # fmt: skip
    return {name: sheet.text().encode("utf-8") for name, sheet in sheets.items()}


def _true(period: str) -> dict[str, dict[str, float]]:
    rng = generator(period, "contents", "sediment")
    ids = sediment_ids(period)[:-1]
    found = {}
    for place, name in enumerate(ids):
        share = place / (len(ids) - 1)
        found[name] = {
            "Cu": 60.0 * 10**share * math.exp(float(rng.normal(0, 0.1))),
            "Zn": 110.0 * 8**share * math.exp(float(rng.normal(0, 0.1))),
        }
    return found


def _field(period: str) -> Sheet:
    rng = generator(period, "xrf_sediment")
    truth = s.SEDIMENTS[period]
    sheet = Sheet(
        [["Sample", "Reading", "Read at", "Read by", "Seconds counted",
          *(f"{e} mg/kg" for e in ELEMENTS)]]
    )  # fmt: skip
    control = next(m for m in s.REFERENCE_MATERIALS if m.code == _CONTROL).certified
    certified = {e: control[e][0] for e in ELEMENTS}
    clock = month_start(period) + timedelta(days=truth.day - 1, hours=13)
    walk: list[tuple[str, dict[str, float], str]] = [
        (_CONTROL, certified, truth.first), ("BLANK", {"Cu": 0.5, "Zn": 0.6}, truth.first),
    ]  # fmt: skip
    for place, (name, contents) in enumerate(_true(period).items()):
        operator = truth.second if place % 2 else truth.first
        factor = truth.factor if place % 2 else 1.0
        read = {
            e: v * factor * math.exp(float(rng.normal(0, _ERRORS[e][0])))
            for e, v in contents.items()
        }
        walk.append((name, read, operator))
    walk.insert(len(walk) // 2, (_CONTROL, certified, truth.first))
    walk.append((_CONTROL, certified, truth.first))
    place = 0
    for name, level, operator in walk:
        for _ in range(3):
            place += 1
            cells = []
            for e in ELEMENTS:
                value = level[e] * math.exp(float(rng.normal(0, _ERRORS[e][1])))
                cells.append("<8" if name == "BLANK" else number(value, 4))
            sheet.add([name, str(place), stamp(clock), operator, "60", *cells])
        clock += timedelta(minutes=6)
    return sheet


def _lab(period: str) -> Sheet:
    rng = generator(period, "sediment certificate")
    month = f"{period[2:4]}{period[5:]}"
    analysed = month_start(period) + timedelta(days=20, hours=9)
    times = [stamp(analysed - timedelta(days=3)), stamp(analysed), stamp(analysed + _DAY)]
    start = ["", f"CD-{month}-1", "1", _DISPATCH.format(month=month), *times]
    sheet = Sheet(
        [["Sample ID", "Certificate", "Issue", "Dispatch", "Received", "Analysed", "Reported",
          "QC", "Repeat of", *(f"{e} mg/kg" for e in ELEMENTS)]]
    )  # fmt: skip
    control = next(m for m in s.REFERENCE_MATERIALS if m.code == _CONTROL).certified
    rows = [(name, v, "", "") for name, v in _true(period).items() if name != lost_sediment(period)]
    rows.append((sediment_ids(period)[-1], {e: control[e][0] for e in ELEMENTS}, "", ""))
    rows += [(name, v, "repeat", name) for name, v, _, _ in rows[2:5]]
    for name, contents, qc, of in rows:
        values = [
            number(contents[e] * math.exp(float(rng.normal(0, _LAB_SD))), 3) for e in ELEMENTS
        ]
        sheet.add([name, *start[1:], qc, of, *values])
    sheet.add([f"MB CD-{month}-1", *start[1:], "method blank", "", "<5", "<5"])
    return sheet


_DAY = timedelta(days=1)


def _weld(period: str, plants: list[s.Planted]) -> Sheet:
    """Three counts at each place, and their mean as the export adds it."""
    rng = generator(period, "xrf_weld")
    truth, name = s.WELDS[period], weld_id(period)
    elements = list(truth.base)
    sheet = Sheet(
        [["Part", "Zone", "Distance mm", "Count", "When", "Who", "Ordered grade",
          *(f"{e} %" for e in elements)]]
    )  # fmt: skip
    clock = month_start(period) + timedelta(days=s.SEDIMENTS[period].day - 1, hours=9)
    file, first = f"field/xrf_weld_{period}.csv", True
    for position in truth.positions:
        zone, contents = ("weld", truth.weld) if position == 0 else ("base", truth.base)
        start = [name, zone, plain(position, 3)]
        counts = [
            {e: v * math.exp(float(rng.normal(0, 0.004))) for e, v in contents.items()}
            for _ in range(3)
        ]
        for place, count in enumerate(counts, 1):
            cells = [number(count[e] / s.PERCENT, 4) for e in elements]
            row = sheet.add(
                [*start, str(place), stamp(clock), "field analyst 1", truth.ordered, *cells]
            )
            clock += timedelta(minutes=1)
            if zone == "weld" and place == 1:
                plants.append(
                    s.Planted(period, "another weld metal", file, row, name,
                              "the weld is of another steel than the part", "found, part excluded")
                )  # fmt: skip
        means = [number(sum(c[e] for c in counts) / 3 / s.PERCENT, 4) for e in elements]
        row = sheet.add([*start, "mean", stamp(clock), "field analyst 1", truth.ordered, *means])
        if first:
            first = False
            plants.append(
                s.Planted(period, "averaged row", file, row, name,
                          "the mean of the three rows before", "set aside")
            )  # fmt: skip
    return sheet


def _register(period: str) -> Sheet:
    truth = s.SEDIMENTS[period]
    sheet = Sheet([REGISTER_HEADING])
    month = f"{period[2:4]}{period[5:]}"
    sent = stamp(month_start(period) + timedelta(days=truth.day + 2, hours=15))
    collected = stamp(_collected(period))
    *ordinary, control = sediment_ids(period)
    for name in ordinary:
        sheet.add(
            [name, "stream sediment", "sieved", "dry", "", "split", "", collected,
             "field technician 1", _DISPATCH.format(month=month), sent, "150", "streams", "random",
             "sample", "", "", "", ""]
        )  # fmt: skip
    sheet.add(
        [control, "soil", "sieved", "dry", "", "split", "", "", "", _DISPATCH.format(month=month),
         sent, "60", "streams", "", "reference material", _CONTROL, "", "", ""]
    )  # fmt: skip
    sheet.add(
        [weld_id(period), s.STAINLESS.name, "ground metal face", "not applicable", "", "same part",
         "", collected, "storekeeper 1", "", "", "900", "goods yard", "", "sample", "", "", "",
         "pipe with a weld"]
    )  # fmt: skip
    return sheet


def _collected(period: str) -> datetime:
    return month_start(period) + timedelta(days=s.SEDIMENTS[period].day - 2, hours=10)


def _custody(period: str, plants: list[s.Planted]) -> Sheet:
    truth, month = s.SEDIMENTS[period], f"{period[2:4]}{period[5:]}"
    dispatch, lab = _DISPATCH.format(month=month), "geochemical laboratory"
    names, lost = sediment_ids(period), lost_sediment(period)
    collected = _collected(period)
    clock = month_start(period) + timedelta(days=truth.day + 2, hours=14)
    there = [name for name in names if name != lost]
    n, seal = str(len(names)), f"{4_900 + s.place_of(period)}"
    taken, arrived = clock + timedelta(hours=2), clock + timedelta(hours=20)
    analysed = month_start(period) + timedelta(days=20, hours=9)
    opened, yard = arrived + timedelta(hours=3), "goods yard"
    rows: list[tuple[datetime, list[str]]] = [
        (collected, ["; ".join(names), "", "collected", "field technician 1", "", "", "", n, "",
                     "streams", ""]),
        (collected, [weld_id(period), "", "collected", "storekeeper 1", "", "", "", "1", "",
                     yard, ""]),
        (clock, ["", dispatch, "sealed", "field technician 1", "", seal, "", n, "", "store", ""]),
        (clock + timedelta(hours=1), ["", dispatch, "relinquished", "field technician 1",
                                      "carrier 1", seal, "", n, "", "store", ""]),
        (taken, ["", dispatch, "received", "carrier 1", "", seal, "yes", n, "", "store", ""]),
        (arrived - timedelta(minutes=10), ["", dispatch, "relinquished", "carrier 1",
                                           f"{lab} reception", seal, "", n, "", lab, ""]),
        (arrived, ["; ".join(there), dispatch, "received", f"{lab} reception", "", seal, "yes",
                   str(len(there)), "", lab, ""]),
        (arrived, [lost, dispatch, "missing", f"{lab} reception", "", "", "", "", "", lab,
                   "not in the box"]),
        (opened, ["; ".join(there), dispatch, "opened", f"{lab} reception", "", seal, "yes",
                  str(len(there)), "", lab, ""]),
        (analysed, ["; ".join(there), dispatch, "analysed", f"{lab} reception", "", "", "", "", "",
                    lab, ""]),
        (analysed + 2 * _DAY, ["; ".join(there), dispatch, "stored", f"{lab} reception", "", "", "",
                               "", "", f"{lab} archive", ""]),
        (analysed, [weld_id(period), "", "stored", "storekeeper 1", "", "", "", "", "", yard, ""]),
    ]  # fmt: skip
    sheet = Sheet([CUSTODY_HEADING])
    for place, (at, cells) in enumerate(rows, 1):
        sample, of, event, *rest = cells
        row = sheet.add([f"F-{month}-{place:03d}", sample, of, event, stamp(at), *rest])
        if event == "missing":
            plants.append(
                s.Planted(period, "partial receipt", f"custody/further_custody_{period}.csv", row,
                          lost, "one bag of the box was not there", "this one alone is broken")
            )  # fmt: skip
    return sheet
