"""What goes wrong, how it grows, and how plainly the fitted channels can show it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tests.ground.habits import DAY, Stretch
from tests.ground.plant import State
from tests.ground.shops import Shop

Floats = npt.NDArray[np.float64]
CHANNELS = ("inlet_pa", "filter_pa", "motor_a")
PLAIN = 12.0
"""Log-likelihood ratio from which a fault is required to be told: odds of e^12 outweigh a prior of one such fault in a
year (a few hundred hours of running, judged each minute) and leave less than one false alarm in 30 days."""
OPEN = ["low_velocity", "motor_overload", "suction_lost"]
LOADED = ["filter_loading", "filter_blinded", "low_velocity", "suction_lost"]


@dataclass(frozen=True)
class Kind:
    """``condition`` as the product names it; ``also`` names that the same numbers bear out as well (told either way it is
    found; for sensors, bags and belts :func:`alike` finds them); ``patience_s`` of running while it can be seen;
    ``brings`` what truly follows from it; ``size`` its range; ``ramp_s`` the range of its growth; ``visible``: "llr" by
    likelihood, "drag" by the drag's own truth, "plain" always."""

    condition: str
    size: tuple[float, float]
    ramp_s: tuple[float, float] = (0.0, 0.0)
    patience_s: float = 900.0
    also: tuple[str, ...] = ()
    brings: tuple[str, ...] = ()
    visible: str = "llr"


_STARVED = ("low_velocity", "suction_lost")
KINDS: dict[str, Kind] = {
    "carry_over": Kind("bag_full", (1.1, 1.4), patience_s=300.0, brings=tuple(LOADED), visible="drag"),
    "plug": Kind("blocked_run", (0.75, 0.95), (0.0, 20.0), 600.0, brings=_STARVED),
    "loading": Kind("filter_loading", (1.2, 1.8), patience_s=1800.0, brings=(*_STARVED, "filter_blinded"), visible="drag"),
    "slow_plug": Kind("blocked_run", (0.75, 0.92), (2 * DAY, 4 * DAY), 600.0, brings=_STARVED),
    "blinding": Kind("filter_blinded", (0.7, 0.9), patience_s=3600.0, also=("filter_loading",), brings=_STARVED, visible="drag"),
    "gate_open": Kind("open_gate_or_leak", (1.0, 1.0), brings=tuple(OPEN)),
    "hose_off": Kind("open_gate_or_leak", (1.0, 1.0), brings=tuple(OPEN)),
    "joint_apart": Kind("open_gate_or_leak", (0.25, 0.7), brings=tuple(OPEN)),
    "bag_loose": Kind("filter_breach", (0.18, 0.35), (60.0, 900.0), 180.0),
    "bag_torn": Kind("filter_breach", (0.45, 0.75), (0.0, 5.0), 180.0),
    "belt": Kind("weak_fan", (0.07, 0.16), (0.0, 3600.0), brings=_STARVED),
    "bearing": Kind("motor_overload", (1.25, 1.6), (0.0, 7200.0), 600.0, also=("sensor_fault",), visible="plain"),  # or its clamp
    "left_on": Kind("left_running", (3.0, 6.0), patience_s=3600.0, visible="plain"),
    "inlet_scale": Kind("sensor_fault", (0.10, 0.20)),
    "filter_scale": Kind("sensor_fault", (0.10, 0.20)),
    "motor_scale": Kind("sensor_fault", (0.10, 0.20)),
    "inlet_dead": Kind("sensor_fault", (1.0, 1.0)),
    "filter_dead": Kind("sensor_fault", (1.0, 1.0)),
    "filter_tube": Kind("sensor_fault", (0.3, 0.6)),
    "both_dead": Kind("sensor_fault", (1.0, 1.0), visible="plain"),
    "clamp_off": Kind("sensor_fault", (1.0, 1.0), visible="plain"),
    "inlet_stuck": Kind("sensor_fault", (1.0, 1.0), visible="plain"),
    "motor_stuck": Kind("sensor_fault", (1.0, 1.0), visible="plain"),
    "filter_silent": Kind("sensor_fault", (1.0, 1.0), visible="plain"),
    "inlet_drift": Kind("sensor_fault", (0.15, 0.3), (2 * DAY, 5 * DAY)),
    "zero_shift": Kind("sensor_fault", (80.0, 250.0), visible="never"),
}
OTHERS = {c: "sensor_fault" for c in CHANNELS} | {c: c for c in ("weak_fan", "filter_breach", "filter_loading")}  # noqa: C420
"""Other explanations, and the condition that each is."""
SENSOR = {name: name.split("_")[0] for name in KINDS if KINDS[name].condition == "sensor_fault"}


