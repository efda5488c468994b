"""From the words of a device to numbers, times and gate states; nothing in here raises for what a device said.

What cannot be read comes back as a reason: a short phrase under which the health counts it.
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime

LARGEST = 1e12
"""Beyond this no raw number of a sensor makes sense; it is larger than any 32-bit count."""
MOST_VALUES = 64
"""No line or message may carry more values."""
MILLISECONDS_FROM = 1e11
"""A time stamp above this counts milliseconds: as seconds it would lie beyond the year 5000."""
LATEST = 4_102_444_800.0
"""2100-01-01T00:00:00Z. Later time stamps are a broken clock."""
LONGEST_NAME = 64
OPEN_WORDS = frozenset({"open", "opened", "1", "true", "yes", "on"})
SHUT_WORDS = frozenset({"shut", "closed", "close", "0", "false", "no", "off"})
"""What a gate sensor may say for an open and for a shut gate, in any case."""
LONGEST_LITERAL = 400
"""No number is written with more characters."""
_LETTERS = "A-Za-z\u00c0-\u00d6\u00d8-\u00f6\u00f8-\u024f_"
_NAME = re.compile(rf"(?=.{{1,64}}$)[{_LETTERS}][{_LETTERS}0-9.:/#-]*(?: [{_LETTERS}0-9.:/#-]+)*")


class Doubled(dict[str, object]):
    """A JSON object in which some names stood more than once: nobody can say which value was meant."""

    def __init__(self, pairs: Sequence[tuple[str, object]]) -> None:
        super().__init__(pairs)
        self.doubled = frozenset(name for name, count in Counter(name for name, _ in pairs).items() if count > 1)


def as_object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """The pairs as a dictionary, which remembers what was said twice."""
    made = dict(pairs)
    return made if len(made) == len(pairs) else Doubled(pairs)


# Whole numbers become floats at once: Python refuses integers of more than 4300 digits, but calls such floats infinite.
_DECODER = json.JSONDecoder(object_pairs_hook=as_object, parse_int=float)


def decode_json(text: str) -> object | None:
    """The value that the JSON text holds, None if it holds none (a JSON ``null`` is none either)."""
    try:
        value, end = _DECODER.raw_decode(text)
    except (ValueError, RecursionError):
        return None
    return value if end == len(text) else None


def plain_name(name: str) -> bool:
    """Whether a device may call a value so: a letter, then letters, digits, single blanks and ``_ . : / # -``, at most 64."""
    return _NAME.fullmatch(name) is not None


def plain_label(name: str) -> bool:
    """Whether a port may be called so: 1 to 64 printable characters."""
    return 0 < len(name) <= LONGEST_NAME and name.isprintable()


def escaped(text: str, longest: int = LONGEST_NAME) -> str:
    """The text fit for a log line or a page: no control or invisible character survives, and it is cut to length.

    >>> escaped("barn\\x1b[2J\\n")
    'barn\\\\x1b[2J\\\\n'
    """
    cut = text[:longest]
    if not cut.isprintable():
        cut = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in cut)[:longest]
    return cut if len(text) <= longest else f"{cut}..."


def literal(text: str) -> float:
    """The number that the text writes, NaN if it writes none.

    >>> literal("-2100.5"), literal("1_000")
    (-2100.5, nan)
    """
    # float() also takes 1_000 and the digits of other scripts; a device that sends them is not trusted
    if not text.isascii() or "_" in text or len(text) > LONGEST_LITERAL:
        return math.nan
    try:
        return float(text)
    except ValueError:
        return math.nan


def _number(value: object) -> float:
    if isinstance(value, float):
        return value
    if isinstance(value, int) and not isinstance(value, bool):
        return float(value) if value.bit_length() < 1000 else math.inf
    return math.nan


def finite(value: object) -> float | str:
    """The value as a finite number of sane size, or the reason why it is none. Text and truth values are none.

    >>> finite(310), finite(True), finite(float("inf"))
    (310.0, 'not a number', 'number out of bounds')
    """
    number = _number(value)
    if -LARGEST < number < LARGEST:
        return number
    return "not a number" if number != number else "number out of bounds"


def stamp(value: object) -> float | str:
    """Event time [s] of a time stamp: ISO 8601 with its zone, or seconds or milliseconds since 1970-01-01 UTC.

    A time without a zone is refused, for it is some unknown place's local time.

    >>> stamp("2026-03-01T09:00:00Z"), stamp(1772355600000.0), stamp("2026-03-01T09:00:00")
    (1772355600.0, 1772355600.0, 'time without a zone')
    """
    if isinstance(value, str) and value[4:5] == "-":
        if len(value) > 40:
            return "bad time stamp"
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            return "bad time stamp"
        if moment.tzinfo is None:
            return "time without a zone"
        seconds = moment.timestamp()
    else:
        seconds = literal(value) if isinstance(value, str) else _number(value)
        if seconds != seconds:
            return "bad time stamp"
        if seconds > MILLISECONDS_FROM:
            seconds /= 1000.0
    return seconds if 0.0 <= seconds < LATEST else "time out of range"


def gate_state(value: object) -> bool | None:
    """Whether the gate is open; None if the word means neither. 1 and 0 count as the words ``1`` and ``0``."""
    if isinstance(value, bool):
        value = "true" if value else "false"
    elif isinstance(value, float | int):
        if value not in (0, 1):
            return None
        value = "1" if value else "0"
    if not isinstance(value, str) or len(value) > LONGEST_NAME:
        return None
    word = value.strip().casefold()
    if word in OPEN_WORDS:
        return True
    return False if word in SHUT_WORDS else None


def at_path(value: object, path: str) -> object:
    """What stands at a dotted path in nested JSON objects, None if nothing does.

    >>> at_path({"em": {"current": 9.5}}, "em.current")
    9.5
    """
    if isinstance(value, Mapping) and path in value:
        return _member(value, path)
    step: str
    for step in path.split("."):
        if not isinstance(value, Mapping):
            return None
        value = _member(value, step)
    return value


def _member(fields: Mapping[str, object], name: str) -> object:
    return None if isinstance(fields, Doubled) and name in fields.doubled else fields.get(name)
