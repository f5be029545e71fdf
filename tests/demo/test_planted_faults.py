"""Faults are put at random places of the invented example's files; each must be found by name.

Every round takes one month as it stands, writes several faults of different kinds into its
CSV files, at places that have nothing to do with each other, and walks the steps up to the
judging of controls and custody. What the untouched month shows is the baseline: beyond it
only what was planted may appear. Places are drawn with a fixed seed.
"""

from __future__ import annotations

import csv
import io
import random
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from reconcile.base.model.account import Finding
from reconcile.intake import workspace as ws
from reconcile.run import pipeline
from reconcile.run.pipeline import Run
from reconcile.store.database import Store
from tests.demo import scenario as s
from tests.demo.make_demo_inputs import FOLDER
from tests.sizes import cases

pytestmark = pytest.mark.slow

PLACES = cases(20, 2)
SOIL = ("Cu", "Zn", "Pb")
METHOD = "geochemical laboratory · ICP-OES · KR-acid-2 · four acids"
Row = dict[str, str]
CheckKey = tuple[str, str, str, str, str]  # side, kind, code, element, batch


class Table:
    """A CSV file of the example: rows by heading."""

    def __init__(self, path: Path) -> None:
        self.path = path
        reader = csv.DictReader(io.StringIO(path.read_text("utf-8"), newline=""))
        self.rows: list[Row] = list(reader)
        self.heading = list(reader.fieldnames or ())
        self._before = [dict(row) for row in self.rows]

    def write(self) -> None:
        """Write the table where it was changed."""
        if self.rows == self._before:
            return
        stream = io.StringIO()
        writer = csv.DictWriter(stream, self.heading, lineterminator="\n")
        writer.writeheader()
        writer.writerows(self.rows)
        self.path.write_text(stream.getvalue(), encoding="utf-8")

    def where(self, **facts: str) -> list[Row]:
        found = [r for r in self.rows if all(r[k] == v for k, v in facts.items())]
        assert found, (self.path.name, facts)
        return found


@dataclass
class Expected:
    """What one planted fault must give, and nothing else."""

    #: start of a finding's text -> subjects that may be named; one of them must be
    findings: dict[str, set[str]] = field(default_factory=dict)
    status: dict[str, str] = field(default_factory=dict)  # sample -> custody status
    failed: set[CheckKey] = field(default_factory=set)
    charts: set[str] = field(default_factory=set)  # subjects whose control chart may speak
    may: tuple[str, ...] = ()  # starts of texts that may come with it


@dataclass
class Month:
    """One month's files, ready to be spoilt, and what they show as they stand."""

    period: str
    tables: dict[str, Table]
    members: dict[str, list[str]]  # dispatch -> samples
    lab_codes: dict[tuple[str, str], str]  # certificate, blind id -> reference code
    baseline: Run

    def custody(self, dispatch: str, event: str, which: int = 0) -> Row:
        return self.tables["custody"].where(Dispatch=dispatch, Event=event)[which]


Places = dict[str, str]
Fault = Callable[[Month, Places, random.Random], Expected]


def _time(row: Row, column: str, **by: float) -> None:
    row[column] = (datetime.fromisoformat(row[column]) + timedelta(**by)).isoformat(
        timespec="minutes"
    )


# ---- breaks of custody ------------------------------------------------------------------


def _edit(
    event: str, which: int, rule: str, status: str, may: tuple[str, ...] = (), **cells: str
) -> Fault:
    def plant(month: Month, at: Places, _: random.Random) -> Expected:
        month.custody(at["dispatch"], event, which).update(cells)
        those = month.members[at["dispatch"]]
        return Expected({rule: set(those)}, dict.fromkeys(those, status), may=may)

    return plant