@dataclass(frozen=True)
class Fault:
    """One fault of a shop: from ``t0`` to ``t1`` [s], of ``size``, grown after ``ramp_s``, at port or run ``where``."""

    what: str
    t0: float
    t1: float
    size: float
    ramp_s: float
    where: int = -1
    up: bool = False
    law: str = "even"

    @property
    def kind(self) -> Kind:
        """Its entry of :data:`KINDS`."""
        return KINDS[self.what]

    def grown(self, t: Floats) -> Floats:
        """0 before, 1 when fully there, by the family's law of growth."""
        share = np.clip((t - self.t0) / max(self.ramp_s, 1.0), 0.0, 1.0) * (t < self.t1)
        if self.law == "late":
            return np.asarray(0.3 * share + 0.7 * share**6)
        if self.law == "jumps":
            return np.ceil(4.0 * share) / 4.0
        return np.asarray(share ** {"even": 1.0, "speeding": 2.0, "slowing": 0.6}[self.law])

    @property
    def in_ducts(self) -> bool:
        """Whether it changes the network (and not the filter, the fan or a sensor)."""
        return self.kind.condition in ("blocked_run", "open_gate_or_leak")

    def state(self, shop: Shop, opening: tuple[float, ...], grown: float) -> State:
        """The ducts with this fault grown so far."""
        if grown <= 0.0 or not self.in_ducts:
            return State(opening)
        ports, runs, n = shop.plant.ports, shop.plant.runs, len(shop.plant.ducts)
        if self.kind.condition == "blocked_run":
            return State(opening, plugged=tuple(self.size * grown * (i == ports[self.where]) for i in range(n)))
        if self.what == "gate_open":
            return State(tuple(1.0 if i == self.where else o for i, o in enumerate(opening)))
        if self.what == "hose_off":
            return State(opening, hose_off=tuple(i == self.where for i in range(len(ports))))
        area = shop.plant.ducts[runs[self.where]].area
        return State(opening, hole=tuple(self.size * area * (i == self.where) for i in range(len(runs))))


