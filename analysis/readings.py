"""Reading and Frame: what was measured, at what event time, and how far it can be trusted.

A channel whose value is unknown has no value and a quality word that says why. It is never replaced by a number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from analysis.quick import quick


class Quality(StrEnum):
    """Why a value may or may not be used."""

    GOOD = "good"
    OUT_OF_RANGE = "out_of_range"
    """Outside what the sensor or the physics allows; the value was dropped."""
    JUMP = "jump"
    """Stepped further in one second than anything in the shop can; the value was dropped."""
    STUCK = "stuck"
    """The same to the last digit while the fan runs; the value was dropped."""
    SILENT = "silent"
    """The channel is fitted but nothing arrived lately."""
    DOUBLED = "doubled"
    """Two senders speak for it by turns and say different things; neither is believed."""
    UNREADABLE = "unreadable"
    """What arrived was not a finite number."""


@dataclass(frozen=True, slots=True)
class ChannelInfo:
    """What a channel means: its kind of quantity (for units), the range that is physically possible, and its words."""

    name: str
    kind: str
    low: float
    high: float
    words: str


CHANNELS: dict[str, ChannelInfo] = {
    info.name: info
    for info in (
        ChannelInfo("inlet_pa", "pressure", -12_000.0, 3_000.0, "static pressure before the fan"),
        ChannelInfo("filter_pa", "pressure", -2_000.0, 8_000.0, "pressure over the filter bags"),
        ChannelInfo("motor_a", "current", -0.5, 200.0, "motor current"),
        ChannelInfo("pitot_pa", "pressure", -500.0, 3_000.0, "velocity pressure in the main"),
        ChannelInfo("bag_level", "fraction", -0.05, 1.1, "chip bag level"),
        ChannelInfo("exhaust_ugm3", "concentration", 0.0, 100_000.0, "dust in the air near the bags"),
        ChannelInfo("air_c", "temperature", -40.0, 70.0, "air temperature"),
        ChannelInfo("air_rh", "fraction", 0.0, 1.05, "relative humidity"),
        ChannelInfo("barometer_pa", "pressure", 60_000.0, 110_000.0, "barometric pressure"),
        ChannelInfo("line_v", "voltage", 0.0, 700.0, "line voltage"),
        ChannelInfo("motor_c", "temperature", -40.0, 200.0, "motor temperature"),
    )
}
"""Every numeric channel by name. ``gates`` (port -> open) travels beside them."""


@quick
@dataclass(frozen=True, slots=True)
class Reading:
    """One channel at one instant: calibrated, SI, with a quality word. ``value`` is None unless the quality is good."""

    channel: str
    t: float
    value: float | None
    quality: Quality = Quality.GOOD


class RunState(StrEnum):
    """What the fan is doing, as told by motor current, or by pressure where no current is measured."""

    UNKNOWN = "unknown"
    OFF = "off"
    STARTING = "starting"
    """On, but not yet steady: left out of every statistic."""
    RUNNING = "running"
    STOPPING = "stopping"
    """Just switched off and coasting down: left out of every statistic."""


@quick
@dataclass(frozen=True, slots=True)
class Frame:
    """All channels at one tick of event time, with the run state.

    ``values`` holds the channels that are known and good at this tick; ``quality`` names the reason for each fitted
    channel that is not. ``gates`` maps port names to open where gate sensors (or the recording) say so, else None.
    ``run_s`` is the number of seconds since the present run began (0 while off).
    """

    t: float
    values: Mapping[str, float]
    quality: Mapping[str, Quality] = field(default_factory=dict)
    gates: Mapping[str, bool] | None = None
    state: RunState = RunState.UNKNOWN
    run_s: float = 0.0

    @property
    def inlet_pa(self) -> float | None:
        """Static pressure before the fan inlet, gauge, Pa; negative while running."""
        return self.values.get("inlet_pa")

    @property
    def filter_pa(self) -> float | None:
        """Pressure over the filter bags, Pa; positive while running."""
        return self.values.get("filter_pa")

    @property
    def motor_a(self) -> float | None:
        """Motor current, A RMS."""
        return self.values.get("motor_a")