def _removed(event: str, which: int, rule: str, status: str, may: tuple[str, ...] = ()) -> Fault:
    def plant(month: Month, at: Places, _: random.Random) -> Expected:
        rows = month.tables["custody"].rows
        row = month.custody(at["dispatch"], event, which)
        rows[:] = [r for r in rows if r is not row]
        those = month.members[at["dispatch"]]
        return Expected({rule: set(those)}, dict.fromkeys(those, status), may=may)

    return plant


def _shifted(event: str, which: int, hours: float, rule: str, status: str) -> Fault:
    def plant(month: Month, at: Places, _: random.Random) -> Expected:
        _time(month.custody(at["dispatch"], event, which), "Time", hours=hours)
        those = month.members[at["dispatch"]]
        return Expected({rule: set(those)}, dict.fromkeys(those, status))

    return plant


def _count(month: Month, at: Places, rng: random.Random) -> Expected:
    row = month.custody(at["dispatch"], "received", 1)
    row["Containers"] = str(int(row["Containers"]) + rng.choice([-2, -1, 1]))
    those = month.members[at["dispatch"]]
    return Expected({"Containers do not agree": set(those)}, dict.fromkeys(those, "broken"))


def _mass(month: Month, at: Places, rng: random.Random) -> Expected:
    row = month.custody(at["dispatch"], "received", 1)
    row["Mass g"] = f"{float(row['Mass g']) * rng.uniform(0.6, 0.9):.1f}"
    those = month.members[at["dispatch"]]
    return Expected({"Mass not conserved": set(those)}, dict.fromkeys(those, "broken"))


def _seal_unseen(month: Month, at: Places, _: random.Random) -> Expected:
    for event, which in (("received", 0), ("relinquished", 1), ("received", 1), ("opened", 0)):
        month.custody(at["dispatch"], event, which).update({"Seal": "", "Seal intact": ""})
    those = month.members[at["dispatch"]]
    return Expected({"Seal not checked": set(those)}, dict.fromkeys(those, "deviation"))


def _no_collection(month: Month, at: Places, _: random.Random) -> Expected:
    sample = at["sample"]
    for row in month.tables["custody"].where(Event="collected"):
        ids = [part.strip() for part in row["Sample ID"].split(";")]
        if sample in ids:
            row["Sample ID"] = "; ".join(i for i in ids if i != sample)
            if len(ids) == 1:
                month.tables["custody"].rows.remove(row)
    for row in month.tables["register"].where(**{"Sample ID": sample}):
        row["Collected"] = ""  # else the register's entry counts
    return Expected({"First event is not collection": {sample}}, {sample: "deviation"})


def _collected_again(month: Month, at: Places, _: random.Random) -> Expected:
    sample, table = at["sample"], month.tables["custody"]
    row = dict(next(r for r in table.where(Event="collected") if sample in r["Sample ID"]))
    _time(row, "Time", hours=1)
    row.update({"Event ID": "E-twice", "Sample ID": sample, "Containers": "", "Mass g": ""})
    table.rows.insert(0, row)
    return Expected({"Collected twice": {sample}}, {sample: "broken"})


def _event_of_nobody(month: Month, at: Places, rng: random.Random) -> Expected:
    name = f"ZQX-{rng.randrange(1000, 9999)}"
    row = dict.fromkeys(month.tables["custody"].heading, "")
    row.update({"Event ID": "E-nobody", "Sample ID": name, "Event": "collected", "By": "x"})
    row["Time"] = month.custody(at["dispatch"], "sealed")["Time"]
    month.tables["custody"].rows.append(row)
    return Expected(
        {"Event for unknown sample": {name}}, {name: "deviation"},
        may=("Custody record without result",),
    )  # fmt: skip


def _event_id_again(month: Month, at: Places, _: random.Random) -> Expected:
    first = month.custody(at["dispatch"], "stored")
    second = month.custody(at["dispatch"], "reported")
    first["Event ID"] = second["Event ID"]
    those = month.members[at["dispatch"]]
    return Expected({"Event id used twice": set(those)}, dict.fromkeys(those, "deviation"))


