"""The demonstration's script: a busy season in which, day by day, something goes wrong that the daemon should tell.

The first day is written down by the minute. It begins with bags already loaded; dry, dusty boards bring them past the
point of cleaning by mid-morning, then coarse planing overfills the chip bag. Nothing of this is painted on: it follows
from the dust the machines make and from the drag law. The days after it are drawn from the seed, with one or two faults
each from ``_LATER``. Times are seconds of the shop's clock from midnight.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from analysis.plant.day import DAY_S, Chore, Cut, Habits, Span, work
from analysis.plant.dust import DustState
from analysis.plant.faults import Fault, FaultKind, FaultList
from analysis.plant.shop import PlantShop

OPENS_S = 6 * 3600.0 + 40 * 60.0
"""The demonstration's day opens at 06:40."""

START_DRAG_RATIO = 1.45
"""Drag of the bags over clean when the demonstration opens."""
START_FILL = 0.03
"""Share of the chip bag that is full then."""

BUSY = Habits(
    run_min=280.0,
    mean_run_min=22.0,
    second_machine=0.5,
    saturday=1.0,
    sunday=1.0,
    begins_h=6.8,
    ends_h=17.8,
    lunch_h=(12.0, 12.5),
    dustiness=(0.7, 2.0),
    empty_at=0.8,
    clean_at=1.75,
    forgets=0.15,
)
"""How the maker works on the days after the first."""


def _at(clock: str) -> float:
    hours, minutes = clock.split(":")
    return int(hours) * 3600.0 + int(minutes) * 60.0


@dataclass(frozen=True, slots=True)
class Work:
    """A stretch of the first day: from, to, ports open by order in the shop, chips [kg/min] and fines at the first."""

    begins: str
    ends: str
    ports: tuple[int, ...]
    kg_min: float = 0.0
    fines: float = 0.0


FIRST_DAY: tuple[Work, ...] = (
    Work("06:41", "07:12", (0,), 0.18, 0.0068),
    Work("07:12", "07:14", (0, 1)),
    Work("07:14", "07:31", (1,), 0.12, 0.0100),
    Work("07:36", "08:20", (0,), 0.18, 0.0068),
    Work("08:24", "08:50", (0,), 0.18, 0.0068),
    Work("08:50", "09:05", (0, 2), 0.18, 0.0068),
    Work("09:05", "09:20", (0,), 0.18, 0.0068),
    Work("09:25", "10:20", (0,), 0.28, 0.0040),
    Work("10:23", "11:25", (0,), 0.17, 0.0050),
    Work("11:27", "11:31", (0,), 0.17, 0.0020),
    Work("11:47", "12:14", (1,), 0.12, 0.0180),
    Work("12:40", "13:25", (0,), 0.30, 0.0030),
    Work("13:25", "13:26", (0, 1)),
    Work("13:26", "13:55", (1,), 0.12, 0.0080),
    Work("14:08", "15:02", (2,), 0.20, 0.0030),
    Work("15:08", "15:35", (2,), 0.20, 0.0030),
    Work("15:44", "16:20", (0,), 0.30, 0.0030),
    Work("16:30", "17:25", (3,), 0.15, 0.0010),
)
CHORES: dict[str, tuple[Chore, ...]] = {
    "11:25": (Chore("clean"), Chore("empty")),
    "15:02": (Chore("empty"),),
    "17:25": (Chore("empty"),),
}
"""What the maker does on the first day when he switches off at that time."""

CHECKS = {"before": "11:36", "after": "12:28"}
"""When the maker walks the guided check: all gates shut, then each alone for ``CHECK_STEP_S``."""
CHECK_STEP_S = 120.0
CUT_AT = "12:15"
"""From then on a new run is there, its gate shut, and a careless joint of ``CUT_M2`` with it."""
CUT_NAME = "spindle moulder"
CUT_M2 = 5e-4

