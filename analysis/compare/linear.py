"""The readings of both periods as one linear model in logarithms, with what is known of every part of it beforehand.

A reading is what the engine says of its gate set, plus an offset of the reading and the gate set that is the same in both
periods, plus the drag of the bags, the air and the mains of the moment, plus the slip of a cold belt, plus, after the
change, leakage and losses at the run that was cut. Days are independent of each other but for what they share.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from analysis.compare.choosing import Row
from analysis.compare.effects import BY_POWER, BY_VOLTS, FLOW, SLIP, Axis, Effects
from analysis.compare.steady import DAY_S, READINGS, Gates
from analysis.duct.design import DuctDesign

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

LEAK_SD_CM2 = 6.0
"""Leakage that an added run brings: a shut gate passes 0.5 to 2 cm2, a badly cut joint ten times as much (common
practice, no source)."""
JOINT_K = 0.10
"""Loss that a saddle or tee adds to the run that was cut [velocity pressures], gate shut or not (common practice, no
source)."""
ALTERED_SD = 0.4
"""Change of the losses of a port whose own pipe, hose or hood was altered as well (ours)."""
HOSE_SD = 0.01
"""How differently a hose lies in two periods, relative to its port's losses, by the mean of many runs (ours)."""
OFFSET_SD = (0.03, 0.06, 0.15)
"""Relative error of the model's form for one gate set, by reading (ours)."""
SET_CHANCE = (0.002, 0.008, 0.004)
"""What the readings of one gate set differ by on two days for no reason that is known, by reading (ours)."""
DRAG_SD, DRAG_DAY_SD, DRAG_RUN_SD, DRAG_STEP_SD, DRAG_RATE = 0.7, 0.3, 0.03, 0.003, 6e-4
"""Logarithm of the drag: of a period against the drawing, of a day, of a run, of a stretch, and per root second."""
AIR_DAYS_SD, AIR_SEASON_SD, AIR_RUN_SD, AIR_KNOWN_SD = 0.009, 0.035, 0.008, 0.002
"""Density where it is not measured: 3 % within days, 10 % over the seasons (from the design contract)."""
BEND_SD, BEND_SHARE = 0.004, 0.05
"""How the bags' answer to more air changes between two periods, per unit of the logarithm of the flow: a little at any
time, and less of it as the cake grows, since cloth, pleats and nozzles, which lose by the square of the flow, do not (a
tenth of the clean drop; ours)."""
MAINS_SIDE_SD, MAINS_RUN_SD, MAINS_KNOWN_SD = 0.010, 0.020, 0.003
"""The line voltage where it is not measured, between two periods and between two runs: 3 % (the same)."""
MAINS_S = 7200.0
"""By how long two moments of a run are apart when most of that has gone (ours)."""
TILT_SD = 3.0
"""How differently a motor answers to the line voltage at light and at full load, per unit of the logarithm of its current:
its idle part goes with nearly the square of the voltage, its working part with the inverse, and which part is how large is
not on the plate (-5.6 near idle, about -1 where the working part is most of it; the spread about the model's is ours)."""
WARM_S = (300.0, 1500.0)
"""Belt and bearings grow warm within a quarter of an hour or so: two laws between which it lies (common practice, no
source)."""
BELTS = ((0.0, 0.0), (0.01, 0.1), (0.01, 0.4), (0.03, 0.1), (0.03, 0.4))
"""Speed that the drive may lack when cold, and by how much that differs from run to run: nothing without a belt, one to three
per cent with one (common practice, no source). The readings choose."""
SHIFT_SD = (0.0005, 0.002, 0.0015)
"""By how much a sensor's scale differs between two periods, by reading: with the warmth of the room, of its own and of the
motor (a part of what data sheets of small sensors allow over ten kelvin; ours)."""
FORM_SHARE = 0.1
"""How far the engine may be wrong in what bags do to suction and current, air to the current and a cold drive to the current,
each relative to itself (the design contract's error of a duct model)."""
FAN_SLOPE_SD = (0.05, 0.10)
"""How far the engine may be wrong in what a leak's air does to suction and current, per unit of the logarithm of the flow: fan
curves are flat where they turn, and whether they rise or fall there is not known well (what levels that are known within 3
and 10 % leave open; ours)."""
COLD_DAYS = 0.3
"""By how much it differs from day to day, relative to it (ours)."""
ZERO_PA = 2.0
"""How far the zero of a pressure sensor may have wandered since it was last seen at standstill (ours)."""


