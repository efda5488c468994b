"""When the weekly digest is due, in event time and by the shop's clock."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta, tzinfo

DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
WEEK = timedelta(days=7)
MOST_WEEKS = 5
"""After a longer silence a digest covers one week: what happened before is in the monthly records."""


class Weekly:
    """Due once a week at a day and minute of local time; a moment that was missed is made up for, once.

    ``weekday`` Monday 0; ``minute`` after local midnight. The first moment after :meth:`restore` (or, on the very first
    start, after the first question) is the first one due: nothing is told of a time that nobody watched.
    """

    def __init__(self, weekday: int, minute: int, tz: tzinfo) -> None:
        self._weekday = weekday
        self._minute = minute
        self._tz = tz
        self._told_t: float | None = None

    def latest(self, t: float) -> float:
        """The latest such moment that is not after event time ``t`` [s]."""
        now = datetime.fromtimestamp(t, self._tz)
        at = now.replace(hour=self._minute // 60, minute=self._minute % 60, second=0, microsecond=0, fold=0)
        at -= timedelta(days=(now.weekday() - self._weekday) % 7)
        if at.timestamp() > t:
            at -= WEEK
        return at.timestamp()

    def due(self, t: float) -> tuple[float, float] | None:
        """The span [s] that a digest has to cover now, None while none is due. Asking again gives the same answer."""
        moment = self.latest(t)
        told = self._told_t
        if told is None or told - t > 8 * 86400.0:  # never told, or told by a clock that was far ahead
            self._told_t = moment
            return None
        if moment <= told:
            return None
        week_before = (datetime.fromtimestamp(moment, self._tz) - WEEK).timestamp()
        longest = MOST_WEEKS * 7 * 86400.0
        return (told if moment - told <= longest and told < week_before else week_before), moment

    def told(self, moment: float) -> None:
        """The digest up to ``moment`` is made: it is not due again."""
        self._told_t = moment

    def snapshot(self) -> dict[str, object]:
        """Up to when digests were made."""
        return {"told_t": self._told_t}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a :meth:`snapshot`."""
        told = data.get("told_t")
        if isinstance(told, int | float) and not isinstance(told, bool):
            self._told_t = float(told)
