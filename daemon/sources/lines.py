"""From chunks of bytes to lines, in bounded memory, and the checksum that a line may carry."""

from __future__ import annotations

from functools import reduce
from operator import xor

LONGEST_LINE = 4096
"""No honest line of readings is longer [bytes]."""


class LineSplitter:
    """Takes chunks as they come and gives whole lines; a line ends with CR, LF or both.

    At most ``longest`` bytes of an unfinished line are kept. A longer line is thrown away whole, however long it goes
    on, and counted once in ``too_long``. Empty lines are left out.

    >>> splitter = LineSplitter()
    >>> splitter.feed(b"inlet_pa=-2100\\r\\nfilter_p"), splitter.feed(b"a=310\\n")
    ([b'inlet_pa=-2100'], [b'filter_pa=310'])
    """

    def __init__(self, longest: int = LONGEST_LINE) -> None:
        self.longest = longest
        self.too_long = 0
        self._tail = b""
        self._skipping = False

    @property
    def kept(self) -> int:
        """How many bytes of an unfinished line are being kept."""
        return len(self._tail)

    def feed(self, chunk: bytes) -> list[bytes]:
        """The lines that this chunk completes."""
        if self._skipping:
            chunk = _from_line_end(chunk)
            self._skipping = not chunk
        if not chunk:
            return []
        lines = (self._tail + chunk).splitlines()
        self._tail = b"" if chunk[-1] in b"\r\n" else lines.pop()
        longest = self.longest
        if len(self._tail) > longest:
            self._tail = b""
            self._skipping = True
            self.too_long += 1
        whole = [line for line in lines if 0 < len(line) <= longest]
        if len(whole) != len(lines):
            self.too_long += sum(1 for line in lines if len(line) > longest)
        return whole

    def flush(self) -> list[bytes]:
        """What is left at the end of a file whose last line has no end."""
        tail, self._tail, self._skipping = self._tail, b"", False
        return [tail] if tail else []


def _from_line_end(chunk: bytes) -> bytes:
    """The chunk from its first line end on; empty if it has none."""
    ends = [at for at in (chunk.find(b"\n"), chunk.find(b"\r")) if at >= 0]
    return chunk[min(ends):] if ends else b""


def checksum(text: bytes) -> int:
    """The checksum of NMEA 0183: all bytes between the ``$`` and the ``*``, joined by exclusive or.

    >>> f"{checksum(b'GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,'):02X}"
    '47'

    (The sentence is the example that most introductions to NMEA 0183 show; from memory.)
    """
    return reduce(xor, text, 0)


def with_checksum(text: str) -> str:
    """The line with its checksum behind it, as a device would send it.

    >>> with_checksum("inlet_pa=-2100.5")
    'inlet_pa=-2100.5*3C'
    """
    return f"{text}*{checksum(text.encode()):02X}"


def strip_checksum(line: bytes, required: bool) -> bytes | str:
    """The line without ``$`` and checksum, or the reason (a ``str``) why it must not be believed.

    >>> strip_checksum(b"$filter_pa=310*65", True)
    'checksum'
    """
    line = line.strip(b" \t")
    if line[:1] == b"$":
        line = line[1:]
    if line[-3:-2] == b"*":
        body = line[:-3]
        return body if line[-2:].upper() == b"%02X" % checksum(body) else "checksum"
    if b"*" in line and line[-1:] != b"}":
        return "checksum"  # cut short
    return "checksum missing" if required else line