def _registered_again(month: Month, at: Places, _: random.Random) -> Expected:
    table = month.tables["register"]
    table.rows.append(dict(table.where(**{"Sample ID": at["sample"]})[0]))
    return Expected({"Id registered twice": {at["sample"]}}, {at["sample"]: "deviation"})


def _line_twice(month: Month, at: Places, _: random.Random) -> Expected:
    table, row = month.tables["custody"], month.custody(at["dispatch"], "reported")
    table.rows.insert(table.rows.index(row), {**row, "Event ID": ""})
    those = month.members[at["dispatch"]]
    return Expected({"Event recorded twice": set(those)}, dict.fromkeys(those, "complete"))


def _dates(rule: str, status: str, **days: float) -> Fault:
    def plant(month: Month, at: Places, _: random.Random) -> Expected:
        (row,) = month.tables["soil lab"].where(**{"Sample ID": at["soil sample"], "QC": ""})
        for column, shift in days.items():
            _time(row, column, days=shift)
        return Expected({rule: {at["soil sample"]}}, {at["soil sample"]: status})

    return plant


def _result_of_nobody(month: Month, at: Places, rng: random.Random) -> Expected:
    name = f"QZW-{rng.randrange(1000, 9999)}"
    table = month.tables["soil lab"]
    row = dict(table.where(**{"Sample ID": at["soil sample"], "QC": ""})[0])
    table.rows.append({**row, "Sample ID": name})
    return Expected(
        {"Result without custody record": {name}}, {name: "not recorded"},
        may=(f"A lab result of '{name}'",),
    )  # fmt: skip


CUSTODY: dict[str, Fault] = {
    "release missing": _removed("relinquished", 0, "Received without release", "deviation"),
    "receipt by the carrier missing": _removed(
        "received", 0, "Released and never received", "broken"
    ),
    "receipt by the laboratory missing": _removed(
        "received", 1, "Released and never received", "broken"
    ),
    "released by a stranger": _edit(
        "relinquished", 1, "Released by another than the holder", "broken", By="a stranger"
    ),
    "received by another than named": _edit(
        "relinquished", 0, "Received by another than named", "deviation", To="another carrier"
    ),
    "nobody's for a night and more": _shifted(
        "received", 0, 30.0, "Gap without custodian", "deviation"
    ),
    "received before released": _shifted("received", 0, -1.5, "Time out of order", "broken"),
    "another seal": _edit("received", 1, "Seal differs", "broken", Seal="X-77"),
    "seal torn": _edit("received", 1, "Seal not intact", "broken", (), **{"Seal intact": "no"}),
    "seal nobody looked at": _seal_unseen,
    "bag missing or too many": _count,
    "mass lost": _mass,
    "handover without a name": _edit(
        "relinquished", 1, "Handover without name", "deviation", By=""
    ),
    "unknown act": _edit(
        "opened", 0, "Unknown event", "deviation", ("Opening not recorded",), Event="juggled"
    ),
    "no collection": _no_collection,
    "collected twice": _collected_again,
    "event of nobody": _event_of_nobody,
    "event id used twice": _event_id_again,
    "registered twice": _registered_again,
    "line entered twice": _line_twice,
    "analysed before receipt": _dates("Analysed before receipt", "broken", Analysed=-5),
    "reported before analysis": _dates("Reported before analysis", "broken", Reported=-6),
    "held too long": _dates("Holding time exceeded", "deviation", Analysed=300, Reported=300),
    "result of nobody": _result_of_nobody,
}

# ---- failures of control ----------------------------------------------------------------


def _blind(month: Month, at: Places) -> tuple[Row, str]:
    """The line of a blind reference material in the soil certificate, and its code."""
    (name,) = [
        n for (c, n), code in month.lab_codes.items() if (c, code) == (at["batch"], at["code"])
    ]
    (row,) = month.tables["soil lab"].where(**{"Sample ID": name, "Certificate": at["batch"]})
    return row, at["code"]


