"""Newton's method on a duct tree for many gate sets at once: the steps of ``single``, each number an array.

Arrays are segment-major, (rows, gate sets), so that the walk over the tree handles whole rows. Gate sets are taken in
blocks that stay in the processor's cache. What has not settled with its block (never seen in an ordinary shop) is
handed to the single solver.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.duct.coefficients import Table
from analysis.duct.friction import LAMINAR_BELOW, TURBULENT_ABOVE
from analysis.duct.junctions import _KNEE, _ROUND
from analysis.duct.single import NEGLIGIBLE, START_X, balance

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

STEP_TOLERANCE = 1e-5
"""A block is done when no flow moved by more than this, relative: the error left is about its square."""
BLOCK = 512
_MOST_STEPS = 12

_TWO_LOG = 2.0 / np.log(10.0)
_BLEND = 2.51 / TURBULENT_ABOVE
_OCTAVES = float(np.log(TURBULENT_ABOVE / LAMINAR_BELOW))


@dataclass(frozen=True, slots=True)
class Balances:
    """Flows [m3/s] and total pressures over density [m2/s2] at the downstream ends, (rows, n), and the Newton steps."""

    flow: Floats
    total: Floats
    steps: int


def balance_many(
    table: Table, gates: Bools, *, density: float, viscosity: float, drag: Floats, speed_ratio: Floats
) -> Balances:
    """Solve ``gates``, boolean (ports, n) in the order of the design's ports.

    ``drag`` [Pa s/m3] and ``speed_ratio`` [-] have length n; ``density`` [kg/m3], ``viscosity`` [Pa s]. Raises
    :class:`analysis.duct.single.SolveError` as ``balance`` does.
    """
    rows, n = len(table.kind), gates.shape[1]
    flow, total = np.empty((rows, n)), np.empty((rows, n))
    steps = 0
    block = _Block(table, density, viscosity)
    for low in range(0, n, BLOCK):
        part = slice(low, min(low + BLOCK, n))
        taken, unsettled = block.solve(gates[:, part], drag[part], speed_ratio[part], flow[:, part], total[:, part])
        steps = max(steps, taken)
        for column in (low + unsettled).tolist():
            is_open = [True] * rows
            for port, row in enumerate(table.port_rows):
                is_open[row] = bool(gates[port, column])
            alone = balance(
                table, is_open, density=density, viscosity=viscosity, drag=float(drag[column]),
                speed_ratio=float(speed_ratio[column]),
            )
            flow[:, column], total[:, column] = alone.flow, alone.total
            steps = max(steps, alone.steps)
    return Balances(flow, total, steps)


def _column(values: tuple[float, ...]) -> Floats:
    return np.array(values)[:, None]


class _Friction:
    """Friction of a set of segments that keeps its 1/sqrt(f) from one Newton step to the next."""

    def __init__(self, friction: tuple[float, ...], rough: tuple[float, ...], reynolds: tuple[float, ...]) -> None:
        self.friction, self.rough, self.reynolds = _column(friction), _column(rough), _column(reynolds)

    def begin(self, is_open: Floats) -> None:
        """``is_open`` is 1 where the segment has friction, 0 behind a shut gate."""
        self.x = np.full(is_open.shape, START_X)
        self.factor = self.friction * is_open

    def near(self, thin: Floats) -> tuple[Floats, Floats]:
        """Loss over q|q| and its slope over |q|, after one Newton step on Colebrook; ``thin`` is viscosity / |q|."""
        thin = thin * self.reynolds
        inner = thin * self.x
        inner += self.rough
        g = thin / inner
        g *= _TWO_LOG
        np.log(inner, out=inner)
        inner *= _TWO_LOG
        inner += self.x
        g += 1.0
        inner /= g
        self.x -= inner
        loss = 1.0 / np.square(self.x)
        slope = 2.0 / g
        slow = (thin > _BLEND) & (self.factor > 0.0)
        if slow.any():
            where = np.nonzero(slow)
            loss[where], slope[where] = _blend(thin[where], loss[where], g[where])
        loss *= self.factor
        slope *= loss
        return loss, slope


def _blend(thin: Floats, turbulent: Floats, one_plus_g: Floats) -> tuple[Floats, Floats]:
    """Friction factor and exponent of the loss below Re 4000: see ``single.friction_near``."""
    laminar = 64.0 / 2.51 * thin
    s = np.clip(np.log(2.51 / LAMINAR_BELOW / thin) / _OCTAVES, 0.0, 1.0)
    weight = s * s * (3.0 - 2.0 * s)
    drop = np.log(turbulent / laminar)
    slope = -(1.0 - weight) - weight * 2.0 * (one_plus_g - 1.0) / one_plus_g + drop * 6.0 * s * (1.0 - s) / _OCTAVES
    return laminar * np.exp(weight * drop), 2.0 + slope


class _Block:
    """Everything about a table that does not change from block to block."""

    def __init__(self, table: Table, density: float, viscosity: float) -> None:
        self.table, self.density, self.nu = table, density, viscosity / density
        self.pipes = _Friction(table.friction, table.rough, table.reynolds)
        self.hosed = np.array([row for row, hose in enumerate(table.hose_friction) if hose > 0.0], dtype=np.intp)
        hoses = [
            tuple(column[row] for row in self.hosed.tolist())
            for column in (table.hose_friction, table.hose_rough, table.hose_reynolds)
        ]
        self.hoses = _Friction(hoses[0], hoses[1], hoses[2])
        self.parent = np.array(table.parent[1:], dtype=np.intp)
        self.j0, self.j1, self.j2 = _column(table.j0[1:]), _column(table.j1[1:]), _column(table.j2[1:])
        self.wide_rows = np.array([row for row, wide in enumerate(table.wide[1:]) if wide > 0.0], dtype=np.intp)
        self.wide = _column(tuple(wide for wide in table.wide[1:] if wide > 0.0))
        self.run_order = [row for row, kind in enumerate(table.kind) if kind == "run"]
        self.fixed, self.shut_fixed = _column(table.fixed), _column(table.shut_fixed)

    def solve(
        self, gates: Bools, drag: Floats, speed_ratio: Floats, flow: Floats, total: Floats
    ) -> tuple[int, npt.NDArray[np.intp]]:
        """Fill ``flow`` and ``total``; answers the steps taken and the columns that have not settled."""
        table = self.table
        rows, n = flow.shape
        is_open = np.ones((rows, n))
        is_open[list(table.port_rows)] = gates
        fixed = np.where(is_open > 0.0, self.fixed, self.shut_fixed)
        self.pipes.begin(is_open)
        self.hoses.begin(is_open[self.hosed])
        stiffness = drag / self.density
        q = self.start(fixed, is_open, stiffness, speed_ratio)
        source, inner = np.zeros((rows, n)), np.zeros((rows, n))
        offset, slope, pull = np.empty((rows, n)), np.empty((rows, n)), np.empty((rows, n))
        fresh = np.empty((rows, n))
        step = 0
        worst = np.inf
        while step < _MOST_STEPS and not worst < STEP_TOLERANCE:
            step += 1
            size = np.abs(q)
            thin = self.nu / np.maximum(size, 1e-12)
            resistance, steep = self.pipes.near(thin)
            if len(self.hosed):
                more, steeper = self.hoses.near(thin[self.hosed])
                resistance[self.hosed] += more
                steep[self.hosed] += steeper
            resistance += fixed
            steep += 2.0 * fixed
            steep *= size
            resistance *= size
            resistance *= q
            lost = resistance
            junction, by_own, by_whole = self.junctions(q)
            own = steep[1:] + by_own
            slope[1:] = own
            known = lost[1:] + junction - by_whole * q[self.parent]
            for row in reversed(self.run_order):
                low, high = table.children[row]
                self.fold(row, low, high, q, known, by_whole, offset, slope, pull, source, inner)
            new = self.meet_fan(q[0], lost[0], steep[0], source[0], inner[0], stiffness, speed_ratio)
            fresh[0] = new
            for row in self.run_order:
                low, high = table.children[row]
                whole = fresh[row]
                pressure = source[row] - inner[row] * whole
                part = fresh[low:high]
                np.multiply(slope[low:high], pressure, out=part)
                part += pull[low:high] * whole
                np.subtract(offset[low:high], part, out=part)
            moved = np.abs(fresh - q)
            moved /= np.maximum(np.abs(fresh), NEGLIGIBLE * new)
            q, fresh = fresh, q
            worst = moved.max()
        # The losses belong to the flows before the last step: carry them along their slopes to the flows answered.
        total[:] = source - inner * q - lost - steep * (q - fresh)
        flow[:] = q
        settled = moved.max(axis=0) < STEP_TOLERANCE
        return step, np.nonzero(~settled)[0]

    def fold(
        self, row: int, low: int, high: int, q: Floats, known: Floats, by_whole: Floats, offset: Floats, slope: Floats,
        pull: Floats, source: Floats, inner: Floats,
    ) -> None:
        """Fold the segments ``low`` to ``high`` into the line P = source - inner x q at the head of the run ``row``."""
        part = slice(low, high)
        above = slice(low - 1, high - 1)
        # Rows that are runs carry the line of their own head; for ports and leaks it is zero (the room)
        stiff = slope[part]
        stiff += inner[part]
        b = np.divide(1.0, stiff, out=stiff)
        g = np.multiply(b, by_whole[above], out=pull[part])
        a = np.subtract(source[part], inner[part] * q[part], out=offset[part])
        a -= known[above]
        a *= b
        a += q[part]
        upstream = 1.0 / b.sum(axis=0)
        np.multiply(a.sum(axis=0), upstream, out=source[row])
        np.multiply(1.0 + g.sum(axis=0), upstream, out=inner[row])

    def junctions(self, q: Floats) -> tuple[Floats, Floats, Floats]:
        """Loss of every junction and its slopes with the segment's own flow and with that of the run it joins."""
        own, whole = q[1:], q[self.parent]
        by_own = self.j1 * whole
        half = self.j2 * own
        junction = by_own + half
        junction *= own
        by_own += 2.0 * half
        by_whole = self.j0 * whole
        junction += by_whole * whole
        by_whole *= 2.0
        by_whole += self.j1 * own
        rows = self.wide_rows
        if len(rows):
            main = whole[rows]
            share = own[rows] / main
            excess = _KNEE - share
            root = np.sqrt(excess * excess + _ROUND**2)
            a = 1.0 + self.wide * (0.45 * (excess + root) - 0.45)
            da = -0.45 * self.wide * (1.0 + excess / root) * junction[rows] / main
            by_own[rows] = a * by_own[rows] + da
            by_whole[rows] = a * by_whole[rows] - da * share
            junction[rows] *= a
        return junction, by_own, by_whole

    def meet_fan(
        self, q: Floats, lost: Floats, steep: Floats, source: Floats, inner: Floats, stiffness: Floats, speed: Floats
    ) -> Floats:
        """The fan's flow where its linearised curve meets the folded network."""
        fan, as_built = self.table.design.fan, self.table.as_built
        at = q / as_built.fan_flow
        lift = as_built.fan_pressure / self.density
        rise = lift * fan.pressure_pa(at, speed, self.density)
        fall = lift / as_built.fan_flow * fan.pressure_slope(at, speed, self.density)
        new = (source - lost + steep * q + rise - fall * q) / (stiffness - fall + steep + inner)
        return np.where(new > 0.0, new, 0.25 * q)

    def start(self, fixed: Floats, is_open: Floats, stiffness: Floats, speed: Floats) -> Floats:
        """First flows: see ``single.start``."""
        table = self.table
        loss = fixed + 0.02 * (self.pipes.factor)
        loss[self.hosed] += 0.02 * self.hoses.factor
        conductance = loss  # reused row by row
        inflow = np.empty_like(loss)
        for row in reversed(self.run_order):
            low, high = table.children[row]
            part = conductance[low:high]
            for child in range(low, high):
                if table.kind[child] == "run":
                    conductance[child] += 1.0 / inflow[child] ** 2
            np.sqrt(part, out=part)
            np.divide(1.0, np.maximum(part, 1e-6), out=part)
            np.sum(part, axis=0, out=inflow[row])
        peak, droop = table.fan_parabola
        scale = table.as_built.fan_pressure / table.design.fan.at_density_kgm3
        square = conductance[0] + 1.0 / inflow[0] ** 2 + droop * scale / table.as_built.fan_flow**2
        q = np.empty_like(loss)
        top = peak * scale * speed**2
        q[0] = (np.sqrt(stiffness * stiffness + 4.0 * square * top) - stiffness) / (2.0 * square)
        for row in self.run_order:
            low, high = table.children[row]
            np.multiply(conductance[low:high], q[row] / inflow[row], out=q[low:high])
        return q
