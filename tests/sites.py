"""Invented sites, tiny and alike: each with an instrument, a laboratory in turn, two elements."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

SETTINGS = """
[workspace]
site = "{site}"
title = "Invented site {site}"

[thresholds]
minimum_pairs = 8
pairs_per_third = 1
rate_reference_materials = 0
controls_required = false
rate_blanks = 0
rate_duplicates = 0

[engine]
memory_gb = 1
threads = 1

[[table]]
kind = "field"
files = ["field/{{period}}.csv"]
unit = "mg/kg"
fixed = {{ technique = "XRF", instrument = "{instrument}", calibration = "soil 1", matrix = "soil", specimen_form = "sieved", moisture_basis = "dry", pair_type = "split" }}

[[table]]
kind = "lab"
files = ["lab/*.csv"]
unit = "mg/kg"
fixed = {{ technique = "ICP-OES", lab_method = "M1", laboratory = "{laboratory}", digestion = "four acids", digestion_class = "near-total", moisture_basis = "dry" }}
"""  # noqa: E501
LABORATORIES = ("laboratory A", "laboratory B", "laboratory C")
ELEMENTS = ("Cu", "Zn")


def name_of(number: int) -> str:
    return f"site-{number:02d}"


def instrument_of(number: int) -> str:
    return f"X{number:02d}"


def laboratory_of(number: int) -> str:
    return LABORATORIES[number % len(LABORATORIES)]


def build(
    folder: Path,
    number: int,
    months: Sequence[str],
    *,
    samples: int = 12,
    faults: Mapping[str, float] | None = None,
) -> Path:
    """Write one site; ``faults``: bias of an instrument or laboratory, ln(field/lab), by name."""
    wrong = faults or {}
    rng = np.random.default_rng(number)
    instrument, laboratory = instrument_of(number), laboratory_of(number)
    own = rng.normal(0.0, 0.02, len(ELEMENTS))  # what honest sites differ by anyway
    own = own + wrong.get(instrument, 0.0) + wrong.get(laboratory, 0.0)
    for name in ("field", "lab"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    for month in months:
        field = ["sample_id,reading_no,measured_at,Cu (mg/kg),Zn (mg/kg)"]
        lab = ["sample_id,certificate,Cu (mg/kg),Zn (mg/kg)"]
        for i in range(samples):
            sample = f"{month[2:4]}{month[5:]}-{i + 1:03d}"
            truth = np.exp(rng.normal((5.5, 6.0), 0.6))
            for reading in (1, 2):
                read = truth * np.exp(own + rng.normal(0, 0.05, 2))
                day = 1 + i % 28
                cells = ",".join(f"{x:.1f}" for x in read)
                field.append(f"{sample},{reading},{month}-{day:02d} 0{reading}:00,{cells}")
            cells = ",".join(f"{x:.1f}" for x in truth * np.exp(rng.normal(0, 0.02, 2)))
            lab.append(f"{sample},C-{month},{cells}")
        (folder / "field" / f"{month}.csv").write_text("\n".join(field) + "\n", encoding="utf-8")
        (folder / "lab" / f"{month}.csv").write_text("\n".join(lab) + "\n", encoding="utf-8")
    text = SETTINGS.format(site=name_of(number), instrument=instrument, laboratory=laboratory)
    (folder / "reconcile.toml").write_text(text, encoding="utf-8")
    return folder


def build_portfolio(
    folder: Path,
    count: int,
    months: Sequence[str],
    *,
    samples: int = 12,
    faults: Mapping[str, float] | None = None,
    settings: str = "",
) -> Path:
    """So many sites below ``folder/sites`` and the list of them."""
    listed = [f"[portfolio]\n{settings}"]
    for number in range(count):
        build(
            folder / "sites" / name_of(number), number, months, samples=samples, faults=faults
        )  # fmt: skip
        listed.append(f'[[site]]\nfolder = "sites/{name_of(number)}"\n')
    (folder / "portfolio.toml").write_text("\n".join(listed), encoding="utf-8")
    return folder