def _lab(low: float, high: float) -> Fault:
    def plant(month: Month, at: Places, rng: random.Random) -> Expected:
        row, code = _blind(month, at)
        column = f"{at['element']} mg/kg"
        row[column] = f"{float(row[column]) * rng.uniform(low, high):.4g}"
        return Expected(
            {f"Reference material {code}, {at['element']}, {METHOD}": {f"lab {at['batch']}"}},
            failed={("lab", "reference material", code, at["element"], at["batch"])},
        )

    return plant


def _lab_below(month: Month, at: Places, _: random.Random) -> Expected:
    row, code = _blind(month, at)
    row[f"{at['element']} mg/kg"] = "<5"
    return Expected(
        {f"Reference material {code}, {at['element']}, {METHOD}": {f"lab {at['batch']}"}},
        failed={("lab", "reference material", code, at["element"], at["batch"])},
    )


def _lab_blank(month: Month, at: Places, rng: random.Random) -> Expected:
    (row,) = month.tables["soil lab"].where(QC="method blank", Certificate=at["batch"])
    row[f"{at['element']} mg/kg"] = f"{rng.uniform(16, 80):.3g}"
    name = row["Sample ID"]
    return Expected(
        {f"Blank {name}, {at['element']}, {METHOD}": {f"lab {at['batch']}"}},
        failed={("lab", "blank", name, at["element"], at["batch"])},
    )


def _no_lab_blank(month: Month, at: Places, _: random.Random) -> Expected:
    blinds = {r["Sample ID"] for r in month.tables["register"].where(**{"Sample kind": "blank"})}
    table = month.tables["soil lab"]
    table.rows[:] = [
        r for r in table.rows
        if r["Certificate"] != at["batch"]
        or not (r["QC"] == "method blank" or r["Sample ID"] in blinds)
    ]  # fmt: skip
    return Expected(
        {"Batch without control: no blank": {f"lab {at['batch']}"}},
        may=("Fewer controls than planned", "Custody record without result"),
    )


def _duplicates(month: Month, at: Places, rng: random.Random) -> Expected:
    register = month.tables["register"].where(**{"Duplicate kind": "pulp"})
    pulps = {r["Sample ID"] for r in register if r["Matrix"] == "soil"}
    for row in month.tables["soil lab"].rows:
        if row["Sample ID"] in pulps:
            column = f"{at['other element']} mg/kg"
            row[column] = f"{float(row[column]) * rng.choice([0.55, 1.8]):.4g}"
    element = at["other element"]
    return Expected(
        {f"Duplicate pulp, {element}, {METHOD}": {"lab"}},
        failed={("lab", "duplicate", "pulp", element, "")},
    )


def _field(code: str, low: float, high: float, last: bool = False) -> Fault:
    def plant(month: Month, at: Places, rng: random.Random) -> Expected:
        rows = [r for r in month.tables["xrf soil"].where(Sample=code) if at["day"] in r["Read at"]]
        if last:
            end = max(r["Read at"] for r in rows)
            rows = [r for r in rows if r["Read at"] == end]
        factor = rng.uniform(low, high)
        element = at["field element"]
        for row in rows:
            row[f"{element} mg/kg"] = f"{float(row[f'{element} mg/kg']) * factor:.4g}"
        name = f"{code}, {element}, XRF · 20714 · soil 3"
        day = f"field {at['day']}"
        return Expected(
            {f"Reference material {name}": {day}, f"Failed bracket: {name}": {day}},
            failed={("field", "reference material", code, element, at["day"])},
            charts={f"field {code} {element}"},
            may=(f"Drift within the day: {name}",),
        )

    return plant


