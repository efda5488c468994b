"""The physics of a foreign shop: ducts, fan, motor and bags by laws that the product does not use.

Friction is Churchill's formula for all regimes; losses of junctions are powers of the share that joins; the fan is a
polynomial in the flow; the motor's current is a magnetising and an active part at right angles. Pressures are total
pressures over the room's; the fan's rise is outlet static less inlet total; the gauge at the inlet shows static pressure.

Everything is solved for one density and speed, for a grid of filter drags, as one batch of Newton steps; the fan laws
carry the answer to other speeds and densities, since all losses but that of the cake are (nearly) quadratic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

DENSITY = 1.2
VISCOSITY = 1.81e-5
DRAGS = np.geomspace(0.2, 16.0, 22)
"""Effective drag over clean drag, at which a state of the ducts is solved."""


def churchill(reynolds: Floats, relative_roughness: Floats) -> Floats:
    """Darcy friction factor, all regimes: S. W. Churchill, Chemical Engineering 84 (1977) 91-92."""
    re = np.maximum(reynolds, 1.0)
    a = (2.457 * np.log(1.0 / ((7.0 / re) ** 0.9 + 0.27 * relative_roughness))) ** 16
    b = (37530.0 / re) ** 16
    return 8.0 * ((8.0 / re) ** 12 + (a + b) ** -1.5) ** (1.0 / 12.0)


@dataclass(frozen=True)
class Duct:
    """A run (``port`` False) or a port with its drop, hose and gate. ``into`` is the index of the run it joins, -1 the fan.

    ``k`` sums its fittings; ``angle`` [deg] is that of its entry, 0 where it goes on straight; ``leak_m2`` the leaks of a
    run's joints, ``leak`` the shut gate's effective area over that of the duct.
    """

    name: str
    into: int
    diameter: float
    length: float
    rough: float
    k: float
    angle: float = 0.0
    leak_m2: float = 0.0
    port: bool = False
    entry_k: float = 0.0
    leak: float = 0.0
    hose: float = 0.0
    hose_rough: float = 1e-3

    @property
    def area(self) -> float:
        """Of its cross-section [m2]."""
        return float(0.25 * np.pi * self.diameter**2)


@dataclass(frozen=True)
class Fan:
    """Static pressure ``p0 (1 + sum c x^e)`` with ``x = flow / q_free``, shaft power ``w0 (sum of its own terms)``."""

    p0: float
    q_free: float
    w0: float
    pressure: tuple[tuple[float, float], ...]
    power: tuple[tuple[float, float], ...]
    rpm: float
    wheel: float
    slip_cold: float = 0.0
    droop: float = 0.02

    def rise(self, flow: Floats) -> Floats:
        """Fan static pressure [Pa]."""
        x = np.maximum(flow, 0.0) / self.q_free
        return self.p0 * (1.0 + sum(c * x**e for c, e in self.pressure))

    def shaft(self, flow: Floats) -> Floats:
        """Shaft power [W]."""
        x = np.clip(flow / self.q_free, 0.0, 1.3)
        return self.w0 * sum(c * x**e for c, e in self.power)


@dataclass(frozen=True)
class Motor:
    """Plate and idle current; ``current`` from shaft power and line voltage over the plate's."""

    rated_w: float
    volts: float
    phases: int
    full_a: float
    idle_a: float

    def current(self, shaft: Floats, volts: Floats) -> Floats:
        """RMS current [A]; the losses are a tenth of the plate's power and do not vanish at idle."""
        per_watt = np.sqrt(self.full_a**2 - self.idle_a**2) / (1.1 * self.rated_w)
        active = (shaft + 0.1 * self.rated_w) * per_watt / volts
        return np.asarray(np.hypot(self.idle_a * volts**1.8, active))


@dataclass(frozen=True)
class State:
    """What the ducts are like: opening of each port's gate (0..1), share of each duct's area that is plugged, area of
    extra leaks [m2] of each run, and which ports have lost their hose."""

    opening: tuple[float, ...]
    plugged: tuple[float, ...] = ()
    hole: tuple[float, ...] = ()
    hose_off: tuple[bool, ...] = ()


