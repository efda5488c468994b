"""Newton's method on a duct tree, one gate set at a time, in plain floats.

The unknowns are the flows. Along every segment the loss is linearised at the present flow; walking from the ports to
the fan, each run's upstream pressure then becomes a straight line in its own flow, ``P = A - B q``, as a network of
batteries and resistors folds into one of each. At the fan that line meets the linearised curve, and walking back gives
every flow. Flows balance exactly after every step, and the error squares from step to step.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.duct.coefficients import Crowd, Table
from analysis.duct.friction import START_X, friction_near
from analysis.duct.junctions import KNEE, ROUND

STEP_TOLERANCE = 1e-6
"""Newton stops when no flow moved by more than this, relative: the error left is about its square."""
NEGLIGIBLE = 1e-4
"""Share of the fan's flow below which a flow is held to the tolerance of this share instead of its own."""
MOST_STEPS = 30
_DAMPED_AFTER = 12
_BITS = 10

FIRST_FACTOR = 0.02
"""Friction factor of the first flows."""
FIRST_EMPIRICAL = 0.3
"""How far the empirical factor on a wide branch lies below 1, for the first flows."""
FIRST_LEAST = 0.3
"""However much a junction draws, a segment keeps this share of its own loss in the first flows."""
TINY_LOSS = 1e-6
"""Least loss per flow squared [1/m4] of a segment in the first flows, for one that has next to none."""


class SolveError(ArithmeticError):
    """The solver found no operating point. Not expected of any design that passes the checks."""


@dataclass(frozen=True, slots=True)
class Balance:
    """Flows [m3/s] by row, total pressures at the downstream ends by row over density [m2/s2], Newton steps taken."""

    flow: list[float]
    total: list[float]
    steps: int


def start(table: Table, is_open: Sequence[bool], stiffness: float, peak: float, droop: float) -> list[float]:
    """First flows: quadratic losses only, a middling friction factor, and the fan as a parabola.

    Walking to the fan, every segment has a conductance q/sqrt(p); the junctions' losses are taken at the shares that
    the segments would have without them. ``peak`` - ``droop`` q^2 is the fan's rise and ``stiffness`` x q the filter's
    drop, all over density.
    """
    rows = len(table.kind)
    loss = [
        fixed + FIRST_FACTOR * (friction + hose) if opened and kind != "leak" else shut
        for fixed, friction, hose, shut, opened, kind in zip(
            table.fixed, table.friction, table.hose_friction, table.shut_fixed, is_open, table.kind, strict=True
        )
    ]
    conductance = [0.0] * rows
    inflow = [0.0] * rows
    for row in range(rows - 1, -1, -1):
        if table.kind[row] != "run":
            continue
        low, high = table.children[row]
        bare = [max(loss[child], TINY_LOSS) ** -0.5 for child in range(low, high)]
        whole = sum(bare)
        still = 1.0 - 2.0 * sum(table.along[low + k] * (one / whole) ** 2 for k, one in enumerate(bare))
        for child, alone in zip(range(low, high), bare, strict=True):
            share = whole / alone
            met = table.j2[child] + share * (table.j1[child] + share * (table.j0[child] + table.jet[child] * still))
            met = loss[child] + (1.0 - FIRST_EMPIRICAL * table.wide[child]) * met
            conductance[child] = max(met, FIRST_LEAST * loss[child], TINY_LOSS) ** -0.5
            inflow[row] += conductance[child]
        loss[row] += inflow[row] ** -2.0
    square = loss[0] + droop
    flow = [0.0] * rows
    flow[0] = (math.sqrt(stiffness * stiffness + 4.0 * square * peak) - stiffness) / (2.0 * square)
    for row in range(1, rows):
        parent = table.parent[row]
        flow[row] = flow[parent] * conductance[row] / inflow[parent]
    return flow


