"""A standing server for all tests of the schedule, and a mail server that keeps what it takes."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.flows import mail_server, standing
from tests.flows.mail_server import Received


@pytest.fixture(scope="package")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """A standing server on loopback with a home of its own; yields the environment to use."""
    home = tmp_path_factory.mktemp("server")
    found = standing.environment(home)
    process = standing.start(found, home / "server.log")
    try:
        yield found
    finally:
        process.terminate()
        process.wait(30)


@pytest.fixture
def received() -> Iterator[Received]:
    """The mail that came; yields its port too."""
    with mail_server.stand_in() as kept:
        yield kept
