"""The example's latest month, run once for the tests that read its report."""

import os
import shutil

import pytest

import reconcile
from reconcile.base import writing
from reconcile.base.model.release import Reconciliation
from reconcile.releases import kept_value
from reconcile.reporting.document.audit import audit
from tests.demo.make_demo_inputs import FOLDER


@pytest.fixture(scope="session")
def demo_month(tmp_path_factory: pytest.TempPathFactory) -> tuple[Reconciliation, dict[str, bytes]]:
    """The reconciliation of the example's last month, and the files of its release.

    One worker runs it, the others wait and read what was released.
    """
    root = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent
    lock = writing.hold(root / "example", 900)
    assert lock is not None
    try:
        released, made = root / "example_released", root / "example_made"
        if not released.exists():
            site = made / "demo_inputs"
            shutil.copytree(FOLDER, site)
            outcome = reconcile.run_period(site, "2026-10")
            (outcome.release_folder / "audit.pdf").write_bytes(audit(outcome.reconciliation))
            shutil.copytree(outcome.release_folder, released)
    finally:
        lock.release()
    files = {path.name: path.read_bytes() for path in released.iterdir()}
    return kept_value.read(released), files
