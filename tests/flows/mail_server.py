"""A stand-in for a mail server, on loopback: takes mail and keeps it."""

from __future__ import annotations

import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage


@dataclass
class Received:
    port: int = 0
    mail: list[EmailMessage] = field(default_factory=list)
    refuses: bool = False


@contextmanager
def stand_in() -> Iterator[Received]:
    kept = Received()

    class Session(socketserver.StreamRequestHandler):
        def say(self, text: str) -> None:
            self.wfile.write(f"{text}\r\n".encode())

        def handle(self) -> None:
            self.say("220 here")
            while line := self.rfile.readline():
                word = line[:4].upper().strip()
                if word == b"DATA":
                    self.say("354 go on")
                    lines = []
                    while (line := self.rfile.readline()) != b".\r\n":
                        lines.append(line.removeprefix(b".") if line[:2] == b".." else line)
                    made = message_from_bytes(b"".join(lines), policy=policy.default)
                    assert isinstance(made, EmailMessage)
                    kept.mail.append(made)
                elif word == b"RCPT" and kept.refuses:
                    self.say("550 nobody here")
                    continue
                self.say("221 bye" if word == b"QUIT" else "250 ok")
                if word == b"QUIT":
                    return

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Session) as server:
        server.daemon_threads = True
        kept.port = server.server_address[1]
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield kept
        server.shutdown()
