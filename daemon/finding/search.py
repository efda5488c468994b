"""Listening at ports and brokers, one after the other, in a thread of its own where somebody waits for a page."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from daemon.errors import DuctwardenError
from daemon.finding.found import Found, from_lines, from_topics

LISTEN_S = 6.0
"""How long a device that speaks is listened to: a few lines settle the guess."""

Say = Callable[[str], object]


@dataclass(frozen=True, slots=True)
class PortPlace:
    """A serial port to listen at; ``baud`` None tries the usual speeds."""

    path: str
    baud: int | None = None


@dataclass(frozen=True, slots=True)
class BrokerPlace:
    """A broker to listen at, as its owner writes it (host, host:port, mqtts://host); the password is the first line of a file."""

    where: str
    user: str | None = None
    password_file: Path | None = None
    ca_file: str | None = None


Place = PortPlace | BrokerPlace


def listen_at(place: Place, say: Say, seconds: float = LISTEN_S) -> Found:
    """What is heard there. Raises :class:`~daemon.errors.DuctwardenError` with a sentence where it cannot be listened to."""
    if isinstance(place, PortPlace):
        from daemon.cli import listen_port

        lines, baud = listen_port.hear(place.path, place.baud, seconds, say, 0)
        return from_lines(listen_port.lasting(place.path), lines, baud)
    from daemon.cli import listen_broker

    broker = listen_broker.place(place.where)
    secret = listen_broker.password(place.password_file, None) if place.user else None
    topics = listen_broker.hear(broker, ("#",), place.user, secret, place.ca_file, seconds, say, 0)
    tls = broker.tls or place.ca_file is not None
    return from_topics(place.where, broker.host, broker.port, place.user, tls, topics)


def where_of(place: Place) -> str:
    """The place as its owner writes it."""
    return place.path if isinstance(place, PortPlace) else place.where


class Search:
    """A search under way, or done. Several may ask for it; one at a time listens."""

    def __init__(self, listen: Callable[[Place, Say], Found] = listen_at) -> None:
        self._listen = listen
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._words = ""
        self._found: tuple[Found, ...] = ()

    def begin(self, places: Sequence[Place]) -> bool:
        """Listen at these places in the background; False where a search is under way already."""
        with self._lock:
            if self._thread is not None and self._thread.is_alive():
                return False
            self._found, self._words = (), "listening"
            self._thread = threading.Thread(target=self._run, args=(tuple(places),), name="search", daemon=True)
            self._thread.start()
            return True

    @property
    def running(self) -> bool:
        """Whether it still listens."""
        thread = self._thread
        return thread is not None and thread.is_alive()

    @property
    def words(self) -> str:
        """What it does just now."""
        return self._words

    @property
    def found(self) -> tuple[Found, ...]:
        """What was heard, place by place."""
        return self._found

    def wait(self, timeout_s: float) -> bool:
        """Wait for its end; whether it came."""
        thread = self._thread
        if thread is not None:
            thread.join(timeout_s)
        return not self.running

    def _run(self, places: Sequence[Place]) -> None:
        for place in places:
            try:
                found = self._listen(place, self._say)
            except DuctwardenError as error:
                found = Found(where_of(place), str(error), (), (), None, ())
            except Exception as error:  # a driver may raise anything; the page must hear of it
                found = Found(where_of(place), f"listening there failed: {type(error).__name__}", (), (), None, ())
            with self._lock:
                self._found = (*self._found, found)
        self._words = "done"

    def _say(self, words: str) -> None:
        self._words = words
