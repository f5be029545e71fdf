"""Every kind of custody break is put at random places of a clean record and must be named."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pandas as pd
import pytest

from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence import custody
from reconcile.intake.tables import CUSTODY_FACTS

PLACES = 20
START = datetime(2026, 10, 1, 6, tzinfo=UTC)
DISPATCHES = {"D-1": 9, "D-2": 11}


@dataclass
class Tables:
    """The four tables as lists of rows, so that a fault is one edit."""

    events: list[dict[str, Any]]
    samples: list[dict[str, Any]]
    lab: list[dict[str, Any]]
    field: list[dict[str, Any]]

    def judged(self) -> custody.CustodyJudgement:
        return custody.judge(
            pd.DataFrame(self.events, columns=[*CUSTODY_FACTS]),
            pd.DataFrame(self.samples),
            pd.DataFrame(self.lab),
            pd.DataFrame(self.field),
            Thresholds(),
        )

    def ids(self) -> list[str]:
        return [s["sample_id"] for s in self.samples]

    def of(self, sample: str, event: str) -> int:
        """Position of a sample's own event of this kind."""
        return next(
            i for i, e in enumerate(self.events) if e["sample_id"] == sample and e["event"] == event
        )

    def add(self, place: int, **facts: Any) -> None:
        self.events.insert(place, _event(event_id=f"N-{place}", **facts))


def _event(**facts: Any) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(CUSTODY_FACTS, "")
    row.update(at=pd.NaT, containers=float("nan"), mass_g=float("nan"), row=0)
    row.update(facts)
    return row


def clean() -> Tables:
    """Two dispatches: technician, then store (seals each bag), then laboratory."""
    tables = Tables([], [], [], [])
    number = 0
    hour = timedelta(hours=1)
    for dispatch, count in DISPATCHES.items():
        members = [f"Q{dispatch[-1]}-{100 + 7 * i}" for i in range(count)]
        for i, sample in enumerate(members):
            at = START + i * timedelta(minutes=9)
            own = {"sample_id": sample}
            steps = [
                _event(**own, event="collected", at=at, by="technician", mass_g=500.0 + i),
                _event(**own, event="relinquished", at=at + hour, by="technician", to="store"),
                _event(
                    **own, event="received", at=at + 2 * hour, by="store", containers=1.0,
                    mass_g=499.0 + i,
                ),
                _event(
                    **own, event="sealed", at=at + 72 * hour, by="store",
                    seal=f"Z{dispatch[-1]}{i:03d}",
                ),
            ]  # fmt: skip
            tables.events += steps
            tables.samples.append(
                {"sample_id": sample, "dispatch": dispatch, "collected_at": at, "mass": 1}
            )
            tables.field.append({"sample_id": sample, "measured_at": at + 3 * hour})
        away = START + timedelta(days=5)
        for event, at, by, to in (
            ("relinquished", away, "store", "laboratory"),
            ("received", away + 5 * hour, "laboratory", ""),
        ):
            tables.events.append(
                _event(
                    dispatch=dispatch, event=event, at=at, by=by, to=to,
                    containers=float(count),
                )
            )  # fmt: skip
        for i, sample in enumerate(members):
            own = {"sample_id": sample, "by": "laboratory"}
            tables.events += [
                _event(
                    **own, event="opened", at=away + timedelta(days=1, minutes=i),
                    seal=f"z{dispatch[-1]}{i:03d}", seal_intact="yes", mass_g=498.0 + i,
                ),
                _event(
                    **own, event="dried", at=away + timedelta(days=2, minutes=i),
                    mass_g=450.0 + i,
                ),
                _event(
                    **own, event="subsampled", at=away + timedelta(days=3, minutes=i),
                    mass_g=50.0,
                ),
                _event(**own, event="analysed", at=away + timedelta(days=4, minutes=i)),
            ]  # fmt: skip
            tables.lab.append(
                {
                    "sample_id": sample,
                    "certificate": f"C{dispatch[-1]}",
                    "received_at": away + 5 * hour,
                    "analysed_at": away + timedelta(days=4),
                    "reported_at": away + timedelta(days=6),
                }
            )
    for number, made in enumerate(tables.events):
        made["event_id"], made["row"] = f"E-{number:04d}", number + 2
    return tables


