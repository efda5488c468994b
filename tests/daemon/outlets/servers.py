"""Real servers on loopback for the outlets to talk to, and notices to send."""

from __future__ import annotations

import email
import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import Message
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from analysis.conditions import Urgency
from daemon.notices import Notice

T0 = 1_772_355_600.0


def notice(number: int = 1, urgency: Urgency = Urgency.STOP, event: str = "raised") -> Notice:
    """A notice with an id of its own."""
    return Notice(f"{number}-{event}-1", T0 + number, number, "bag_full", "", event, urgency,
                  f"Stop the fan: The chip bag is full ({number})", "The bag – 4.00 in. w.g.\nWhat to do: empty it.")


def closed_port() -> int:
    """A port of the loopback interface at which nothing listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class WebServer:
    """Takes POSTs; answers with the next of ``answers`` (the last one again and again)."""

    answers: list[int] = field(default_factory=lambda: [200])
    delay_s: float = 0.0
    headers: dict[str, str] = field(default_factory=dict)
    got: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    port: int = 0

    def bodies(self) -> list[Any]:
        """What was posted, as JSON."""
        return [json.loads(body) for _, _, body in self.got]


@contextmanager
def web_server(**how: Any) -> Iterator[WebServer]:
    """A web server at work."""
    server = WebServer(**how)
    gate = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            gate.wait(server.delay_s)
            server.got.append((self.path, {name.lower(): text for name, text in self.headers.items()}, body))
            self.send_response(server.answers.pop(0) if len(server.answers) > 1 else server.answers[0])
            for name, value in server.headers.items():
                self.send_header(name, value)
            self.end_headers()

        do_GET = do_POST

        def log_message(self, format: str, *args: object) -> None:
            """Quiet."""

    httpd = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    httpd.daemon_threads = True
    httpd.handle_error = lambda *_: None  # type: ignore[method-assign,assignment]
    server.port = httpd.server_address[1]
    thread = threading.Thread(target=httpd.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        gate.set()
        httpd.shutdown()
        httpd.server_close()
        thread.join(90.0)


@dataclass
class MailServer:
    """Takes mail while ``accepts``; else refuses each message for now."""

    accepts: bool = True
    mails: list[Message] = field(default_factory=list)
    to: list[list[str]] = field(default_factory=list)
    port: int = 0

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        """One message has come."""
        if not self.accepts:
            return "451 come again later"
        assert isinstance(envelope.content, bytes)
        self.mails.append(email.message_from_bytes(envelope.content, policy=default))
        self.to.append(list(envelope.rcpt_tos))
        return "250 taken"


@contextmanager
def mail_server(port: int = 0) -> Iterator[MailServer]:
    """A mail server at work."""
    server = MailServer(port=port or closed_port())
    controller = Controller(server, hostname="127.0.0.1", port=server.port)
    controller.start()
    try:
        yield server
    finally:
        controller.stop()


@contextmanager
def silent_server() -> Iterator[int]:
    """A port that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield int(listener.getsockname()[1])
