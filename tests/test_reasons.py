"""Reasons are codes: no name of a certificate, an instrument or a person's words changes them."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import reconcile
from reconcile.base.reasons import CENSORED, Exclusion, in_words
from tests import small

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


@pytest.mark.parametrize("instrument", ["X1", "20714; B", "A, B | C"])
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
    assert iron.statistics.censored_ratio is None  # nothing of iron is below a limit
    assert iron.pairs["reason"].str.contains(why).sum() == 6


def test_every_code_has_words_and_only_limits_count_as_censored() -> None:
    words = {code: in_words(code, "{braces} and 'quotes'") for code in Exclusion}
    assert len(set(words.values())) == len(Exclusion)
    assert all(words.values())
    assert {c for c in Exclusion if "outside-limits" in c} == CENSORED
    assert in_words("") == ""
