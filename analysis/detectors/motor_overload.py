"""The motor draws more than its nameplate allows for its time."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.numbers import number
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known
from analysis.duct.motor import Motor
from analysis.events import ShopEvent
from analysis.findings import Claim, Evidence, Finding
from analysis.readings import RunState

HEATING_S = 150.0
"""Time constant of the winding while the fan turns (ours: a small fan-cooled motor answers in minutes)."""
COOLING_S = 600.0
"""Time constant while it stands: no air moves over it."""
RELEASE = 0.92
"""A standing claim is kept until the heat falls below this share of what is allowed."""


class MotorOverload(Telling):
    """Inverse-time: follows the heat in the winding, a first-order lag of the squared current over the squared allowed
    current, and claims when it passes 1. Twice the allowed current is claimed within a minute, a tenth more after some
    minutes, and the surge of a start not at all. The allowed current is the full-load current times the margin:
    the service factor of the nameplate (1.15 where it is marked so; NEC 430.32 sets overload devices by the nameplate).

    This is a second pair of eyes and no overload device: the motor's own protection stands, and trips on its own.
    """

    condition = Condition.MOTOR_OVERLOAD

    def __init__(self, motor: Motor | None, margin: float | None = None) -> None:
        super().__init__()
        self._allowed_a: float | None = None
        self._full_load_a: float | None = None
        if motor is not None:
            self._full_load_a = motor.full_a
            self._allowed_a = motor.full_a * (margin if margin is not None else motor.service_factor)
        self._heat = 0.0
        self._amps: float | None = None
        self._last_t: float | None = None
        self._since: float | None = None

    def update(self, block: Block) -> None:
        """Take in a block."""
        before, self._last_t, self._t = self._last_t, block.t, block.t
        if self._allowed_a is None:
            return
        if before is not None and block.began_t - before > 60.0:
            self._heat *= math.exp(-(block.began_t - before) / COOLING_S)
        stat = block.stats.get("motor_a")
        on = block.state in (RunState.STARTING, RunState.RUNNING)
        if stat is None or block.heat_a2s is None or not block.seconds > 0.0:
            if not on:
                self._heat *= math.exp(-block.seconds / COOLING_S)
            return
        if self._amps is None:
            self._changed()
        self._amps = stat.mean
        load = block.heat_a2s / block.seconds / self._allowed_a**2 if on else 0.0
        lag = HEATING_S if on else COOLING_S
        self._heat += (load - self._heat) * (1.0 - math.exp(-block.seconds / lag))
        if self._since is None and self._heat >= 1.0:
            self._since = block.t
            self._changed()
        elif self._since is not None and self._heat < RELEASE:
            self._since = None
            self._changed()

    def event(self, event: ShopEvent) -> None:
        """Nothing that is done to the unit changes what the motor may draw."""

    def _tell(self) -> tuple[Finding, ...]:
        t = self._t
        if self._allowed_a is None or self._full_load_a is None:
            return (not_yet_known(t, self.condition, "the configuration has no [motor]"),)
        if self._amps is None:
            return (not_yet_known(t, self.condition, "no motor current is measured"),)
        present = self._since is not None
        return (
            Finding(
                t=t,
                condition=self.condition,
                claim=Claim.PRESENT if present else Claim.ABSENT,
                confidence=min(0.99, 0.6 + 2.0 * max(0.0, self._heat - 1.0)) if present else 0.95,
                since=self._since,
                evidence={
                    "motor_a": Evidence(self._amps, "current", "motor current"),
                    "full_load_a": Evidence(self._full_load_a, "current", "full-load current of the nameplate"),
                    "allowed_a": Evidence(self._allowed_a, "current", "allowed for ever"),
                    "heat": Evidence(self._heat, "ratio", "heat in the winding over what is allowed"),
                },
                could_be=(
                    "low line voltage", "a wheel that rubs or a bearing that binds",
                    "a duct open to the room: a radial fan draws most when it moves most air",
                ),
            ),
        )

    def snapshot(self) -> dict[str, object]:
        """The heat, so that a restart does not cool the motor."""
        return {"heat": self._heat, "t": self._last_t, "since": self._since, "amps": self._amps}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._heat = number(data.get("heat")) or 0.0
        self._last_t = number(data.get("t"))
        self._since = number(data.get("since"))
        self._amps = number(data.get("amps"))
        self._changed()
