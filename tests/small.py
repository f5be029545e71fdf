"""A small invented workspace, quick to run, for tests of the whole program."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from reconcile.base.model.release import Reconciliation
from reconcile.reporting.render.tables import data_files

SETTINGS = """
[workspace]
title = "Small test site"
time_zone = "UTC"

[report]
prepared_for = "the reader"

[thresholds]  # no controls were agreed for this site
rate_reference_materials = 0
controls_required = false
rate_blanks = 0
rate_duplicates = 0

[element.Cu]
unit = "mg/kg"
levels = [{ name = "cut-off", value = 300 }]

[element.Fe]
unit = "%"

[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = { technique = "XRF", instrument = "X1", calibration = "soil 1" }

[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = { technique = "ICP-OES", lab_method = "M1", digestion = "four acids", digestion_class = "near-total", moisture_basis = "dry", certificate = "C1" }

[[table]]
kind = "sample register"
files = ["register.csv"]
required = false
"""  # noqa: E501


def build(folder: Path, *, samples: int = 30, bias: float = 1.2, seed: int = 7) -> Path:
    """Write the workspace: two readings per sample, copper biased, iron true, some below limits."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    copper = np.exp(rng.normal(5.5, 0.9, samples))
    iron = np.exp(rng.normal(np.log(35_000), 0.4, samples))
    field = ["sample_id,reading_no,measured_at,Cu (mg/kg),Fe (mg/kg)"]
    lab = ["sample_id,Cu (mg/kg),Fe (%)"]
    register = ["sample_id,matrix,specimen_form,moisture_basis,pair_type"]
    for number in range(samples):
        name = f"S{number + 1:03d}"
        for reading in (1, 2):
            cu = copper[number] * bias * np.exp(rng.normal(0, 0.08))
            fe = iron[number] * np.exp(rng.normal(0, 0.05))
            shown = f"{cu:.1f}" if cu > 40 else "<40"
            field.append(
                f"{name},{reading},2026-10-{1 + number % 28:02d} 0{reading}:00,{shown},{fe:.0f}"
            )
        lab.append(
            f"{name},{copper[number] * np.exp(rng.normal(0, 0.03)):.1f},{iron[number] / 1e4:.3f}"
        )
        register.append(f"{name},soil,sieved,dry,split")
    (folder / "field.csv").write_text("\n".join(field) + "\n", encoding="utf-8")
    (folder / "lab.csv").write_text("\n".join(lab) + "\n", encoding="utf-8")
    (folder / "register.csv").write_text("\n".join(register) + "\n", encoding="utf-8")
    (folder / "reconcile.toml").write_text(SETTINGS, encoding="utf-8")
    return folder


def bytes_of(folder: Path) -> dict[str, bytes]:
    """Every file under a folder, by its relative name."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def data_alone(r: Reconciliation, folder: Path) -> tuple[str, ...]:
    """The files of a release, with one line where report, page and workbook would stand."""
    line = f"{r.release_id} {[(x.stratum.key, x.verdict.decision) for x in r.results]}\n".encode()
    files = {
        **dict.fromkeys(("report.pdf", "report.html", "workbook.xlsx"), line),
        **data_files(r),
    }
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return tuple(files)