STORY: tuple[tuple[str, str], ...] = (
    ("00:00", "the chair maker planes dusty boards, and his bags are loaded already: watch the filter gauge"),
    ("09:25", "drag nears the line at which cleaning pays; coarse planing fills the chip bag meanwhile"),
    ("10:23", "the chip bag overfills and chips are carried up into the filter"),
    ("11:25", "he switched off, cleaned the filter and emptied the chip bag: both gauges start anew"),
    ("11:36", "he wants a new run for a spindle moulder: first he walks the check before the work, gate by gate"),
    ("11:47", "he resaws dusty boards once more"),
    ("12:15", "he cuts the run for the spindle moulder in, with a careless joint"),
    ("12:28", "he walks the check after the work: the page Added run will say what it cost"),
    ("12:40", "he planes coarse boards again; the page Added run tells what the new run took"),
    ("14:20", "shavings plug a run, and its air falls: the page Ducts shows which"),
    ("15:05", "he cleared the run while the fan was off"),
    ("17:25", "the day's work is done; from tomorrow on something else goes wrong each day"),
)
"""What happens on the first day, for those who watch: from which time on, and the words."""
LATER_STORY = "a day with one or two faults of its own: the journal says which were found"


def story(since_opening_s: float) -> str:
    """What the demonstration shows at this time.

    >>> story(0.0)[:16], story(20 * 3600.0) == LATER_STORY
    ('the chair maker ', True)
    """
    clock = OPENS_S + since_opening_s
    if clock >= DAY_S:
        return LATER_STORY
    return next(words for begins, words in reversed(STORY) if clock >= _at(begins))


PLUGGED = ("14:20", "15:05")
"""When shavings plug the third port's run on the first day; he clears it while the fan is off."""

_LATER: tuple[tuple[FaultKind, str, str, str, float, float], ...] = (
    (FaultKind.GATE_LEFT_OPEN, "port 3", "09:40", "11:30", 1.0, 0.0),
    (FaultKind.LEFT_RUNNING, "", "17:00", "20:30", 1.0, 0.0),
    (FaultKind.TUBE_PLUGGED, "filter_pa", "09:30", "10:40", 1.0, 0.0),
    (FaultKind.TORN_BAG, "", "13:40", "17:40", 0.35, 30.0),
    (FaultKind.WEAK_FAN, "", "09:20", "11:20", 0.12, 600.0),
    (FaultKind.SHORT_CYCLING, "", "15:00", "16:20", 14.0, 0.0),
    (FaultKind.HOSE_OFF, "port 0", "10:00", "11:00", 1.0, 0.0),
    (FaultKind.MOTOR_DRAG, "", "14:00", "15:30", 0.45, 300.0),
    (FaultKind.BLOCKED_RUN, "port 1", "08:30", "10:30", 0.72, 900.0),
    (FaultKind.SENSOR_STUCK, "inlet_pa", "13:30", "14:30", 1.0, 0.0),
)
"""Faults of the days after the first, two a day in turn: kind, where ("port N" by order), from, to, size, ramp [s]."""


