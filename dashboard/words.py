"""Numbers, times and sentences as a person reads them."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

DASH = "–"
NO_BREAK = "\u00a0"
"""A space at which a line is never broken: before a percent sign."""


def decimal_text(number: float, decimals: int, signed: bool = False) -> str:
    """``number`` with a true minus sign, and never a minus before a zero.

    >>> decimal_text(-7.934, 2), decimal_text(-0.001, 1), decimal_text(3.2, 1, signed=True)
    ('−7.93', '0.0', '+3.2')
    """
    text = f"{number:.{decimals}f}"
    if float(text) == 0:
        return text.lstrip("-")
    if text.startswith("-"):
        return "−" + text[1:]
    return f"+{text}" if signed else text


def with_unit(number: str, symbol: str) -> str:
    """A number with its unit; a percent sign stays with its number.

    >>> with_unit("7.92", "in. w.g."), with_unit("4", "%"), with_unit("12", "")
    ('7.92 in. w.g.', '4\xa0%', '12')
    """
    return number if not symbol else f"{number}{NO_BREAK if symbol == '%' else ' '}{symbol}"


def whole(value: float | None) -> str:
    """A count. Five digits and more are grouped by a narrow space, as ISO 80000-1 has it; four are not.

    >>> whole(9876), whole(14087), whole(None)
    ('9876', '14\u202f087', '')
    """
    if value is None:
        return ""
    return f"{value:.0f}" if abs(value) < 10_000 else f"{value:,.0f}".replace(",", "\u202f")


def sentence(words: str) -> str:
    """A note of the daemon as a sentence of its own.

    >>> sentence("the fan is off"), sentence("Within 2 %.")
    ('The fan is off.', 'Within 2\xa0%.')
    """
    words = unbroken(words.strip())
    return words[:1].upper() + words[1:] + ("" if words[-1:] in ("", ".", "!", "?", ":") else ".")


def unbroken(words: str) -> str:
    """``words`` whose percent signs stay with their numbers."""
    return words.replace(" %", f"{NO_BREAK}%")


def duration(seconds: float | None) -> str:
    """A length of time in words that a person would use.

    >>> duration(42), duration(60 * 12), duration(3600 * 5.2), duration(86400 * 3), duration(None)
    ('42 s', '12 min', '5 h 12 min', '3 days', '–')
    """
    if seconds is None or not math.isfinite(seconds):
        return DASH
    seconds = max(0.0, seconds)
    if seconds < 60:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 10:
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    if hours < 48:
        return f"{round(seconds / 3600)} h"
    return f"{round(seconds / 86400)} days"


def running_hours(seconds: float | None) -> str:
    """Running time, for forecasts: never more exact than it is.

    >>> running_hours(3600 * 17.3), running_hours(1800), running_hours(3600 * 230)
    ('17 running hours', '30 running minutes', '230 running hours')
    """
    if seconds is None or not math.isfinite(seconds):
        return DASH
    hours = max(0.0, seconds) / 3600
    if hours < 1:
        return f"{5 * round(hours * 12)} running minutes"
    if hours >= 100:
        hours = 10 * round(hours / 10)
    return f"{hours:.0f} running hour{'' if round(hours) == 1 else 's'}"


def day_and_time(t: float | None) -> str:
    """An instant as a clock on the wall of the shop would tell it: ``Tue 3 Mar 2026, 09:14``."""
    local = local_time(t)
    return DASH if local is None else f"{local:%a} {local.day} {local:%b %Y, %H:%M}"


def clock_time(t: float | None) -> str:
    """The time of day, ``09:14:07``."""
    local = local_time(t)
    return DASH if local is None else f"{local:%H:%M:%S}"


def since(t: float | None, now: float | None) -> str:
    """When something began, as shortly as it is clear: the time alone today, the weekday within a week, else the date."""
    began, today = local_time(t), local_time(now)
    if began is None:
        return DASH
    if today is not None and began.date() == today.date():
        return f"{began:%H:%M}"
    if today is not None and timedelta(0) <= today - began < timedelta(days=6):
        return f"{began:%a %H:%M}"
    return f"{began.day} {began:%b %Y, %H:%M}"


def local_time(t: float | None) -> datetime | None:
    """Seconds since the epoch in this computer's time zone, None for what is no time."""
    if t is None or not math.isfinite(t):
        return None
    try:
        return datetime.fromtimestamp(t).astimezone()
    except (OverflowError, OSError, ValueError):
        return None
