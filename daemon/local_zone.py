"""The computer's own time zone as a ``tzinfo`` that follows summer time, which a fixed offset does not."""

from __future__ import annotations

import calendar
import time
from datetime import datetime, timedelta, tzinfo


class LocalZone(tzinfo):
    """Local time by the C library's rules, at every instant and not only now.

    ``datetime.now().astimezone().tzinfo`` is a fixed offset: a daemon that is started in winter would keep its quiet
    hours an hour off all summer.
    """

    def utcoffset(self, dt: datetime | None) -> timedelta:
        """The offset that holds at the local time ``dt`` (its ``fold`` tells the two hours of autumn apart)."""
        if dt is None:
            return timedelta(0)
        return timedelta(seconds=time.localtime(dt.replace(tzinfo=None).timestamp()).tm_gmtoff)

    def dst(self, dt: datetime | None) -> timedelta | None:
        """Not known apart from the offset."""
        return None

    def tzname(self, dt: datetime | None) -> str:
        """The abbreviation in use at ``dt``."""
        return time.localtime(None if dt is None else dt.replace(tzinfo=None).timestamp()).tm_zone

    def fromutc(self, dt: datetime) -> datetime:
        """The local time of an instant given in UTC."""
        stamp = calendar.timegm(dt.timetuple())
        local = dt + timedelta(seconds=time.localtime(stamp).tm_gmtoff)
        first = local.replace(tzinfo=None, fold=0, microsecond=0).timestamp()
        return local.replace(fold=int(first != stamp))
