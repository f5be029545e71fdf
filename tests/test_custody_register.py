"""Register and receipt alone: a whole chain where the facts are there, broken by facts only."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from pypdf import PdfReader

from reconcile.base.settings.thresholds import Thresholds
from reconcile.commands import demonstration, forms, receiving
from reconcile.commands.receiving import Receipt
from reconcile.evidence import custody
from reconcile.intake import workspace
from reconcile.intake.tables import CUSTODY_FACTS
from reconcile.run import pipeline
from reconcile.store.database import Store
from reconcile.store.statements import Sql
from tests.test_custody_faults import clean

PERIOD = "2026-09"
COLLECTED = datetime(2026, 10, 5, 8, 30, tzinfo=UTC)
LEFT = COLLECTED + timedelta(hours=30)
ARRIVED = LEFT + timedelta(hours=5)
REGISTER: dict[str, Any] = {
    "sample_id": "S-1", "collected_at": COLLECTED, "collected_by": "technician 1",
    "dispatch": "D-1", "dispatched_at": LEFT, "dispatched_by": "", "seal": "",
}  # fmt: skip
RECEIPT: dict[str, Any] = {
    "event_id": "R-1", "dispatch": "D-1", "event": "received", "at": ARRIVED, "by": "reception 1",
    "seal": "4123", "seal_intact": "yes", "containers": 2.0,
}  # fmt: skip


def judged(
    register: dict[str, Any] | None = None,
    receipt: dict[str, Any] | None = None,
    *others: dict[str, Any],
    zone: str = "UTC",
) -> custody.CustodyJudgement:
    events = [*others, RECEIPT | (receipt or {})]
    lab = {
        "sample_id": "S-1", "certificate": "C1", "received_at": ARRIVED,
        "analysed_at": ARRIVED + timedelta(days=2), "reported_at": ARRIVED + timedelta(days=3),
    }  # fmt: skip
    return custody.judge(
        pd.DataFrame(events, columns=[*CUSTODY_FACTS]),
        pd.DataFrame([REGISTER | (register or {})]),
        pd.DataFrame([lab]),
        pd.DataFrame([{"sample_id": "S-1", "measured_at": COLLECTED + timedelta(hours=2)}]),
        Thresholds(),
        zone=zone,
    )


def rules(judgement: custody.CustodyJudgement) -> set[str]:
    return {b.rule for b in judgement.breaks}


def test_collection_and_dispatch_of_the_register_with_a_receipt_make_a_whole_chain() -> None:
    judgement = judged()
    assert judgement.findings == ()
    assert judgement.status == {"S-1": custody.COMPLETE}
    assert judged({"seal": "4123"}).status == {"S-1": custody.COMPLETE}


@pytest.mark.parametrize(
    ("register", "rule"),
    [
        ({"collected_by": "", "dispatched_by": "storekeeper 1"}, "collector not named"),
        ({"collected_by": ""}, "handover without name"),
        ({"dispatched_at": pd.NaT}, "time of dispatch not recorded"),
        ({"collected_at": pd.NaT, "dispatched_by": "x"}, "first event is not collection"),
    ],
)
def test_what_the_register_does_not_say_is_a_deviation(register: dict[str, Any], rule: str) -> None:
    judgement = judged(register)
    assert rule in rules(judgement)
    assert judgement.of("S-1") == custody.DEVIATION
    assert all(f.advice for f in judgement.findings)


@pytest.mark.parametrize(
    ("register", "receipt", "rule"),
    [
        ({"dispatched_at": ARRIVED + timedelta(hours=1)}, {}, "time out of order"),
        ({"collected_at": LEFT + timedelta(hours=1)}, {}, "time out of order"),
        ({"dispatched_by": "stranger"}, {}, "released by another than the holder"),
        ({"seal": "9"}, {}, "seal differs"),
        ({}, {"seal_intact": "no"}, "seal not intact"),
        ({}, {"at": LEFT + timedelta(hours=25)}, "gap without custodian"),
    ],
)
def test_what_contradicts_breaks_the_chain(
    register: dict[str, Any], receipt: dict[str, Any], rule: str
) -> None:
    judgement = judged(register, receipt)
    assert judgement.of("S-1") == custody.BROKEN
    assert rule in rules(judgement)


@pytest.mark.parametrize("hours", [1.0, 20.0, 47.0])
def test_a_day_of_dispatch_without_a_time_claims_no_more_than_the_day(hours: float) -> None:
    day = datetime(2026, 10, 6, tzinfo=UTC) - timedelta(hours=2)  # midnight at UTC+2
    judgement = judged({"dispatched_at": day}, {"at": day + timedelta(hours=hours)},
                       zone="Etc/GMT-2")  # fmt: skip
    assert "gap without custodian" not in rules(judgement)
    assert "time out of order" not in rules(judgement)
    late = judged({"dispatched_at": day}, {"at": day + timedelta(hours=49)}, zone="Etc/GMT-2")
    assert "gap without custodian" in rules(late)


def test_a_receipt_of_another_dispatch_is_no_answer_to_this_one() -> None:
    judgement = judged({}, {"dispatch": "D-2", "sample_id": "S-1"})
    assert "received without release" in rules(judgement)
    assert judgement.of("S-1") == custody.BROKEN


def test_an_earlier_handover_in_the_record_leaves_the_dispatch_to_the_register() -> None:
    store = {"event_id": "E-2", "sample_id": "S-1"}
    handed = [
        store | {"event": "relinquished", "at": COLLECTED + timedelta(hours=1),
                 "by": "technician 1", "to": "store 1"},
        store | {"event": "received", "at": COLLECTED + timedelta(hours=2), "by": "store 1",
                 "event_id": "E-3"},
    ]  # fmt: skip
    assert judged({"dispatched_by": "store 1"}, None, *handed).findings == ()
    nameless = judged({}, None, *handed)  # who had it then is not the collector
    assert rules(nameless) == {"handover without name"}


def test_events_of_the_record_are_never_put_aside_for_the_register() -> None:
    tables = clean()
    for row in tables.samples:
        row.update(
            collected_at=row["collected_at"] + timedelta(days=40), collected_by="nobody",
            dispatched_at=row["collected_at"], dispatched_by="nobody", seal="none",
        )  # fmt: skip
    assert tables.judged().findings == ()


def test_a_sample_that_no_event_names_stays_not_recorded() -> None:
    tables = clean()
    tables.samples.append(REGISTER | {"sample_id": "Z-9", "dispatch": "D-9"})
    assert tables.judged().of("Z-9") == custody.NOT_RECORDED


def site_of_receipts(folder: Path, *left_out: str) -> Path:
    """The example without its custody records; of the register's columns some left out."""
    shutil.copytree(demonstration.inputs_folder(), folder)
    for path in folder.rglob("*_2026-*"):
        if path.parent.name == "custody" or PERIOD not in path.name:
            path.unlink()
    settings = folder / "reconcile.toml"
    text = settings.read_text("utf-8").replace('output = "../out/demo"', 'output = "out"')
    text = text.replace(
        'files = ["custody/custody_{period}.csv"]\ncolumns = { "Time" = "at" }',
        'files = ["custody/received.csv"]',
    )
    settings.write_text(text, "utf-8")
    path = folder / "register" / f"sample_register_{PERIOD}.csv"
    register = pd.read_csv(path, dtype=str, keep_default_na=False)
    sent = register.loc[register["Dispatch"].ne("")].groupby("Dispatch")["Dispatched"].first()
    register.drop(columns=list(left_out)).to_csv(path, index=False)
    for dispatch, at in sent.items():
        arrived = datetime.fromisoformat(str(at)) + timedelta(hours=20)
        receipt = Receipt("reception 1", arrived.isoformat(), seal="7301", seal_intact=True)
        assert receiving.receive(folder, str(dispatch), receipt).trouble == ""
    return folder