def balance(
    table: Table, is_open: Sequence[bool], *, density: float, viscosity: float, drag: float, speed_ratio: float,
) -> Balance:
    """Solve one gate set. ``is_open`` has one entry per row (runs and leaks: True), ``density`` [kg/m3], ``viscosity``
    [Pa s], ``drag`` of the filter [Pa s/m3].

    Where Newton's method does not settle, the junctions are left out at first and brought in bit by bit. Raises
    :class:`SolveError` when that does not help.
    """
    peak, droop = table.fan_parabola
    stretch = table.as_built.fan_flow
    scale = table.as_built.fan_pressure / table.design.fan.at_density_kgm3
    flow = start(table, is_open, drag / density, peak * speed_ratio**2 * scale, droop * scale / stretch**2)
    found = _newton(table, is_open, flow, density, viscosity / density, drag / density, speed_ratio, 1.0)
    if found is not None:
        return found
    for part, pace in (*((bit / _BITS, 0.3) for bit in range(_BITS + 1)), (1.0, 0.1)):
        if part < 1.0 or found is None:
            found = _newton(
                table, is_open, flow, density, viscosity / density, drag / density, speed_ratio, part, pace
            )
            flow = found.flow if found is not None else flow
    if found is None:
        raise SolveError("no operating point was found; this should not happen, please report the configuration")
    return found


