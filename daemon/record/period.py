"""A month by the shop's clock: where it and each of its days begin and end."""

from __future__ import annotations

import calendar
import re
from bisect import bisect_right
from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from daemon.errors import DuctwardenError

_MONTH = re.compile(r"^(\d{4})-(0[1-9]|1[0-2])$")


class PeriodError(DuctwardenError):
    """What was asked for is not a month, or there is nothing of it."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Month:
    """``edges`` [s]: midnight at the beginning of each day and at the end of the last, by local time, so that a day is
    23 or 25 hours long where the clock is changed."""

    year: int
    month: int
    edges: tuple[float, ...]

    @classmethod
    def of(cls, text: str, tz: tzinfo) -> Month:
        """The month written as ``2026-03``. Raises :class:`PeriodError` for anything else.

        >>> from datetime import UTC
        >>> month = Month.of("2026-02", UTC)
        >>> len(month.dates), month.name, month.end_t - month.start_t
        (28, 'February 2026', 2419200.0)
        """
        found = _MONTH.match(text)
        if found is None or not 1970 < int(found.group(1)) < 9999:
            raise PeriodError(f"{text!r} is not a month; write it as 2026-03")
        year, month = int(found.group(1)), int(found.group(2))
        _, days = calendar.monthrange(year, month)
        firsts = [(year, month, day) for day in range(1, days + 1)] + [(year + month // 12, month % 12 + 1, 1)]
        return cls(year, month, tuple(datetime(*first, tzinfo=tz).timestamp() for first in firsts))

    @property
    def start_t(self) -> float:
        """The first midnight."""
        return self.edges[0]

    @property
    def end_t(self) -> float:
        """The last midnight; it belongs to the next month."""
        return self.edges[-1]

    @property
    def dates(self) -> tuple[date, ...]:
        """Its days."""
        return tuple(date(self.year, self.month, day) for day in range(1, len(self.edges)))

    @property
    def name(self) -> str:
        """As people write it."""
        return f"{calendar.month_name[self.month]} {self.year}"

    @property
    def stamp(self) -> str:
        """As files are named."""
        return f"{self.year}-{self.month:02d}"

    def day_of(self, t: float) -> int:
        """The index of the day that holds event time ``t`` [s]; below 0 or beyond the last where it is outside."""
        return bisect_right(self.edges, t) - 1
