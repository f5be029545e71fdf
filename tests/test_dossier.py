"""The acceptance dossier of a client: one release's evidence, its limits, and what comes next."""

from __future__ import annotations

import io
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from pypdf import PdfReader

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.base.model.release import SignOff
from reconcile.commands import acceptance
from reconcile.intake import workspace
from reconcile.judgement import dossier_content, factor_life
from reconcile.releases import history
from reconcile.reporting import words
from reconcile.reporting.document import dossier as pages
from tests.test_cli import reconcile as command
from tests.test_factors import AT, build

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

PERIOD = "2026-10"


@pytest.fixture(scope="module")
def released(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = build(tmp_path_factory.mktemp("dossier") / "site", samples=40)
    reconcile.run_period(site, PERIOD)
    return site


@pytest.fixture
def site(released: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(released, tmp_path / "site"))


def texts(path: Path) -> list[str]:
    return [" ".join(p.extract_text().split()) for p in PdfReader(path).pages]


@pytest.mark.slow
def test_it_holds_purpose_evidence_verdicts_curves_limits_checks_and_sign_off(site: Path) -> None:
    path = acceptance.write_dossier(site, PERIOD, client="the works council")
    made = dossier_content.read(site, PERIOD)
    shown = texts(path)
    whole = " ".join(shown)
    for text in (
        words.DOSSIER_TITLE, words.DOSSIER_EVIDENCE, words.DOSSIER_CHECKS, words.DOSSIER_LIMITS,
        words.SIGN_OFF, "the works council", "screening", made.manifest_sha256,
        "Accepted after correction", "Chance of a wrong call at cut-off, corrected",
        "until 2027-01-31", "Metals in service", *words.SIGN_OFF_ROLES,
    ):  # fmt: skip
        assert text in whole, text
    copper = next(s for s in made.strata if s.key.startswith("Cu"))
    assert len(copper.criteria) > 10
    for criterion in copper.criteria:
        assert criterion.name in whole
    assert copper.factor is not None
    assert copper.factor.factor_id in shown[0]


def test_each_page_bears_the_release_and_its_place(site: Path) -> None:
    path = acceptance.write_dossier(site, PERIOD)
    shown = texts(path)
    identity = dossier_content.read(site, PERIOD).release_id
    for number, text in enumerate(shown, start=1):
        assert f"Release {identity} · page {number} of {len(shown)}" in text
        assert words.DRAFT in text


def test_equal_releases_give_equal_bytes_and_a_file_is_not_overwritten(
    site: Path, tmp_path: Path
) -> None:
    one = acceptance.write_dossier(site, PERIOD)
    before = one.read_bytes()
    assert acceptance.write_dossier(site, PERIOD).read_bytes() == before
    two = acceptance.write_dossier(site, PERIOD, to=tmp_path / "two.pdf")
    assert two.read_bytes() == before
    with pytest.raises(ReconcileError, match="other content"):
        acceptance.write_dossier(site, PERIOD, client="somebody else", to=two)
    assert two.read_bytes() == before


@pytest.mark.slow
def test_it_is_drawn_from_the_release_and_not_from_what_the_tables_hold_now(site: Path) -> None:
    before = acceptance.write_dossier(site, PERIOD).read_bytes()
    field = site / "field.csv"
    lines = field.read_text("utf-8").splitlines()
    field.write_text("\n".join(lines[:-20]) + "\n", "utf-8")
    assert pages.pdf(dossier_content.read(site, PERIOD)) == before
    reconcile.run_period(site, PERIOD)  # now there is a second revision
    assert dossier_content.read(site, PERIOD).manifest["revision"] == 2
    assert pages.pdf(dossier_content.read(site, PERIOD, 1)) == before


def issue(site: Path, period: str, revision: int = 1, **decisions: str) -> str:
    """A release that repeats the first one with other verdicts on some elements."""
    releases = site / "out" / "releases"
    manifest = json.loads((releases / PERIOD / "r1" / "manifest.json").read_text("utf-8"))
    name = f"{period}-r{revision}-abc"
    manifest |= {"release_id": name, "period": period, "revision": revision}
    for key, summary in manifest["strata"].items():
        summary["verdict"] = decisions.get(key.partition(" | ")[0], summary["verdict"])
    folder = releases / period / f"r{revision}"
    folder.mkdir(parents=True)
    (folder / "manifest.json").write_text(json.dumps(manifest), "utf-8")
    return name


def test_later_releases_that_say_the_same_change_nothing(site: Path) -> None:
    before = pages.pdf(dossier_content.read(site, PERIOD))
    issue(site, "2026-11")
    issue(site, "2026-09", Cu="laboratory only")  # an earlier month is no later word
    assert pages.pdf(dossier_content.read(site, PERIOD)) == before


@pytest.mark.slow
def test_an_acceptance_that_a_later_release_takes_back_is_handed_out_only_when_asked_for(
    site: Path,
) -> None:
    later = issue(site, "2026-11", Cu="laboratory only")
    issue(site, "2026-12", Cu="insufficient evidence")  # which takes nothing back again
    with pytest.raises(ReconcileError, match=f"laboratory only in {later}") as caught:
        acceptance.write_dossier(site, PERIOD)
    assert "--despite-later" in caught.value.advice
    assert not (site / "out" / "dossiers").exists()
    code, _, err = command("dossier", PERIOD, str(site), "--despite-later")
    assert code == 0, err
    first = texts(next((site / "out" / "dossiers").iterdir()))[0]
    assert words.DOSSIER_SINCE in first
    assert later in first
    assert words.DECISION_TITLE["laboratory only"] in first
    acceptance.write_dossier(site, PERIOD, elements=("Fe",), to=site / "iron.pdf")  # says nothing
    assert words.DOSSIER_SINCE not in texts(site / "iron.pdf")[0]


def test_the_newest_release_with_evidence_speaks(site: Path) -> None:
    issue(site, "2026-11", Cu="laboratory only")
    issue(site, "2026-12")
    assert dossier_content.read(site, PERIOD).since == ()
    issue(site, "2027-01", Cu="accepted")
    (found,) = dossier_content.read(site, PERIOD).since
    assert (found.here, found.now) == ("accepted after correction", "accepted")
    assert not found.contradicts


def test_too_little_evidence_later_is_told_and_takes_nothing_back(site: Path) -> None:
    later = issue(site, "2026-11", Cu="insufficient evidence")
    first = texts(acceptance.write_dossier(site, PERIOD))[0]
    assert words.DOSSIER_SINCE in first
    assert later in first


def test_a_later_revision_of_the_same_month_speaks_too(site: Path) -> None:
    issue(site, PERIOD, 2, Cu="laboratory only")
    with pytest.raises(ReconcileError, match="taken back since"):
        acceptance.write_dossier(site, PERIOD, revision=1)


def test_a_withdrawn_factor_takes_its_acceptance_back(site: Path) -> None:
    copper = next(s for s in dossier_content.read(site, PERIOD).strata if s.corrected)
    assert copper.factor is not None
    factor_life.withdraw(site, copper.factor.factor_id, "Ben Osei", "window replaced", AT)
    with pytest.raises(ReconcileError, match=r"factor was withdrawn \(window replaced\)"):
        acceptance.write_dossier(site, PERIOD)
    first = texts(acceptance.write_dossier(site, PERIOD, despite_later=True))[0]
    assert words.DOSSIER_SINCE_FACTOR["withdrawn"] in first


def test_an_altered_release_gives_no_dossier(site: Path) -> None:
    path = site / "out" / "releases" / PERIOD / "r1" / "statistics.json"
    path.write_bytes(path.read_bytes().replace(b'"accepted', b'"Accepted', 1))
    with pytest.raises(ReconcileError, match="altered"):
        dossier_content.read(site, PERIOD)


@pytest.mark.parametrize(("period", "revision"), [("2026-09", 0), (PERIOD, 7)])
def test_a_release_that_is_not_there_is_named(site: Path, period: str, revision: int) -> None:
    with pytest.raises(ReconcileError, match="No release of"):
        dossier_content.read(site, period, revision)


def test_the_curves_are_those_of_corrected_values_where_the_verdict_asks_for_it(
    site: Path,
) -> None:
    copper = next(s for s in dossier_content.read(site, PERIOD).strata if s.key.startswith("Cu"))
    assert copper.corrected
    # read 20 % high, corrected to the laboratory's scale
    assert np.exp(np.mean(np.log(copper.field / copper.lab))) == pytest.approx(1, abs=0.02)
    assert len(pages.curves_of(copper)) == 1


@pytest.mark.slow
def test_without_an_accepted_stratum_it_says_so_and_shows_why(site: Path) -> None:
    path = site / "reconcile.toml"
    text = path.read_text("utf-8")
    text = text.replace("[report]", '[report]\nuse = "resource or reserve estimate"')
    path.write_text(text, "utf-8")
    reconcile.run_period(site, PERIOD)
    whole = " ".join(texts(acceptance.write_dossier(site, PERIOD)))
    assert words.DOSSIER_NONE in whole
    assert "need laboratory results unless a qualified person says otherwise" in whole
    assert words.DOSSIER_EVIDENCE not in whole


def test_the_agreed_numbers_are_those_of_the_release(site: Path) -> None:
    path = acceptance.write_dossier(site, PERIOD)
    whole = " ".join(texts(path))
    assert "at least 20 pairs per stratum" in whole
    assert "field recovery 80 % to 120 %" in whole.replace("\N{NO-BREAK SPACE}", " ")
    assert "{" not in whole
    given = json.loads(
        (site / "out" / "releases" / PERIOD / "r1" / "manifest.json").read_text("utf-8")
    )
    assert given["settings"]["thresholds.minimum_pairs"] == "20"


def test_the_command_writes_it_under_the_output_folder(site: Path) -> None:
    code, out, err = command("dossier", PERIOD, str(site), "--element", "Cu", "--client", "A & <B>")
    assert code == 0, err
    found = list((workspace.load_workspace(site).output / "dossiers").iterdir())
    assert len(found) == 1
    assert re.fullmatch(rf"{PERIOD}-r1-[0-9a-f]+\.pdf", found[0].name)
    assert found[0].name in "".join(out.split())
    whole = " ".join(texts(found[0]))
    assert "A & <B>" in whole
    assert "Fe · XRF" not in whole
    code, _, err = command("dossier", PERIOD, str(site), "--element", "Xx")
    assert (code, "no stratum of Xx" in " ".join(err.split())) == (2, True)


def test_two_strata_of_one_element_and_material_are_told_apart_by_what_differs(
    site: Path,
) -> None:
    one = dossier_content.read(site, PERIOD).strata[0]
    twin = replace(one, facts=tuple({"sieved": "as found"}.get(f, f) for f in one.facts))
    labels = [s.label for s in dossier_content._told_apart([one, twin])]
    assert labels == [f"{one.label} (sieved)", f"{one.label} (as found)"]
    assert dossier_content._told_apart([one]) == [one]


def test_only_a_file_that_ends_in_pdf_is_written(site: Path, tmp_path: Path) -> None:
    with pytest.raises(ReconcileError, match="no PDF"):
        acceptance.write_dossier(site, "2026-10", to=tmp_path / "dossier.txt")
    assert not (tmp_path / "dossier.txt").exists()


def test_a_factor_that_later_pairs_call_to_be_withdrawn_is_told(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = dossier_content.read(site, PERIOD)
    covered = next(s for s in found.strata if s.corrected)
    assert covered.factor is not None

    def later(call: str) -> SimpleNamespace:
        score = {"factor_id": covered.factor.factor_id, "call": call}
        manifest = {"strata": {}, "release_id": "2026-11-r1", "factor_scores": [score]}
        return SimpleNamespace(manifest=manifest)

    monkeypatch.setattr(history, "later_releases", lambda *_: (later("withdraw"),))
    (since,) = dossier_content.read(site, PERIOD).since
    assert since.factor_state == dossier_content.CALLED
    assert since.source == "2026-11-r1"
    assert since.contradicts
    assert words.DOSSIER_SINCE_FACTOR[since.factor_state]
    # a later month in which the same factor holds again takes the call back
    both = later("withdraw"), later("keep")
    monkeypatch.setattr(history, "later_releases", lambda *_: both)
    assert dossier_content.read(site, PERIOD).since == ()


def test_it_is_a_draft_only_as_long_as_nobody_signed_the_release(site: Path) -> None:
    made = dossier_content.read(site, PERIOD)
    act = SignOff("approved", "Ana Held", "analyst", "2026-11-05T10:00+01:00", "", "", False)
    of = {
        name: [" ".join(p.extract_text().split()) for p in PdfReader(io.BytesIO(content)).pages]
        for name, content in (
            ("draft", pages.pdf(made)), ("signed", pages.pdf(replace(made, acts=(act,)))),
        )
    }  # fmt: skip
    assert all(words.DRAFT in page for page in of["draft"])
    assert not any(words.DRAFT in page for page in of["signed"])
    assert "Ana Held" in of["signed"][-1]


def test_the_headline_does_not_count_what_a_factor_nobody_approved_would_allow(
    site: Path,
) -> None:
    made = dossier_content.read(site, PERIOD)
    (one, *_) = [s for s in made.strata if s.corrected]
    assert one.factor is not None
    first = " ".join(PdfReader(io.BytesIO(pages.pdf(made))).pages[0].extract_text().split())
    assert "1 more could be used once a second person approves their factors" in first
    approved = replace(one, factor=replace(one.factor, status="approved"))
    strata = tuple(approved if s is one else s for s in made.strata)
    again = PdfReader(io.BytesIO(pages.pdf(replace(made, strata=strata)))).pages[0].extract_text()
    assert "and in 1 with a factor in force" in " ".join(again.split())


def test_pairs_that_are_judged_by_differences_are_drawn_too(site: Path) -> None:
    (one, *_) = dossier_content.read(site, PERIOD).strata
    ((title, _),) = pages.data_of(replace(one, ratio=False))
    assert title == (words.DOSSIER_DIFFERENCES[one.corrected],)
    ((title, _),) = pages.data_of(replace(one, ratio=True))
    assert title == (words.DOSSIER_RATIOS[one.corrected],)
