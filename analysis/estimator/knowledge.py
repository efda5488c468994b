"""What is known of the shop apart from its present state: zeros, gate sets and habits, and the table with its spread."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from analysis.baseline.model import Baseline
from analysis.duct.design import DuctDesign
from analysis.estimator.ambient import AirState, change_since
from analysis.estimator.gatesets import Habit, gate_sets
from analysis.estimator.response import Response
from analysis.estimator.rezero import BOUNDS, Zero
from analysis.estimator.sensors import MEASURED, Sensors
from analysis.estimator.uncertain import uncertain_parts

USUAL_SD = (10.0, 5.0, 0.1, 5.0)
"""One standard deviation of a reading, SI, in the order of ``MEASURED``, where the configuration says nothing."""


class Knowledge:
    """``zeros`` of the fitted channels with the ``offsets`` now in use, ``habit`` over the gate sets, and the table
    (:class:`Response`), which is solved with the first run."""

    def __init__(self, design: DuctDesign, baseline: Baseline | None, sensors: Sensors) -> None:
        self.design, self.baseline = design, baseline
        sd = sensors.sd
        self.zeros = {
            name: Zero(BOUNDS[name], 0.5 * sd.get(name, USUAL_SD[i])) for i, name in enumerate(MEASURED) if name in sd}
        self.frame_sd = tuple(0.5 * sd.get(n, u) for n, u in zip(MEASURED, USUAL_SD, strict=True))
        gated = [port.has_gate for port in design.ports]
        self._sets = gate_sets(gated)
        self.habit = Habit(self._sets, gated)
        self.response: Response | None = None
        self.offsets = [0.0, 0.0, 0.0, 0.0]
        self._key: tuple[float, float, float] | None = None
        has_motor = design.motor is not None and design.fan.has_power
        self._useful = tuple(
            i for i, name in enumerate(MEASURED) if name in self.zeros and (i != 2 or has_motor))

    def channels(self, mean: Sequence[float | None]) -> tuple[int, ...]:
        """The channels (places in ``MEASURED``) that can be set against the table: seen, fitted, and in the design."""
        useful = self._useful
        for i in useful:
            if mean[i] is None:
                return tuple([i for i in useful if mean[i] is not None])
        return useful

    def prepare(self, t: float, air: AirState) -> None:
        """Zeros and uncertain parts for the run that begins at ``t``; only covariances are made anew when a zero or the
        air became better known."""
        zero_sd = [z.sd if (z := self.zeros.get(name)) is not None else 5.0 for name in ("inlet_pa", "filter_pa")]
        # In coarse steps, since a new key makes new covariances.
        density_sd = air.density_sd
        if self.baseline is not None and air.missing:
            # The tour's own air went into the baseline: only what changed since then counts.
            density_sd = min(density_sd, change_since(t - self.baseline.t))
        key = (_coarse(zero_sd[0]), _coarse(zero_sd[1]), _coarse(density_sd))
        self.offsets = [z.offset if (z := self.zeros.get(name)) is not None else 0.0 for name in MEASURED]
        if key == self._key:
            return
        self._key = key
        parts = uncertain_parts(
            self.design, self.baseline, zero_inlet_pa=key[0], zero_filter_pa=key[1], density_sd=key[2])
        if self.response is None:
            self.response = Response(self.design, self.baseline, parts, self._sets)
        else:
            self.response.set_uncertain(parts)

    def reported(self, gates: Mapping[str, bool] | None) -> None:
        """Gate sensors may show a set that nobody thought of: think of it from now on."""
        response = self.response
        if response is None or gates is None or any(p.has_gate and p.name not in gates for p in self.design.ports):
            return
        row = np.array([not p.has_gate or bool(gates[p.name]) for p in self.design.ports], dtype=bool)
        if not (response.sets == row).all(axis=1).any():
            response.add(row)
            self._sets = response.sets
            self.habit.extend(response.sets)


def _coarse(sd: float) -> float:
    """``sd`` rounded to the nearest power of 1.5."""
    return float(1.5 ** round(math.log(max(sd, 1e-4)) / math.log(1.5)))