def _field_blank(month: Month, at: Places, rng: random.Random) -> Expected:
    element = at["blank element"]
    for row in month.tables["xrf soil"].where(Sample="BLANK"):
        if at["day"] in row["Read at"]:
            row[f"{element} mg/kg"] = f"{rng.uniform(300, 900):.4g}"
    return Expected(
        {f"Blank BLANK, {element}, XRF": {f"field {at['day']}"}},
        failed={("field", "blank", "BLANK", element, at["day"])},
    )


def _short_count(month: Month, at: Places, rng: random.Random) -> Expected:
    for row in month.tables["xrf soil"].where(Sample=at["soil reading"]):
        row["Seconds counted"] = str(rng.choice([5, 10, 15]))
    return Expected({"Short count time": {at["soil reading"]}})


def _large_error(month: Month, at: Places, rng: random.Random) -> Expected:
    for row in month.tables["xrf soil"].where(Sample=at["soil reading"]):
        if row["Fe mg/kg"] != "not detected":
            error = float(row["Fe mg/kg"]) * rng.uniform(0.8, 1.6)
            row["Fe uncertainty 2s mg/kg"] = f"{error:.4g}"
    return Expected(
        {"Result below 3 of its own standard deviations: Fe": {at["soil reading"]}},
        may=("Detected and not quantified",),
    )


def _shots(month: Month, at: Places, rng: random.Random) -> Expected:
    factor = rng.uniform(1.5, 2.0)
    for row in month.tables["libs rock"].where(Sample=at["rock"]):
        row["Li mg/kg"] = f"{float(row['Li mg/kg']) * factor ** (3 - int(row['Shot'])):.4g}"
    return Expected({"Shots trend within the spots: Li": {at["rock"]}})


QUALITY: dict[str, Fault] = {
    "laboratory reads high": _lab(1.3, 1.6),
    "laboratory reads low": _lab(0.5, 0.7),
    "laboratory reports another unit": _lab(0.1, 0.1),
    "reference material below the limit": _lab_below,
    "laboratory blank contaminated": _lab_blank,
    "duplicates scatter": _duplicates,
    "batch without blank": _no_lab_blank,
    "instrument reads high": _field("RM-S2", 1.35, 1.6),
    "instrument reads low": _field("RM-S2", 0.5, 0.65),
    "instrument drifts within the day": _field("RM-S1", 0.45, 0.55, last=True),
    "field blank contaminated": _field_blank,
    "shots trend within a spot": _shots,
    "short count": _short_count,
    "error larger than the result allows": _large_error,
}

#: Kinds that may be planted together: none of them touches what another one judges.
ROUNDS: tuple[tuple[str, ...], ...] = (
    ("release missing", "receipt by the carrier missing", "receipt by the laboratory missing",
     "released by a stranger", "no collection", "laboratory reads high", "instrument reads high",
     "shots trend within a spot"),
    ("received by another than named", "nobody's for a night and more",
     "received before released", "another seal", "collected twice", "laboratory reads low",
     "instrument reads low", "short count"),
    ("seal torn", "seal nobody looked at", "bag missing or too many", "mass lost",
     "event of nobody", "laboratory reports another unit", "duplicates scatter",
     "instrument drifts within the day"),
    ("handover without a name", "unknown act", "event id used twice", "line entered twice",
     "registered twice", "reference material below the limit", "laboratory blank contaminated",
     "field blank contaminated"),
    ("analysed before receipt", "reported before analysis", "held too long", "result of nobody",
     "batch without blank", "error larger than the result allows"),
)  # fmt: skip


# ---- the rounds -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("planted") / "demo_inputs"
    shutil.copytree(FOLDER, folder)
    return folder


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    with Store(None) as opened:
        yield opened


def judged(site: Path, period: str, store: Store) -> Run:
    run = pipeline.begin(ws.load_workspace(site), period, store)
    for name, step in pipeline.STEPS:
        run = step(run)
        if name == "judge controls and custody":
            return run
    raise AssertionError("the step that judges controls is gone")


