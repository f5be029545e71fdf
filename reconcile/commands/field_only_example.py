"""How the example ends: samples that were read in the field only, and what becomes of them.

A second, smaller invented site. Its samples of November have no laboratory result when someone
must act; a result sheet decides, some go to the laboratory, the answers are held against the
calls, and the instrument's window turns out to be cracked: the factor is withdrawn. Every name
and number is made up.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np

from reconcile.base.writing import write_whole
from reconcile.commands import dispatching, issuing
from reconcile.judgement import factor_life
from reconcile.releases import persons
from reconcile.run.pipeline import run_period

EVIDENCE, MONTH = "2026-10", "2026-11"
TABLE = "field_2026-11.csv"
_TIMES = {
    "approve": "2026-11-03T10:00+02:00", "issue": "2026-11-27T08:00+02:00",
    "check": "2026-11-27T09:00+02:00", "accept": "2026-11-27T10:00+02:00",
    "withdraw": "2026-11-28T12:00+02:00",
}  # fmt: skip
_SETTINGS = """# INVENTED EXAMPLE: samples that were read in the field only. Every number is made up.
[workspace]
site = "kessar-trench-4"
title = "Kessar Ridge, trench 4 (invented): samples read in the field only"
time_zone = "Etc/GMT-2"
elements = ["Cu"]

[report]
prepared_for = "pilot plant, Kessar Ridge (invented)"
prepared_by = "field analyst 1"
purpose = "screening: which bags are moved before the laboratory answers"

[thresholds]                    # this small site agreed on no controls
controls_required = false
rate_reference_materials = 0
rate_blanks = 0
rate_duplicates = 0

[errors]
lab_rsd = 0.03

[sheet]
check_share = 0.25
assay_cost = 45
missed_cost = 4000
false_alarm_cost = 700
currency = "units"

[element.Cu]
unit = "mg/kg"
levels = [{ name = "action level", value = 250 }]

[[table]]
name = "XRF soil"
kind = "field"
files = ["field_{period}.csv"]
unit = "mg/kg"
fixed = { technique = "XRF", instrument = "20714", calibration = "soil 1" }

[[table]]
name = "four acids"
kind = "lab"
files = ["lab_{period}.csv"]
required = false
unit = "mg/kg"
fixed = { technique = "ICP-OES", lab_method = "4A-ES", digestion = "four acids", digestion_class = "near-total", moisture_basis = "dry", laboratory = "geochemical laboratory" }

[[table]]
kind = "sample register"
files = ["register.csv"]
"""  # noqa: E501
_BIAS, _SAMPLES, _FIELD_ONLY = 1.18, 60, 36


def build(folder: Path) -> dict[str, float]:
    """Write the site; returns the true content, mg/kg, of each sample of November."""
    rng = np.random.default_rng(41)
    register = ["sample_id,matrix,specimen_form,moisture_basis,pair_type"]
    field = {EVIDENCE: [_HEAD], MONTH: [_HEAD]}
    lab = ["sample_id,certificate,Cu (mg/kg)"]
    true: dict[str, float] = {}
    for month, count in ((EVIDENCE, _SAMPLES), (MONTH, _FIELD_ONLY)):
        contents = np.exp(rng.uniform(np.log(60), np.log(900), count))
        for i, content in enumerate(contents, start=1):
            sample = f"T4-{month[5:]}-{i:03d}"
            split = content * np.exp(rng.normal(0, 0.04))
            for k in (1, 2, 3):
                read = _BIAS * split * np.exp(rng.normal(0, 0.06))
                day, lot = 2 + i % 24, f"trench 4 {'north' if i % 2 else 'south'}"
                at = f"{month}-{day:02d} {8 + k:02d}:{i % 60:02d}"
                field[month].append(f"{sample},{k},{at},{lot},field analyst 1,{read:.0f}")
            register.append(f"{sample},soil,sieved,dry,split")
            if month == EVIDENCE:
                lab.append(f"{sample},T4-1,{content * np.exp(rng.normal(0, 0.03)):.1f}")
            else:
                true[sample] = float(content)
    for month, lines in field.items():
        _write(folder / f"field_{month}.csv", lines)
    _write(folder / f"lab_{EVIDENCE}.csv", lab)
    _write(folder / "register.csv", register)
    write_whole(folder / "reconcile.toml", _SETTINGS.encode())
    return true


_HEAD = "sample_id,reading_no,measured_at,group,operator,Cu (mg/kg)"


def answer(folder: Path, true: dict[str, float], samples: tuple[str, ...]) -> None:
    """The laboratory's answer for the samples that were sent."""
    rng = np.random.default_rng(43)
    lines = ["sample_id,certificate,Cu (mg/kg)"]
    lines += [f"{s},T4-2,{true[s] * np.exp(rng.normal(0, 0.03)):.1f}" for s in sorted(samples)]
    _write(folder / f"lab_{MONTH}.csv", lines)


def _write(path: Path, lines: list[str]) -> None:
    write_whole(path, ("\n".join(lines) + "\n").encode())


def may_act() -> bool:
    """Whether the machine's clock is after the invented acts: nobody acts in the future."""
    return persons.clock() >= datetime.fromisoformat(max(_TIMES.values()))


def walk(folder: Path, step: Callable[[str], None]) -> issuing.Issued:
    """Evidence, approval, sheet, dispatch, answers, and the factor's end; ``step`` tells each."""
    true = build(folder)
    outcome = run_period(folder, EVIDENCE)
    factor = next(r.factor for r in outcome.reconciliation.results if r.factor is not None)
    factor_life.approve(
        folder, factor.factor_id, "field analyst 2", "curves and residuals looked at",
        _TIMES["approve"],
    )  # fmt: skip
    made = issuing.issue(folder, folder / TABLE, "field analyst 1", _TIMES["issue"])
    step("issued")
    number = made.sheet.number
    issuing.sign_off(
        folder, number, "checked", "field analyst 2", _TIMES["check"], "second analyst",
        "values and calls compared",
    )  # fmt: skip
    issuing.sign_off(
        folder, number, "approved", "responsible geochemist", _TIMES["accept"],
        "competent person", "as it stands",
    )  # fmt: skip
    sent = dispatching.dispatch(folder, number, "T4-2", "field analyst 1", _TIMES["accept"])
    answer(folder, true, tuple(sample for sample, _, _ in sent.samples))
    run_period(folder, MONTH)
    step("answered")
    factor_life.withdraw(
        folder, factor.factor_id, "field analyst 2", "the window was cracked", _TIMES["withdraw"]
    )
    step("withdrawn")
    return made
