"""Reasons are codes: no name of a certificate, an instrument or a person's words changes them."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

import reconcile
from reconcile.base.methods import FieldMethod, LabMethod, Moisture
from reconcile.base.model.release import Reconciliation
from reconcile.base.reasons import CENSORED, Exclusion, in_words
from reconcile.commands import planning, storytelling
from reconcile.judgement import dossier_content, factor_life
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone")

NAMES = ["C1", "CS-2609, part 2", "; | · ,", "superseded by the over-range re-assay"]


def site(folder: Path, *, certificate: str = "C1", instrument: str = "X1") -> Path:
    """A small site with a reference material that is judged on both sides."""
    small.build(folder)
    path = folder / "reconcile.toml"
    text = path.read_text("utf-8")
    rule = 'kind_rules = [{ column = "sample_id", pattern = "RM.*", kind = "reference material" }]'
    for fixed in ('fixed = { technique = "XRF"', 'fixed = { technique = "ICP-OES"'):
        text = text.replace(fixed, f"{rule}\n{fixed}")
    text = text.replace('certificate = "C1"', f'certificate = "{certificate}"')
    text = text.replace('instrument = "X1"', f'instrument = "{instrument}"')
    text += '\n[[table]]\nkind = "reference materials"\nfiles = ["rm.csv"]\n'
    path.write_text(text, "utf-8")
    (folder / "rm.csv").write_text(
        "Reference code,Element,Certified value,Expanded uncertainty,Unit\nRM1,Cu,300,6,mg/kg\n",
        "utf-8",
    )
    return folder


def add(folder: Path, name: str, line: str) -> None:
    with (folder / name).open("a", encoding="utf-8") as stream:
        stream.write(line + "\n")


def pairs_of(folder: Path, element: str = "Cu") -> pd.DataFrame:
    outcome = reconcile.run_period(folder, "2026-10")
    (found,) = (r for r in outcome.reconciliation.results if r.stratum.element == element)
    return found.pairs


@pytest.mark.slow
@pytest.mark.parametrize("certificate", NAMES)
def test_a_failed_batch_stays_out_whatever_its_certificate_is_called(
    tmp_path: Path, certificate: str
) -> None:
    folder = site(tmp_path / "site", certificate=certificate)
    add(folder, "lab.csv", "RM1,600,3.5")
    pairs = pairs_of(folder)
    assert set(pairs["reason_code"]) == {Exclusion.BATCH_FAILED}
    assert set(pairs["certificate"]) == {(certificate,)}
    shown = pd.read_csv(folder / "out/releases/2026-10/r1/pairs.csv")
    assert set(shown.loc[shown["stratum"].str.startswith("Cu"), "certificate"]) == {certificate}


@pytest.mark.parametrize(
    "instrument",
    ["20714; B", *(pytest.param(name, marks=pytest.mark.slow) for name in ("X1", "A, B | C"))],
)
def test_a_failed_day_stays_out_whatever_the_instrument_is_called(
    tmp_path: Path, instrument: str
) -> None:
    folder = site(tmp_path / "site", instrument=instrument)
    add(folder, "field.csv", "RM1,1,2026-10-02 00:30,900,30000")
    pairs = pairs_of(folder)
    that_day = pd.to_datetime(pairs["field_time"]).dt.day.eq(2)
    assert that_day.any()
    assert pairs.loc[that_day, "reason_code"].eq(Exclusion.BATCH_FAILED).all()
    assert not pairs.loc[~that_day, "reason_code"].eq(Exclusion.BATCH_FAILED).any()


@pytest.mark.slow
def test_a_persons_reason_is_never_taken_for_a_limit(tmp_path: Path) -> None:
    folder = small.build(tmp_path / "site")
    path = folder / "reconcile.toml"
    why = "the bag lay outside its limits"
    entries = ", ".join(f'"S{n:03d}/Fe" = "{why}"' for n in range(1, 7))
    path.write_text(f"leave_out = {{ {entries} }}\n" + path.read_text("utf-8"), "utf-8")
    outcome = reconcile.run_period(folder, "2026-10")
    (iron,) = (r for r in outcome.reconciliation.results if r.stratum.element == "Fe")
    assert iron.pairs["reason_code"].eq(Exclusion.LEFT_OUT).sum() == 6
    assert iron.statistics.n_excluded == 6
    assert iron.statistics.bias.censored_ratio is None  # nothing of iron is below a limit
    assert iron.pairs["reason"].str.contains(why).sum() == 6


def test_every_code_has_words_and_only_limits_count_as_censored() -> None:
    words = {code: in_words(code, "{braces} and 'quotes'") for code in Exclusion}
    assert len(set(words.values())) == len(Exclusion)
    assert all(words.values())
    assert {c for c in Exclusion if "outside-limits" in c} == CENSORED
    assert in_words("") == ""


# ---- names that look like joined text, all the way ------------------------------------

INSTRUMENT, CALIBRATION = "20714; B · C | D", "a, lab b"


def named_site(folder: Path) -> Path:
    """A site whose instrument and calibration are named as joined texts are written, whose
    bases differ, and that has field-only samples; its one release is kept."""
    site(folder, instrument=INSTRUMENT)
    path = folder / "reconcile.toml"
    text = path.read_text("utf-8").replace(
        'calibration = "soil 1"', f'calibration = "{CALIBRATION}"'
    )
    text = text.replace('title = "Small test site"', 'title = "Small"\nassign_rows_by = "nothing"')
    limits = '\n[[table]]\nkind = "specification limits"\nfiles = ["limits.csv"]\n'
    path.write_text(text + limits, "utf-8")
    (folder / "limits.csv").write_text(
        "Grade,Element,Lower limit,Upper limit,Unit\nG1,Cu,,400,mg/kg\n", "utf-8"
    )
    for number in (901, 902, 903, 904):
        add(folder, "field.csv", f"S{number},1,2026-10-05 01:00,{200 + number % 900},30000")
        add(folder, "register.csv", f"S{number},soil,sieved,dry,split")
    register = (folder / "register.csv").read_text("utf-8")
    (folder / "register.csv").write_text(register.replace(",dry,", ",as received,"), "utf-8")
    return folder


@pytest.fixture(scope="module")
def named(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Reconciliation]:
    folder = named_site(tmp_path_factory.mktemp("named") / "site")
    return folder, reconcile.run_period(folder, "2026-10").reconciliation


@pytest.mark.slow
def test_a_stratum_keeps_the_parts_of_its_methods_whatever_they_are_called(
    named: tuple[Path, Reconciliation],
) -> None:
    folder, found = named
    for result in found.results:
        assert result.stratum.read_by == FieldMethod("XRF", INSTRUMENT, CALIBRATION)
        assert result.stratum.determined_by == LabMethod("ICP-OES", "M1", "four acids")
        assert result.stratum.moisture == Moisture("as received", "dry")
    factors = factor_life.load(folder / "out/releases/2026-10/r1/factors.json")
    assert {f.stratum for f in factors} <= {r.stratum for r in found.results}
    shown = json.loads((folder / "out/releases/2026-10/r1/statistics.json").read_text("utf-8"))
    (copper,) = (s["stratum"] for s in shown["strata"] if s["stratum"]["element"] == "Cu")
    assert copper["read_by"] == {
        "technique": "XRF", "instrument": INSTRUMENT, "calibration": CALIBRATION,
    }  # fmt: skip
    assert copper["field_method"] == f"XRF · {INSTRUMENT} · {CALIBRATION}"


def test_the_story_of_a_sample_finds_its_pairs_under_such_names(
    named: tuple[Path, Reconciliation],
) -> None:
    told = storytelling.story_of(named[0], "S001")
    said = [line.what for line in told.lines if line.kind == "release"]
    assert any("used for" in text or "left out" in text for text in said)


@pytest.mark.slow
def test_the_plan_knows_the_kind_of_a_field_sample_under_such_names(
    named: tuple[Path, Reconciliation],
) -> None:
    folder, found = named
    plan = planning.plan(folder, "2026-10")
    assert plan.choices
    assert {choice.kind for choice in plan.choices} == {
        planning._kind(result.stratum) for result in found.results
    }


def test_the_dossier_takes_an_element_by_itself_and_not_by_its_key(
    named: tuple[Path, Reconciliation],
) -> None:
    found = dossier_content.read(named[0], "2026-10", elements=("Cu",))
    (copper,) = found.strata
    assert copper.element == "Cu"
    assert copper.field_method == f"XRF · {INSTRUMENT} · {CALIBRATION}"


def test_specimens_of_such_an_instrument_are_one_set(named: tuple[Path, Reconciliation]) -> None:
    record = named[1].conformity
    assert record is not None
    field = {
        (s.results.technique, s.results.method)
        for s in record.specimens
        if s.results.side == "field"
    }
    assert field == {("XRF", f"XRF · {INSTRUMENT} · {CALIBRATION}")}


def test_broken_custody_says_which_rule_broke_it() -> None:
    code = Exclusion.CUSTODY_BROKEN
    assert in_words(code, "seal, time out of order") == "custody broken: seal, time out of order"
    assert in_words(code) == "custody broken"
