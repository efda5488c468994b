"""Faults to put into the plant at a time, and what each does to it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Protocol

import numpy as np
import numpy.typing as npt

from analysis.plant.losses import plug_k
from analysis.plant.shop import Array, Pipe, PlantPort, PlantShop
from analysis.plant.table import PlantKey


class FaultKind(StrEnum):
    """What can be wrong. What ``where`` and ``size`` mean is said with each."""

    BLOCKED_RUN = "blocked_run"
    """where: run or port; size: share of its section that is filled."""
    GATE_LEFT_OPEN = "gate_left_open"
    """where: port."""
    HOSE_OFF = "hose_off"
    """where: port, whose hose has come off at the pipe."""
    LEAK = "leak"
    """where: run or port; size: effective area [m2] of an opening at its upstream joint."""
    COLLAR_LEAK = "collar_leak"
    """An opening of ``size`` m2 between the inlet tap and the fan."""
    COLLAR_PLUG = "collar_plug"
    """size: share of the last run's section filled between the inlet tap and the fan."""
    ADDED_RUN = "added_run"
    """where: run into which a new branch was cut; size: effective area [m2] that its joints and shut gate leave."""
    TORN_BAG = "torn_bag"
    """size: share by which the drag of the bags falls."""
    FILTER_BLINDED = "filter_blinded"
    """size: drag that no cleaning brings back, as a share of the clean drag."""
    BAG_OVERFULL = "bag_overfull"
    """size: what the chip bag is filled to at the start, 1 for full."""
    WEAK_FAN = "weak_fan"
    """size: share of speed lost."""
    MOTOR_DRAG = "motor_drag"
    """size: extra shaft power that a rubbing wheel or a bad bearing takes, as a share of rated power."""
    LOW_VOLTAGE = "low_voltage"
    """size: share of the mains voltage that is missing."""
    LEFT_RUNNING = "left_running"
    """Nobody switches the fan off between start and end."""
    SHORT_CYCLING = "short_cycling"
    """size: starts in an hour that every run is cut into."""
    SENSOR_STUCK = "sensor_stuck"
    """where: channel, which repeats its last value to the digit."""
    SENSOR_SILENT = "sensor_silent"
    """where: channel, which sends nothing."""
    SENSOR_DRIFT = "sensor_drift"
    """where: channel; size: drift in a day, in the channel's unit."""
    SENSOR_OFFSET = "sensor_offset"
    """where: channel; size: offset in the channel's unit."""
    SENSOR_NOISE = "sensor_noise"
    """where: channel; size: standard deviation of added white noise, in its unit."""
    SENSOR_SPIKES = "sensor_spikes"
    """where: channel; size: height of spikes, in its unit; one second in fifty."""
    TUBE_PLUGGED = "tube_plugged"
    """where: pressure channel whose tube is shut: it holds its pressure, bleeding off over hours, without pulsation."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault from ``start_t`` to ``end_t``; its size grows from nothing over ``ramp_s``."""

    kind: FaultKind
    start_t: float
    end_t: float = math.inf
    where: str = ""
    size: float = 0.0
    ramp_s: float = 0.0

    def level(self, t: Array) -> Array:
        """Its size at each time, 0 outside its time."""
        inside = (t >= self.start_t) & (t < self.end_t)
        ramp = np.clip((t - self.start_t) / self.ramp_s, 0.0, 1.0) if self.ramp_s > 0 else 1.0
        return np.where(inside, self.size * ramp, 0.0)

    def active(self, t: Array) -> npt.NDArray[np.bool_]:
        """Whether it is there at each time."""
        return (t >= self.start_t) & (t < self.end_t)

    def overlaps(self, t0: float, t1: float) -> bool:
        """Whether it is there at some time from ``t0`` to ``t1``."""
        return self.start_t < t1 and self.end_t > t0


class FaultBook(Protocol):
    """Tells which faults there are in a stretch of time; lets an endless script have endless faults."""

    def overlapping(self, t0: float, t1: float) -> tuple[Fault, ...]:
        """Those that are there at some time from ``t0`` to ``t1``."""


@dataclass(frozen=True, slots=True)
class FaultList:
    """A book with a fixed list in it."""

    faults: tuple[Fault, ...]

    @classmethod
    def of(cls, faults: Sequence[Fault]) -> FaultList:
        """A book of these faults."""
        return cls(tuple(faults))

    def overlapping(self, t0: float, t1: float) -> tuple[Fault, ...]:
        """Those that are there at some time from ``t0`` to ``t1``."""
        return tuple(fault for fault in self.faults if fault.overlaps(t0, t1))


