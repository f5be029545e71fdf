"""One clock for all tests: what persons state is never in the future by accident."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import hypothesis
import pytest

from reconcile.releases import persons
from reconcile.run import releasing
from tests import small

# a busy machine is no fault of an example
hypothesis.settings.register_profile("project", deadline=None)
hypothesis.settings.load_profile("project")

TODAY = datetime(2027, 6, 1, 12, tzinfo=UTC)


@pytest.fixture(scope="session", autouse=True)
def _clock() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(persons, "clock", lambda: TODAY)
        yield


@pytest.fixture(scope="session", autouse=True)
def _width() -> Iterator[None]:
    """What is printed has the width of no terminal, whatever readline says to workers of tests."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("COLUMNS", "LINES"):
            patch.delenv(name, raising=False)
        yield


@pytest.fixture(scope="module")
def data_alone() -> Iterator[None]:
    """Releases without their report: two thirds of the time of a run, for tests of other things."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(releasing, "write_release", small.data_alone)
        yield


@pytest.fixture
def data_alone_unless_whole(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same test by test; those marked ``whole_release`` look at report, page or workbook."""
    if request.node.get_closest_marker("whole_release") is None:
        monkeypatch.setattr(releasing, "write_release", small.data_alone)
