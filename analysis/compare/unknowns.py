"""What is not known when two periods are compared, in one vector with its prior.

Shared by both periods: what building made of the drawing (as in :mod:`analysis.estimator.uncertain`), and an offset for
each reading with each gate set, since the form of any duct model is a few per cent wrong there. Changed between them:
leakage and losses of the runs. Of the period, the day or the run only: air, mains, drag, and how the hoses lie. Whatever
is shared cancels in a difference; whatever is of the moment averages out or widens the interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.baseline.model import Baseline
from analysis.compare.stretch import Stretch
from analysis.duct.design import FAN, DuctDesign
from analysis.duct.motor import IDLE_SHARE as UNSTATED_IDLE_SHARE
from analysis.estimator.uncertain import uncertain_parts

Floats = npt.NDArray[np.float64]

FAN_PARTS = ("fan_pressure", "fan_flow", "fan_low", "fan_middle", "fan_high", "leak", "motor_tilt")

IDLE_SHARE = {1: 0.55, 3: 0.40}
"""Idle current over the rated one by phases where nobody stated it: a single-phase motor draws half of its current and
more when it only turns, one of three phases a third to a half (common practice, no source). The engine has one value for
both; a growth with load that is too steep would be taken for less air."""
TILT_SD = 0.12
"""How far the growth of the motor's current with its load may differ from that, where no baseline has measured it: idle
currents of a kind of motor scatter by a twentieth of the rated one, a tenth of the growth, and the curve between
idle and full load is bent in its own way (common practice, no source)."""
LEAK_UNIT_M2 = 1e-4
"""Leakage that one unit of the vector stands for [m2]: a square centimetre."""
LEAK_SD = 8.0
"""Leakage that an added run may bring or take away, in those units, at the run that it joins (or at any run, where
nobody said which): a shut gate passes 0.5 to 2 cm2, a badly cut joint ten times as much (common practice, no source)."""
ELSEWHERE_LEAK_SD = 0.25
"""The same at the other runs, where it was said which one was cut."""
JOINT_SD = 0.03
"""Relative change of the losses of the run that was cut into: a saddle or tee takes up to a tenth of a velocity pressure
from a run that takes two in all, gate shut or not (common practice, no source)."""
ELSEWHERE_JOINT_SD = 0.01
OFFSET_SD = (0.03, 0.03, 0.15, 0.10)
"""Relative error of the model's form for one gate set, per reading (ours). The level of a current by the motor's plate says
nothing of the air: only how it changes does."""
YEAR_K = 11.0
"""Half of the swing of a workshop's air temperature over a year [K] (temperate climate; common practice, no source)."""
DAY_K, HOURS_K = 3.0, 2.2
"""Standard deviation of that temperature from day to day and within a day [K] (the same)."""
WEATHER_SD = 0.007
"""Relative standard deviation of the barometer from day to day at one place (common practice, no source)."""
SENSED_SD = 0.001
"""What two looks of the same weather sensors differ by, relative to density (ours)."""
MAINS_SIDE_SD, MAINS_RUN_SD = 0.003, 0.007
"""Relative swing of the mains between periods and between runs where it is not measured: within a working day a supply
moves by one or two per cent (common practice, no source)."""
MAINS_SENSED_SD = 0.002
VOLTAGE_FORM = 0.4
"""How far a motor's current answers otherwise to the mains than its model, per unit of the logarithm (ours)."""
HOSE_SD = 0.025
"""Usual spread of a port's losses from run to run, relative: a hose never lies the same way twice. Learnt from the
data as far as they go (ours)."""
DRAG_SIDE_SD, DRAG_FREE_SD, DRAG_TIED_SD = 0.5, 0.7, 0.1
"""Logarithm of the drag: of the period against clean; of a stretch against its period with and without filter pressure."""
DRAG_STEP_SD, DRAG_RATE = 0.004, 6e-4
"""How far the drag moves between stretches of one run: at least, and per root second (as the estimator reckons)."""
YEAR_S = 365.25 * 86400.0
DAY_S = 86400.0
_KELVIN = 288.0


@dataclass(frozen=True, slots=True)
class Assumed:
    """What the owner says of the change. ``joined`` names the runs that were cut into (empty: nobody said);
    ``changed_ports`` ports whose own pipe, hose or hood was altered as well."""

    joined: tuple[str, ...] = ()
    changed_ports: tuple[str, ...] = ()


