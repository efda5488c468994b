"""What a monthly record says, as plain values in SI. Whatever is None is not known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from analysis.conditions import Urgency
from analysis.units import System
from daemon.alarms.rates import raised_times
from daemon.record.period import Month
from daemon.store.reader import Alarm, JournalEntry, Step


@dataclass(frozen=True, slots=True)
class DayFacts:
    """One day: ``run_s`` seconds that the fan was seen on, ``starts`` of the motor, ``energy_j`` drawn [J], ``flow_m3s``
    mean while running, ``drag_ratio`` of the last running hour, ``done`` journal entries, ``alarms`` told."""

    day: date
    run_s: float
    starts: int
    energy_j: float | None
    flow_m3s: float | None
    drag_ratio: float | None
    done: tuple[JournalEntry, ...]
    alarms: int


@dataclass(frozen=True, slots=True)
class Mean:
    """Mean and standard deviation of ``n`` values."""

    n: int
    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class GateSetFacts:
    """What one set of open gates read in the month.

    ``open_ports`` None: the gates were not known. ``seconds`` of steady running; ``means`` of the channels and of
    ``flow_m3s``; ``flow_sd`` the estimate's own standard deviation; ``flow_lost`` the share that the filter cost.
    ``expected`` what the reference (baseline or drawing, bags clean) says for these gates: ``inlet_pa``, ``flow_m3s``,
    ``filter_pa``; empty where it says nothing. ``shares`` the part of the flow that comes through each open port.
    """

    open_ports: tuple[str, ...] | None
    seconds: float
    means: Mapping[str, Mean]
    flow_sd: float | None
    flow_lost: float | None
    expected: Mapping[str, float] = field(default_factory=dict)
    shares: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PortFacts:
    """One port: ``seconds`` that it was open in known gate sets, ``flow_m3s`` mean air through it meanwhile, ``least``
    and ``most`` over the gate sets, ``needs_m3s`` as configured."""

    name: str
    seconds: float
    flow_m3s: float | None
    least_m3s: float | None
    most_m3s: float | None
    needs_m3s: float | None


@dataclass(frozen=True, slots=True)
class DragPoint:
    """Drag of the bags over clean in one hour with running in it: mean, least, greatest."""

    t: float
    mean: float
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class CleaningFacts:
    """One cleaning (or change) of the bags: drag over clean in the half hour of running before and after it, and the
    running time [s] since the one before it in the journal."""

    entry: JournalEntry
    before: float | None
    after: float | None
    since_s: float | None


@dataclass(frozen=True, slots=True)
class AlarmFacts:
    """One alarm with its steps, and what the owner wrote down while it was open or soon after."""

    alarm: Alarm
    steps: tuple[Step, ...]
    done: tuple[JournalEntry, ...]

    def raised(self, month: Month) -> int:
        """How often it was raised to a person in the month."""
        return sum(month.start_t <= t < month.end_t for t in raised_times(self.steps))


@dataclass(frozen=True, slots=True)
class SensorFacts:
    """One channel: its ``zero`` with the fan at rest, the means of its ``first`` and ``last`` week at rest, the day's
    mean that lay furthest off (``worst``), its ``accuracy`` (one standard deviation), the largest zero that the
    estimator believes (``bound``), and for how long [s] of running it gave no value, by reason (``missing``).
    ``rests_at_zero`` False: rest says nothing of it."""

    channel: str
    rests_at_zero: bool
    zero: Mean | None
    first: float | None
    last: float | None
    worst: float | None
    accuracy: float
    bound: float | None
    missing: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Gap:
    """Nobody watched from ``start_t`` to ``end_t`` [s]."""

    start_t: float
    end_t: float


@dataclass(frozen=True, slots=True)
class RecordFacts:
    """All of it. ``until_t`` [s] up to where the record reaches (the month's end, or now); ``reference`` what suction
    and flow are compared with; ``raw_from_t`` from when single readings are kept (what rests on them is not known
    before); ``held_back`` alarms that were explained by another and never told; ``energy_words`` why energy is not
    known, or what was left out of it."""

    shop: str
    units: System
    month: Month
    until_t: float
    seen_from_t: float
    days: tuple[DayFacts, ...]
    reference: str
    gate_sets: tuple[GateSetFacts, ...]
    ports: tuple[PortFacts, ...]
    drag: tuple[DragPoint, ...]
    cleanings: tuple[CleaningFacts, ...]
    alarms: tuple[AlarmFacts, ...]
    held_back: int
    journal: tuple[JournalEntry, ...]
    sensors: tuple[SensorFacts, ...]
    gaps: tuple[Gap, ...]
    raw_from_t: float | None
    drawings: tuple[str, ...]
    price: tuple[float, str] | None
    energy_words: str

    @property
    def alarm_words(self) -> str:
        """How many alarms were raised, in the words of the page and of the command."""
        raised = sum(found.raised(self.month) for found in self.alarms)
        urgent = sum(found.raised(self.month) for found in self.alarms if found.alarm.urgency is Urgency.STOP)
        return f"{raised} raised" + (f", {urgent} of them to stop the fan" if urgent else "")

    @property
    def run_s(self) -> float:
        """Running time of the month [s]."""
        return sum(day.run_s for day in self.days)

    @property
    def starts(self) -> int:
        """Starts in the month."""
        return sum(day.starts for day in self.days)

    @property
    def energy_j(self) -> float | None:
        """Energy of the month [J]; None where it is not known on any day that the fan ran."""
        known = [day.energy_j for day in self.days if day.energy_j is not None]
        return sum(known) if known else None

    @property
    def cost(self) -> tuple[float, str] | None:
        """Price of the energy and its currency."""
        energy = self.energy_j
        return None if energy is None or self.price is None else (energy / 3.6e6 * self.price[0], self.price[1])
