"""Lines over a serial port: opened again for ever when it is lost, never waiting for a line end.

Who does what: the source's one thread reads whatever bytes are there, at most 0.2 s at a time so that ``stop`` is
honoured, cuts them into lines in bounded memory, and hands the samples to the bounded queue without ever waiting. A
port that vanishes (unplugged, renamed, taken over by another device) raises or falls silent; both end in the same
place: close, pause (doubling, capped), look the path up anew, open.
"""

from __future__ import annotations

import errno
import logging
import os
import termios
import threading
import time

import serial

from daemon.backoff import RetrySettings
from daemon.clock import Clock
from daemon.config.sources import SerialTable
from daemon.errors import SourceError
from daemon.sources.contract import Lifeline, Sample, SampleQueue, SourceHealth, hand_over
from daemon.sources.fields import escaped
from daemon.sources.lines import LineSplitter
from daemon.sources.wire import LineParser, WireSettings

log = logging.getLogger(__name__)

_READ_S = 0.2
"""The longest wait for bytes: how promptly a stop is honoured."""
_CHUNK = 65_536
_SMALL = 256
_GATHER_S = 0.01
"""After a small chunk the port is left alone so long: fewer wake-ups on a small computer."""
_LOOK_S = 1.0
"""How long without a byte before the path is checked for leading to another device, or to none."""


class SerialSource:
    """Reads the device of ``table``, its lines as ``wire`` says; ``clock`` gives the time of arrival."""

    def __init__(
        self, table: SerialTable, wire: WireSettings, clock: Clock, retry: RetrySettings = RetrySettings()  # noqa: B008
    ) -> None:
        self.table = table
        self.clock = clock
        self._health = SourceHealth(table.name, "serial")
        self._parser = LineParser(table.name, wire, self._health)
        self._line = Lifeline(self._health, retry, log)

    @property
    def health(self) -> SourceHealth:
        """How the port is doing, updated in place."""
        return self._health

    def run(self, out: SampleQueue, stop: threading.Event) -> None:
        """Yield samples into ``out`` until ``stop`` is set."""
        self._line.keep(lambda: self._session(out, stop), stop)

    def _session(self, out: SampleQueue, stop: threading.Event) -> None:
        try:
            with self._open() as port:
                self._listen(port, out, stop)
        except (OSError, termios.error, ValueError) as error:
            raise SourceError(port_words(error, self.table.device)) from error

    def _open(self) -> serial.Serial:
        table = self.table
        port = serial.Serial(baudrate=table.baud, parity=table.parity, timeout=_READ_S, exclusive=True)
        port.port = table.device
        if table.dtr is not None:
            port.dtr = table.dtr
        port.open()
        self._line.opened(escaped(table.device, 200), "open, waiting for the first line")
        return port

    def _listen(self, port: serial.Serial, out: SampleQueue, stop: threading.Event) -> None:
        health, table = self._health, self.table
        splitter = LineSplitter()
        first = True
        heard = understood = looked = time.monotonic()
        while not stop.is_set():
            chunk = port.read(max(1, min(port.in_waiting, _CHUNK)))
            now = time.monotonic()
            if not chunk:
                if now - heard >= table.silent_after:
                    health.state = f"silent for {now - heard:.0f} s"
                if now - max(heard, looked) >= _LOOK_S:
                    looked = now
                    self._still_there(port)
                continue
            heard = now
            lines = splitter.feed(chunk)
            if splitter.too_long:
                health.refuse("too long", splitter.too_long)
                splitter.too_long = 0
            if lines and first:
                first = False
                if not self._parser.surely_whole(lines[0]):
                    del lines[0]
            samples = self._read(lines)
            if samples:
                understood = now
                health.state = "receiving"
                hand_over(out, samples, health)
            elif now - understood >= table.silent_after:
                health.state = (
                    f"bytes arrive, but no readable line for {now - understood:.0f} s: check baud ({table.baud}) "
                    f"and format ({table.format})"
                )
            if len(chunk) < _SMALL:
                stop.wait(_GATHER_S)

    def _read(self, lines: list[bytes]) -> list[Sample]:
        arrived = self.clock.now()
        parse = self._parser.parse
        samples = (parse(line, arrived) for line in lines)
        return [sample for sample in samples if sample is not None]

    def _still_there(self, port: serial.Serial) -> None:
        """Raise OSError if the path leads to another device than the open one: that one will never speak again."""
        try:
            ours, theirs = os.fstat(port.fileno()), os.stat(self.table.device)
        except FileNotFoundError as error:
            raise OSError(errno.ENODEV, "the path leads nowhere now") from error
        if (ours.st_rdev, ours.st_ino) != (theirs.st_rdev, theirs.st_ino):
            raise OSError(errno.ENODEV, "the path leads to another device now")


_GONE = ("returned no data", "read failed")
"""What pyserial says where a port that was open has gone."""


def port_words(error: Exception, path: str) -> str:
    """What went wrong with the port, and what to do about it."""
    where = escaped(path, 200)
    number = getattr(error, "errno", None)
    if number in (errno.EIO, errno.ENODEV, errno.ENXIO) or any(words in str(error) for words in _GONE):
        return f"the device at {where} is gone (unplugged?)"
    if number == errno.ENOENT or not os.path.exists(path):
        return f"there is no device {where}"
    if number == errno.EACCES:
        return f"no permission to open {where}: the user must be in the group that owns it (often dialout)"
    if number in (errno.EISDIR, errno.ENOTTY) or os.path.isdir(path) or os.path.isfile(path) or "ioctl" in str(error):
        return f"{where} is no serial port"
    if number in (errno.EBUSY, errno.EAGAIN) or "lock" in str(error).lower():
        return f"another program holds {where}"
    return f"{where}: {escaped(str(error), 200)}"
