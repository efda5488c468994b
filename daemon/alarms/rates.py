"""How many alarms a person was given, against the published figures for what a person can take.

The figures are for operators of process plants, the only published ones there are; a shop's owner should see a few
alarms in a *month*. Sources, as seen in public summaries and not in the printed standards: one alarm in 10 minutes is
manageable, ten in 10 minutes are a flood (summary of EEMUA 191); about 150 a day (ANSI/ISA-18.2-2009) or 144 a day
(IEC 62682:2014) are likely acceptable; a flood ends below 5 in 10 minutes (from memory). Public texts differ on whether
a flood begins at ten or above ten; ten is taken.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Protocol

from daemon.alarms.types import AlarmState

WINDOW_S = 600.0
DAY_S = 86400.0
FLOOD_BEGINS = 10
FLOOD_ENDS_BELOW = 5
MANAGEABLE_PER_10_MIN = 1.0
ACCEPTABLE_PER_DAY = 144


class Step(Protocol):
    """A step of an alarm."""

    @property
    def t(self) -> float:
        """Its time [s]."""

    @property
    def after(self) -> AlarmState:
        """The state that it led to."""


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


def rate_document(rate: AlarmRate, t: float) -> dict[str, object]:
    """The status document "alarms": the counts of the windows that end at ``t``, beside the published figures."""
    return {
        "t": t, "last_10_min": rate.last_10_min, "last_day": rate.last_day, "flood": rate.flood, "floods": rate.floods,
        "manageable": rate.manageable, "words": rate_words(rate),
        "published": {"manageable_per_10_min": MANAGEABLE_PER_10_MIN, "flood_begins_per_10_min": FLOOD_BEGINS,
                      "flood_ends_below_per_10_min": FLOOD_ENDS_BELOW, "acceptable_per_day": ACCEPTABLE_PER_DAY},
    }


def rate_words(rate: AlarmRate) -> str:
    """The rate in a sentence.

    >>> rate_words(AlarmRate(1, 2, False, 0))
    '1 alarm in the last 10 minutes, 2 in the last day: a person can follow that'
    """
    told = f"{_alarms(rate.last_10_min)} in the last 10 minutes, {rate.last_day} in the last day"
    if rate.flood:
        return f"{told}: a flood, more than anybody can follow ({FLOOD_BEGINS} in 10 minutes)"
    if not rate.manageable:
        return f"{told}: more than a person can follow well (1 in 10 minutes, {ACCEPTABLE_PER_DAY} a day)"
    return f"{told}: a person can follow that"


def _alarms(count: int) -> str:
    return f"{count} alarm{'' if count == 1 else 's'}"


@dataclass(frozen=True, slots=True)
class RateHistory:
    """What a person was given over a span: ``days`` alarms told by local date, ``busiest_10_min`` the most in any ten
    minutes, ``floods`` how often a flood began, ``told`` all of them."""

    told: int
    days: dict[str, int]
    busiest_10_min: int
    floods: int


def raised_times(steps: Iterable[Step]) -> list[float]:
    """When alarms were raised to a person [s]: the one count of alarms, on the record, its page, the digest and in the rates. An
    alarm that came back counts again."""
    return [step.t for step in steps if step.after is AlarmState.UNACKNOWLEDGED]


def rate_history(times: Iterable[float], tz: tzinfo) -> RateHistory:
    """The rates of the alarms told at ``times`` [s]; days without an alarm are not in it."""
    meter = RateMeter()
    days: dict[str, int] = {}
    busiest = told = floods = 0
    for t in sorted(times):
        meter.add(t)
        rate = meter.rate(t)
        busiest, floods, told = max(busiest, rate.last_10_min), rate.floods, told + 1
        day = datetime.fromtimestamp(t, tz).date().isoformat()
        days[day] = days.get(day, 0) + 1
    return RateHistory(told, days, busiest, floods)


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