_STEP = {
    FaultKind.BLOCKED_RUN: 0.02,
    FaultKind.COLLAR_PLUG: 0.02,
    FaultKind.HOSE_OFF: 1.0,
    FaultKind.LEAK: 5e-5,
    FaultKind.COLLAR_LEAK: 5e-5,
    FaultKind.ADDED_RUN: 5e-5,
}
"""Faults that change the tree of ducts, and the steps in which their size is followed (a table is solved for each)."""


def check(fault: Fault, shop: PlantShop) -> None:
    """Raises :class:`ValueError` if the fault names a place that the shop does not have, or has no sensible size."""
    pipes = {run.name for run in shop.runs} | set(shop.port_names)
    if fault.kind in (FaultKind.BLOCKED_RUN, FaultKind.LEAK) and fault.where not in pipes:
        raise ValueError(f"{fault.kind}: {fault.where!r} is no run or port; there are {', '.join(sorted(pipes))}")
    if fault.kind == FaultKind.ADDED_RUN and fault.where not in {run.name for run in shop.runs}:
        raise ValueError(f"{fault.kind}: {fault.where!r} is no run; there are {', '.join(r.name for r in shop.runs)}")
    if fault.kind in (FaultKind.GATE_LEFT_OPEN, FaultKind.HOSE_OFF):
        shop.port(fault.where)
    if fault.kind in SENSOR_FAULTS and fault.where not in shop.sensors:
        raise ValueError(f"{fault.kind}: {fault.where!r} is no channel; there are {', '.join(shop.sensors)}")
    shares = (
        FaultKind.BLOCKED_RUN,
        FaultKind.COLLAR_PLUG,
        FaultKind.TORN_BAG,
        FaultKind.WEAK_FAN,
        FaultKind.LOW_VOLTAGE,
    )
    if fault.kind in shares and not 0.0 < fault.size < 1.0:
        raise ValueError(f"{fault.kind}: size {fault.size} must be between 0 and 1")


SENSOR_FAULTS = (
    FaultKind.SENSOR_STUCK,
    FaultKind.SENSOR_SILENT,
    FaultKind.SENSOR_DRIFT,
    FaultKind.SENSOR_OFFSET,
    FaultKind.SENSOR_NOISE,
    FaultKind.SENSOR_SPIKES,
    FaultKind.TUBE_PLUGGED,
)


def tree_steps(faults: Sequence[Fault], t: Array) -> tuple[list[Fault], Array]:
    """The faults that change the tree, and their sizes in steps at each time (faults x n, whole numbers)."""
    found = [fault for fault in faults if fault.kind in _STEP]
    if not found:
        return [], np.zeros((0, len(t)))
    rows = [
        np.where(f.active(t), 1.0, 0.0) if f.kind == FaultKind.HOSE_OFF else np.round(f.level(t) / _STEP[f.kind])
        for f in found
    ]
    return found, np.vstack(rows)


def changed_shop(shop: PlantShop, faults: Sequence[Fault], steps: Iterable[float]) -> tuple[PlantKey, PlantShop]:
    """The shop with tree faults of these steps, and the key by which its tables are known."""
    key: list[tuple[str, str, float]] = []
    for fault, count in zip(faults, steps, strict=True):
        if count <= 0:
            continue
        size = count * _STEP[fault.kind]
        key.append((fault.kind.value, fault.where, float(size)))
        shop = _with(shop, fault, size)
    return tuple(key), shop


def _with(shop: PlantShop, fault: Fault, size: float) -> PlantShop:
    if fault.kind == FaultKind.BLOCKED_RUN:
        return shop.with_pipe(fault.where, blocked=size)
    if fault.kind == FaultKind.LEAK:
        return shop.with_pipe(fault.where, leak_m2=_pipe(shop, fault.where).leak_m2 + size)
    if fault.kind == FaultKind.HOSE_OFF:
        return shop.with_port(replace(shop.port(fault.where), hose_off=True))
    if fault.kind == FaultKind.COLLAR_LEAK:
        return replace(shop, collar_leak_m2=shop.collar_leak_m2 + size)
    if fault.kind == FaultKind.COLLAR_PLUG:
        return replace(shop, collar_k=shop.collar_k + plug_k(size))
    into = _pipe(shop, fault.where)
    pipe = Pipe("an added run", into.name, min(into.diameter_m, shop.ports[0].pipe.diameter_m), 3.0, 3e-5, 45.0)
    return replace(shop, ports=(*shop.ports, PlantPort(pipe.name, pipe, 1.0, gate_leak_m2=size)))


def _pipe(shop: PlantShop, name: str) -> Pipe:
    for run in shop.runs:
        if run.name == name:
            return run
    return shop.port(name).pipe
