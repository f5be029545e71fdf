"""Techniques are records: what each is judged for, and a third that one module adds."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from reconcile import techniques
from reconcile.techniques import Judged

ROOT = Path(__file__).parents[1]
FIXTURE = ROOT / "tests" / "third_technique"

RUN = """
import json, sys
from pathlib import Path
import reconcile.techniques as techniques
techniques.__path__.append(sys.argv[1])
import reconcile
from reconcile.run import releasing
from tests import small
releasing.write_release = small.data_alone
site = Path(sys.argv[2])
outcome = reconcile.run_period(site, "2026-10")
r = outcome.reconciliation
print(json.dumps({
    "strata": {x.stratum.element: [x.stratum.technique, x.statistics.n_used] for x in r.results},
    "refused": sorted({str(x) for x in r.quarantine["reason"]}),
    "findings": sorted(f.code for f in r.findings),
}))
"""
SETTINGS = """
[workspace]
assign_rows_by = "nothing"
[[table]]
kind = "field"
files = ["field.csv"]
fixed = { technique = "radiometric", moisture_basis = "dry" }
[[table]]
kind = "lab"
files = ["lab.csv"]
fixed = { technique = "ICP-MS", digestion = "fusion", moisture_basis = "dry" }
"""


def test_every_technique_is_known_by_name_and_by_what_people_write() -> None:
    assert [t.name for t in techniques.known()] == ["LIBS", "XRF"]
    assert techniques.of("xrf") is techniques.of("XRF")
    assert techniques.of("weighing") is None
    assert set(techniques.spellings().values()) == {"LIBS", "XRF"}
    assert all(text == text.lower() for text in techniques.spellings())


def test_light_elements_are_beyond_field_xrf() -> None:
    xrf = techniques.of("XRF")
    assert xrf is not None
    assert {"Li", "Be", "B", "C", "N", "O", "F"} <= xrf.cannot_report
    assert "Na" in xrf.cannot_report  # as the report says: hydrogen to sodium
    assert not xrf.cannot_report & {"Mg", "Al"}
    assert not xrf.cannot_report & xrf.hard


@pytest.mark.parametrize("aspect", Judged)
def test_everything_that_is_judged_is_judged_of_some_technique(aspect: Judged) -> None:
    assert techniques.named(aspect)


def test_a_third_technique_is_added_by_one_module_and_its_columns_are_read(tmp_path: Path) -> None:
    site = tmp_path / "site"
    site.mkdir()
    (site / "reconcile.toml").write_text(SETTINGS, encoding="utf-8")
    field = "sample_id,K (%),eU (ppm),eTh (ppm),Fe (%),count time (s)\n"
    lab = "sample_id,K (%),U (mg/kg),Th (mg/kg)\n"
    for i in range(24):
        fe = "3.1" if i == 5 else ""  # no gamma ray tells of iron
        seconds = 10 if i == 7 else 300
        field += f"G-{i:02d},{1 + 0.1 * i:.2f},{2 + 0.3 * i:.2f},{6 + 0.5 * i:.2f},{fe},{seconds}\n"
        lab += f"G-{i:02d},{1.02 + 0.1 * i:.2f},{2.1 + 0.29 * i:.2f},{6.1 + 0.52 * i:.2f}\n"
    (site / "field.csv").write_text(field, encoding="utf-8")
    (site / "lab.csv").write_text(lab, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(FIXTURE), str(site)],
        capture_output=True, text=True, encoding="utf-8", check=False, timeout=240,
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["strata"] == {e: ["gamma-ray", 24] for e in ("K", "Th", "U")}
    assert any("gamma-ray can't report this element" in reason for reason in told["refused"])
    assert any("count" in code for code in told["findings"])
