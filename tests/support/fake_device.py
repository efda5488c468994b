"""A device on a serial port, played over a real pseudo-terminal: it can be written with, unplugged and plugged in."""

from __future__ import annotations

import errno
import fcntl
import os
import sys
import termios
import time
import tty
from pathlib import Path


class FakeDevice:
    """Plugged in, ``path`` (a link, as under /dev/serial/by-id) leads to the terminal's device side."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._ours: int | None = None
        self._theirs: int | None = None
        self.plug_in()

    def plug_in(self) -> None:
        """A fresh device node under the same path."""
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._theirs))

    def unplug(self, link_stays: bool = False) -> None:
        """The cable is pulled: whoever has it open gets an error."""
        if link_stays:
            # Not to the node that was: its number goes to the next terminal that anybody on this computer opens.
            other = self.path.with_name(f"{self.path.name}-gone")
            other.symlink_to(self.path.parent / "node-that-is-gone")
            other.replace(self.path)  # at no instant is there no link
        else:
            self.path.unlink(missing_ok=True)
        for end in (self._ours, self._theirs):
            if end is not None:
                os.close(end)
        self._ours = self._theirs = None

    def send(self, data: bytes, within_s: float = 60.0) -> None:
        """Write all of it, as fast as the reader takes it."""
        assert self._ours is not None, "not plugged in"
        deadline = time.monotonic() + within_s
        while data:
            try:
                data = data[os.write(self._ours, data):]
            except OSError as error:
                if error.errno != errno.EAGAIN:
                    raise
                assert time.monotonic() < deadline, "nobody reads"
                time.sleep(0.001)

    @property
    def theirs(self) -> int:
        """The terminal's device side."""
        assert self._theirs is not None, "not plugged in"
        return self._theirs

    def read_up(self) -> bool:
        """Whether the reader has taken all that was sent."""
        return int.from_bytes(fcntl.ioctl(self.theirs, termios.FIONREAD, bytes(4)), sys.byteorder) == 0

    def drain(self) -> None:
        """Throw away what nobody has read (the reader is gone)."""
        if self._theirs is not None:
            termios.tcflush(self._theirs, termios.TCIFLUSH)

    def line(self, text: str) -> None:
        """Send one line."""
        self.send(text.encode() + b"\r\n")

    def close(self) -> None:
        """Put it away."""
        self.unplug()