Inject = Callable[[Tables, str, random.Random], set[str]]


def _without(event: str) -> Inject:
    def inject(t: Tables, sample: str, _: random.Random) -> set[str]:
        del t.events[t.of(sample, event)]
        return {sample}

    return inject


def _set(event: str, /, **facts: Any) -> Inject:
    def inject(t: Tables, sample: str, _: random.Random) -> set[str]:
        t.events[t.of(sample, event)].update(facts)
        return {sample}

    return inject


def _late(event: str, hours: float) -> Inject:
    def inject(t: Tables, sample: str, _: random.Random) -> set[str]:
        t.events[t.of(sample, event)]["at"] += timedelta(hours=hours)
        return {sample}

    return inject


def _lab(**facts: Callable[[dict[str, Any]], Any]) -> Inject:
    def inject(t: Tables, sample: str, _: random.Random) -> set[str]:
        row = next(r for r in t.lab if r["sample_id"] == sample)
        row.update({name: make(row) for name, make in facts.items()})
        return {sample}

    return inject


def _added(before: str, /, **facts: Any) -> Inject:
    def inject(t: Tables, sample: str, _: random.Random) -> set[str]:
        place = t.of(sample, before)
        at = t.events[place]["at"] - timedelta(minutes=1)
        t.add(place, sample_id=sample, at=at, **facts)
        return {sample}

    return inject


def _opened_on_the_way(t: Tables, sample: str, _: random.Random) -> set[str]:
    place = t.of(sample, "sealed") + 1
    at = t.events[place - 1]["at"] + timedelta(minutes=1)
    t.add(place, sample_id=sample, event="opened", at=at, by="store")
    return {sample}


def _count_of_dispatch(t: Tables, sample: str, rng: random.Random) -> set[str]:
    dispatch = next(s["dispatch"] for s in t.samples if s["sample_id"] == sample)
    event = next(e for e in t.events if e["dispatch"] == dispatch and e["event"] == "received")
    event["containers"] += rng.choice([-2.0, -1.0, 1.0])
    return {s["sample_id"] for s in t.samples if s["dispatch"] == dispatch}


def _dispatch_never_arrives(t: Tables, sample: str, _: random.Random) -> set[str]:
    dispatch = next(s["dispatch"] for s in t.samples if s["sample_id"] == sample)
    t.events = [e for e in t.events if not (e["dispatch"] == dispatch and e["event"] == "received")]
    return {s["sample_id"] for s in t.samples if s["dispatch"] == dispatch}


def _no_collection(t: Tables, sample: str, _: random.Random) -> set[str]:
    """Neither the record nor the register tells of it."""
    next(s for s in t.samples if s["sample_id"] == sample)["collected_at"] = pd.NaT
    del t.events[t.of(sample, "collected")]
    return {sample}


def _collected_later(t: Tables, sample: str, _: random.Random) -> set[str]:
    """The collection is written down after the sample was handed over, and dated so."""
    event = t.events.pop(t.of(sample, "collected"))
    place = t.of(sample, "sealed")
    t.events.insert(place, {**event, "at": t.events[place]["at"] - timedelta(hours=1)})
    return {sample}


def _registered_again(t: Tables, sample: str, _: random.Random) -> set[str]:
    t.samples.append(dict(next(s for s in t.samples if s["sample_id"] == sample)))
    return {sample}


def _event_id_again(t: Tables, sample: str, rng: random.Random) -> set[str]:
    other = rng.choice([s for s in t.ids() if s != sample])
    source = t.events[t.of(other, "analysed")]
    t.events[t.of(sample, "analysed")]["event_id"] = source["event_id"]
    return {sample, other}


def _seal_again(t: Tables, sample: str, rng: random.Random) -> set[str]:
    other = rng.choice([s for s in t.ids() if s != sample])
    seal = t.events[t.of(other, "sealed")]["seal"]
    mine = t.events[t.of(sample, "sealed")]
    mine.update(seal=seal, at=mine["at"] + timedelta(hours=30))
    t.events[t.of(sample, "opened")]["seal"] = seal
    return {sample, other}


