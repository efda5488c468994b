"""Operating points by gate set and bag drag, solved once and looked up for whole arrays of seconds.

Density, viscosity and fan speed need no table of their own: in turbulent ducts every pressure but the bags' goes with
density and the square of flow, and the bags' with viscosity and flow. So with relative density ``r``, viscosity ``m``
and speed ``n`` the plant with drag ``S`` stands where the reference plant stands with drag ``S m/(r n)``; flow then
goes with ``n``, pressures with ``r n^2``, power with ``r n^3``. What is neglected is the change of the friction factor
with the Reynolds number: 0.3 % of friction for 3 % of speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.plant.network import Network
from analysis.plant.shop import Array, PlantShop

POINTS = 64
LOW, HIGH = 0.12, 80.0
"""The grid of drags, as shares of the clean drag: even in the logarithm."""


@dataclass(frozen=True, slots=True)
class Look:
    """Flow [m3/s], inlet suction [Pa, positive], shaft power [W], port flows (ports x n) at reference air and speed."""

    flow_m3s: Array
    suction_pa: Array
    power_w: Array
    port_m3s: Array


class GateTable:
    """The curve that one gate set traces as the bags load, and its slope against the losses of each open port."""

    def __init__(self, network: Network, mask: int, clean_drag: float) -> None:
        self.log_low = float(np.log(LOW * clean_drag))
        self.step = float(np.log(HIGH / LOW) / (POINTS - 1))
        drag = np.exp(self.log_low + self.step * np.arange(POINTS))
        gates = np.array([float(mask >> i & 1) for i in range(network.ports)])
        self.open = [i for i in range(network.ports) if gates[i]]
        grid = np.tile(gates, (POINTS, 1))
        self.rows = self._solve(network, grid, drag, np.ones_like(grid))
        self.slopes: dict[int, Array] = {}
        for port in self.open:
            scale = np.ones_like(grid)
            scale[:, port] = 1.1
            self.slopes[port] = (self._solve(network, grid, drag, scale) - self.rows) / np.log(1.1)

    @staticmethod
    def _solve(network: Network, gates: Array, drag: Array, scale: Array) -> Array:
        found = network.solve(gates, drag, scale)
        return np.log(np.vstack([found.flow_m3s, -found.inlet_static_pa, found.power_w, found.port_m3s.T]))

    def look_up(self, drag: Array, port_change: dict[int, Array] | None = None) -> Look:
        """Interpolates in the logarithm (error below 1e-4) at each drag; ``port_change`` is the change of the logarithm
        of an open port's losses (hose lying otherwise, chips in flight; good to +-0.2)."""
        at = np.clip((np.log(drag) - self.log_low) / self.step, 0.0, POINTS - 1.0001)
        cell = at.astype(int)
        part = at - cell
        rows = self._between(self.rows, cell, part)
        for port, change in (port_change or {}).items():
            if port in self.slopes:
                rows = rows + self._between(self.slopes[port], cell, part) * change
        values = np.exp(rows)
        return Look(values[0], values[1], values[2], values[3:])

    @staticmethod
    def _between(rows: Array, cell: Array, part: Array) -> Array:
        return np.asarray(rows[:, cell] * (1.0 - part) + rows[:, cell + 1] * part)


class Tables:
    """The gate tables of one shop (and of its faulted forms), each made when first asked for."""

    KEPT = 4000

    def __init__(self) -> None:
        self._networks: dict[PlantKey, Network] = {}
        self._tables: dict[tuple[PlantKey, int], GateTable] = {}

    def get(self, key: PlantKey, shop: PlantShop, mask: int) -> GateTable:
        """The table of gate set ``mask`` for ``shop``; ``key`` tells shops apart."""
        found = self._tables.get((key, mask))
        if found is None:
            if len(self._tables) > self.KEPT:
                self._tables.clear()
                self._networks.clear()
            network = self._networks.get(key)
            if network is None:
                network = self._networks[key] = Network(shop)
            found = self._tables[key, mask] = GateTable(network, mask, shop.bags.clean_drag)
        return found


PlantKey = tuple[tuple[str, str, float], ...]
"""What makes a faulted shop differ from the healthy one: (kind, where, size) in steps."""
