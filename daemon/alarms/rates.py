"""How many alarms a person was given, against the published figures for what a person can take.

The figures are for operators of process plants, the only published ones there are; a shop's owner should see a few
alarms in a *month*. Sources, as seen in public summaries and not in the printed standards: one alarm in 10 minutes is
manageable, ten in 10 minutes are a flood (summary of EEMUA 191); about 150 a day (ANSI/ISA-18.2-2009) or 144 a day
(IEC 62682:2014) are likely acceptable; a flood ends below 5 in 10 minutes (from memory). Public texts differ on whether
a flood begins at ten or above ten; ten is taken.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

WINDOW_S = 600.0
DAY_S = 86400.0
FLOOD_BEGINS = 10
FLOOD_ENDS_BELOW = 5
MANAGEABLE_PER_10_MIN = 1.0
ACCEPTABLE_PER_DAY = 144


@dataclass(frozen=True, slots=True)
class AlarmRate:
    """``last_10_min`` and ``last_day``: alarms told in the window that ends now; ``flood``: one is going on.

    ``floods`` counts the floods since the meter was made.
    """

    last_10_min: int
    last_day: int
    flood: bool
    floods: int

    @property
    def manageable(self) -> bool:
        """At most one in 10 minutes, and no more in a day than the lower of the two published figures."""
        return self.last_10_min <= MANAGEABLE_PER_10_MIN and self.last_day <= ACCEPTABLE_PER_DAY


class RateMeter:
    """Counts alarms as they are told; keeps one day of times, at most ``most`` of them."""

    def __init__(self, most: int = 2000) -> None:
        self._times: deque[float] = deque(maxlen=most)
        self._flood = False
        self._floods = 0

    def add(self, t: float) -> None:
        """One alarm was told at event time ``t`` [s]. A clock that was set back forgets what now lies ahead."""
        while self._times and self._times[-1] > t:
            self._times.pop()
        self._times.append(t)
        self.rate(t)

    def rate(self, t: float) -> AlarmRate:
        """The counts of the windows that end at event time ``t`` [s]."""
        times = self._times
        while times and times[0] <= t - DAY_S:
            times.popleft()
        recent = sum(1 for x in times if t - WINDOW_S < x <= t)
        if recent >= FLOOD_BEGINS and not self._flood:
            self._flood = True
            self._floods += 1
        elif recent < FLOOD_ENDS_BELOW:
            self._flood = False
        return AlarmRate(recent, sum(1 for x in times if x <= t), self._flood, self._floods)