@dataclass
class Solved:
    """Of one :class:`State`, along :data:`DRAGS`: flow, inlet static, shaft power, and the flow of each duct."""

    flow: Floats
    inlet: Floats
    shaft: Floats
    ducts: Floats


@dataclass
class Plant:
    """A duct tree with its fan and filter. ``quadratic`` [Pa s2/m6] is what the filter loses beside its drag, ``mixing``
    a factor on the losses of junctions, ``before_tap`` [-] an extra loss in velocity pressures of the main."""

    ducts: Sequence[Duct]
    fan: Fan
    clean_drag: float
    quadratic: float = 0.0
    mixing: float = 0.7
    before_tap: float = 0.0
    _kept: dict[State, Solved] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        ducts, n = self.ducts, len(self.ducts)
        self.ports = [i for i, d in enumerate(ducts) if d.port]
        self.runs = [i for i, d in enumerate(ducts) if not d.port]
        ends = self.ports + self.runs  # air comes in at ports and at the leaks of runs
        path = np.zeros((len(ends), n))
        for row, end in enumerate(ends):
            at = end
            while at >= 0:
                path[row, at] = 1.0
                at = ducts[at].into
        self._path, self._ends = path, ends
        self._area = np.array([d.area for d in ducts])
        self._down = np.array([d.into for d in ducts])
        self._inner = self._down >= 0
        self._cos = np.cos(np.radians([d.angle for d in ducts]))

    def solve(self, states: Sequence[State]) -> list[Solved]:
        """Each state along the grid of drags; those already solved are remembered."""
        new = [s for s in dict.fromkeys(states) if s not in self._kept]
        for low in range(0, len(new), 24):
            self._batch(new[low : low + 24])
        return [self._kept[s] for s in states]

    def _joining(self, flow: Floats, out: Floats) -> Floats:
        """Total pressure lost where each duct's ``flow`` joins ``out`` of the next [Pa]: what comes in at an angle pays for
        the turn and is drawn along by the faster stream; what goes straight pays for the air that joins it."""
        down = np.where(self._inner, self._down, 0)
        v, w = flow / self._area, out / self._area[down]
        rest = np.clip(1.0 - flow / out, 1e-9, 1.0)
        turned = self.mixing * (0.3 + 1.1 * (1.0 - self._cos)) * v * v - 0.5 * w * w * rest**1.5
        straight = 0.6 * self.mixing * w * w * rest**1.3
        return np.asarray(0.5 * DENSITY * np.where(self._inner, np.where(self._cos < 0.999, turned, straight), 0.0))

    def _batch(self, states: Sequence[State]) -> None:
        ducts, g, n = self.ducts, len(DRAGS), len(self.ducts)
        plug = np.repeat([s.plugged or (0.0,) * n for s in states], g, axis=0)
        hole = np.repeat([s.hole or (0.0,) * len(self.runs) for s in states], g, axis=0)
        off = np.repeat([s.hose_off or (False,) * len(self.ports) for s in states], g, axis=0)
        opening = np.where(off, 1.0, np.repeat([s.opening for s in states], g, axis=0))
        drag = np.tile(DRAGS * self.clean_drag, len(states))
        area, half = self._area, 0.5 * DENSITY
        fixed = np.array([d.k for d in ducts]) + 1.5 * (np.clip(1.0 - plug, 0.03, 1.0) ** -2 - 1.0)
        fixed[:, self._down < 0] += self.before_tap
        rel = np.array([d.rough / d.diameter for d in ducts])
        slender = np.array([d.length / d.diameter for d in ducts])
        own = [ducts[i] for i in self.ports]
        gate = (np.array([d.leak for d in own]) + 2.6 * opening**2.5) ** -2
        hose = np.array([d.hose / d.diameter * 1.02 * churchill(np.array(2e5), np.array(d.hose_rough / d.diameter)) for d in own])
        entry = np.where(off, 0.93, np.array([d.entry_k for d in own]) + hose)
        port_r = half * (gate + np.where(opening > 0.02, entry, 0.0)) / area[self.ports] ** 2
        leak_r = half / np.maximum(0.65 * np.array([ducts[i].leak_m2 for i in self.runs]) + 0.65 * hole, 1e-7) ** 2
        end_r = np.concatenate([port_r, leak_r], axis=1)
        path, down = self._path, np.where(self._inner, self._down, 0)
        ends = np.sqrt(0.5 * self.fan.p0 / end_r) * 0.5
        ends *= np.minimum(1.0, 0.8 * self.fan.q_free / ends.sum(1))[:, None]
        for _ in range(60):
            flow = ends @ path  # of each duct
            out = np.where(self._inner, flow[:, down], 1.0)
            v = flow / area
            lost = half * (fixed + churchill(DENSITY * np.abs(v) * np.sqrt(4 * area / np.pi) / VISCOSITY, rel) * slender)
            joined, tiny = self._joining(flow, out), 1e-6 * self.fan.q_free
            loss = lost * v * np.abs(v) + joined
            d_own = 2 * lost * np.abs(v) / area + (self._joining(flow + tiny, out) - joined) / tiny
            d_out = (self._joining(flow, out + tiny) - joined) / tiny
            total = ends.sum(1)
            rise, step = self.fan.rise(total), 1e-5 * self.fan.q_free
            suction = rise - drag * total - self.quadratic * total**2
            slope = (self.fan.rise(total + step) - rise) / step - drag - 2 * self.quadratic * total
            short = loss @ path.T + end_r * ends * np.abs(ends) - suction[:, None]
            jac = np.einsum("te,be,se->bts", path, d_own, path) - slope[:, None, None]
            jac += np.einsum("te,be,se->bts", path, d_out, path[:, down] * self._inner)
            at = np.arange(len(self._ends))
            jac[:, at, at] += 2 * end_r * np.abs(ends) + 1e-9
            move = np.linalg.solve(jac, short[..., None])[..., 0]
            ends = np.maximum(ends - np.clip(move, -0.7 * ends - 1e-3, 0.7 * ends), 1e-9)
            if np.max(np.abs(move) / (ends + 1e-4)) < 1e-7:
                break
        else:
            raise RuntimeError("the network did not settle")
        flow, total = ends @ path, ends.sum(1)
        root = int(np.flatnonzero(self._down < 0)[0])
        suction = self.fan.rise(total) - drag * total - self.quadratic * total**2
        inlet = -suction - half * (total / area[root]) ** 2
        flow[:, self.ports] = ends[:, : len(self.ports)]
        for i, state in enumerate(states):
            part = slice(i * g, (i + 1) * g)
            self._kept[state] = Solved(total[part], inlet[part], self.fan.shaft(total[part]), flow[part])

    def at(
        self, states: Sequence[State], which: npt.NDArray[np.int64], drag: Floats, density: Floats, speed: Floats
    ) -> dict[str, Floats]:
        """Flow, inlet and filter pressure and shaft power at each instant: state ``which``, drag [Pa s/m3], density
        [kg/m3] and speed over the plate's."""
        solved = self.solve(states)
        ratio = density / DENSITY
        x = np.log(np.maximum(drag / self.clean_drag, 1e-3) / np.maximum(ratio * speed, 1e-3))
        grid = np.log(DRAGS)
        place = np.clip((x - grid[0]) / (grid[1] - grid[0]), 0.0, len(grid) - 1.001)
        low = place.astype(np.int64)
        part = place - low
        found = {}
        for name in ("flow", "inlet", "shaft"):
            table = np.array([getattr(s, name) for s in solved])
            found[name] = table[which, low] * (1.0 - part) + table[which, low + 1] * part
        flow = found["flow"] * speed
        return {
            "flow": flow,
            "inlet_pa": found["inlet"] * ratio * speed**2,
            "filter_pa": drag * flow + self.quadratic * ratio * flow**2,
            "shaft": found["shaft"] * ratio * speed**3,
        }

    def port_flows(self, state: State, drag: float) -> dict[str, float]:
        """Flow through each port's drop [m3/s] at standard density and speed."""
        solved = self.solve([state])[0]
        return {
            self.ducts[i].name: float(np.interp(np.log(drag / self.clean_drag), np.log(DRAGS), solved.ducts[:, i]))
            for i in self.ports
        }