def opening(now: float, utc_offset_s: float = 0.0) -> float:
    """The latest 06:40 of a working day (Monday to Friday) by the shop's clock that is not after ``now``."""
    day = int((now + utc_offset_s - OPENS_S) // DAY_S)
    while (day + 3) % 7 > 4:
        day -= 1
    return day * DAY_S + OPENS_S - utc_offset_s


def first_state(shop: PlantShop) -> DustState:
    """The dust with which the demonstration opens."""
    return DustState.at(shop.bags, START_DRAG_RATIO, START_FILL)


def script(shop: PlantShop, seed: int, opens_t: float, utc_offset_s: float = 0.0) -> Iterator[Span]:
    """The first day from ``opens_t`` on, then busy days without end."""
    midnight = _midnight(opens_t, utc_offset_s)
    now = opens_t
    chores: tuple[Chore, ...] = ()
    for piece in FIRST_DAY:
        begins, ends = midnight + _at(piece.begins), midnight + _at(piece.ends)
        if ends <= opens_t:
            continue
        begins = max(begins, now)
        for checked in map(_at, CHECKS.values()):
            if now - midnight <= checked < begins - midnight:
                yield Span(now, midnight + checked, False, chores=chores)
                now, chores = midnight + checked, ()
                for gates in check_steps(shop):
                    yield Span(now, now + CHECK_STEP_S, True, gates)
                    now += CHECK_STEP_S
        if begins > now:
            yield Span(now, begins, False, chores=chores)
        names = tuple(dict.fromkeys(shop.port_names[min(i, len(shop.ports) - 1)] for i in piece.ports))
        cuts = (Cut(names[0], piece.kg_min, piece.fines, 28.0, 16.0),) if piece.kg_min else ()
        yield Span(begins, ends, True, names, cuts)
        now, chores = ends, CHORES.get(piece.ends, ())
    next_day = midnight + DAY_S
    yield Span(now, next_day, False, chores=chores)
    yield from work(shop, seed, next_day, None, BUSY, utc_offset_s)


def check_steps(shop: PlantShop) -> tuple[tuple[str, ...], ...]:
    """The gate sets of the guided check."""
    return (), *((name,) for name in shop.port_names)


def check_time(side: str, opens_t: float, utc_offset_s: float = 0.0) -> float:
    """When the check ``before`` or ``after`` the work begins."""
    return _midnight(opens_t, utc_offset_s) + _at(CHECKS[side])


def cut_time(opens_t: float, utc_offset_s: float = 0.0) -> float:
    """When the new run is cut in."""
    return _midnight(opens_t, utc_offset_s) + _at(CUT_AT)


@dataclass
class DemoFaults:
    """The endless book of the demonstration's faults."""

    shop: PlantShop
    opens_t: float
    utc_offset_s: float = 0.0
    _days: dict[int, FaultList] = field(default_factory=dict, init=False)

    def overlapping(self, t0: float, t1: float) -> tuple[Fault, ...]:
        """Those that are there at some time from ``t0`` to ``t1``."""
        midnight = _midnight(self.opens_t, self.utc_offset_s)
        first, last = int((t0 - midnight) // DAY_S), int((t1 - midnight) // DAY_S)
        cut_t = cut_time(self.opens_t, self.utc_offset_s)
        added = Fault(FaultKind.ADDED_RUN, cut_t, where=self.shop.runs[-1].name, size=CUT_M2)
        of_days = (f for day in range(max(first, 0), last + 1) for f in self._day(day, midnight).overlapping(t0, t1))
        return (*((added,) if added.overlaps(t0, t1) else ()), *of_days)

    def _day(self, day: int, midnight: float) -> FaultList:
        if day not in self._days:
            if len(self._days) > 20:
                self._days.clear()
            self._days[day] = FaultList.of(tuple(self._faults(day, midnight + day * DAY_S)))
        return self._days[day]

    def _faults(self, day: int, midnight: float) -> Iterator[Fault]:
        if day == 0:
            begins, ends = (midnight + _at(clock) for clock in PLUGGED)
            yield Fault(FaultKind.BLOCKED_RUN, begins, ends, self._port(2), 0.7, 420.0)
            return
        shift = float(np.random.default_rng([day, 5003]).integers(-20, 21)) * 60.0
        for i in (2 * (day - 1), 2 * (day - 1) + 1):
            kind, where, begins_at, ends_at, size, ramp_s = _LATER[i % len(_LATER)]
            place = self._port(int(where[5:])) if where.startswith("port ") else where
            yield Fault(kind, midnight + _at(begins_at) + shift, midnight + _at(ends_at) + shift, place, size, ramp_s)

    def _port(self, order: int) -> str:
        return self.shop.port_names[min(order, len(self.shop.ports) - 1)]


def _midnight(t: float, utc_offset_s: float) -> float:
    return float(np.floor((t + utc_offset_s) / DAY_S)) * DAY_S - utc_offset_s
