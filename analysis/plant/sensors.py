"""What the sensors make of the plant: pulsation, lag, span, zero, drift with temperature, noise, steps and faults."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.plant.faults import SENSOR_FAULTS, Fault, FaultKind
from analysis.plant.series import coloured, lag
from analysis.plant.shop import Array, Sensor

FAST_S, SLOW_S, LOCAL_S = 4.0, 45.0, 2.0
"""Correlation times of the pulsation: turbulence and eddies of the main, wander of the whole system, each tap's own."""

_TIED: dict[str, tuple[float, float]] = {
    "inlet_pa": (1.0, 0.004),
    "filter_pa": (0.8, 0.004),
    "motor_a": (0.25, 0.0015),
    "pitot_pa": (1.5, 0.015),
}
"""Channel -> (share of the common pulsation, its own pulsation), both relative to the reading."""

COMMON_FAST, COMMON_SLOW = 0.005, 0.002
"""Relative pulsation of the air, one standard deviation: typical of a steady run without cutting (common practice)."""


@dataclass
class Pulsation:
    """State of the correlated noises, so that they go on from one block to the next."""

    common: Array = field(default_factory=lambda: np.zeros(2))
    local: Array = field(default_factory=lambda: np.zeros(len(_TIED)))

    def draw(self, rng: np.random.Generator, n: int, excited: Array) -> dict[str, Array]:
        """Relative pulsation of each pressure and the current for ``n`` seconds; ``excited`` (1 in quiet running)
        multiplies it: chips in flight and an overfull bag shake the air."""
        fast = coloured(rng.standard_normal(n), FAST_S, self.common[0])
        slow = coloured(rng.standard_normal(n), SLOW_S, self.common[1])
        local = coloured(rng.standard_normal((len(_TIED), n)), LOCAL_S, self.local)
        self.common = np.array([fast[-1], slow[-1]])
        self.local = local[:, -1].copy()
        common = COMMON_FAST * fast * excited + COMMON_SLOW * slow
        return {name: share * common + own * local[i] * excited for i, (name, (share, own)) in enumerate(_TIED.items())}


@dataclass
class Measuring:
    """The sensors at work: remembers each channel's lagged value and what a stuck or plugged one holds."""

    sensors: Mapping[str, Sensor]
    dropout: float = 0.0
    lagged: dict[str, float] = field(default_factory=dict)
    held: dict[str, float] = field(default_factory=dict)

    def read(
        self,
        true: Mapping[str, Array],
        t: Array,
        air_c: Array,
        rng: np.random.Generator,
        faults: Sequence[Fault],
        step_s: float,
    ) -> dict[str, Array]:
        """Measured channels for the true ones. NaN where nothing was sent."""
        wrong = [fault for fault in faults if fault.kind in SENSOR_FAULTS]
        result: dict[str, Array] = {}
        for name, value in true.items():
            sensor = self.sensors[name]
            before = self.lagged.get(name, float(value[0]))
            smooth = lag(value, sensor.lag_s, before, step_s)
            plugged = [fault for fault in wrong if fault.where == name and fault.kind == FaultKind.TUBE_PLUGGED]
            for fault in plugged:
                smooth = self._plug(name, fault, smooth, t)
            self.lagged[name] = float(smooth[-1])
            seen = sensor.span * smooth
            if sensor.offset or sensor.drift_per_k:
                seen = seen + sensor.offset + sensor.drift_per_k * (air_c - 20.0)
            if sensor.noise:
                seen = seen + sensor.noise * rng.standard_normal(len(t))
            for fault in wrong:
                if fault.where == name:
                    seen = self._spoil(name, fault, seen, t, rng)
            if sensor.step:
                seen = np.round(seen / sensor.step) * sensor.step
            if self.dropout:
                seen = np.where(rng.random(len(t)) < self.dropout, np.nan, seen)
            result[name] = self._hold(name, wrong, seen, t)
        return result

    def _plug(self, name: str, fault: Fault, smooth: Array, t: Array) -> Array:
        at = fault.active(t)
        key = f"{name} tube {fault.start_t}"
        if not at.any():
            return smooth
        first = int(np.argmax(at))
        if key not in self.held:
            self.held[key] = float(smooth[first])
        bled = self.held[key] * np.exp(-(t - fault.start_t) / 14_400.0)
        return np.where(at, bled, smooth)

    def _spoil(self, name: str, fault: Fault, seen: Array, t: Array, rng: np.random.Generator) -> Array:
        if fault.kind == FaultKind.SENSOR_OFFSET:
            return seen + fault.level(t)
        if fault.kind == FaultKind.SENSOR_DRIFT:
            return seen + np.where(fault.active(t), fault.size * (t - fault.start_t) / 86400.0, 0.0)
        if fault.kind == FaultKind.SENSOR_NOISE:
            return seen + fault.level(t) * rng.standard_normal(len(t))
        if fault.kind == FaultKind.SENSOR_SPIKES:
            up = np.where(rng.random(len(t)) < 0.5, 1.0, -1.0)
            return seen + np.where(rng.random(len(t)) < 0.02, fault.level(t) * up, 0.0)
        return seen

    def _hold(self, name: str, wrong: Sequence[Fault], seen: Array, t: Array) -> Array:
        for fault in wrong:
            if fault.where != name:
                continue
            at = fault.active(t)
            if not at.any():
                continue
            if fault.kind == FaultKind.SENSOR_SILENT:
                seen = np.where(at, np.nan, seen)
            elif fault.kind == FaultKind.SENSOR_STUCK:
                first = int(np.argmax(at))
                key = f"{name} stuck {fault.start_t}"
                if key not in self.held:
                    self.held[key] = float(seen[max(first - 1, 0)])
                seen = np.where(at, self.held[key], seen)
        return seen
