"""Blocks of simulated frames: what the sensors gave, beside what really was."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.plant.faults import Fault
from analysis.plant.shop import Array

Bools = npt.NDArray[np.bool_]
"""An array of yes and no."""

ALL_CHANNELS = (
    "inlet_pa",
    "filter_pa",
    "motor_a",
    "pitot_pa",
    "bag_level",
    "exhaust_ugm3",
    "air_c",
    "air_rh",
    "barometer_pa",
    "line_v",
    "motor_c",
)
USUAL_CHANNELS = ("inlet_pa", "filter_pa", "motor_a")


@dataclass(frozen=True, slots=True)
class Event:
    """Something the maker did to the plant, at a time: "cleaned", "emptied", "washed"."""

    t: float
    kind: str


@dataclass(frozen=True, slots=True)
class Truth:
    """What really was, second by second (arrays as long as the block's times).

    ``flow_m3s`` through the fan, ``port_m3s`` (n x ports), ``drag`` of the bags in use [Pa s/m3], ``drag_ratio`` over
    the clean drag as built, ``flow_lost`` share of flow that it costs against clean bags at the same gates (0 while not
    at speed), ``suction_pa`` and ``filter_pa`` before pulsation and sensors, ``gates`` (n x ports) really open,
    ``wanted`` those the maker meant, ``fan`` switched on, ``speed`` share of the fan's stated speed, ``shaft_w``,
    ``bag_fill`` (1 full), ``chips_kgs`` made, ``density`` of the air [kg/m3], ``active`` (n x faults) for the block's
    ``faults``.
    """

    flow_m3s: Array
    port_m3s: Array
    drag: Array
    drag_ratio: Array
    flow_lost: Array
    suction_pa: Array
    filter_pa: Array
    gates: Bools
    wanted: Bools
    fan: Bools
    speed: Array
    shaft_w: Array
    bag_fill: Array
    chips_kgs: Array
    density: Array
    active: Bools


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of frames: times, measured channels (NaN where one sent nothing), truth, faults and events in it."""

    t: Array
    channels: Mapping[str, Array]
    ports: tuple[str, ...]
    truth: Truth
    faults: tuple[Fault, ...]
    events: tuple[Event, ...] = ()

    def __len__(self) -> int:
        """Number of frames."""
        return len(self.t)

    def frames(self) -> Iterator[tuple[float, dict[str, float], dict[str, bool]]]:
        """Each frame as (time, channels that sent something, true gates)."""
        names = list(self.channels)
        columns = [column.tolist() for column in self.channels.values()]
        gates = self.truth.gates.tolist()
        for t, row, opened in zip(self.t.tolist(), zip(*columns, strict=True), gates, strict=True):
            values = {name: value for name, value in zip(names, row, strict=True) if value == value}
            yield t, values, dict(zip(self.ports, opened, strict=True))
