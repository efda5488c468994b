"""Listening at a serial port for a while: raw lines, at the speed that makes them readable."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import serial

from daemon.cli.hearing_lines import readable
from daemon.errors import SourceError
from daemon.sources.fields import escaped
from daemon.sources.lines import LineSplitter

SPEEDS = (115_200, 9_600, 57_600, 38_400, 19_200)
"""Tried in this order where none is given."""
TRY_S = 3.0
"""How long one speed may stay unreadable: a board that restarts greets for two seconds first."""
MOST_LINES = 5_000
ENOUGH = 2
"""So many readable lines settle the speed."""


def is_port(where: str) -> bool:
    """Whether this names a serial port and not a broker."""
    return where.startswith(("/", ".")) or Path(where).exists()


def ports() -> Iterator[str]:
    """The serial ports of this computer, by their lasting names."""
    lasting_names = sorted(Path("/dev/serial/by-id").glob("*")) if Path("/dev/serial/by-id").exists() else []
    if lasting_names:
        yield "Serial ports (by their lasting names):"
        for path in lasting_names:
            yield f"  {path} -> {path.resolve()}"
        return
    from serial.tools import list_ports

    found = sorted(port.device for port in list_ports.comports())
    yield "Serial ports: " + (", ".join(found) if found else "none; plug the device in, or name a broker")


def lasting(port: str) -> str:
    """The name under /dev/serial/by-id that leads to this port, else the port itself."""
    folder = Path("/dev/serial/by-id")
    if folder.exists():
        for path in folder.iterdir():
            if path.resolve() == Path(port).resolve():
                return str(path)
    return port


def hear(
    path: str, baud: int | None, seconds: float, say: Callable[[str], object], show: int
) -> tuple[list[bytes], int]:
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
        if len(lines) > len(best[0]):
            best = (lines, speed)
    return best


def _lines(
    path: str, baud: int, seconds: float, patience_s: float, say: Callable[[str], object], show: int
) -> list[bytes]:
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
        raise SourceError(_words(error, path)) from error
    return lines


def _words(error: Exception, path: str) -> str:
    where = escaped(path, 200)
    number = getattr(error, "errno", None)
    if number == errno.ENOENT or not Path(path).exists():
        return f"there is no device {where}; 'ductwarden listen' without a port lists them"
    if number == errno.EACCES:
        return f"no permission to open {where}: the user must be in the group that owns it (often dialout)"
    if number in (errno.EISDIR, errno.ENOTTY) or Path(path).is_dir() or Path(path).is_file() or "ioctl" in str(error):
        return f"{where} is no serial port; 'ductwarden listen' without a port lists them"
    if number in (errno.EBUSY, errno.EAGAIN) or "lock" in str(error).lower():
        return f"another program holds {where}: stop the daemon while you listen"
    return f"{where}: {escaped(str(error), 200)}"
