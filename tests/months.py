"""A small invented workspace of several months, each with files and samples of its own."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

SETTINGS = """
[workspace]
title = "Small test site of several months"
time_zone = "UTC"

[report]
prepared_for = "the reader"

[thresholds]
rate_reference_materials = 0
controls_required = false
rate_blanks = 0
rate_duplicates = 0
{thresholds}

[evidence]
{evidence}

[element.Cu]
unit = "mg/kg"

[[table]]
kind = "field"
files = ["field_{{period}}.csv"]
unit = "mg/kg"
fixed = {{ technique = "XRF", instrument = "X1" }}

[[table]]
kind = "lab"
files = ["lab_*.csv"]
unit = "mg/kg"
fixed = {{ technique = "ICP-OES", lab_method = "M1", digestion = "four acids", digestion_class = "near-total", moisture_basis = "dry" }}

[[table]]
kind = "sample register"
files = ["register.csv"]
"""  # noqa: E501

REGISTER = "sample_id,matrix,specimen_form,moisture_basis,pair_type\n"


def build(
    folder: Path, biases: Mapping[str, float], *, samples: int = 14, rsd: float = 0.05,
    evidence: str = "", thresholds: str = "", calibration: Mapping[str, str] | None = None,
    seed: int = 3,
) -> Path:  # fmt: skip
    """Months with their bias (0.1: the field reads 10 % too high); copper over ×8 in soil."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "reconcile.toml").write_text(
        SETTINGS.format(evidence=evidence, thresholds=thresholds), encoding="utf-8"
    )
    register = [REGISTER.strip()]
    for number, (period, bias) in enumerate(biases.items()):
        rng = np.random.default_rng([seed, number])
        true = 100 * np.exp(rng.uniform(0, np.log(8), samples))
        named = (calibration or {}).get(period, "soil 1")
        field = ["sample_id,reading_no,measured_at,calibration,Cu (mg/kg)"]
        lab = ["sample_id,certificate,Cu (mg/kg)"]
        for i, level in enumerate(true):
            sample = f"{period}-{i + 1:02d}"
            read = level * (1 + bias) * np.exp(rng.normal(0, rsd))
            field += [
                f"{sample},{k},{period}-{1 + i % 28:02d} 0{k}:00,{named},"
                f"{read * np.exp(rng.normal(0, 0.01)):.2f}"
                for k in (1, 2)
            ]
            lab.append(f"{sample},C-{period},{level * np.exp(rng.normal(0, 0.01)):.2f}")
            register.append(f"{sample},soil,sieved,dry,split")
        (folder / f"field_{period}.csv").write_text("\n".join(field) + "\n", encoding="utf-8")
        (folder / f"lab_{period}.csv").write_text("\n".join(lab) + "\n", encoding="utf-8")
    (folder / "register.csv").write_text("\n".join(register) + "\n", encoding="utf-8")
    return folder