def plan(shop: Shop, start: float, days: int, stretches: Sequence[Stretch], only: Sequence[str] = ()) -> list[Fault]:
    """Faults of a shop's month: two in 30 days, each after at least a third of the days without any, in turn by seed."""
    rng, names = shop.rng("faults"), list(only) or list(KINDS)
    count = 0 if days < 6 else max(1, round(days / 15))
    found: list[Fault] = []
    for i in range(count):
        what = names[(shop.seed * count + i + shop.seed // 13) % len(names)]
        kind, long = KINDS[what], what in ("loading", "blinding")
        if long and i > 0:
            continue
        room = days * 0.65 / (1 if long else count)
        t0 = start + DAY * (0.35 * days + room * (i + float(rng.uniform(0.0, 0.2))))
        t1 = start + DAY * (0.35 * days + room * (i + 0.85))
        if not long and kind.ramp_s[1] < DAY:
            t1 = min(t1, t0 + DAY * float(rng.uniform(2.5, 6.0)))
        used = np.zeros(len(shop.ports))
        for s in stretches:
            if s.on and s.t1 > t0 and s.t0 < t1:
                used += np.array(s.opening) * (s.t1 - s.t0)
        if not used.any():
            continue
        order = np.argsort(-used)
        if kind.condition == "blocked_run":
            where = int(order[0])
            t0 = next(
                s.t0 + 0.4 * (s.t1 - s.t0) for s in stretches if s.on and s.t0 > t0 and s.opening[where] > 0 and s.t1 - s.t0 > 15
            )
        elif what == "joint_apart":
            where = int(rng.integers(len(shop.plant.runs)))
        else:
            where = int(order[-1 if what == "gate_open" else len(order) // 2])
        low, high = kind.size
        ramp = float(rng.uniform(*kind.ramp_s))
        size, up = float(rng.uniform(low, high)), bool(rng.random() < 0.5)
        found.append(Fault(what, t0, max(t1, t0 + DAY), size, ramp, where, up, shop.fault_law))
        if long:
            break
    return found


def left_on(stretches: list[Stretch], fault: Fault) -> tuple[list[Stretch], Fault]:
    """The fan forgotten for hours after the last work of a day; the fault's times become those hours."""
    for i, s in enumerate(stretches[:-1]):
        later = stretches[i + 1]
        if s.t0 > fault.t0 and not s.on and later.t0 - s.t0 > 9 * 3600.0:
            before = stretches[i - 1]
            seconds = fault.size * 3600.0
            forgotten = Stretch(s.t0, s.t0 + seconds, True, before.opening, -1)
            off = Stretch(s.t0 + seconds, s.t0 + seconds + 2.0, False, s.opening, -1)
            return [*stretches[:i], forgotten, off, *stretches[i + 1 :]], replace(fault, t0=s.t0, t1=s.t0 + seconds)
    return stretches, fault


def spoil(fault: Fault, shop: Shop, name: str, t: Floats, value: Floats, still: Floats, rng: np.random.Generator) -> Floats:
    """What a channel tells with a sensor's fault."""
    who = SENSOR.get(fault.what)
    channel = {"inlet": "inlet_pa", "filter": "filter_pa", "motor": "motor_a", "clamp": "motor_a", "zero": "inlet_pa"}.get(
        who or "", ""
    )
    if who == "both":
        channel = "motor_a" if name == "motor_a" else name
        if name == "motor_a":
            return value
    if channel != name:
        return value
    now, grown, board = (t >= fault.t0) & (t < fault.t1), fault.grown(t), shop.board
    if fault.what.endswith(("_scale", "_drift")):
        return np.asarray(value * (1.0 + (1.0 if fault.up else -1.0) * fault.size * grown))
    if fault.what == "filter_tube":
        return np.asarray(value * (1.0 - fault.size * now))
    if fault.what == "zero_shift":
        return np.asarray(value + fault.size * now)
    if fault.what.endswith("_stuck"):
        usual = np.abs(value) > 0.6 * float(np.median(np.abs(value[still < 0.5])))
        first = int(np.argmax(now & usual & (still < 0.5)))
        return np.where(now & (t >= t[first]), value[first], value)
    if fault.what.endswith("_silent"):
        return np.where(now, np.nan, value)
    step = board.step[name]
    dead = board.hiss[name] * rng.standard_normal(len(t))  # dead, plugged or off: the zero and the hiss of the board
    return np.where(now, np.abs(np.round(dead / step) * step) if name == "motor_a" else np.round(dead / step) * step, value)


def evidence(
    shop: Shop, fault: Fault, opening: tuple[float, ...], drag: float, seconds: float, gates_known: bool, tour: bool,
    other: str = "",
) -> float:
    """Log-likelihood ratio that ``seconds`` of running at ``opening`` give for the fault against ordinary running.

    Half the squared distance, in sigma, of the three channels' means with the fault from the nearest ordinary state. What
    ordinary running may be: the same gate set where gates are known, else none, each gate alone at any opening, or
    any pair; drag off by what shedding and loading do; density by 1 % and the mains by their sd; the belt by its slip; the
    learned levels by 0.4 % after a tour and 1 % without; noise averages by its correlation time over ``seconds``.
    ``other`` allows another fault on top (one of :data:`OTHERS`): what is left then speaks against that one.
    """

    def readings(state: State, drag: float, density: float = 1.2, speed: float = 1.0, volts: float = 1.0) -> Floats:
        found = shop.plant.at([state], np.zeros(1, np.int64), np.array([drag]), np.array([density]), np.array([speed]))
        return np.array([found["inlet_pa"][0], found["filter_pa"][0], shop.motor.current(found["shaft"], np.array([volts]))[0]])

    there = float(fault.grown(np.array([fault.t1 - 1.0]))[0]) if fault.ramp_s < fault.t1 - fault.t0 else 1.0
    speed = 1.0 - fault.size if fault.what == "belt" else 1.0
    tear = 1.0 - fault.size if fault.kind.condition == "filter_breach" else 1.0
    seen = readings(fault.state(shop, opening, there), drag * tear, speed=speed)
    if fault.kind.condition == "sensor_fault":
        t = np.array([fault.t1 - 1.0])
        for i, name in enumerate(CHANNELS):
            seen[i] = spoil(fault, shop, name, t, seen[i : i + 1], np.zeros(1), np.random.default_rng(0))[0]
    n = len(shop.ports)
    sets = [opening]
    if not gates_known:
        single = [tuple(size * (i == j) for j in range(n)) for i in range(n) for size in (0.2, 0.3, 0.4, 0.55, 0.75, 1.0)]
        pairs = [tuple(float(k in (i, j)) for k in range(n)) for i in range(n) for j in range(i)]
        sets += [(0.0,) * n, *single, *pairs]
    board, best = shop.board, np.inf
    for gates in sets:
        usual = readings(State(gates), drag)
        toward = seen - usual
        noise = np.array([board.rough[c] for c in CHANNELS]) * np.abs(usual)
        many = max(1.0, seconds / (2 * max(board.memory, 0.5) * (1 + 9 * board.slow)))
        quiet = np.array([board.step[c] ** 2 / 3 + board.hiss[c] ** 2 for c in CHANNELS]) / seconds
        spread = np.diag(
            noise**2 / many
            + quiet
            + ((0.004 if tour else 0.010) * usual) ** 2
            + np.array([board.zero[c] for c in CHANNELS]) ** 2 * 0.1
        )
        for moved, sd in (
            (readings(State(gates), drag * 1.02), (0.015 + 0.4 * shop.bags.shed) / 0.02),
            (readings(State(gates), drag, density=1.2 * 1.02), 0.5),
            (readings(State(gates), drag, volts=1.02), shop.mains / 0.02),
            (readings(State(gates), drag, speed=0.99), (0.002 + 0.5 * shop.plant.fan.slip_cold) / 0.01),
        ):
            way = (moved - usual) * sd
            spread += np.outer(way, way)
        if other:
            if other in CHANNELS:
                way = 0.3 * np.abs(usual) * np.array([name == other for name in CHANNELS])
            else:
                moved = {"weak_fan": (1.0, 0.92), "filter_breach": (0.7, 1.0), "filter_loading": (1.4, 1.0)}[other]
                way = readings(State(gates), drag * moved[0], speed=moved[1]) - usual
            spread += np.outer(way, way)
        best = min(best, 0.5 * float(toward @ np.linalg.solve(spread, toward)))
    return best


def alike(shop: Shop, fault: Fault, opening: tuple[float, ...], drag: float, gates_known: bool, tour: bool) -> list[str]:
    """Conditions that fit what the channels show about as well as the fault itself does (less than half of
    :data:`PLAIN` speaks against them): who says one of these has found it."""
    fewer = not (fault.up and fault.what.endswith(("_scale", "_drift")))
    # The same numbers: a clamp that reads too much, a motor that drags.
    found = ["motor_overload"] if fault.what == "motor_scale" and fault.up else []
    for other, condition in OTHERS.items():
        wrong_way = condition == ("filter_loading" if fewer else "filter_breach")
        if condition == fault.kind.condition or wrong_way or condition in found:
            continue
        if evidence(shop, fault, opening, drag, fault.kind.patience_s, gates_known, tour, other) < 0.5 * PLAIN:
            found.append(condition)
    return found