PORT_CHANGED_SD = 0.4
"""Relative change of the losses of a port that was altered."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Places in the vector, and the prior: mean and inverse covariance.

    ``parts`` slice of the shared parts and of what changed (``change`` within it); ``side`` of the periods' air, mains
    and drag; ``offset`` of the offsets, ``by_volts`` of the current's answer to the mains; ``shared`` all of these.
    ``days``, ``run_air``, ``run_volts``, ``hoses``, ``drags`` hold for each stretch its places in the rest (``hoses``: one
    row of places per stretch, a port each).
    """

    names: tuple[str, ...]
    mean: Floats
    precision: Floats
    parts: slice
    change: slice
    ports: slice
    leaks: slice
    joints: slice
    altered: slice
    density: slice
    volts: slice
    drag: slice
    offset: slice
    by_volts: int
    shared: slice
    hoses: slice
    day_of: npt.NDArray[np.intp]
    air_of: npt.NDArray[np.intp]
    volts_of: npt.NDArray[np.intp]
    drag_of: npt.NDArray[np.intp]
    hose_of: tuple[tuple[tuple[int, int], ...], ...]
    """For each stretch: (port, place) of its open ports."""


def layout(
    design: DuctDesign, baseline: Baseline | None, stretches: Sequence[Stretch], side: Sequence[int],
    sets: int, assumed: Assumed,
) -> Layout:
    """The vector for these stretches; ``side`` says for each whether it is before (0) or after (1);
    ``sets`` is the number of gate sets."""
    known = uncertain_parts(design, baseline, zero_inlet_pa=1.0, zero_filter_pa=1.0, density_sd=0.01)
    parts = (*FAN_PARTS, *(f"port:{p.name}" for p in design.ports), *(f"run:{r.name}" for r in design.runs))
    at = [known.index(name) for name in parts]
    covariance = known.covariance[np.ix_(at, at)].copy()
    if baseline is None:
        tilt = parts.index("motor_tilt")
        covariance[tilt, tilt] = max(covariance[tilt, tilt], TILT_SD**2)
    inverse = np.linalg.inv(covariance)

    names = list(parts)
    variance: list[float] = []

    def more(label: str, sds: Sequence[float]) -> slice:
        first = len(names)
        names.extend(f"{label}:{i}" for i in range(len(sds)))
        variance.extend(sd * sd for sd in sds)
        return slice(first, len(names))

    runs = [run.name for run in design.runs]
    joined = set(assumed.joined) & set(runs) or set(runs)
    leaks = more("leak", [LEAK_SD if name in joined else ELSEWHERE_LEAK_SD for name in runs])
    joints = more("joint", [JOINT_SD if name in joined else ELSEWHERE_JOINT_SD for name in runs])
    altered = more("altered", [PORT_CHANGED_SD if name in assumed.changed_ports else 1e-4 for name in design.port_names])

    between = abs(_middle(stretches, side, 1) - _middle(stretches, side, 0))
    warm = any("air temperature" in s.air_missing for s in stretches)
    season = math.sqrt(2.0) * YEAR_K / _KELVIN * abs(math.sin(math.pi * between / YEAR_S)) if warm else 0.0
    density = more("density", [math.hypot(season / math.sqrt(2.0), SENSED_SD)] * 2)
    sensed = all(s.log_volts is not None for s in stretches)
    volts = more("volts", [MAINS_SENSED_SD if sensed else MAINS_SIDE_SD] * 2)
    drag = more("drag", [DRAG_SIDE_SD] * 2)
    offset = more("offset", list(OFFSET_SD) * sets)
    by_volts = more("current by volts", [VOLTAGE_FORM])
    shared = slice(0, len(names))

    # Runs are numbered by side and start, days by side and date.
    run_keys = list(dict.fromkeys((k, s.run) for s, k in zip(stretches, side, strict=True)))
    day_keys = list(dict.fromkeys((k, s.run // DAY_S) for s, k in zip(stretches, side, strict=True)))
    missing = {("air temperature" in s.air_missing, "barometer" in s.air_missing) for s in stretches}
    warm_unknown, weather_unknown = any(m[0] for m in missing), any(m[1] for m in missing)
    day_sd = math.hypot(DAY_K / _KELVIN if warm_unknown else 0.0, WEATHER_SD if weather_unknown else 0.0)
    days = more("day", [max(day_sd, 1e-4)] * len(day_keys))
    airs = more("air", [max(HOURS_K / _KELVIN if warm_unknown else 0.0, SENSED_SD)] * len(run_keys))
    mains = more("mains", [MAINS_SENSED_SD if sensed else MAINS_RUN_SD] * len(run_keys))
    hose_keys: dict[tuple[int, float, int], int] = {}
    port_at = {name: i for i, name in enumerate(design.port_names)}
    always = [i for i, port in enumerate(design.ports) if not port.has_gate]
    for s, k in zip(stretches, side, strict=True):
        for port in sorted({*(port_at[name] for name in s.open_ports), *always}):
            hose_keys.setdefault((k, s.run, port), len(hose_keys))
    hoses = more("hose", [HOSE_SD] * len(hose_keys))
    filtered = all("filter_pa" in s.blocks for s in stretches)
    drags = more("log drag", [1.0] * len(stretches))

    count = len(names)
    precision = np.zeros((count, count))
    precision[:len(parts), :len(parts)] = inverse
    free = np.arange(len(parts), drags.start)
    precision[free, free] = 1.0 / np.array(variance[: len(free)])
    if warm:
        # Where the air is not measured its level is unknown as well, on both sides alike: the same bags take more from thin
        # and warm air than from cold air, so the level says what a change of the bags' drag amounts to.
        level = (YEAR_K / _KELVIN) ** 2 / 2.0
        own = season**2 / 2.0 + SENSED_SD**2
        precision[density, density] = np.linalg.inv(np.array([[level + own, level], [level, level + own]]))
    # Drag of a stretch: near that of its period, and nearer to that of the stretch before it in the same run.
    own = DRAG_FREE_SD if filtered else DRAG_TIED_SD
    last: dict[tuple[int, float], int] = {}
    for i, (s, k) in enumerate(zip(stretches, side, strict=True)):
        place = drags.start + i
        before = last.get((k, s.run))
        if before is None:
            _tie(precision, place, drag.start + k, own)
        else:
            apart = max(stretches[i].began_t - stretches[before].began_t, 1.0)
            _tie(precision, place, drags.start + before, math.hypot(DRAG_STEP_SD, DRAG_RATE * math.sqrt(apart)))
        last[k, s.run] = i
    mean = np.zeros(count)
    if baseline is None and design.motor is not None and design.motor.idle_share == UNSTATED_IDLE_SHARE:
        mean[parts.index("motor_tilt")] = (1.0 - IDLE_SHARE[design.motor.phases]) / (1.0 - UNSTATED_IDLE_SHARE) - 1.0
    usual = math.log(design.filter.clean_drag_pasm3) + 0.15
    if baseline is not None and baseline.drag_pasm3 is not None:
        usual = math.log(baseline.drag_pasm3) + 0.15
    mean[drag] = usual
    mean[drags] = usual

    def places(keys: Sequence[tuple[int, float]], first: int, what: str) -> npt.NDArray[np.intp]:
        at = {key: first + i for i, key in enumerate(keys)}
        values = [s.run // DAY_S if what == "day" else s.run for s in stretches]
        return np.array([at[k, value] for value, k in zip(values, side, strict=True)], dtype=np.intp)

    hose_of = tuple(
        tuple((port, hoses.start + hose_keys[k, s.run, port])
              for port in sorted({*(port_at[name] for name in s.open_ports), *always}))
        for s, k in zip(stretches, side, strict=True))
    first_port = len(FAN_PARTS)
    return Layout(
        names=tuple(names), mean=mean, precision=precision, parts=slice(0, len(parts)),
        change=slice(leaks.start, altered.stop), ports=slice(first_port, first_port + len(design.ports)), leaks=leaks,
        joints=joints, altered=altered, density=density, volts=volts, drag=drag, offset=offset,
        by_volts=by_volts.start, shared=shared, hoses=hoses,
        day_of=places(day_keys, days.start, "day"), air_of=places(run_keys, airs.start, "run"),
        volts_of=places(run_keys, mains.start, "run"),
        drag_of=np.arange(drags.start, drags.stop, dtype=np.intp), hose_of=hose_of)


def _tie(precision: Floats, a: int, b: int, sd: float) -> None:
    """``x[a] - x[b]`` has this standard deviation."""
    weight = 1.0 / (sd * sd)
    precision[a, a] += weight
    precision[b, b] += weight
    precision[a, b] -= weight
    precision[b, a] -= weight


def _middle(stretches: Sequence[Stretch], side: Sequence[int], which: int) -> float:
    chosen = [s for s, k in zip(stretches, side, strict=True) if k == which]
    whole = sum(s.seconds for s in chosen)
    return sum(s.seconds * s.t for s in chosen) / whole if whole > 0.0 else 0.0


def joins_run(design: DuctDesign, name: str) -> str | None:
    """The run that a port or run flows into, None at the fan or for an unknown name."""
    into = {run.name: run.into for run in design.runs} | {port.name: port.into for port in design.ports}
    below = into.get(name)
    return None if below == FAN else below