def _no_result(t: Tables, sample: str, _: random.Random) -> set[str]:
    t.lab = [r for r in t.lab if r["sample_id"] != sample]
    return {sample}


def _result_of_nobody(t: Tables, sample: str, _: random.Random) -> set[str]:
    t.lab.append({**t.lab[0], "sample_id": f"W{sample[-3:]}"})
    return {f"W{sample[-3:]}"}


def _event_of_nobody(t: Tables, sample: str, _: random.Random) -> set[str]:
    name = f"W{sample[-3:]}"
    t.events.append(_event(event_id="N", sample_id=name, event="collected", at=START, by="x"))
    return {name}


def _look_alike(t: Tables, sample: str, _: random.Random) -> set[str]:
    name = sample.replace("0", "O", 1) if "0" in sample else sample.replace("1", "l", 1)
    t.samples.append({"sample_id": name, "dispatch": "", "collected_at": START})
    return {sample, name}


def _repeated_line(t: Tables, sample: str, _: random.Random) -> set[str]:
    place = t.of(sample, "sealed")
    t.events.insert(place, {**t.events[place], "event_id": ""})
    return {sample}


DAY = timedelta(days=1)
#: name of the fault -> (how it is made, the rule that must name it, the status it gives)
FAULTS: dict[str, tuple[Inject, str, str]] = {
    "no collection": (_no_collection, "first event is not collection", "deviation"),
    "collected after its handover": (
        _collected_later, "first event is not collection", "broken",
    ),
    "collection in the register alone, by nobody": (
        _without("collected"), "collector not named", "deviation",
    ),
    "no release": (_without("relinquished"), "received without release", "broken"),
    "no receipt": (_without("received"), "released and never received", "broken"),
    "another receives": (
        _set("received", by="stranger"), "received by another than named", "broken",
    ),
    "another releases": (
        _set("relinquished", by="stranger"), "released by another than the holder", "broken",
    ),
    "late receipt": (_late("received", 40), "gap without custodian", "broken"),
    "receipt before release": (_late("received", -1.5), "time out of order", "broken"),
    "other seal": (_set("opened", seal="X-9"), "seal differs", "broken"),
    "torn seal": (_set("opened", seal_intact="torn"), "seal not intact", "broken"),
    "opened, not sealed again": (_opened_on_the_way, "no new seal after opening", "broken"),
    "seal nobody checked": (
        _set("opened", seal="", seal_intact=""), "seal not checked", "deviation",
    ),
    "bag missing or too many": (_count_of_dispatch, "containers do not agree", "broken"),
    "dispatch never arrives": (
        _dispatch_never_arrives, "released and never received", "broken",
    ),
    "mass lost": (_set("received", mass_g=400.0), "mass not conserved", "broken"),
    "dried gains mass": (_set("dried", mass_g=530.0), "dried mass above wet mass", "broken"),
    "subsample above the sample": (
        _set("subsampled", mass_g=700.0), "mass not conserved", "broken",
    ),
    "analysed before receipt": (
        _lab(analysed_at=lambda r: r["received_at"] - DAY), "analysed before receipt", "broken",
    ),
    "reported before analysis": (
        _lab(reported_at=lambda r: r["analysed_at"] - DAY), "reported before analysis", "broken",
    ),
    "received before release": (
        _lab(received_at=lambda r: START - timedelta(hours=3)), "received before release",
        "broken",
    ),
    "held too long": (
        _lab(
            analysed_at=lambda r: r["analysed_at"] + 300 * DAY,
            reported_at=lambda r: r["reported_at"] + 300 * DAY,
        ),
        "holding time exceeded", "deviation",
    ),
    "collected twice": (
        _added("relinquished", event="collected", by="technician"), "collected twice", "broken",
    ),
    "handled by a stranger": (
        _added("relinquished", event="subsampled", by="stranger"),
        "handled by another than the holder", "deviation",
    ),
    "released twice": (
        _added("received", event="relinquished", by="technician", to="store 2"),
        "released and never received", "broken",
    ),
    "no time": (_set("sealed", at=pd.NaT), "event without time", "deviation"),
    "unknown act": (_set("subsampled", event="juggled"), "unknown event", "deviation"),
    "nameless handover": (
        _set("relinquished", by="", to="store"), "handover without name", "deviation",
    ),
    "registered twice": (_registered_again, "id registered twice", "deviation"),
    "event id used twice": (_event_id_again, "event id used twice", "deviation"),
    "seal used twice": (_seal_again, "seal number used twice", "deviation"),
    "result of nobody": (_result_of_nobody, "result without custody record", "not recorded"),
    "event of nobody": (_event_of_nobody, "event for unknown sample", "deviation"),
    "no result": (_no_result, "custody record without result", "complete"),
    "look-alike id": (_look_alike, "ids look alike", "complete"),
    "line entered twice": (_repeated_line, "event recorded twice", "complete"),
}  # fmt: skip


