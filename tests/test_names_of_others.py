"""Packages of others that are called flows or schemas break nothing here, nor do we break them."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests import small

ROOT = Path(__file__).parents[1]
PERIOD = "2026-10"
#: What another's package of that name does when it is taken for ours.
FOREIGN = "WHOSE = 'another'\n"


def wheel_targets() -> tuple[list[str], dict[str, str]]:
    """Packages of the wheel, and what lies in it at another place than here."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    return wheel["packages"], wheel["force-include"]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of packages as the wheel fills it, beside other distributions' flows and schemas."""
    site = tmp_path_factory.mktemp("installed")
    packages, moved = wheel_targets()
    without = shutil.ignore_patterns("__pycache__")
    for package in packages:
        shutil.copytree(ROOT / package, site / package, ignore=without)
    for source, target in moved.items():
        shutil.copytree(ROOT / source, site / target, ignore=without)
    for name in ("flows", "schemas"):
        (site / name).mkdir()
        (site / name / "__init__.py").write_text(FOREIGN, encoding="utf-8")
    return site


def run(code: str, packages: Path, folder: Path) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=240, cwd=folder,
        env={**os.environ, "PYTHONPATH": str(packages)}, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_wheel_claims_no_name_but_its_own() -> None:
    packages, moved = wheel_targets()
    assert packages == ["reconcile"]
    assert all(target.startswith("reconcile/") for target in moved.values())
    assert {"flows", "schemas"} <= set(moved)


WHOSE = """
import reconcile, flows, schemas
from reconcile.base import provenance
from reconcile.flows import monthly
from reconcile.intake import finished
from reconcile.schemas.common import WHOLE
assert flows.WHOSE == schemas.WHOSE == "another"
print(reconcile.__file__, finished.schemas.__file__, monthly.monthly.fn.__module__)
print(provenance.reading_version())
"""


@pytest.mark.slow
def test_other_distributions_of_these_names_stay_theirs_and_ours_ours(
    installed: Path, tmp_path: Path
) -> None:
    where, mark = run(WHOSE, installed, tmp_path).splitlines()
    package, schemas, flow = where.split()
    assert Path(package) == installed / "reconcile" / "__init__.py"
    assert Path(schemas) == installed / "reconcile" / "schemas" / "__init__.py"
    assert flow == "reconcile.flows.monthly"
    # installed or not, what reads files is the same program
    here = "from reconcile.base import provenance\nprint(provenance.reading_version())\n"
    assert run(here, ROOT, tmp_path).strip() == mark


@pytest.mark.slow
@pytest.mark.parametrize("place", ["installed", "repository"])
def test_a_folder_with_its_own_schemas_and_flows_can_be_worked_in(
    place: str, installed: Path, tmp_path: Path
) -> None:
    folder = small.build(tmp_path / "site", samples=6)
    for name in ("flows", "schemas"):
        (folder / name).mkdir()
        (folder / name / "__init__.py").write_text("raise SystemExit('taken for ours')\n", "utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "reconcile", "check", PERIOD], capture_output=True, text=True,
        timeout=240, cwd=folder, check=False,
        env={**os.environ, "PYTHONPATH": str(installed if place == "installed" else ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Cu (mg/kg)" in done.stdout


def test_modules_of_these_packages_name_each_other_by_where_they_stand() -> None:
    """'from schemas.common' would take another's package; '.common' is always ours."""
    found = [
        f"{path.name}:{node.lineno}"
        for name in ("flows", "schemas")
        for path in (ROOT / name).glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom)
        and node.level == 0
        and str(node.module).partition(".")[0] in {"flows", "schemas"}
    ]
    assert found == []