@dataclass(frozen=True, slots=True)
class Task:
    """What all fits share: design, gate sets, stretches, the runs that may have been cut, ports whose own pipe was altered as
    well, the clean drag's logarithm, the time between the periods, and what the drive may lack when cold."""

    design: DuctDesign
    sets: list[Gates]
    rows: list[Row]
    cut: list[str]
    altered: tuple[str, ...]
    axis: Axis
    clean: float
    gap_s: float
    belt: tuple[float, float] = BELTS[0]
    leak_cm2: float = LEAK_SD_CM2

    @property
    def air_known(self) -> bool:
        """Whether the density was measured throughout."""
        return all(s.air_known for _, _, s in self.rows)

    @property
    def volts_known(self) -> bool:
        """Whether the line voltage was measured throughout."""
        return all(s.log_volts is not None for _, _, s in self.rows)

    def days(self) -> list[list[int]]:
        """The stretches of each day and period."""
        found: dict[tuple[int, int], list[int]] = {}
        for i, (side, _, s) in enumerate(self.rows):
            found.setdefault((side, math.floor(s.t / DAY_S)), []).append(i)
        return list(found.values())

    def drags(self, e: Effects) -> Floats:
        """For each stretch the logarithm of the drag at which the engine's filter pressure is the one that was measured."""
        found, nodes = [], self.axis.nodes
        for _, k, s in self.rows:
            value = s.mean.get("filter_pa")
            found.append(self.clean + 0.1 if value is None else float(
                np.interp(math.log(value) - 0.5 * math.log(s.density_ratio), e.base[k, :, 1], nodes)))
        logs, sides = np.array(found), np.array([row[0] for row in self.rows])
        for side in (0, 1):
            # With all gates shut the filter says little: no stretch is far from the median of its period.
            middle = float(np.median(logs[sides == side]))
            logs[sides == side] = np.clip(logs[sides == side], middle - 0.5, middle + 0.5)
        return np.asarray(np.clip(logs, nodes[0] + 0.1, nodes[-1] - 0.1))


class Columns:
    """Where each unknown stands."""

    def __init__(self, task: Task) -> None:
        at, runs = 3 * len(task.sets), len(task.cut)
        self.air, self.mains, self.drag = at, at + 1, (at + 2, at + 3)
        self.by_volts, self.bend, self.tilt = at + 4, at + 5, at + 6
        self.cold = slice(at + 7, at + 7 + len(WARM_S))
        self.shift = self.cold.stop
        self.by_bags, self.by_air, self.cold_amps = (self.shift + 3, self.shift + 5), self.shift + 4, self.shift + 6
        self.fan = slice(self.shift + 7, self.shift + 9)
        self.port = slice(self.fan.stop, self.fan.stop + len(task.design.ports))
        self.leak = slice(self.port.stop, self.port.stop + runs)
        self.joint = slice(self.leak.stop, self.leak.stop + runs)
        self.size = self.joint.stop

    def with_cut(self, k: int) -> Ints:
        """All unknowns where the run ``k`` alone was cut: its leak and its joint come last."""
        return np.array([*range(self.leak.start), self.leak.start + k, self.joint.start + k])


