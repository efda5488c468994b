"""The motor and its hours: overload, left running, too many starts. What is agreed is counted, not judged."""

from __future__ import annotations

import math

from analysis.blocks import Block, Stat
from analysis.conditions import Condition
from analysis.detectors.channels import SensorFault
from analysis.detectors.core import Core
from analysis.detectors.limits import Limits
from analysis.detectors.watch import Watch
from analysis.duct.motor import Motor
from analysis.events import ShopEvent
from analysis.findings import UNDECIDED, Evidence, Finding
from analysis.readings import RunState

HEATING_S, COOLING_S = 150.0, 600.0
"""Time constants of the winding while the fan turns and while it is off (ours: a small fan-cooled motor answers in minutes)."""
COOL, COOL_S = 0.85, 1800.0
"""A standing claim is kept until the heat has stayed below this share of what is allowed for so much running: an overload that
comes and goes with gates and days is one episode."""
HOUR_S = 3600.0
LONGER = 1.5
"""Nobody is thought to be gone before so many times the longest setting that was work."""
SURE, SAME = 2.0, 0.02
"""A step of the pressures counts as a move of a gate at once where it is so many times what counts as a step, a smaller
one where the minute after it differs by this (logarithm) from the one before: rough air makes small steps."""
BY_CHANCE = 0.01
"""Blocks without any change that are this unlikely in a row are a clamp that is stuck (:class:`.SensorFault` says so)."""
TRIPS = 1.25
"""Times the plate's current from which the motor's own overload device must trip (NEC 430.32)."""
EITHER_ACTION = (
    "The motor draws more than its air asks for, or its clamp reads too much. Feel the motor: where it is hot or smells,"
    " stop the fan. Else measure the current with another clamp.")
OVER = 1.05
"""Heat over what is allowed that is told: two and a half per cent of the current, which no clamp is better than."""


class MotorOverload(Watch):
    """Inverse-time: follows the heat in the winding, a first-order lag of the squared current over the squared allowed current,
    and claims when it passes 1. Twice the allowed current is claimed within a minute, a tenth more after some minutes, the
    surge of a start not at all. The allowed current is the full-load current times the margin: the service factor of the
    nameplate (1.15 where it is marked so; NEC 430.32 sets overload devices by the nameplate).

    A current that this shop's air does not ask for may as well be a clamp that reads too much: the numbers are the same. It is
    told as the two things that it can be, and without a call to stop, up to where the motor's own device must have tripped.

    This is a second pair of eyes and no overload device: the motor's own protection remains, and trips on its own.
    """

    condition = Condition.MOTOR_OVERLOAD
    KEPT = ("_heat", "_amps", "_last_t", "_since", "_cool_s", "_flat", "_flat_share")

    def __init__(self, core: Core, motor: Motor | None, margin: float | None = None) -> None:
        super().__init__()
        self._isolation = core.isolation
        self._full_a = None if motor is None else motor.full_a
        self._allowed_a = None if motor is None else motor.full_a * (margin if margin is not None else motor.service_factor)
        self._heat = self._cool_s = 0.0
        self._flat, self._flat_share = 0, 0.3
        self._amps: float | None = None
        self._last_t: float | None = None

    def update(self, block: Block) -> None:
        """Take in a block."""
        before, self._last_t, self._t = self._last_t, block.t, block.t
        if self._allowed_a is None:
            return
        if before is not None and block.began_t - before > 60.0:
            self._heat *= math.exp(-(block.began_t - before) / COOLING_S)
        stat, on = block.stats.get("motor_a"), block.state in (RunState.STARTING, RunState.RUNNING)
        if stat is None or block.heat_a2s is None or not block.seconds > 0.0:
            return
        self._amps = stat.mean
        if on and self._stuck(stat):
            return
        load = block.heat_a2s / block.seconds / self._allowed_a**2 if on else 0.0
        self._heat += (load - self._heat) * -math.expm1(-block.seconds / (HEATING_S if on else COOLING_S))
        self._cool_s = self._cool_s + (block.seconds if on else 0.0) if self._heat < COOL else 0.0
        claim = self._isolation.claim
        if claim is not None and claim.name == "motor_a" and self._may_be_clamp(claim.size):
            self._set(None)  # both causes are told as one alarm already, that of the clamp
        elif self._heat >= OVER:
            self._set(block.t if self._since is None else self._since)
        elif self._cool_s >= COOL_S:
            self._set(None)
        self._isolation.overload(self.standing)

    def _may_be_clamp(self, excess: float) -> bool:
        """Whether a clamp that reads too much by ``excess`` (logarithm) explains the heat, and the motor's own device need not
        have tripped."""
        return self._heat < TRIPS**2 and self._heat * math.exp(-2.0 * excess) < OVER

    def _stuck(self, stat: Stat) -> bool:
        """Whether the clamp repeats itself to the digit more often in a row than it does by chance: no news of the motor."""
        flat = stat.count >= 3 and stat.high <= stat.low
        self._flat = self._flat + 1 if flat else 0
        share = self._flat_share
        if not flat or self._flat < 2:
            self._flat_share += 0.02 * (flat - share)
        return flat and share**self._flat < BY_CHANCE

    def _tell(self) -> tuple[Finding, ...]:
        self._unable = "the configuration has no [motor]" if self._allowed_a is None else (
            "no motor current is measured" if self._amps is None else "")
        if self._unable:
            return (self.unknown(self._unable),)
        assert self._amps is not None
        assert self._full_a is not None
        assert self._allowed_a is not None
        sure = min(0.99, 0.7 + 2.0 * max(0.0, self._heat - 1.0)) if self.standing else 0.95
        either = self.standing and self._may_be_clamp(self._isolation.excess)
        return (self._finding(UNDECIDED if either else sure, {
            "motor_a": Evidence(self._amps, "current", "motor current"),
            "full_load_a": Evidence(self._full_a, "current", "full-load current of the nameplate"),
            "allowed_a": Evidence(self._allowed_a, "current", "allowed for ever"),
            "heat": Evidence(self._heat, "ratio", "heat in the winding over what is allowed"),
        }, ("low line voltage", "a wheel that rubs or a bearing that binds", "a clamp that reads too much" if either else
            "a duct open to the room: a radial fan draws most when it moves most air"), action=EITHER_ACTION if either else ""),)


