"""Is the fan running? Told from motor current, or from pressure where no current is measured, with hysteresis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analysis.readings import RunState


@dataclass(frozen=True, slots=True)
class RunThresholds:
    """When the fan counts as on and off.

    ``on_a``/``off_a`` motor current [A]; ``on_pa``/``off_pa`` size of the inlet (else filter) pressure [Pa], used only
    where no current is known. ``off_hold_s`` how long the signal must stay below ``off`` [s]. ``settle_s`` time after
    switching on that is left out of statistics, ``coast_s`` the same after switching off [s]. ``blind_s`` how long the
    state is held when every channel it needs is unknown [s].
    """

    on_a: float = 3.0
    off_a: float = 1.5
    on_pa: float = 150.0
    off_pa: float = 75.0
    off_hold_s: float = 2.0
    settle_s: float = 8.0
    coast_s: float = 20.0
    blind_s: float = 30.0

    @classmethod
    def for_motor(cls, full_load_a: float | None, **other: float) -> RunThresholds:
        """Thresholds for a motor: an induction motor idles at 30-50 % of its full-load current (common practice), so
        on is 20 % of it and off 10 %. ``other`` overrides any field; without a full-load current the fields' own
        values stand.
        """
        if full_load_a is not None:
            other = {"on_a": 0.20 * full_load_a, "off_a": 0.10 * full_load_a, **other}
        return cls(**other)


class RunDetector:
    """Follows the run state frame by frame. ``update`` returns the state; ``run_s`` is the age of the present run.

    >>> detector = RunDetector(RunThresholds())
    >>> [detector.update(t, {"motor_a": a}).value for t, a in ((0, 0.0), (1, 9.0), (2, 9.0), (20, 9.0))]
    ['off', 'starting', 'starting', 'running']
    """

    def __init__(self, thresholds: RunThresholds) -> None:
        self._limits = thresholds
        self.state = RunState.UNKNOWN
        self.began_t: float | None = None
        self.ended_t: float | None = None
        self.run_s = 0.0
        self._on: bool | None = None
        self._below_since: float | None = None
        self._seen_t: float | None = None
        self._odd_since: float | None = None

    def update(self, t: float, values: Mapping[str, float]) -> RunState:
        """Take in the known values at ``t``; returns the state."""
        limits = self._limits
        level = values.get("motor_a")
        if level is not None and self._clamp_is_off(t, level, values):
            level = None
        if level is not None:
            on_level, off_level = limits.on_a, limits.off_a
        else:
            pressure = values.get("inlet_pa")
            if pressure is None:
                pressure = values.get("filter_pa")
            if pressure is None:
                return self._blind(t)
            level, on_level, off_level = abs(pressure), limits.on_pa, limits.off_pa
        self._seen_t = t
        if level >= on_level:
            self._below_since = None
            if not self._on:
                self._on = True
                self.began_t = t
                self.ended_t = None
        elif level < off_level and self._on is not False:
            if self._below_since is None or t < self._below_since:
                self._below_since = t
            if self._on is None:
                self._on = False
            elif t - self._below_since >= limits.off_hold_s:
                self._on = False
                self.ended_t = self._below_since
        elif self._on is None and level < on_level:
            self._on = False
        return self._settle(t)

    def _clamp_is_off(self, t: float, level: float, values: Mapping[str, float]) -> bool:
        """Whether both pressures have said for longer than any wheel coasts that the fan runs, and the motor draws nothing: then
        the pressures are right (no wind does that), and the clamp is off or its wire broken."""
        inlet, bags = values.get("inlet_pa"), values.get("filter_pa")
        on = inlet is not None and bags is not None and -inlet >= self._limits.on_pa and bags >= 0.1 * self._limits.on_pa
        if level >= self._limits.off_a or not on:
            self._odd_since = None
            return False
        if self._odd_since is None or t < self._odd_since:
            self._odd_since = t
        return t - self._odd_since > self._limits.coast_s + self._limits.blind_s

    def _settle(self, t: float) -> RunState:
        if self._on:
            assert self.began_t is not None
            if t < self.began_t:
                self.began_t = t
            self.run_s = t - self.began_t
            fresh = self.run_s < self._limits.settle_s or self._below_since is not None
            self.state = RunState.STARTING if fresh else RunState.RUNNING
            if self._below_since is not None:
                self.state = RunState.STOPPING
        else:
            self.run_s = 0.0
            coasting = self.ended_t is not None and 0.0 <= t - self.ended_t < self._limits.coast_s
            self.state = RunState.STOPPING if coasting else RunState.OFF
        return self.state

    def _blind(self, t: float) -> RunState:
        if self._seen_t is None or not 0.0 <= t - self._seen_t <= self._limits.blind_s:
            if self._on and self._seen_t is not None:
                self.ended_t = self._seen_t
            self._on = None
            self._below_since = None
            self.run_s = 0.0
            self.state = RunState.UNKNOWN
        return self.state
