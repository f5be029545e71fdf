"""The example's latest month, run once for the tests that read its report."""

import shutil

import pytest

import reconcile
from reconcile.base.model.release import Reconciliation
from reconcile.reporting.document.audit import audit
from tests.demo.make_demo_inputs import FOLDER


@pytest.fixture(scope="session")
def demo_month(tmp_path_factory: pytest.TempPathFactory) -> tuple[Reconciliation, dict[str, bytes]]:
    """The reconciliation of the example's last month, and the files of its release."""
    site = tmp_path_factory.mktemp("example") / "demo_inputs"
    shutil.copytree(FOLDER, site)
    outcome = reconcile.run_period(site, "2026-10")
    files = {path.name: path.read_bytes() for path in outcome.release_folder.iterdir()}
    files["audit.pdf"] = audit(outcome.reconciliation)
    return outcome.reconciliation, files