def _paths(site: Path, period: str) -> dict[str, Path]:
    return {
        "custody": site / "custody" / f"custody_{period}.csv",
        "register": site / "register" / f"sample_register_{period}.csv",
        "soil lab": site / "lab" / f"soil_four_acid_{period}.csv",
        "xrf soil": site / "field" / f"xrf_soil_{period}.csv",
        "libs rock": site / "field" / f"libs_rock_{period}.csv",
    }


@pytest.fixture(scope="module")
def baselines(site: Path, store: Store) -> dict[str, Run]:
    return {period: judged(site, period, store) for period in s.PERIODS}


def _month(site: Path, period: str, baseline: Run) -> Month:
    tables = {name: Table(path) for name, path in _paths(site, period).items()}
    members: dict[str, list[str]] = {}
    codes: dict[tuple[str, str], str] = {}
    for row in tables["register"].rows:
        if row["Dispatch"]:
            members.setdefault(row["Dispatch"], []).append(row["Sample ID"])
        if row["Reference code"].startswith("RM-S"):
            codes[f"C{row['Dispatch'][1:].replace('RS', 'S')}", row["Sample ID"]] = row[
                "Reference code"
            ]
    status = baseline.custody_status
    sound = {d: m for d, m in members.items() if {status[x] for x in m} == {"complete"}}
    return Month(period, tables, sound, codes, baseline)


def _places(month: Month, rng: random.Random) -> Iterator[Places]:
    """Places that have nothing to do with each other: one set for each fault of a round."""
    dispatches = rng.sample(sorted(month.members), k=len(month.members))
    held_back = dispatches.pop()  # its samples are for faults of single samples
    # Of the re-issued certificate an earlier line is superseded: only the first one counts.
    batches = [f"CS-{month.period[2:4]}{month.period[5:]}-1"]
    sent = {r["Sample ID"] for r in month.tables["soil lab"].rows if r["QC"] == ""}
    ordinary = {
        r["Sample ID"] for r in month.tables["register"].rows if r["Sample kind"] == "sample"
    }
    soils = [x for x in sorted(sent & ordinary) if month.baseline.custody_status[x] == "complete"]
    first_issue = [
        x for x in soils
        if {r["Certificate"] for r in month.tables["soil lab"].where(**{"Sample ID": x})} == {
            batches[0]
        }
        and len(month.tables["soil lab"].where(**{"Sample ID": x})) == 1
    ]  # fmt: skip
    readings = Counter(r["Sample"] for r in month.tables["xrf soil"].rows)
    rocks = sorted({r["Sample"] for r in month.tables["libs rock"].rows if r["Sample"] < "RM"})
    days = sorted({r["Read at"][:10] for r in month.tables["xrf soil"].where(Sample="BLANK")})
    others = iter(rng.sample(first_issue, k=len(dispatches)))
    for dispatch in dispatches:
        element, other = rng.sample(SOIL, 2)
        yield {
            "dispatch": dispatch,
            "sample": rng.choice(month.members[held_back]),
            "soil sample": next(others),
            "soil reading": rng.choice([x for x in soils if readings[x] == 3]),
            "rock": rng.choice(rocks),
            "batch": rng.choice(batches),
            "code": rng.choice(["RM-S1", "RM-S2"]),
            "element": element,
            "other element": other,
            "field element": rng.choice(["Cu", "Zn", "Pb"]),
            "blank element": rng.choice(["Cu", "Zn", "Pb"]),
            "day": rng.choice(days),
        }


def _new(run: Run, baseline: Run) -> list[Finding]:
    """Findings that the untouched month does not show; one that names more samples is new."""
    before = {(f.text, f.subject) for f in baseline.findings}
    return [f for f in run.findings if (f.text, f.subject) not in before]


def _failed(run: Run) -> set[CheckKey]:
    return {(c.side, c.kind, c.code, c.element, c.batch) for c in run.quality if c.passed is False}


