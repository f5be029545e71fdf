"""Calls of the standing server as mail: what its automations post is sent to the person on duty.

The server's automations post one JSON message to a web address (``reconcile schedule --call``).
This is such an address, for this machine alone: it sends each message on by SMTP, and answers the
server with an error where the mail server does not take it.
"""

from __future__ import annotations

import json
import smtplib
from collections.abc import Callable
from dataclasses import dataclass
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from reconcile.base.characters import visible
from reconcile.base.errors import ReconcileError
from reconcile.reporting import words

_MOST_BYTES = 64 << 10
_SECONDS = 30.0


@dataclass(frozen=True, slots=True)
class Post:
    """The mail server and whom it writes to."""

    host: str
    port: int
    sender: str
    to: tuple[str, ...]
    user: str = ""
    password: str = ""  # with a user the connection is encrypted first


def message_of(post: Post, call: dict[str, str]) -> EmailMessage:
    """The mail of one call; ``call`` is what an automation posts."""
    about = " · ".join(
        visible(call[key]) for key in ("run", "site", "period") if call.get(key)
    )  # fmt: skip
    what = words.CALLS.get(call.get("call", ""), words.CALL_OTHER)
    made = EmailMessage()
    made["Subject"] = words.CALL_SUBJECT.format(what=what, about=about)[:200]
    made["From"] = post.sender
    made["To"] = ", ".join(post.to)
    lines = [f"{name}: {visible(call[name])}" for name in sorted(call) if call[name]]
    made.set_content("\n".join([what, "", *lines, "", words.CALL_WHERE]) + "\n")
    return made


def send(post: Post, message: EmailMessage) -> None:
    """Hand one mail to the mail server. Raises OSError or smtplib.SMTPException."""
    with smtplib.SMTP(post.host, post.port, timeout=_SECONDS) as server:
        if post.user:
            server.starttls()
            server.login(post.user, post.password)
        server.send_message(message)


def gateway(post: Post, port: int, tell: Callable[[str], None]) -> ThreadingHTTPServer:
    """The address, on loopback; the caller lets it serve. Port 0 takes a free one."""

    class Taking(BaseHTTPRequestHandler):
        timeout = _SECONDS

        def do_POST(self) -> None:
            try:
                call = _call(self.rfile.read(min(self._length(), _MOST_BYTES + 1)))
            except ValueError:
                self._answer(400)
                return
            message = message_of(post, call)
            try:
                send(post, message)
            except (OSError, smtplib.SMTPException) as error:
                tell(words.CALL_NOT_SENT.format(subject=message["Subject"], error=error))
                self._answer(502)
                return
            tell(words.CALL_SENT.format(subject=message["Subject"]))
            self._answer(204)

        def _length(self) -> int:
            text = self.headers.get("Content-Length") or "0"
            return int(text) if text.isdecimal() else 0

        def _answer(self, status: int) -> None:
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            pass  # what was sent is told

    try:
        return ThreadingHTTPServer(("127.0.0.1", port), Taking)
    except OSError as error:
        raise ReconcileError(
            f"Port {port} of this machine can't be listened on: {error.strerror or error}.",
            "Name another with --port.",
        ) from error


def _call(content: bytes) -> dict[str, str]:
    """What was posted; raises ValueError for anything but a small table of texts."""
    if len(content) > _MOST_BYTES:
        raise ValueError("too long")
    found = json.loads(content)
    if not isinstance(found, dict):
        raise ValueError("no table")
    return {str(name): str(value) for name, value in found.items()}
