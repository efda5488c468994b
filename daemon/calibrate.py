"""Raw sample -> readings: a device's name becomes a channel, its number becomes SI by scale, unit and offset."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analysis import units
from analysis.readings import CHANNELS, Quality, Reading

if TYPE_CHECKING:
    from daemon.sources.contract import Sample, SourceHealth

OWNED_S = 10.0
"""A channel that two sources bring is taken from the one that brought it first, until that one is silent for so long."""


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """How one channel is fitted: where it comes from, how raw numbers become SI, and what is believable.

    ``si = (raw * scale) in unit, + offset``. A current may be known by its power: ``volts`` is then by how many volts watts are
    divided. ``source`` is the source's name, or "" for any; ``raw_name`` the name the
    device uses. ``low``/``high`` believable range [SI]; ``max_jump`` largest believable step between two readings [SI]
    or None; ``stuck_s`` how long the same digits are believed while the fan runs, or None; ``hold_s`` how long the last
    reading stands in for the next before the channel counts as silent.
    """

    channel: str
    raw_name: str
    source: str = ""
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    low: float = -math.inf
    high: float = math.inf
    max_jump: float | None = None
    stuck_s: float | None = None
    hold_s: float = 5.0
    sd: float = 0.0
    volts: float | None = None

    @property
    def kind(self) -> str:
        """What the device measures."""
        return CHANNELS[self.channel].kind if self.volts is None else "power"

    @property
    def gain(self) -> float:
        """SI per raw number."""
        gain = self.scale * units.unit(self.unit, self.kind).factor if self.unit else self.scale
        return gain if self.volts is None else gain / self.volts

    @property
    def shift(self) -> float:
        """SI added after the gain (a unit's own zero, such as that of degrees Fahrenheit, and the offset)."""
        if not self.unit:
            return self.offset
        return units.unit(self.unit, self.kind).offset + self.offset


@dataclass
class Calibrator:
    """Turns samples into readings by the sensor specifications; counts what no specification listens to."""

    specs: tuple[SensorSpec, ...]
    health: Mapping[str, SourceHealth] = field(default_factory=dict)
    _lines: dict[str, dict[str, tuple[str, float, float]]] = field(init=False, default_factory=dict)
    """By source, each made when it first speaks."""
    _owners: dict[str, tuple[str, float]] = field(init=False, default_factory=dict)
    """Channel -> the source that brings it, and when it last did."""
    _several: bool = field(init=False, default=False)

    def __post_init__(self) -> None:
        self._several = len(self.health) > 1

    def _of_another(self, channel: str, source: str, t: float) -> bool:
        """Whether the channel is brought by another source, which spoke for it just now; counts it."""
        owner, spoke = self._owners.get(channel, (source, t))
        if owner == source or not 0.0 <= t - spoke <= OWNED_S:
            self._owners[channel] = (source, t)
            return False
        health = self.health.get(source)
        if health is not None:
            health.refuse(f"{channel} comes from {owner}")
        return True

    def _lines_of(self, source: str) -> dict[str, tuple[str, float, float]]:
        """Raw name -> channel, gain and shift, for one source; what names the source goes before what names none."""
        lines = {
            spec.raw_name: (spec.channel, spec.gain, spec.shift)
            for wanted in ("", source) for spec in self.specs if spec.source == wanted
        }
        self._lines[source] = lines
        return lines

    def readings(self, sample: Sample) -> list[Reading]:
        """The readings that one sample carries; a number that is not finite gives an unreadable one."""
        source, t = sample.source, sample.t
        lines = self._lines.get(source)
        if lines is None:
            lines = self._lines_of(source)
        out: list[Reading] = []
        for name, raw in sample.values.items():
            line = lines.get(name)
            if line is None:
                health = self.health.get(source)
                if health is not None:
                    health.unknown(name)
                continue
            channel, gain, shift = line
            if self._several and self._of_another(channel, source, t):
                continue
            value = raw * gain + shift
            if value - value == 0.0:  # finite
                out.append(Reading(channel, t, value))
            else:
                out.append(Reading(channel, t, None, Quality.UNREADABLE))
        return out
