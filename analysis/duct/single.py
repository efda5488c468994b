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

from analysis.duct.coefficients import Table
from analysis.duct.friction import LAMINAR_BELOW, TURBULENT_ABOVE
from analysis.duct.junctions import KNEE, ROUND

STEP_TOLERANCE = 1e-6
"""Newton stops when no flow moved by more than this, relative: the error left is about its square."""
NEGLIGIBLE = 1e-4
"""Share of the fan's flow below which a flow is held to the tolerance of this share instead of its own."""
MOST_STEPS = 200
_DAMPED_AFTER = 12

_LN10 = math.log(10.0)
_TWO_LOG = 2.0 / _LN10
_BLEND = 2.51 / TURBULENT_ABOVE
_LAMINAR = 2.51 / LAMINAR_BELOW
_OCTAVES = math.log(TURBULENT_ABOVE / LAMINAR_BELOW)
START_X = 7.0
"""1/sqrt(f) to begin with; the first step already brings it to a per mille."""
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


def friction_near(x: float, rough: float, thin: float) -> tuple[float, float, float]:
    """Friction factor f, the exponent d ln(f Q^2)/d ln Q of its loss, and the next 1/sqrt(f) to carry on with.

    One Newton step on Colebrook's equation from ``x``; ``rough`` is relative roughness over 3.7 and ``thin`` 2.51/Re.
    Below Re 4000 the blend of :func:`analysis.duct.friction.friction_factor`.
    """
    if thin >= _LAMINAR:
        return 64.0 / 2.51 * thin, 1.0, x
    inner = rough + thin * x
    g = _TWO_LOG * thin / inner
    x -= (x + _TWO_LOG * math.log(inner)) / (1.0 + g)
    if thin <= _BLEND:
        return 1.0 / (x * x), 2.0 / (1.0 + g), x
    laminar = 64.0 / 2.51 * thin
    s = math.log(_LAMINAR / thin) / _OCTAVES
    weight = s * s * (3.0 - 2.0 * s)
    drop = -2.0 * math.log(x) - math.log(laminar)
    factor = laminar * math.exp(weight * drop)
    slope = -(1.0 - weight) - weight * 2.0 * g / (1.0 + g) + drop * 6.0 * s * (1.0 - s) / _OCTAVES
    return factor, 2.0 + slope, x


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
        for child, alone in zip(range(low, high), bare, strict=True):
            share = whole / alone
            met = table.j2[child] + share * (table.j1[child] + share * table.j0[child])
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
    first: Sequence[float] | None = None,
) -> Balance:
    """Solve one gate set. ``is_open`` has one entry per row (runs and leaks: True), ``density`` [kg/m3], ``viscosity``
    [Pa s], ``drag`` of the filter [Pa s/m3], ``first`` flows to begin with (from a similar case).

    Raises :class:`SolveError` when it does not settle.
    """
    design, as_built = table.design, table.as_built
    rows = len(table.kind)
    nu = viscosity / density
    stiffness = drag / density
    stretch, lift = as_built.fan_flow, as_built.fan_pressure
    if first is None:
        peak, droop = table.fan_parabola
        scale = lift / design.fan.at_density_kgm3
        flow = start(table, is_open, stiffness, peak * speed_ratio**2 * scale, droop * scale / stretch**2)
    else:
        flow = list(first)
    x = [START_X] * rows
    hose_x = [START_X] * rows
    offset, slope, pull = [0.0] * rows, [0.0] * rows, [0.0] * rows
    source, inner = [0.0] * rows, [0.0] * rows
    lost, steepness = [0.0] * rows, [0.0] * rows
    kind, parent, friction = table.kind, table.parent, table.friction
    for step in range(1, MOST_STEPS + 1):
        sum_a, sum_b, sum_g = [0.0] * rows, [0.0] * rows, [0.0] * rows
        for row in range(rows - 1, -1, -1):
            q = flow[row]
            size = abs(q)
            here = kind[row]
            if here == "leak" or not is_open[row]:
                resistance = table.shut_fixed[row]
                exponent = 2.0 * resistance
            else:
                resistance = table.fixed[row]
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
            if here == "run":
                upstream = 1.0 / sum_b[row]
                source[row] = sum_a[row] * upstream
                inner[row] = (1.0 + sum_g[row]) * upstream
                drive = source[row] - inner[row] * q
                steep += inner[row]
            else:
                drive = 0.0
            if row == 0:
                break
            into = parent[row]
            whole = flow[into]
            j0, j1, j2 = table.j0[row], table.j1[row], table.j2[row]
            junction = j0 * whole * whole + j1 * q * whole + j2 * q * q
            by_own = j1 * whole + 2.0 * j2 * q
            by_whole = 2.0 * j0 * whole + j1 * q
            wide = table.wide[row]
            if wide and whole:
                excess = KNEE - q / whole
                root = math.sqrt(excess * excess + ROUND * ROUND)
                a = 1.0 + wide * (0.55 + 0.45 * (excess + root) - 1.0)
                da = -0.45 * wide * (1.0 + excess / root) * junction / whole
                by_own = a * by_own + da
                by_whole = a * by_whole - da * q / whole
                junction *= a
            b = 1.0 / ((steep + by_own) or 1e-12)
            g = b * by_whole
            offset[row] = a_row = q + b * (drive - loss - junction) + g * whole
            slope[row], pull[row] = b, g
            sum_a[into] += a_row
            sum_b[into] += b
            sum_g[into] += g
        rise, fall = design.fan.pressure_scalar(flow[0] / stretch, speed_ratio, density)
        rise *= lift / density
        fall *= lift / density / stretch
        q = flow[0]
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
            fresh[row] = to
            moved = abs(to - flow[row])
            size = abs(to)
            moved /= size if size > least else least
            if moved > worst:
                worst = moved
        flow = [0.5 * (old + to) for old, to in zip(flow, fresh, strict=True)] if damped else fresh
        if worst < STEP_TOLERANCE:
            total = [
                (source[row] - inner[row] * flow[row] if kind[row] == "run" else 0.0)
                - lost[row] - steepness[row] * flow[row]
                for row in range(rows)
            ]
            return Balance(flow, total, step)
        if not math.isfinite(worst):
            break
    raise SolveError("no operating point was found; this should not happen, please report the configuration")