def _newton(
    table: Table, is_open: Sequence[bool], flow: list[float], density: float, nu: float, stiffness: float,
    speed_ratio: float, met: float, pace: float = 0.5,
) -> Balance | None:
    """Newton's method from ``flow`` on, with ``met`` (0 to 1) of every junction's loss; None where it does not settle.

    Once it has not settled quickly, it takes the share ``pace`` of each step only.
    """
    fan, as_built = table.design.fan, table.as_built
    rows = len(table.kind)
    stretch, lift = as_built.fan_flow, as_built.fan_pressure
    x = [START_X] * rows
    hose_x = [START_X] * rows
    offset, slope, pull, push, bend = ([0.0] * rows for _ in range(5))
    source, inner = [0.0] * rows, [0.0] * rows
    lost, steepness = [0.0] * rows, [0.0] * rows
    kind, parent, friction = table.kind, table.parent, table.friction
    behind_x = [START_X] * len(table.discharge[0])
    for step in range(1, int(MOST_STEPS / pace) + 1):
        sum_a, sum_b, sum_g = [0.0] * rows, [0.0] * rows, [1.0] * rows
        crowds = {crowd.row: _Crowd(table, crowd, flow) for crowd in table.crowds}
        for row in range(rows - 1, -1, -1):
            q = flow[row]
            size = abs(q)
            here = kind[row]
            if here == "leak" or not is_open[row]:
                resistance = table.shut_fixed[row]
                exponent = 2.0 * resistance
            else:
                resistance = table.fixed[row]
                if q < 0.0 and here == "port":
                    # What blows out of an opening leaves its velocity pressure in the room.
                    resistance += table.velocity[row]
                exponent = 2.0 * resistance
                thin = nu / (size if size > 1e-12 else 1e-12)
                factor, power, x[row] = friction_near(x[row], table.rough[row], table.reynolds[row] * thin)
                factor *= friction[row]
                resistance += factor
                exponent += power * factor
                if table.hose_friction[row]:
                    factor, power, hose_x[row] = friction_near(
                        hose_x[row], table.hose_rough[row], table.hose_reynolds[row] * thin
                    )
                    factor *= table.hose_friction[row]
                    resistance += factor
                    exponent += power * factor
            loss = resistance * size * q
            steep = exponent * size
            lost[row] = loss - steep * q
            steepness[row] = steep
            drive = 0.0
            if here == "run":
                a, b, g = sum_a[row], sum_b[row], sum_g[row]
                if row in crowds:
                    a, b, g = crowds[row].folded(a, b, g, offset, slope, pull, push)
                source[row] = a / b
                inner[row] = g / b
                drive = source[row] - inner[row] * q
                steep += inner[row]
            if row == 0:
                break
            into = parent[row]
            whole = flow[into]
            j0, j1, j2 = table.j0[row], table.j1[row], table.j2[row]
            junction = j0 * whole * whole + j1 * q * whole + j2 * q * q
            by_own = j1 * whole + 2.0 * j2 * q
            by_whole = 2.0 * j0 * whole + j1 * q
            jet = by_straight = 0.0
            crowd = crowds.get(into)
            if whole <= 0.0:
                # Air that flows backwards parts here; nothing meets.
                junction = by_own = by_whole = 0.0
            if crowd is not None and table.jet[row] and whole > 0.0:
                jet = table.jet[row]
                junction += jet * crowd.shared
                if table.slowed[row]:
                    junction -= table.slowed[row] * whole * crowd.turned
                    each = table.slowed[row] * crowd.turned / ((whole - q) or 1e-12)
                    by_own += each * whole
                    by_whole -= each * (2.0 * whole - q)
            wide = table.wide[row]
            if wide:
                less, more = branch_factor(q, whole) if crowd is None else (crowd.less, crowd.more)
                factor, more = 1.0 - wide * less, -wide * more * junction
                by_own *= factor
                by_whole *= factor
                jet *= factor
                junction *= factor
                if crowd is None:
                    by_own += more
                    by_whole -= more * q / whole
                else:
                    by_straight = -more
                    by_whole += more * crowd.straight_q / whole
            b = 1.0 / ((steep + met * by_own) or 1e-12)
            g = b * met * by_whole
            a = q + b * (drive - loss - met * junction) + g * whole
            if crowd is not None:
                h, bend[row] = b * met * jet, b * met * by_straight
                a += h * crowd.shared
                push[row] = h
                crowd.add(2.0 * table.along[row] * q, q, a, b, g, h, bend[row])
            offset[row], slope[row], pull[row] = a, b, g
            sum_a[into] += a
            sum_b[into] += b
            sum_g[into] += g
        rise, fall = fan.pressure_scalar(flow[0] / stretch, speed_ratio, density)
        rise *= lift / density
        fall *= lift / density / stretch
        q = flow[0]
        behind, behind_steep = _behind(table, q, nu, behind_x)
        loss += behind
        steep += behind_steep
        if fall > 0.0:
            # On a rising stretch of the curve a step is taken as if it were flatter than what the fan works against.
            fall = min(fall, 0.5 * (stiffness + steep))
        new = (source[0] - loss + (steep - inner[0]) * q + rise - fall * q) / (stiffness - fall + steep)
        damped = step > _DAMPED_AFTER
        if not new > 0.0:
            new = 0.25 * q
        worst = abs(new - q) / new
        least = NEGLIGIBLE * new
        fresh = [new] * rows
        for row in range(1, rows):
            into = parent[row]
            whole = fresh[into]
            pressure = source[into] - inner[into] * whole
            to = offset[row] - pull[row] * whole - slope[row] * pressure
            if into in crowds:
                shared, straight = crowds[into].settled(pressure, whole, offset, slope, pull, push)
                to -= push[row] * shared + bend[row] * straight
            fresh[row] = to
            moved = abs(to - flow[row])
            size = abs(to)
            moved /= size if size > least else least
            if moved > worst:
                worst = moved
        flow = [old + pace * (to - old) for old, to in zip(flow, fresh, strict=True)] if damped else fresh
        if worst < (0.1 * STEP_TOLERANCE if damped else STEP_TOLERANCE):
            total = [
                (source[row] - inner[row] * flow[row] if kind[row] == "run" else 0.0)
                - lost[row] - steepness[row] * flow[row]
                for row in range(rows)
            ]
            return Balance(flow, total, step)
        if not math.isfinite(worst):
            break
    return None


def _behind(table: Table, q: float, nu: float, x: list[float]) -> tuple[float, float]:
    """What the pieces after the fan lose, and the slope of that with the flow."""
    loss = steep = 0.0
    thin = nu / max(abs(q), 1e-12)
    for row, (fixed, friction, rough, reynolds) in enumerate(zip(*table.discharge, strict=True)):
        factor, power, x[row] = friction_near(x[row], rough, reynolds * thin) if friction else (0.0, 0.0, x[row])
        loss += (fixed + friction * factor) * q * abs(q)
        steep += (2.0 * fixed + power * friction * factor) * abs(q)
    return loss, steep