def _names(finding: Finding) -> set[str]:
    return {part for part in finding.subject.split(" and ")[0].split(", ") if part}


def _explained(finding: Finding, expected: list[Expected]) -> bool:
    for item in expected:
        for start, subjects in item.findings.items():
            if finding.text.startswith(start) and _names(finding) & subjects:
                return True
        if finding.text.startswith(item.may) if item.may else False:
            return True
        if finding.text.startswith("Control chart") and finding.subject in item.charts:
            return True
    return False


@pytest.mark.parametrize("kinds", ROUNDS, ids=lambda kinds: kinds[0])
def test_every_planted_fault_is_found_by_name_and_nothing_else_appears(
    kinds: tuple[str, ...], site: Path, store: Store, baselines: dict[str, Run]
) -> None:
    rng = random.Random(f"places of {kinds}")
    for place in range(PLACES):
        period = s.PERIODS[-1 - place % len(s.PERIODS)]
        paths = _paths(site, period)
        kept = {path: path.read_bytes() for path in paths.values()}
        month = _month(site, period, baselines[period])
        planted: dict[str, Expected] = {}
        for kind, places in zip(kinds, _spread(month, rng, len(kinds)), strict=True):
            planted[kind] = {**CUSTODY, **QUALITY}[kind](month, places, rng)
        try:
            for table in month.tables.values():
                table.write()
            run = judged(site, period, store)
        finally:
            for path, content in kept.items():
                path.write_bytes(content)
        _compare(run, month, planted)


def _spread(month: Month, rng: random.Random, many: int) -> list[Places]:
    """Places for so many faults; dispatches are not used twice as long as there are enough."""
    found: list[Places] = list(_places(month, rng))
    while len(found) < many:
        seen = {places["soil sample"] for places in found}
        found += [p for p in _places(month, rng) if p["soil sample"] not in seen]
    return found[:many]


def _compare(run: Run, month: Month, planted: dict[str, Expected]) -> None:
    new = _new(run, month.baseline)
    expected = list(planted.values())
    for kind, item in planted.items():
        for start, subjects in item.findings.items():
            told = [f for f in new if f.text.startswith(start) and _names(f) & subjects]
            assert told, (kind, month.period, start, subjects, [f.text for f in new])
            assert all(f.advice and f.evidence is not None for f in told)
    for finding in new:
        assert _explained(finding, expected), (list(planted), month.period, finding)
    failed = set().union(*(item.failed for item in expected))
    assert _failed(run) - _failed(month.baseline) == failed, (list(planted), month.period)
    status = dict(month.baseline.custody_status)
    for item in expected:
        status.update(item.status)
    assert dict(run.custody_status) == status, list(planted)


def test_at_least_twelve_breaks_of_custody_and_eight_failures_of_control_are_planted() -> None:
    kinds = [kind for round_ in ROUNDS for kind in round_]
    assert sorted(kinds) == sorted([*CUSTODY, *QUALITY])
    assert len(CUSTODY) >= 12
    assert len(QUALITY) >= 8


def test_the_untouched_months_show_only_what_was_planted_when_they_were_made(
    baselines: dict[str, Run],
) -> None:
    broken = {
        period: {x for x, word in run.custody_status.items() if word == "broken"}
        for period, run in baselines.items()
    }
    assert {p: len(x) for p, x in broken.items()} == {
        p: len(s.SEAL_MISMATCH_SOILS.get(p, ()))
        + len(s.BROKEN_CUSTODY_ROCKS.get(p, ()))
        + (p in s.SEDIMENTS)  # the bag that was not in the box
        for p in s.PERIODS
    }
    failed = {key for run in baselines.values() for key in _failed(run)}
    ((period, (_, batch, element, _)),) = s.FAILED_BATCH.items()
    assert {(side, kind, e, b) for side, kind, _, e, b in failed} == {
        ("lab", "reference material", element, f"CS-{period[2:4]}{period[5:]}-{batch}")
    }
