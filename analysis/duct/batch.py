"""Newton's method on a duct tree for many gate sets at once: the steps of ``single``, each number an array.

Arrays are segment-major, (rows, gate sets), so that the walk over the tree handles whole rows. Gate sets are taken in
blocks that stay in the processor's cache. The first steps only have to come near and count in single precision; the
last one, which says whether a gate set has settled, and all that follow count in double. What does not settle (never
seen in an ordinary shop) is handed to the single solver.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.duct.coefficients import Crowd, Table
from analysis.duct.friction_many import Friction
from analysis.duct.junctions import KNEE, ROUND
from analysis.duct.single import (
    FIRST_EMPIRICAL,
    FIRST_FACTOR,
    FIRST_LEAST,
    NEGLIGIBLE,
    TINY_LOSS,
    balance,
)

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

STEP_TOLERANCE = 1e-4
"""A gate set is done when no flow moved by more than this, relative: the error left is about its square."""
CROWDED_TOLERANCE = 4e-5
"""The same where many streams meet: how far one of them prevails is taken from the step before."""
BLOCK = 1366
"""Gate sets taken at once."""
_ROUGH_STEPS = 2
_MOST_STEPS = 15


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
    rough, exact = (_Block(table, density, viscosity, kind) for kind in (np.float32, np.float64))
    late = []
    for low in range(0, n, BLOCK):
        part = slice(low, min(low + BLOCK, n))
        here = _Case(gates[:, part], drag[part], speed_ratio[part], flow[:, part], total[:, part])
        with np.errstate(all="ignore"):
            near = rough.come_near(here)
        late.append(low + exact.settle(here, near.astype(np.float64), 1, rough)[1])
    columns = np.concatenate(late) if late else np.empty(0, dtype=np.intp)
    steps = _ROUGH_STEPS + 1 if n else 0
    for low in range(0, len(columns), BLOCK):
        some = columns[low:low + BLOCK]
        here = _Case(gates[:, some], drag[some], speed_ratio[some], flow[:, some], total[:, some])
        taken, unsettled = exact.settle(here, here.flow.copy(), _MOST_STEPS)
        flow[:, some], total[:, some] = here.flow, here.total
        steps = max(steps, _ROUGH_STEPS + 1 + taken)
        for odd in some[unsettled].tolist():
            is_open = [True] * rows
            for port, row in enumerate(table.port_rows):
                is_open[row] = bool(gates[port, odd])
            alone = balance(
                table, is_open, density=density, viscosity=viscosity, drag=float(drag[odd]),
                speed_ratio=float(speed_ratio[odd]),
            )
            flow[:, odd], total[:, odd] = alone.flow, alone.total
            steps = max(steps, alone.steps)
    return Balances(flow, total, steps)


@dataclass(frozen=True, slots=True)
class _Case:
    """Gate sets to solve, and where the answer goes: arrays (rows, n)."""

    gates: Bools
    drag: Floats
    speed_ratio: Floats
    flow: Floats
    total: Floats


class _Block:
    """Everything about a table that does not change from block to block, in numbers of one ``kind``."""

    def __init__(self, table: Table, density: float, viscosity: float, kind: npt.DTypeLike) -> None:
        self.table, self.density, self.nu, self.kind = table, density, viscosity / density, kind
        rows = len(table.kind)
        hosed = [row for row, hose in enumerate(table.hose_friction) if hose > 0.0]
        behind = table.discharge[1:]
        # Friction of the segments, then of the hoses, then of the pieces after the fan, through which row 0 flows.
        self.rubbing = np.array([*range(rows), *hosed, *[0] * len(behind[0])], dtype=np.intp)
        self.hosed, self.behind = np.array(hosed, dtype=np.intp), rows + len(hosed)
        self.behind_there = bool(behind[0])
        pipes = (table.friction, table.rough, table.reynolds)
        hoses = (table.hose_friction, table.hose_rough, table.hose_reynolds)
        self.friction = Friction(kind, *(
            (*pipe, *(hose[row] for row in hosed), *after) for pipe, hose, after in zip(pipes, hoses, behind, strict=True)
        ))
        self.parent = np.array(table.parent[1:], dtype=np.intp)

        def column(values: Sequence[float]) -> Floats:
            return np.array(values, dtype=kind)[:, None]

        self.j0, self.j1, self.j2 = column(table.j0[1:]), column(table.j1[1:]), column(table.j2[1:])
        self.twice_j0, self.twice_j2 = 2.0 * self.j0, 2.0 * self.j2
        self.wide = column(table.wide[1:])
        self.wide_rows = np.nonzero(self.wide[:, 0] > 0.0)[0]
        self.wide_less = 0.45 * self.wide[self.wide_rows]
        self.jet, self.along, self.turned = column(table.jet), column(table.along), column(table.turned)
        self.twice_along = 2.0 * self.along
        self.sums: dict[int, Floats] = {}
        self.wide_crowds = []
        for crowd in table.crowds:
            place = np.nonzero((self.wide_rows + 1 >= crowd.low) & (self.wide_rows + 1 < crowd.high))[0]
            self.wide_crowds.append((place, crowd))
        self.slowed = table.slowed
        self.crowds = {crowd.row: crowd for crowd in table.crowds}
        # How many of the numbers of a line count where it joins a row.
        self.met_by = [5 if row in self.crowds else 3 for row in range(rows)]
        self.port_velocity = column([table.velocity[row] for row in table.port_rows])
        self.run_order = [row for row, what in enumerate(table.kind) if what == "run"]
        self.behind_fixed = sum(table.discharge[0])
        self.fixed, self.shut_fixed = column(table.fixed), column(table.shut_fixed)
        self.lines: Floats = np.zeros((0, 0, 0), dtype=kind)
        self.tolerance = CROWDED_TOLERANCE if self.crowds else STEP_TOLERANCE

    def begin(self, case: _Case) -> None:
        """Take up the gate sets of a block."""
        self.is_open, self.speed = case.gates, case.speed_ratio
        opened: Floats = np.ones(case.flow.shape, dtype=self.kind)
        opened[list(self.table.port_rows)] = case.gates
        self.lost_fixed = np.where(opened > 0.0, self.fixed, self.shut_fixed)
        self.twice_fixed = 2.0 * self.lost_fixed
        self.friction.begin(opened[self.rubbing], self.nu)
        self.stiffness = (case.drag / self.density).astype(self.kind)
        if self.lines.shape[1:] != opened.shape:
            # P = source - inner q at the head of a run; zero for ports and leaks, whose head is the room.
            self.source, self.inner = np.zeros_like(opened), np.zeros_like(opened)
            # The next flow of a segment is offset - slope P - pull Q - push S - bend (qs - qs0), with P and Q at the head
            # of the run that it joins and S and qs as in single._Crowd; only where many streams meet are there the latter.
            self.lines = np.zeros((5 if self.crowds else 3, *opened.shape), dtype=self.kind)

    def come_near(self, case: _Case) -> Floats:
        """Flows after the first steps."""
        self.begin(case)
        q = self.start()
        for _ in range(_ROUGH_STEPS):
            q = self.step(q)
        return q

    def settle(
        self, case: _Case, q: Floats, most_steps: int, nearer: _Block | None = None
    ) -> tuple[int, npt.NDArray[np.intp]]:
        """Fill ``case.flow`` and ``case.total`` from ``q`` on; answers the steps taken and the columns that have not
        settled. The friction starts where it stood in ``nearer``; without, it is let settle first."""
        self.begin(case)
        if nearer is None:
            for _ in range(2):
                self.losses(np.abs(q))
        else:
            self.friction.y[:] = nearer.friction.y
        settled: Bools = np.zeros(q.shape[1], dtype=bool)
        step = 0
        while step < most_steps and not settled.all():
            step += 1
            before, q = q, self.step(q)
            size = np.abs(q)
            np.maximum(size, NEGLIGIBLE * q[0], out=size)
            size *= self.tolerance
            moved = q - before
            settled = np.logical_and.reduce(np.abs(moved) < size, axis=0)
        # The losses belong to the flows before the last step: carry them along their slopes to the flows answered.
        self.steep *= moved
        total = np.multiply(self.inner, q, out=self.inner)
        np.subtract(self.source, total, out=total)
        total -= self.lost
        np.subtract(total, self.steep, out=case.total)
        case.flow[:] = q
        return step, np.nonzero(~settled)[0]

    def step(self, q: Floats) -> Floats:
        """The flows after one step from ``q``."""
        children, lines, source, inner = self.table.children, self.lines, self.source, self.inner
        size = np.abs(q)
        self.backwards = bool(q.min() <= 0.0)
        lost, steep = self.losses(size, q if self.backwards else None)
        steep *= size
        lost *= size
        lost *= q
        self.lost, self.steep = lost, steep
        self.linearise(q, lost, steep, lines)
        for row in reversed(self.run_order):
            low, high = children[row]
            folded = np.add.reduce(lines[:self.met_by[row], low:high], axis=1)
            folded[2] += 1.0
            if row in self.crowds:
                folded = self.fold_crowd(self.crowds[row], q, lines, folded)
            np.divide(folded[0], folded[1], out=source[row])
            np.divide(folded[2], folded[1], out=inner[row])
            if row:
                # Put what lies upstream of the run into its line.
                line = lines[:self.met_by[self.table.parent[row]], row]
                line[0] += line[1] * source[row]
                line *= 1.0 / (1.0 + inner[row] * line[1])
        fresh = np.empty_like(q)
        fresh[0] = self.meet_fan(q[0], lost[0], steep[0], source[0], inner[0])
        for row in self.run_order:
            low, high = children[row]
            whole = fresh[row]
            pressure = source[row] - inner[row] * whole
            part = np.multiply(lines[1, low:high], pressure, out=fresh[low:high])
            part += lines[2, low:high] * whole
            if row in self.crowds:
                part += self.settle_crowd(self.crowds[row], q, lines, pressure, whole)
            np.subtract(lines[0, low:high], part, out=part)
        return fresh

    def losses(self, size: Floats, backwards: Floats | None = None) -> tuple[Floats, Floats]:
        """Loss over q|q| and its slope over |q| for every segment, with flows of this ``size``; ``backwards`` are the
        flows themselves where one of them is negative."""
        some = size.take(self.rubbing, axis=0)
        lost, steep = self.friction.near(np.maximum(some, 1e-12, out=some))
        rows, behind = len(size), self.behind
        if self.behind_there:
            self.lost_behind, self.steep_behind = lost[behind:].sum(axis=0), steep[behind:].sum(axis=0)
        lost[self.hosed] += lost[rows:behind]
        steep[self.hosed] += steep[rows:behind]
        lost, steep = lost[:rows], steep[:rows]
        fixed, twice = self.lost_fixed, self.twice_fixed
        if backwards is not None:
            # What blows out of an opening leaves its velocity pressure in the room too.
            ports = list(self.table.port_rows)
            fixed = fixed.copy()
            fixed[ports] += np.where((backwards[ports] < 0.0) & self.is_open, self.port_velocity, 0.0)
            twice = 2.0 * fixed
        lost += fixed
        steep += twice
        return lost, steep

    def linearise(self, q: Floats, lost: Floats, steep: Floats, lines: Floats) -> None:
        """The lines of all segments as if the room were at their heads; the root has none."""
        own, whole = q[1:], q[self.parent]
        offset, slope, pull = lines[0, 1:], lines[1, 1:], lines[2, 1:]
        by_own = self.j1 * whole
        by_own += self.twice_j2 * own
        by_whole = self.twice_j0 * whole
        by_whole += self.j1 * own
        if self.backwards:
            # Air that flows backwards parts here; nothing meets.
            parting = whole <= 0.0
            by_own[parting] = by_whole[parting] = 0.0
        # A homogeneous function of second degree is half its slopes times their arguments (Euler).
        junction = by_own * own
        junction += by_whole * whole
        junction *= 0.5
        if self.crowds:
            self.crowd(q, lines, junction, by_own, by_whole)
        rows = self.wide_rows
        if len(rows):
            self.empirical(rows, own, whole, junction, by_own, by_whole, lines)
        by_own += steep[1:]
        # For a run the head's resistance is still to come: see fold_run.
        np.divide(1.0, by_own, out=slope)
        np.multiply(by_whole, slope, out=pull)
        by_whole *= whole
        by_whole -= lost[1:]
        by_whole -= junction
        for crowd in self.crowds.values():
            meet = slice(crowd.low - 1, crowd.high - 1)
            by_whole[meet] += lines[3, crowd.low:crowd.high] * self.shared[crowd.row]
            lines[3:, crowd.low:crowd.high] *= slope[meet]
        np.multiply(by_whole, slope, out=offset)
        offset += own

    def crowd(self, q: Floats, lines: Floats, junction: Floats, by_own: Floats, by_whole: Floats) -> None:
        """Add what the streams share where many meet: see ``single._Crowd``. Leaves the slopes with S in ``lines[3]``."""
        self.shared, self.one = {}, {}
        for row, crowd in self.crowds.items():
            children, meet, low = slice(crowd.low, crowd.high), slice(crowd.low - 1, crowd.high - 1), crowd.low
            sides = [child - low for child in crowd.sides]
            whole, flows = q[row], q[children]
            squares = flows * flows
            shared = whole * whole
            shared -= np.add.reduce(self.twice_along[children] * squares, axis=0)
            jet = self.jet[children] * (whole > 0.0) if self.backwards else self.jet[children]
            lines[3, children] = jet
            junction[meet] += jet * shared
            self.shared[row] = shared
            beside = np.add.reduce(np.abs(flows[sides]) if self.backwards else flows[sides], axis=0)
            beside *= beside
            beside[beside == 0.0] = 1.0
            one = np.add.reduce(squares[sides], axis=0)
            one /= beside
            self.one[row] = one
            at = crowd.straight
            if self.slowed[at]:
                slowed = self.slowed[at] * one
                if self.backwards:
                    slowed *= whole > 0.0
                slowed *= np.add.reduce(self.turned[list(crowd.sides)] * flows[sides], axis=0)
                rest = whole - flows[at - low]
                rest[rest == 0.0] = 1e-12
                junction[at - 1] -= slowed * whole
                slowed /= rest
                by_own[at - 1] += slowed * whole
                by_whole[at - 1] -= slowed * (whole + rest)

    def fold_crowd(self, crowd: Crowd, q: Floats, lines: Floats, folded: Floats) -> Floats:
        """Sums of the streams' lines without S and the straight stream's own: see ``single._Crowd.folded``."""
        children = slice(crowd.low, crowd.high)
        by_flow = self.twice_along[children] * q[children]
        beside = (by_flow * lines[:, children]).sum(axis=1)
        beside[0] -= (0.5 * by_flow * q[children]).sum(axis=0)
        if crowd.straight:
            own = lines[:4, crowd.straight].copy()
            own[0] -= q[crowd.straight]
            folded[:4] -= folded[4] * own
            beside[:4] -= beside[4] * own
        self.sums[crowd.row] = folded
        whole, h, keep = q[crowd.row], folded[3], 1.0 - 2.0 * beside[3]
        found = keep * folded[:3] + 2.0 * h * beside[:3]
        found[0] += h * whole * whole
        found[2] += 2.0 * h * whole
        return np.asarray(found)

    def settle_crowd(self, crowd: Crowd, q: Floats, lines: Floats, pressure: Floats, whole: Floats) -> Floats:
        """What S and the straight stream's flow take off the flows of the streams at the new P and Q."""
        a, b, g, h, _ = self.sums[crowd.row]
        shared = (a - b * pressure - g * whole) / np.where(h == 0.0, 1.0, h) * (h != 0.0)
        taken = lines[3, crowd.low:crowd.high] * shared
        if crowd.straight:
            a, b, g, h = lines[:4, crowd.straight]
            taken += lines[4, crowd.low:crowd.high] * (a - b * pressure - g * whole - h * shared - q[crowd.straight])
        return np.asarray(taken)

    def empirical(
        self, rows: npt.NDArray[np.intp], own: Floats, whole: Floats, junction: Floats, by_own: Floats,
        by_whole: Floats, lines: Floats,
    ) -> None:
        """Multiply the empirical factor A into the junctions of wide side streams: see ``single.branch_factor``."""
        main = whole[rows]
        main[main == 0.0] = 1.0
        share = own[rows]
        share /= main
        for place, crowd in self.wide_crowds:
            straight = own[crowd.straight - 1] if crowd.straight else 0.0
            share[place] = 1.0 - straight / main[place]
        excess = KNEE - (np.clip(share, 0.0, 1.0) if self.backwards else share)
        root = excess * excess
        root += ROUND**2
        np.sqrt(root, out=root)
        less = self.wide_less * (1.0 - excess - root)
        excess /= root
        excess += 1.0
        more = np.divide(self.wide_less, main, out=main)
        more *= excess
        if self.backwards:
            more[(share <= 0.0) | (share >= 1.0)] = 0.0
        for place, crowd in self.wide_crowds:
            less[place] *= self.one[crowd.row]
            more[place] *= self.one[crowd.row]
        more *= junction[rows]
        factor = 1.0 - less
        for some in (junction, by_own, by_whole):
            some[rows] *= factor
        share *= more
        for place, _ in self.wide_crowds:
            lines[3, rows[place] + 1] *= factor[place]
            lines[4, rows[place] + 1] = more[place]
            share[place] -= more[place]
            more[place] = 0.0
        by_own[rows] -= more
        by_whole[rows] += share

    def meet_fan(self, q: Floats, lost: Floats, steep: Floats, source: Floats, inner: Floats) -> Floats:
        """The fan's flow where its linearised curve meets the folded network."""
        fan, as_built = self.table.design.fan, self.table.as_built
        stiffness, lift = self.stiffness, as_built.fan_pressure / self.density
        rise, fall = fan.pressure_and_slope(q / as_built.fan_flow, self.speed, self.density)
        rise *= lift
        fall *= lift / as_built.fan_flow
        if self.behind_there:
            size = np.abs(q)
            lost = lost + (self.lost_behind + self.behind_fixed) * q * size
            steep = steep + (self.steep_behind + 2.0 * self.behind_fixed) * size
        # On a rising stretch of the curve a step is taken as if it were flatter than what the fan works against.
        fall = np.where(fall > 0.0, np.minimum(fall, 0.5 * (stiffness + steep + inner)), fall)
        new = (source - lost + steep * q + rise - fall * q) / (stiffness - fall + steep + inner)
        return np.where(new > 0.0, new, 0.25 * q)

    def start(self) -> Floats:
        """First flows: see ``single.start``."""
        table = self.table
        opened = self.friction.open_friction()
        loss = self.lost_fixed + FIRST_FACTOR * opened[:len(self.lost_fixed)]
        loss[self.hosed] += FIRST_FACTOR * opened[len(loss):self.behind]
        stiffness = self.stiffness
        inflow = np.empty_like(loss)
        for row in reversed(self.run_order):
            low, high = table.children[row]
            part = loss[low:high]
            above = slice(low - 1, high - 1)
            root = np.sqrt(np.maximum(part, TINY_LOSS))
            share = (1.0 / root).sum(axis=0) * root
            # j0 (Q/q)^2 + j1 Q/q + j2 is the junction's loss per own flow squared.
            met = self.j0[above] * share
            if row in self.crowds:
                met += self.jet[low:high] * (1.0 - 2.0 * (self.along[low:high] / np.square(share)).sum(axis=0)) * share
            met += self.j1[above]
            met *= share
            met += self.j2[above]
            met *= 1.0 - FIRST_EMPIRICAL * self.wide[above]
            met += part
            np.maximum(met, FIRST_LEAST * part, out=met)
            np.maximum(met, TINY_LOSS, out=met)
            np.sqrt(met, out=met)
            np.divide(1.0, met, out=part)
            np.add.reduce(part, axis=0, out=inflow[row])
            loss[row] += 1.0 / np.square(inflow[row])
        peak, droop = table.fan_parabola
        scale = table.as_built.fan_pressure / table.design.fan.at_density_kgm3
        square = loss[0] + droop * scale / table.as_built.fan_flow**2
        top = (peak * scale) * np.square(self.speed)
        q = np.empty_like(loss)
        q[0] = (np.sqrt(stiffness * stiffness + 4.0 * square * top) - stiffness) / (2.0 * square)
        for row in self.run_order:
            low, high = table.children[row]
            np.multiply(loss[low:high], q[row] / inflow[row], out=q[low:high])
        return q