def branch_factor(flow: float, whole: float) -> tuple[float, float]:
    """By how much the factor A on a wide side stream lies below 1 and what that gains with the flow from the side.

    ``flow`` comes from the side, ``whole`` is the combined flow; outside a share of 0 to 1 the factor stays.
    """
    share = flow / whole if whole else 1.0
    inside = 0.0 < share < 1.0
    excess = KNEE - (share if inside else min(max(share, 0.0), 1.0))
    root = math.sqrt(excess * excess + ROUND * ROUND)
    return 0.45 - 0.45 * (excess + root), 0.45 * (1.0 + excess / root) / whole if inside else 0.0


class _Crowd:
    """A junction of many streams during one Newton step: what they share, see :class:`junctions.Meeting`.

    A stream's line is q = a - b P - g Q - h S - k (qs - qs0) with S shared by all and qs the straight stream's flow.
    The flows' balance gives S, and S's own line then P.
    """

    __slots__ = ("_beside", "_sums", "_whole", "less", "more", "shared", "straight", "straight_q", "turned")

    def __init__(self, table: Table, crowd: Crowd, flow: list[float]) -> None:
        low, high, self.straight = crowd.low, crowd.high, crowd.straight
        self._whole = whole = flow[crowd.row]
        self.shared = whole * whole - 2.0 * sum(table.along[row] * flow[row] ** 2 for row in range(low, high))
        self.straight_q = flow[self.straight] if self.straight else 0.0
        squares = sum(flow[row] ** 2 for row in crowd.sides)
        one = squares / (sum(abs(flow[row]) for row in crowd.sides) ** 2 or 1.0)
        self.turned = one * sum(table.turned[row] * flow[row] for row in crowd.sides)
        less, more = branch_factor(whole - self.straight_q, whole)
        self.less, self.more = one * less, one * more
        # Sums over the streams, plain and weighted by what a stream adds to M.
        self._sums = (0.0, 0.0, 1.0, 0.0)
        self._beside = [0.0] * 7

    def add(self, weight: float, q: float, a: float, b: float, g: float, h: float, k: float) -> None:
        """One stream's line."""
        sums = self._beside
        sums[0] += weight * (a - 0.5 * q)
        sums[1] += weight * b
        sums[2] += weight * g
        sums[3] += weight * h
        sums[4] += weight * k
        sums[5] += h
        sums[6] += k

    def folded(
        self, a: float, b: float, g: float, offset: list[float], slope: list[float], pull: list[float],
        push: list[float],
    ) -> tuple[float, float, float]:
        """P x b = a - g Q of the junction, from the plain sums of its streams' lines."""
        alpha, beta, gamma, eta, kappa, h, k = self._beside
        if k:
            at = self.straight
            moved = offset[at] - self.straight_q
            a, b, g, h = a - k * moved, b - k * slope[at], g - k * pull[at], h - k * push[at]
            alpha, beta = alpha - kappa * moved, beta - kappa * slope[at]
            gamma, eta = gamma - kappa * pull[at], eta - kappa * push[at]
        self._sums = (a, b, g, h)
        keep, whole = 1.0 - 2.0 * eta, self._whole
        return (
            keep * a + h * (whole * whole + 2.0 * alpha), keep * b + 2.0 * h * beta,
            keep * g + 2.0 * h * (whole + gamma),
        )

    def settled(
        self, pressure: float, whole: float, offset: list[float], slope: list[float], pull: list[float],
        push: list[float],
    ) -> tuple[float, float]:
        """S, and how far the straight stream's flow has moved, at the new P and Q."""
        a, b, g, h = self._sums
        shared = (a - b * pressure - g * whole) / h if h else 0.0
        if not self.straight:
            return shared, 0.0
        at = self.straight
        return shared, offset[at] - slope[at] * pressure - pull[at] * whole - push[at] * shared - self.straight_q
