"""A receipt sample by sample: what is missing, damaged or extra is no doubt about the others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from reconcile.base.errors import ReconcileError
from reconcile.commands import forms, receiving, storytelling
from reconcile.commands.receiving import Receipt
from reconcile.releases import kept_custody
from reconcile.run import pipeline
from tests import small
from tests.test_cli import reconcile as command
from tests.test_forms import text_of

pytestmark = pytest.mark.usefixtures("data_alone")

PERIOD = "2026-10"
GOOD = Receipt("reception 1", "2026-10-30 10:00Z", 39, "4123", True)


def site(folder: Path, samples: int = 40) -> Path:
    """A dispatch of 40 bags, collected and sent by the register."""
    small.build(folder, samples=samples)
    with (folder / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[[table]]\nkind = "custody"\nfiles = ["custody/*.csv"]\n')
    head = (
        "sample_id,matrix,specimen_form,moisture_basis,pair_type,Dispatch,Collected,Collected by,"
        "Dispatched,Dispatched by,Seal"
    )
    rest = "soil,sieved,dry,split,D-1,2026-09-29 08:00,sampler,2026-10-30 06:00,sampler,4123"
    rows = [f"S{i + 1:03d},{rest}" for i in range(samples)]
    (folder / "register.csv").write_text("\n".join([head, *rows]) + "\n", "utf-8")
    (folder / "custody").mkdir()
    (folder / "custody" / "sent.csv").write_text(
        "Event ID,Dispatch,Event,At,By,To,Seal,Containers\n"
        "E1,D-1,sealed,2026-10-30 05:00,sampler,,4123,40\n",
        "utf-8",
    )
    return folder


def statuses(folder: Path) -> dict[str, set[str]]:
    """Custody status -> samples, by the pairs of a run."""
    found: dict[str, set[str]] = {}
    for result in pipeline.run_period(folder, PERIOD).reconciliation.results:
        for sample, status in zip(result.pairs["sample_id"], result.pairs["custody"], strict=True):
            found.setdefault(str(status), set()).add(str(sample))
    return found


def test_one_missing_bag_of_forty_breaks_its_own_custody_alone(tmp_path: Path) -> None:
    folder = site(tmp_path / "w")
    recorded = receiving.receive(folder, "D-1", replace(GOOD, missing=("s007",)))
    assert (recorded.samples, recorded.trouble) == (39, "")
    assert recorded.arrived.missing == ("S007",)
    found = statuses(folder)
    assert found["broken"] == {"S007"}
    assert sum(len(samples) for samples in found.values()) == 40


@pytest.mark.slow
def test_the_missing_bag_is_not_recorded_as_received(tmp_path: Path) -> None:
    folder = site(tmp_path / "w")
    receiving.receive(folder, "D-1", replace(GOOD, missing=("S007",)))
    outcome = pipeline.run_period(folder, PERIOD)
    acts = {
        name: [line.what for line in storytelling.story_of(folder, name).lines]
        for name in ("S007", "S008")
    }
    assert not any("received" in text for text in acts["S007"])
    assert any("missing" in text for text in acts["S007"])
    assert any("received" in text for text in acts["S008"])
    (told,) = [f for f in outcome.reconciliation.findings if f.code == "missing on receipt"]
    assert told.subject == "S007"


@pytest.mark.slow
def test_a_damaged_bag_breaks_its_own_custody_alone(tmp_path: Path) -> None:
    folder = site(tmp_path / "w")
    recorded = receiving.receive(
        folder, "D-1", replace(GOOD, containers=40, damaged=("S003", "S004; S005"))
    )
    assert recorded.samples == 40
    assert statuses(folder)["broken"] == {"S003", "S004", "S005"}


@pytest.mark.slow
def test_scanned_codes_say_what_is_missing_and_what_is_extra(tmp_path: Path) -> None:
    folder = site(tmp_path / "w")
    codes = [f"S{i + 1:03d}" for i in range(40) if i not in (4, 9)] + ["X-77", "S001"]
    path = tmp_path / "scanned.txt"
    path.write_text("\n".join(codes) + "\n\n", "utf-8")
    recorded = receiving.receive(folder, "D-1", replace(GOOD, scanned=path))
    assert recorded.arrived.missing == ("S005", "S010")
    assert recorded.arrived.extra == ("X-77",)
    assert recorded.samples == 38
    outcome = pipeline.run_period(folder, PERIOD)
    told = {f.code: f.subject for f in outcome.reconciliation.findings if f.area == "custody"}
    assert told["missing on receipt"] == "S005, S010"
    assert told["received and not listed"] == "X-77"
    assert statuses(folder)["broken"] == {"S005", "S010"}


@pytest.mark.slow
def test_codes_of_every_sample_make_a_plain_receipt(tmp_path: Path) -> None:
    folder = site(tmp_path / "w")
    path = tmp_path / "scanned.txt"
    path.write_text("".join(f"S{i + 1:03d}\r\n" for i in range(40)), "utf-8")
    receiving.receive(folder, "D-1", replace(GOOD, containers=40, scanned=path))
    lines = (folder / kept_custody.RECEIVED).read_text("utf-8").splitlines()
    assert len(lines) == 2
    assert "broken" not in statuses(folder)


@pytest.mark.parametrize(
    ("receipt", "said"),
    [
        (replace(GOOD, missing=("S999",)), "no sample of dispatch D-1"),
        (replace(GOOD, extra=("S001",)), "stands on the list"),
        (replace(GOOD, missing=("S001",), damaged=("S001",)), "missing and damaged"),
        (replace(GOOD, extra=("=HYPERLINK(1)",)), "a spreadsheet that opens"),
        (replace(GOOD, scanned=Path("no-such.txt")), "can't be read"),
    ],
)
def test_a_receipt_that_contradicts_the_list_adds_nothing(
    tmp_path: Path, receipt: Receipt, said: str
) -> None:
    folder = site(tmp_path / "w")
    with pytest.raises(ReconcileError, match=said):
        receiving.receive(folder, "D-1", receipt)
    assert not (folder / kept_custody.RECEIVED).exists()


def test_the_command_and_the_form_say_the_same(tmp_path: Path) -> None:
    folder = site(tmp_path / "w")
    form = text_of(forms.write_form(folder, "D-1").path)
    for text in ("damaged", "--missing", "--extra"):
        assert text in form
    _, said, _ = command(
        "receive", "D-1", str(folder), "--by", "reception 1", "--at", "2026-10-30T10:00Z",
        "--missing", "S002", "--damaged", "S003", "--extra", "X-9", "--containers", "39",
    )  # fmt: skip
    assert "39 samples" in said
    for line in ("Missing: S002", "Damaged: S003", "Not on the list: X-9"):
        assert line in said