class Linear:
    """The model in one possible shop. ``z`` readings less what the engine expects, ``h`` the design matrix and ``v`` their
    covariance day by day; ``mean`` and ``precision`` of the unknowns beforehand; ``at`` the place of each reading among the
    stretches and its channel."""

    def __init__(self, task: Task, e: Effects) -> None:
        self.task, self.at = task, Columns(task)
        self.drags = task.drags(e)
        where, weight, along = task.axis.weights(self.drags)
        sets, nodes = np.array([k for _, k, _ in task.rows])[:, None], where[:, None] + np.arange(3)[None, :]

        def near(table: Floats, by: Floats = weight) -> Floats:
            """The table (..., sets, nodes, columns) at each stretch."""
            return np.asarray(np.einsum("nk,...nkc->...nc", by, table[..., sets, nodes, :]))

        self.base, self.slope = near(e.base), near(e.base, along)
        self._leak, self._joint, self._port = near(e.leak), near(e.joint), near(e.port)
        amps = [math.log(s.mean["motor_a"]) for _, _, s in task.rows if "motor_a" in s.mean]
        volts = [s.log_volts for _, _, s in task.rows if s.log_volts is not None]
        self._middle = float(self.base[:, FLOW].max()), float(np.mean(amps or [0.0])), float(np.median(volts or [0.0]))
        self._air = float(np.median([math.log(s.density_ratio) for _, _, s in task.rows]))
        sides = np.array([row[0] for row in task.rows])
        self._moved = self._leak[..., FLOW].mean(axis=0) * task.leak_cm2
        self._grown = float(np.median(self.drags[sides == 1]) - np.median(self.drags[sides == 0]))
        self.mean, self.precision = self._before_hand()
        self.days = [self._day(day) for day in task.days()]

    def _before_hand(self) -> tuple[Floats, Floats]:
        task, at = self.task, self.at
        mean = np.zeros(at.size)
        mean[list(at.drag)] = task.clean + 0.2
        mean[at.bend] = -BEND_SHARE * self._grown
        sd = np.ones(at.size)
        sd[:3 * len(task.sets)] = np.tile(OFFSET_SD, len(task.sets))
        season = AIR_SEASON_SD * math.sin(math.pi * min(task.gap_s / (365.25 * DAY_S), 0.5))
        sd[at.air] = AIR_KNOWN_SD if task.air_known else math.hypot(AIR_DAYS_SD, season)
        sd[at.mains] = MAINS_KNOWN_SD if task.volts_known else MAINS_SIDE_SD
        sd[list(at.drag)] = DRAG_SD
        sd[at.by_volts] = 0.4
        sd[at.tilt] = TILT_SD * (MAINS_KNOWN_SD if task.volts_known else MAINS_RUN_SD)
        sd[at.bend] = math.hypot(BEND_SD, BEND_SHARE * self._grown)
        sd[at.cold] = max(task.belt[0], 1e-6)
        sd[at.shift:at.shift + 3] = SHIFT_SD
        sd[[*at.by_bags, at.by_air]] = FORM_SHARE
        sd[at.cold_amps] = max(3.0 * FORM_SHARE * task.belt[0], 1e-6)
        sd[at.fan] = FAN_SLOPE_SD
        sd[at.port] = [ALTERED_SD if p.name in task.altered else HOSE_SD for p in task.design.ports]
        sd[at.leak] = LEAK_SD_CM2
        runs = {run.name: run for run in task.design.runs}
        sd[at.joint] = [
            JOINT_K / (0.2 + run.fittings_k + 0.02 * run.length_m / run.diameter_m) for run in map(runs.__getitem__, task.cut)]
        return mean, np.asarray(sd**-2.0)

    def _day(self, day: Sequence[int]) -> tuple[Floats, Floats, Floats, Ints, Ints]:
        """Residuals, design matrix and covariance of the readings of one day, with their stretches and channels."""
        task, at = self.task, self.at
        z, h, noise, chosen, channels = [], [], [], [], []
        effects: list[tuple[float, ...]] = []
        for i in day:
            side, k, s = task.rows[i]
            power, volts = float(self.base[i, BY_POWER]), float(self.base[i, BY_VOLTS])
            log_air, log_mains = math.log(s.density_ratio), (s.log_volts or 0.0)
            for c, name in enumerate(READINGS):
                if name not in s.mean or (c == 2 and task.design.motor is None):
                    continue
                by_drag = float(self.slope[i, c])
                by_air = (1.0, 1.0, power)[c] - by_drag
                by_speed = (2.0, 2.0, 3.0 * power)[c] - by_drag
                by_mains = 2.0 * SLIP * by_speed + (volts if c == 2 else 0.0)
                row = np.zeros(at.size)
                row[3 * k + c] = 1.0
                row[at.drag[side]] = by_drag
                row[at.cold] = [-by_speed * s.cold(warm) for warm in WARM_S]
                if c == 2:
                    row[at.by_volts] = log_mains - self._middle[2] if s.log_volts is not None else 0.0
                    row[at.by_air] = by_air * (log_air - self._air)
                    row[at.cold_amps] = -s.cold(sum(WARM_S) / 2.0)
                if side == 1:
                    row[at.shift + c] = 1.0
                    if c != 1:
                        row[at.by_bags[c // 2]] = by_drag * self._grown
                        row[at.fan][c // 2] = self._moved[i]
                    if c == 1:
                        row[at.bend] = float(self.base[i, FLOW]) - self._middle[0]
                    if c == 2:
                        row[at.tilt] = math.log(s.mean[name]) - self._middle[1]
                    row[at.air], row[at.mains] = by_air, by_mains
                    row[at.port] = self._port[:, i, c]
                    row[at.leak], row[at.joint] = self._leak[:, i, c], self._joint[:, i, c]
                z.append(
                    math.log(s.mean[name]) - float(self.base[i, c]) + by_drag * self.drags[i] - by_air * log_air
                    - by_drag * math.log(s.viscosity_ratio) - by_mains * log_mains)
                h.append(row)
                noise.append(s.error[name] ** 2 + SET_CHANCE[c] ** 2)
                zero = ZERO_PA / s.mean[name]
                effects.append((
                    by_drag, by_air, by_mains, by_speed * s.cold(sum(WARM_S) / 2.0), zero * (c == 0), zero * (c == 1)))
                chosen.append(i)
                channels.append(c)
        runs = np.array([task.rows[i][2].run for i in chosen])
        when = np.array([task.rows[i][2].t for i in chosen])
        apart = np.abs(when[:, None] - when[None, :])
        same = (runs[:, None] == runs[None, :]).astype(np.float64)
        gone = {day[0]: 0.0}
        for one, two in pairwise(day):
            earlier, later = task.rows[one][2], task.rows[two][2]
            step = DRAG_STEP_SD**2 + (
                DRAG_RATE**2 * max(later.t - earlier.t, 0.0) if later.run == earlier.run else DRAG_RUN_SD**2)
            gone[two] = gone[one] + step
        walk = np.array([gone[i] for i in chosen])
        drag, air, mains, cold, *zeros = np.array(effects).T
        air_sd = AIR_KNOWN_SD if task.air_known else AIR_RUN_SD
        mains_sd = MAINS_KNOWN_SD if task.volts_known else MAINS_RUN_SD
        v = (
            np.diag(noise) + sum(np.outer(zero, zero) for zero in zeros)
            + np.outer(drag, drag) * (DRAG_DAY_SD**2 + np.minimum.outer(walk, walk))
            + np.outer(air, air) * same * air_sd**2 + np.outer(mains, mains) * same * mains_sd**2 * np.exp(-apart / MAINS_S)
            + np.outer(cold, cold) * task.belt[0] ** 2 * (COLD_DAYS**2 + same * task.belt[1] ** 2))
        return np.array(z), np.array(h), v, np.array(chosen), np.array(channels)


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """A fit with one run cut: unknowns, their covariance, logarithm of the evidence, mean square of the residuals."""

    x: Floats
    covariance: Floats
    evidence: float
    misfit: float


def solve(model: Linear) -> list[Solved]:
    """The fits for each run that may have been cut."""
    information, pull, square = np.diag(model.precision), model.precision * model.mean, float(model.precision @ model.mean**2)
    count, logs = 0, float(np.log(model.precision).sum())
    for z, h, v, _, _ in model.days:
        root = np.linalg.cholesky(v)
        white = np.linalg.solve(root, np.column_stack([z, h]))
        information = information + white[:, 1:].T @ white[:, 1:]
        pull = pull + white[:, 1:].T @ white[:, 0]
        square += float(white[:, 0] @ white[:, 0])
        count += len(z)
        logs -= 2.0 * float(np.log(np.diag(root)).sum())
    found = []
    for k in range(len(model.task.cut)):
        keep = model.at.with_cut(k)
        covariance = np.linalg.inv(information[np.ix_(keep, keep)])
        x = covariance @ pull[keep]
        left = square - float(pull[keep] @ x)
        unused = float(np.log(np.delete(model.precision, keep)).sum())
        evidence = 0.5 * (logs - unused - left + float(np.linalg.slogdet(covariance)[1]))
        found.append(Solved(np.asarray(x), np.asarray(covariance), evidence, left / max(count, 1)))
    return found


def surprise(model: Linear, best: int, x: Floats) -> Floats:
    """How far each stretch lies from what all others say of it: the mean square of its readings, each over its variance."""
    keep, found = model.at.with_cut(best), np.zeros(len(model.task.rows))
    for z, h, v, chosen, _ in model.days:
        inverse = np.linalg.inv(v)
        pulled = inverse @ (z - h[:, keep] @ x)
        for i in np.unique(chosen):
            mine = np.flatnonzero(chosen == i)
            found[i] = float(pulled[mine] @ np.linalg.solve(inverse[np.ix_(mine, mine)], pulled[mine])) / len(mine)
    return found
