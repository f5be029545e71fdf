"""Workspaces around real public tables: settings stand here, the tables elsewhere.

``pottery`` and ``core_register`` need data that are no part of the project; they are
looked for in the folder named by RECONCILE_REAL_DATA, else beside the repository, and
their tests are left out where they are absent. The soil workspaces use published numbers
under ``tests/published/data``.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

HERE = Path(__file__).resolve().parent
REPOSITORY = HERE.parents[1]
PUBLISHED = REPOSITORY / "tests" / "published" / "data"

#: Workspace -> the files that it needs.
FILES = {
    "pottery": ("field_xrf_shots.csv", "lab_wdxrf.csv"),
    "core_register": ("field_xrf.xlsx", "lab_icp.xlsx", "register.xlsx"),
    "soil_campaign": ("soil_xrf_campaign_2009.csv",),
    "soil_duplicates": ("field_xrf_duplicates.csv",),
}


def data_of(name: str) -> Path | None:
    """Folder that holds the tables of a workspace; None where they are absent."""
    if name.startswith("soil"):
        return PUBLISHED
    root = Path(os.environ.get("RECONCILE_REAL_DATA") or REPOSITORY.parent / "shared" / "data")
    folder = root / name
    return folder if all((folder / file).is_file() for file in FILES[name]) else None


def build(name: str, target: Path, data: Path) -> Path:
    """Make the workspace in ``target``: its settings, and copies of its tables from ``data``."""
    target.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(HERE / f"{name}.toml", target / "reconcile.toml")
    for file in FILES[name]:
        shutil.copyfile(data / file, target / file)
    return target
