"""Listening at the serial ports of this computer and at a broker, for a command that waits or a page that asks; sends nothing."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from pydantic import ValidationError

from daemon.clock import WallClock
from daemon.config.common import TlsTable
from daemon.config.sources import MqttTable, TopicTable
from daemon.errors import ConfigError, DuctwardenError, SourceError
from daemon.finding.found import Found, from_lines, from_topics
from daemon.finding.heard import Topics, readable
from daemon.sources.fields import escaped
from daemon.sources.lines import LineSplitter
from daemon.sources.serial_port import port_words
from daemon.sources.wire import WireSettings

BY_ID = Path("/dev/serial/by-id")
MOST_PORTS = 16
SPEEDS = (115_200, 9_600, 57_600, 38_400, 19_200)
"""Tried in this order where none is given."""
TRY_S = 3.0
"""How long one speed may stay unreadable: a board that restarts greets for two seconds first."""
MOST_LINES = 5_000
ENOUGH = 2
"""So many readable lines settle the speed."""
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


# -- serial ports -----------------------------------------------------------------------------------------------------


def is_port(where: str) -> bool:
    """Whether this names a serial port and not a broker."""
    return where.startswith(("/", ".")) or Path(where).exists()


def serial_ports(by_id: Path = BY_ID) -> list[str]:
    """The ports of this computer: the lasting names where the system gives any (they stay with the device), else the plain."""
    lasting_names = sorted(str(path) for path in by_id.iterdir()) if by_id.is_dir() else []
    if lasting_names:
        return lasting_names[:MOST_PORTS]
    from serial.tools import list_ports

    # Ports of the main board that nothing is known about are there on every computer and lead nowhere.
    return sorted(port.device for port in list_ports.comports() if port.hwid != "n/a")[:MOST_PORTS]


def lasting(port: str) -> str:
    """The name under /dev/serial/by-id that leads to this port, else the port's own full path."""
    names = BY_ID.iterdir() if BY_ID.is_dir() else ()
    return next((str(path) for path in names if path.resolve() == Path(port).resolve()), str(Path(port).absolute()))


def hear_port(path: str, baud: int | None, seconds: float, say: Say, show: int) -> tuple[list[bytes], int]:
    """Raw lines for ``seconds`` from when the first speed reads well, and that speed; shows the first ``show`` of them.

    Raises :class:`SourceError` for a port that cannot be opened. Ctrl-C ends it early, with what was heard so far.
    """
    speeds = SPEEDS if baud is None else (baud,)
    best: tuple[list[bytes], int] = ([], speeds[0])
    for speed in speeds:
        say(f"listening at {escaped(path, 200)}, {speed} baud")
        lines = _lines(path, speed, seconds, TRY_S if baud is None else seconds, say, show)
        if sum(map(readable, lines)) >= ENOUGH or baud is not None:
            return lines, speed
        if _text_like(lines) > _text_like(best[0]) or not best[0]:
            best = (lines, speed)
        if len(lines) >= ENOUGH and _text_like(lines) == len(lines):
            return lines, speed  # the speed is right; it is the form that is not
    return best


def _text_like(lines: Sequence[bytes]) -> int:
    """How many lines are plain text: at a wrong speed hardly any is."""
    return sum(1 for line in lines if line.strip() and all(32 <= byte < 127 or byte in (9, 27) for byte in line))


def _lines(
    path: str, baud: int, seconds: float, patience_s: float, say: Callable[[str], object], show: int
) -> list[bytes]:
    import serial

    splitter = LineSplitter()
    lines: list[bytes] = []
    try:
        with serial.Serial(path, baud, timeout=0.1, exclusive=True) as port:
            began = time.monotonic()
            first = True
            while len(lines) < MOST_LINES:
                spent = time.monotonic() - began
                good = sum(map(readable, lines[-50:]))
                if spent >= seconds or (spent >= patience_s and good < ENOUGH):
                    break
                chunk = port.read(max(1, min(port.in_waiting, 4096)))
                for line in splitter.feed(chunk):
                    if first:
                        first = False  # most likely half a line
                        if not line.startswith((b"$", b"{")):
                            continue
                    lines.append(line)
                    if len(lines) <= show:
                        say(f"  {escaped(line.decode(errors='backslashreplace'), 110)}")
    except KeyboardInterrupt:
        pass
    except (OSError, ValueError) as error:
        words = port_words(error, path)
        if words.startswith("another program"):
            words += ": stop the daemon while you listen"
        elif words.startswith("there is no") or words.endswith("no serial port"):
            words += "; 'ductwarden listen' without a port lists them"
        raise SourceError(words) from error
    return lines


# -- a broker ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Broker:
    """Where a broker is."""

    host: str
    port: int
    tls: bool