class LeftRunning(Watch):
    """On for longer than agreed outside the shop's hours; or at one setting of the gates, without a stop, for longer than agreed
    and for longer than this maker ever worked at one. Pulsation is not asked: in many shops work cannot be heard in the
    pressures. While the pressures do not tell whether a gate moved, nobody can say.
    """

    condition = Condition.LEFT_RUNNING
    KEPT = ("_idle_s", "_late_s", "_since", "_longest_s", "_level")

    def __init__(self, core: Core, limits: Limits, sensors: SensorFault) -> None:
        super().__init__()
        self._core, self._limits, self._sensors = core, limits, sensors
        self._idle_s = self._late_s = self._longest_s = 0.0
        self._level: list[float] = []

    def limit_s(self) -> float:
        """Running without a move of any gate from which on nobody is thought to be there [s]."""
        return max(self._limits.idle_run_s, LONGER * self._longest_s)

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._core.update(block)
        if block.state in (RunState.OFF, RunState.STOPPING):
            self._end(worked=not self.standing)
            self._late_s = 0.0
            self._set(None)
            return
        if block.state not in (RunState.STARTING, RunState.RUNNING):
            return
        if self._moved():
            self._end(worked=True)
        blind = any(self._sensors.faulty(name) for name in ("inlet_pa", "filter_pa"))
        self._unable = "a pressure that would tell whether a gate was moved cannot be trusted" if blind else ""
        self._idle_s = 0.0 if blind else self._idle_s + block.seconds
        self._late_s = 0.0 if self._limits.in_hours(block.t) else self._late_s + block.seconds
        if self._late_s >= self._limits.out_of_hours_s or self._idle_s >= self.limit_s():
            self._set(block.t if self._since is None else self._since)

    def _moved(self) -> bool:
        """Whether a gate was moved."""
        stretches, look = self._core.stretches, self._core.look
        if stretches.step is not None and stretches.step.began and stretches.jump > SURE:
            self._level = []
            return True
        if look is None:
            return False
        before, self._level = self._level, [look.suction, look.filter]
        return any(
            abs(new - old) > max(SAME, sd) for new, old, sd in zip(self._level, before, stretches.scatter(), strict=False))

    def _end(self, *, worked: bool) -> None:
        """A setting is over. Running that ended with a move of a gate was work, however long it was."""
        if worked:
            self._longest_s = max(self._longest_s, self._idle_s)
        self._idle_s = 0.0
        if self._late_s == 0.0:
            self._set(None)

    def event(self, event: ShopEvent) -> None:
        """Somebody who writes into the journal is there."""
        if event.by == "owner":
            self._idle_s = 0.0

    def _tell(self) -> tuple[Finding, ...]:
        if self._unable and not self.standing and self._late_s == 0.0:
            return (self.unknown(self._unable),)
        evidence = {
            "idle_s": Evidence(self._idle_s, "time", "running without a move of any gate"),
            "agreed_s": Evidence(self.limit_s(), "time", "longer than the maker works at one setting"),
        }
        if self._late_s > 0.0:
            evidence["late_s"] = Evidence(self._late_s, "time", "running outside the shop's hours")
        return (self._finding(0.9, evidence, (
            "long work at one machine", "a remote switch that did not switch off")),)


class ShortCycling(Watch):
    """Counts starts over the last hour of event time. Each start heats the winding with several times its full-load current;
    small motors are commonly allowed six to twelve an hour (common practice, no source)."""

    condition = Condition.SHORT_CYCLING
    KEPT = ("_starts", "_since", "_t")

    def __init__(self, starts_per_hour: int = 10) -> None:
        super().__init__()
        self._limit = starts_per_hour
        self._starts: list[float] = []
        self._unable = ""

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        if block.started:
            self._starts.append(block.began_t)
            self._told = None
        # A clock that was set back leaves starts in a future that has not been.
        self._starts = [t for t in self._starts[-(self._limit + 50):] if -HOUR_S < t - block.t <= 60.0]
        if len(self._starts) > self._limit:
            self._set(block.t if self._since is None else self._since)
        elif len(self._starts) <= self._limit - 2:
            self._set(None)

    def _tell(self) -> tuple[Finding, ...]:
        return (self._finding(0.99, {
            "starts": Evidence(float(len(self._starts)), "count", "starts in the last hour"),
            "limit": Evidence(float(self._limit), "count", "starts agreed to"),
        }, ("a loose contact in the remote switch", "an overload device that trips and resets by itself")),)
