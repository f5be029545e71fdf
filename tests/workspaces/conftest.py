"""Each workspace is built and reconciled once for all of its tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import reconcile
from reconcile.run import releasing
from tests import small, workspaces

#: Workspaces whose tests read the printed report; the others are released without it.
LOOKED_AT = ("pottery", "core_register")
Reconciled = Callable[[str], "reconcile.RunOutcome"]


@pytest.fixture(scope="session")
def reconciled(tmp_path_factory: pytest.TempPathFactory) -> Reconciled:
    """Ask for a workspace by name; skips where its data are absent."""
    done: dict[str, reconcile.RunOutcome] = {}

    def run(name: str) -> reconcile.RunOutcome:
        data = data_or_skip(name)
        if name not in done:
            folder = workspaces.build(name, tmp_path_factory.mktemp(name), data)
            with pytest.MonkeyPatch.context() as patch:
                if name not in LOOKED_AT:
                    patch.setattr(releasing, "write_release", small.data_alone)
                done[name] = reconcile.run_period(folder, "published")
        return done[name]

    return run


def data_or_skip(name: str) -> Path:
    """The folder with the workspace's tables, or a skipped test."""
    data = workspaces.data_of(name)
    if data is None:
        pytest.skip(f"the tables of '{name}' are not on this machine (RECONCILE_REAL_DATA)")
    return data