def broker_at(where: str) -> Broker:
    """The broker that is meant by ``host``, ``host:port``, ``mqtt://host:port`` or ``mqtts://host``.

    >>> broker_at("barn.local"), broker_at("mqtts://barn.local").port
    (Broker(host='barn.local', port=1883, tls=False), 8883)
    """
    parsed = urlsplit(where if "//" in where else f"mqtt://{where}")
    try:
        port = parsed.port
    except ValueError as error:
        raise ConfigError([f"{where!r}: the port must be a number from 1 to 65535"]) from error
    if parsed.scheme not in ("mqtt", "mqtts") or not parsed.hostname:
        raise ConfigError([f"{where!r} is neither a serial port nor a broker; write host, host:port or mqtts://host"])
    if parsed.username or parsed.password:
        raise ConfigError(["a user or password does not belong into the address: give --user and --password-file"])
    tls = parsed.scheme == "mqtts"
    return Broker(parsed.hostname, port or (8883 if tls else 1883), tls)


def hear_broker(
    where: Broker, filters: tuple[str, ...], user: str | None, password_file: Path | None, password_env: str | None,
    ca_file: str | None, seconds: float, say: Say, show: int, heard: Topics,
) -> None:
    """Put every message into ``heard``, for ``seconds`` from the greeting on, by the daemon's own source.

    Raises :class:`SourceError` or :class:`ConfigError`. Ctrl-C ends it early, with what was heard so far.
    """
    from daemon.sources.mqtt import MqttSource

    try:
        table = MqttTable(
            kind="mqtt", name="listen", host=where.host, port=where.port, user=user, password_env=password_env,
            password_file=None if password_file is None else str(password_file),
            tls=TlsTable(ca_file=ca_file) if where.tls or ca_file is not None else None,
            topics={one: TopicTable() for one in filters},
        )
    except ValidationError as error:
        raise ConfigError([one["msg"].removeprefix("Value error, ") for one in error.errors()]) from error
    stop = threading.Event()
    shown = [0]

    class Ear(MqttSource):
        """The source, whose messages are looked at as they come."""

        def _on_connect(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
            super()._on_connect(client, userdata, flags, reason, properties)
            if self._greeted:
                timer = threading.Timer(seconds, stop.set)
                timer.daemon = True
                timer.start()

        def _flush(self, out: Any) -> None:
            for topic, payload, retained, _ in self._inbox:
                heard.take(topic, payload, retained)
                if shown[0] < show:
                    shown[0] += 1
                    mark = " (retained)" if retained else ""
                    say(f"  {escaped(topic)}{mark}  {escaped(payload.decode(errors='backslashreplace'), 90)}")
            self._inbox.clear()

    say(f"listening at {escaped(where.host)}:{where.port}{' over TLS' if table.tls else ''}, topics {', '.join(filters)}")
    try:
        Ear(table, WireSettings(), WallClock()).listen(queue.Queue(), stop)
    except SourceError:
        if not heard.topics:
            raise
    except KeyboardInterrupt:
        pass


# -- for a page -------------------------------------------------------------------------------------------------------


def listen_at(place: Place, say: Say, before: Found | None = None, seconds: float = LISTEN_S) -> Found:
    """What is heard there; ``before`` is what was heard with the fan off, if it has been switched on since. Raises
    :class:`~daemon.errors.DuctwardenError` with a sentence where it cannot be listened to."""
    if isinstance(place, PortPlace):
        rest = before.lines if before is not None else ()
        lines, baud = hear_port(place.path, before.baud if before is not None and rest else place.baud, seconds, say, 0)
        return from_lines(lasting(place.path), rest, baud, lines) if rest else from_lines(lasting(place.path), lines, baud)
    broker = broker_at(place.where)
    topics = Topics()
    if before is not None and before.topics is not None:
        topics = before.topics
        topics.names.fan_on()
    secret = place.password_file if place.user else None
    hear_broker(broker, ("#",), place.user, secret, None, place.ca_file, seconds, say, 0, topics)
    tls = broker.tls or place.ca_file is not None
    return from_topics(place.where, broker.host, broker.port, place.user, tls, topics)


class Search:
    """A search under way, or done. Several may ask for it; one at a time listens."""

    def __init__(self, listen: Callable[[Place, Say, Found | None], Found] = listen_at) -> None:
        self._listen = listen
        self._places: tuple[Place, ...] = ()
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._words = ""
        self._found: tuple[Found, ...] = ()

    def begin(self, places: Sequence[Place] = ()) -> bool:
        """Listen at these places in the background; without any, again at the same ones, now that the fan is on. False where a
        search is under way already, or where there is nothing to hear again."""
        with self._lock:
            if (self._thread is not None and self._thread.is_alive()) or not (places or self._found):
                return False
            before: Sequence[Found | None] = [None] * len(places) if places else self._found
            self._places = tuple(places) or self._places
            self._found, self._words = (), "listening"
            self._thread = threading.Thread(target=self._run, args=(before,), name="search", daemon=True)
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

    def _run(self, before: Sequence[Found | None]) -> None:
        for place, earlier in zip(self._places, before, strict=True):
            try:
                found = self._listen(place, self._say, earlier)
            except DuctwardenError as error:
                found = Found(_where(place), str(error))
            except Exception as error:  # a driver may raise anything; the page must hear of it
                found = Found(_where(place), f"listening there failed: {type(error).__name__}")
            with self._lock:
                self._found = (*self._found, found)
        self._words = "done"

    def _say(self, words: str) -> None:
        self._words = words


def _where(place: Place) -> str:
    return place.path if isinstance(place, PortPlace) else place.where
