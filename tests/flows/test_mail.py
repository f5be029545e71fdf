"""What the server calls comes as mail, and a mail that was not taken is no success."""

from __future__ import annotations

import json
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator

import pytest
from typer.testing import CliRunner

from reconcile.base.errors import ReconcileError
from reconcile.cli import app
from reconcile.portfolio import mail
from tests.flows.mail_server import Received


@pytest.fixture
def gateway(received: Received) -> Iterator[tuple[str, list[str]]]:
    told: list[str] = []
    post = mail.Post("127.0.0.1", received.port, "server@example.org", ("a@example.org", "b@x.org"))
    serving = mail.gateway(post, 0, told.append)
    threading.Thread(target=serving.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{serving.server_port}/", told
    serving.shutdown()
    serving.server_close()


def post(address: str, content: bytes) -> int:
    try:
        with urllib.request.urlopen(urllib.request.Request(address, content), timeout=30) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code


def test_a_call_comes_as_mail_that_says_which_site_and_month(
    gateway: tuple[str, list[str]],
    received: Received,
) -> None:
    address, told = gateway
    call = {"call": "needs a person", "site": "north-pit", "period": "2026-10", "findings": 3}
    assert post(address, json.dumps(call).encode()) == 204
    (message,) = received.mail
    assert message["Subject"] == "Findings need a person: north-pit · 2026-10"
    assert (message["From"], message["To"]) == ("server@example.org", "a@example.org, b@x.org")
    assert "findings: 3" in message.get_content()
    assert told == ["Sent: Findings need a person: north-pit · 2026-10"]


def test_every_call_that_an_automation_makes_has_words_of_its_own() -> None:
    from reconcile.flows.automations import CALLS

    from reconcile.reporting import words

    assert {name for name, _, _ in CALLS} == {*words.CALLS}


def test_a_line_break_in_a_name_adds_no_header(
    gateway: tuple[str, list[str]],
    received: Received,
) -> None:
    call = {"call": "failed", "run": "a\r\nBcc: thief@example.org", "message": "x\n.\nQUIT"}
    assert post(gateway[0], json.dumps(call).encode()) == 204
    (message,) = received.mail
    assert message["Bcc"] is None
    assert message["Subject"].startswith("A run failed: a")


@pytest.mark.parametrize("content", [b"", b"[1]", b"{", b'{"call": "' + b"x" * 70_000 + b'"}'])
def test_what_is_no_call_is_refused(gateway: tuple[str, list[str]], content: bytes) -> None:
    assert post(gateway[0], content) == 400


def test_a_mail_that_the_mail_server_refuses_is_told_to_the_caller_and_here(
    gateway: tuple[str, list[str]],
    received: Received,
) -> None:
    received.refuses = True
    address, told = gateway
    assert post(address, b'{"call": "late", "run": "r"}') == 502
    assert received.mail == []
    assert told[0].startswith("Not sent: A run is late: r (")


def test_a_mail_server_without_port_is_refused() -> None:
    words = ["portfolio", "mail", "--to", "a@x.org", "--from", "b@x.org", "--smtp", "localhost"]
    done = CliRunner().invoke(app, words)
    assert isinstance(done.exception, ReconcileError)
    assert "no mail server" in done.exception.message
