"""What the owner can set about alarms and notices, with the reason for each default.

Delays count observed running time of the fan (or all observed time where ``counts_off_time``), never time in which
nobody looked. Every default delay is a choice of common practice without a published source: the process industries'
usual delays (seconds to a minute) suit a control room with an operator, not a shop whose owner stands at a machine and
must never be cried wolf to. Deadbands belong to the detectors, which know their quantity; here the same purpose is
served by two levels of confidence, one to raise and a lower one to keep.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from analysis.conditions import Condition, Urgency
from analysis.findings import UNDECIDED
from analysis.units import System

MINUTE = 60.0
HOUR = 3600.0
DAY = 86400.0


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """How one condition becomes an alarm and stops being one.

    ``on_s`` [s] the claim must hold this long without a break to raise; longer is calmer and later. ``off_s`` [s] it
    must be absent this long without a break to clear; longer chatters less. ``latch`` keeps a returned alarm until it
    is reset. ``re_alarm_s`` [s] an acknowledged alarm is said again after it has stood this long (None: never).
    ``counts_off_time`` counts the delays in all observed time instead of running time. ``raise_at`` and ``keep_at``
    [probability] confidence needed to raise, and to keep standing. ``enabled`` False: the owner does not want this
    condition at all; it is out of service by the configuration. ``reason`` says why these are the defaults.

    Raises ValueError for a negative delay or levels not in 0 <= keep_at <= raise_at <= 1.
    """

    on_s: float
    off_s: float
    latch: bool = False
    re_alarm_s: float | None = None
    counts_off_time: bool = False
    raise_at: float = 0.6
    keep_at: float = 0.4
    enabled: bool = True
    reason: str = ""

    def __post_init__(self) -> None:
        for name, value in (("on_s", self.on_s), ("off_s", self.off_s), ("re_alarm_s", self.re_alarm_s)):
            if value is not None and not 0.0 <= value < float("inf"):
                raise ValueError(f"{name} is {value}; allowed: 0 s or more")
        if not 0.0 <= self.keep_at <= self.raise_at <= 1.0:
            raise ValueError(f"keep_at is {self.keep_at} and raise_at {self.raise_at}; "
                             "allowed: 0 <= keep_at <= raise_at <= 1")


DEFAULT_RULES: Mapping[Condition, AlarmRule] = MappingProxyType({
    Condition.FILTER_LOADING: AlarmRule(
        30 * MINUTE, 10 * MINUTE,
        reason="The bags load over weeks: half an hour more costs nothing, and a damp morning or a fine job passes."),
    Condition.FILTER_BLINDED: AlarmRule(
        1 * HOUR, 1 * HOUR,
        reason="It is judged from cleaning to cleaning; an hour after a cleaning the cake has built up again."),
    Condition.BAG_FULL: AlarmRule(
        1 * MINUTE, 2 * MINUTE, re_alarm_s=30 * MINUTE,
        reason="Every minute carries more chips up into the filter bags. Said again if it runs on for half an hour."),
    Condition.BLOCKED_RUN: AlarmRule(
        2 * MINUTE, 2 * MINUTE,
        reason="A board over a hood or a gate half way blocks for seconds; a plug stays."),
    Condition.OPEN_GATE_OR_LEAK: AlarmRule(
        5 * MINUTE, 2 * MINUTE,
        reason="Gates are open together for a moment at each change of machine; after five minutes one is forgotten."),
    Condition.FILTER_BREACH: AlarmRule(
        1 * MINUTE, 10 * MINUTE, latch=True, re_alarm_s=1 * HOUR, raise_at=UNDECIDED,
        reason="Dust is in the air now. Latched, because the detector will get used to the lower drag but the tear "
               "stays until somebody has looked."),
    Condition.WEAK_FAN: AlarmRule(
        10 * MINUTE, 10 * MINUTE,
        reason="A sag of the mains or a cold start passes within minutes; a worn or reversed wheel does not."),
    Condition.MOTOR_OVERLOAD: AlarmRule(
        10.0, 1 * MINUTE, re_alarm_s=15 * MINUTE, counts_off_time=True, raise_at=UNDECIDED,
        reason="The detector has already allowed the current its time, so only a hiccup of the reading is waited out. "
               "It clears while the motor stands and cools. It is said too where it may as well be the clamp."),
    Condition.LOW_VELOCITY: AlarmRule(
        10 * MINUTE, 5 * MINUTE,
        reason="Chips settle over minutes of slow air, and the usual causes (filter, bag, plug) are named sooner."),
    Condition.LEFT_RUNNING: AlarmRule(
        1 * MINUTE, 30.0, counts_off_time=True,
        reason="The detector has already waited the agreed time. It clears when the fan is off."),
    Condition.SHORT_CYCLING: AlarmRule(
        10.0, 10 * MINUTE, counts_off_time=True,
        reason="The claim is a count over an hour, calm by itself; the fan is off for part of it."),
    Condition.SENSOR_FAULT: AlarmRule(
        2 * MINUTE, 5 * MINUTE, counts_off_time=True,
        reason="Long enough for a node to start again after a power cut; sensors are watched with the fan off too."),
    Condition.SUCTION_LOST: AlarmRule(
        30 * MINUTE, 30 * MINUTE,
        reason="A slow loss against the baseline, mixed with gates that are not known for certain."),
})
"""The default rule of each condition."""


@dataclass(frozen=True, slots=True)
class AlarmSettings:
    """Rules per condition and what is common to all.

    ``gap_cap_s`` [s]: the time between two updates counts for at most this much, so that hours of silence add nothing
    to a delay; set it to at least the recording's own tick. ``max_shelve_s`` [s]: no shelf is longer.
    """

    rules: Mapping[Condition, AlarmRule] = field(default_factory=lambda: DEFAULT_RULES)
    gap_cap_s: float = 10.0
    max_shelve_s: float = 30 * DAY

    def __post_init__(self) -> None:
        if not self.gap_cap_s > 0.0:
            raise ValueError(f"gap_cap_s is {self.gap_cap_s}; allowed: more than 0 s")
        if not self.max_shelve_s > 0.0:
            raise ValueError(f"max_shelve_s is {self.max_shelve_s}; allowed: more than 0 s")

    def rule(self, condition: Condition) -> AlarmRule:
        """The rule of ``condition``; the default where none was set."""
        return self.rules.get(condition) or DEFAULT_RULES[condition]


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From ``start_min`` to ``end_min`` (minutes after local midnight; may span midnight) only "stop" is told.

    >>> QuietHours(21 * 60, 6 * 60).covers(23 * 60), QuietHours(21 * 60, 6 * 60).covers(12 * 60)
    (True, False)
    """

    start_min: int
    end_min: int

    def __post_init__(self) -> None:
        for name, value in (("start", self.start_min), ("end", self.end_min)):
            if not 0 <= value <= 1440:
                raise ValueError(f"quiet hours {name} at minute {value} of the day; allowed: 0 to 1440")

    def covers(self, minute: int) -> bool:
        """Whether this minute of the local day is quiet."""
        if self.start_min <= self.end_min:
            return self.start_min <= minute < self.end_min
        return minute >= self.start_min or minute < self.end_min


@dataclass(frozen=True, slots=True)
class NoticeSettings:
    """When a person is told, and in whose units.

    ``repeat_s`` [s] after which an alarm nobody acknowledged is told again, ``repeat_limit`` how often at most, both by
    urgency; None or 0 means once only (a "plan" alarm waits for the weekly digest). ``escalate_after_s`` [s]: a "stop"
    alarm nobody acknowledged goes to the outlets kept for that. No default here has a published source.
    """

    shop: str = "the shop"
    units: System = "us"
    quiet: QuietHours | None = None
    repeat_s: Mapping[Urgency, float | None] = field(default_factory=lambda: MappingProxyType(
        {Urgency.STOP: 10 * MINUTE, Urgency.SOON: 1 * DAY, Urgency.PLAN: None}))
    repeat_limit: Mapping[Urgency, int] = field(default_factory=lambda: MappingProxyType(
        {Urgency.STOP: 6, Urgency.SOON: 3, Urgency.PLAN: 0}))
    escalate_after_s: float | None = 30 * MINUTE
    tell_cleared: bool = True
    tell_acknowledged: bool = False