def custody_of_dispatched(site: Path) -> list[str]:
    """The status of each ordinary sample that went to a laboratory in the month."""
    path = site / "register" / f"sample_register_{PERIOD}.csv"
    register = pd.read_csv(path, dtype=str, keep_default_na=False)
    sent = register.loc[register["Dispatch"].ne("") & register["Sample kind"].eq("sample")]
    with Store(None) as store:
        run = pipeline.begin(workspace.load_workspace(site), PERIOD, store)
        for name, step in pipeline.STEPS:
            run = step(run)
            if name == "judge controls and custody":
                return [run.custody_status[sample] for sample in sent["Sample ID"]]
    raise AssertionError("the step that judges custody is gone")


@pytest.mark.slow
def test_form_and_receipt_give_every_sample_of_the_example_a_complete_chain(tmp_path: Path) -> None:
    site = site_of_receipts(tmp_path / "site")
    form = forms.write_form(site, "KRS-2609-1")
    assert "2026-09-11 11:00 +02:00" in PdfReader(form.path).pages[0].extract_text()
    found = custody_of_dispatched(site)
    assert len(found) > 100
    assert set(found) == {"complete"}


@pytest.mark.slow
def test_without_collector_and_time_of_dispatch_every_sample_deviates_and_none_is_broken(
    tmp_path: Path,
) -> None:
    found = custody_of_dispatched(site_of_receipts(tmp_path / "site", "Collected by", "Dispatched"))
    assert set(found) == {"deviation"}


def test_a_store_made_before_the_register_had_these_columns_learns_them(tmp_path: Path) -> None:
    path = tmp_path / "reconcile.duckdb"
    with Store(path) as store:
        store.connection.execute("ALTER TABLE register DROP COLUMN collected_by")
    with Store(path) as store:
        assert store.rows(Sql("SELECT collected_by, dispatched_at, seal FROM register")) == []