def test_a_clean_record_has_no_break_and_every_sample_is_complete() -> None:
    judgement = clean().judged()
    assert judgement.findings == ()
    assert judgement.breaks == ()
    assert set(judgement.status.values()) == {custody.COMPLETE}
    assert len(judgement.status) == sum(DISPATCHES.values())


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
def test_every_break_is_found_named_and_charged_to_no_other_sample(fault: str) -> None:
    inject, rule, status = FAULTS[fault]
    rng = random.Random(f"place of {fault}")
    for _ in range(PLACES):
        tables = clean()
        sample = rng.choice(tables.ids())
        touched = inject(tables, sample, rng)
        judgement = tables.judged()
        forms = {t.casefold() for t in touched}
        named = {b.sample for b in judgement.breaks if b.rule == rule}
        assert forms <= named, (fault, sample, [b.rule for b in judgement.breaks])
        assert {b.sample for b in judgement.breaks} <= forms, (fault, sample)
        assert judgement.of(sorted(touched)[0] if sample not in touched else sample) == status
        others = {s: w for s, w in judgement.status.items() if s not in touched}
        assert set(others.values()) == {custody.COMPLETE}
        told = [f for f in judgement.findings if f.text.casefold().startswith(rule)]
        assert told, fault
        assert all(f.area == "custody" and f.advice for f in told)


@pytest.mark.slow
def test_two_faults_in_two_samples_are_both_named_and_kept_apart() -> None:
    names = [n for n in FAULTS if n not in ("bag missing or too many", "dispatch never arrives")]
    rng = random.Random(7)
    for _ in range(60):
        first, second = rng.sample(names, 2)
        tables = clean()
        a, b = rng.sample(tables.ids(), 2)
        touched = FAULTS[first][0](tables, a, rng) | FAULTS[second][0](tables, b, rng)
        judgement = tables.judged()
        rules = {x.rule for x in judgement.breaks}
        assert {FAULTS[first][1], FAULTS[second][1]} <= rules, (first, second)
        assert {x.sample for x in judgement.breaks} <= {t.casefold() for t in touched}


def test_an_unbroken_seal_turns_a_late_handover_into_a_deviation() -> None:
    tables = clean()
    sample = tables.ids()[3]
    seal = tables.events[tables.of(sample, "sealed")]["seal"]
    place = tables.of(sample, "sealed") + 1
    at = tables.events[place - 1]["at"]
    tables.add(place, sample_id=sample, event="relinquished", at=at, by="store", to="shed")
    tables.add(
        place + 1, sample_id=sample, event="received", at=at + timedelta(hours=30), by="shed",
        to="store", seal=seal, seal_intact="yes",
    )  # fmt: skip
    judgement = tables.judged()
    assert judgement.of(sample) == custody.DEVIATION
    assert {b.rule for b in judgement.breaks} == {
        "gap without custodian", "received by another than named",
    }  # fmt: skip


def test_a_table_that_is_merely_unsorted_is_no_break() -> None:
    rng = random.Random(11)
    for _ in range(PLACES):
        tables = clean()
        rng.shuffle(tables.events)
        assert tables.judged().findings == ()
