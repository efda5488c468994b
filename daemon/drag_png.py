"""The drag of a week as a picture for the mail: a bar for each part of it, and the line at which cleaning pays.

Drawn from rectangles alone, so that no drawing library is loaded in the daemon; digits are the smallest that can be read.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Sequence

import numpy as np

WIDTH, HEIGHT, LEFT, FOOT, HEAD = 640, 240, 64, 36, 16
PAPER, INK, BAR, LIMIT = (253, 251, 246), (36, 33, 28), (11, 85, 99), (155, 28, 22)
DIGITS = {
    "0": "75557", "1": "26227", "2": "71747", "3": "71717", "4": "55711", "5": "74717", "6": "74757", "7": "71122", "8": "75757",
    "9": "75717", ".": "00002",
}
"""Five rows of three dots each, a row as an octal digit."""
DOT = 3
"""Pixels of a dot."""


def drag_png(parts: Sequence[float | None], limit: float | None, days: Sequence[int]) -> bytes | None:
    """The picture; None where little is known. ``parts`` drag over clean, None where the fan stood still; ``limit`` where
    cleaning pays; ``days`` the days of the month that the parts are of, equally many each."""
    known = [value for value in parts if value is not None and math.isfinite(value)]
    if len(known) < 2:
        return None
    low, high = min(*known, 1.0), max(*known, limit or 0.0) * 1.02
    field = np.full((HEIGHT, WIDTH, 3), PAPER, np.uint8)
    ground, step = HEIGHT - FOOT, (WIDTH - LEFT - DOT) / len(parts)

    def at(value: float) -> int:
        """The row of a drag; the lowest has some height, for it is no nothing."""
        return round(ground - 8 - (ground - 8 - HEAD) * (value - low) / (high - low))

    for number, value in enumerate(parts):
        if value is not None and math.isfinite(value):
            x = LEFT + number * step
            field[at(value) : ground, round(x) + 1 : round(x + step) - 1] = BAR
    field[ground : ground + 2, LEFT:] = INK
    if limit is not None:
        field[at(limit) - 1 : at(limit) + 2, LEFT:] = LIMIT
        _write(field, f"{limit:.2f}", 4, at(limit) - 7, LIMIT)
    top = max(known)
    if limit is None or abs(at(top) - at(limit)) > 20:
        _write(field, f"{top:.2f}", 4, at(top) - 7, INK)
    for number, day in enumerate(days):
        _write(field, str(day), round(LEFT + (number + 0.5) * (WIDTH - LEFT) / len(days)) - 9, ground + 12, INK)
    return _png(field)


def _write(field: np.ndarray[tuple[int, int, int], np.dtype[np.uint8]], words: str, x: int, y: int, ink: tuple[int, ...]) -> None:
    for place, letter in enumerate(words):
        for row, bits in enumerate(DIGITS[letter]):
            for column in range(3):
                if int(bits) & (4 >> column):
                    left, top = x + (place * 4 + column) * DOT, y + row * DOT
                    field[top : top + DOT, left : left + DOT] = ink


def _png(field: np.ndarray[tuple[int, int, int], np.dtype[np.uint8]]) -> bytes:
    """The picture as a file (PNG, third edition: 8-bit colours, no filter)."""
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows = b"".join(b"\0" + row.tobytes() for row in field)
    head = struct.pack(">IIBBBBB", field.shape[1], field.shape[0], 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows, 9)) + chunk(b"IEND", b"")
