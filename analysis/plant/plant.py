"""A shop in motion: one run or one rest at a time, from the maker's span to what the sensors show.

The order, for each stretch of running: gates and faults -> chips and dust -> bag and cake -> operating point from the
tables, with air density, mains and motor slip -> start-up and coasting -> sensors.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from analysis.plant.blocks import USUAL_CHANNELS, Block, Bools, Event, Truth
from analysis.plant.day import Chore, Span
from analysis.plant.dust import DustState, load_bags, stopped, tend
from analysis.plant.faults import Fault, FaultBook, FaultKind, FaultList, changed_shop, check, tree_steps
from analysis.plant.motor import MotorTable, motor_from_plate, start_up
from analysis.plant.sensors import Measuring, Pulsation
from analysis.plant.series import lag
from analysis.plant.shop import Array, PlantShop
from analysis.plant.table import Tables
from analysis.plant.weather import Air, Weather

COAST_TAIL_S = 90.0
"""Seconds of full sampling after the fan is switched off."""


class Plant:
    """A shop in motion: its dust, its motor, its sensors. :func:`simulate` is the usual way in."""

    def __init__(
        self,
        shop: PlantShop,
        seed: int,
        faults: Sequence[Fault] | FaultBook = (),
        *,
        state: DustState | None = None,
        idle_step_s: float = 60.0,
        channels: Sequence[str] = USUAL_CHANNELS,
        dropout: float = 0.0,
        weather: Weather | None = None,
    ) -> None:
        self.shop, self.seed, self.idle_step_s = shop, seed, idle_step_s
        self.book: FaultBook = FaultList.of(faults) if isinstance(faults, Sequence) else faults
        if isinstance(self.book, FaultList):
            for fault in self.book.faults:
                check(fault, shop)
        unknown = [name for name in channels if name not in shop.sensors]
        if unknown:
            raise ValueError(f"no such channel: {', '.join(unknown)}; there are {', '.join(shop.sensors)}")
        self.channels = tuple(channels)
        self.dust = DustState() if state is None else replace(state)
        self.weather = weather or Weather(seed, shop.mean_air_c, shop.site_pressure_pa)
        self.tables = Tables()
        circuit = motor_from_plate(shop.motor)
        self.motor = MotorTable(circuit, shop.motor.power_w)
        usual_w = float(np.interp(0.55 * shop.fan.flow_m3s[-1], shop.fan.flow_m3s, shop.fan.power_w))
        slip = float(self.motor.look_up(np.array([usual_w]), np.array([1.0]))[0][0])
        self.nominal = shop.fan.rpm / shop.fan.at_rpm / (1.0 - slip)
        self.starting = start_up(circuit, shop.motor.power_w, usual_w)
        self.pulsation = Pulsation()
        self.measuring = Measuring(shop.sensors, dropout)
        self.motor_c: float | None = None
        self.exhaust = 40.0
        self.overfilled: set[Fault] = set()
        self.last_open = shop.always_open

    # -- off --------------------------------------------------------------------------------------------------------

    def rest(self, t0: float, t1: float, chores: Sequence[Chore] = ()) -> Iterator[Block]:
        """The fan is off from ``t0`` to ``t1``: chores are done, sensors show their zeros."""
        events = tend(self.dust, self.shop.bags, chores)
        done = tuple(Event(t0, what) for what in events)
        now = t0
        while now < t1:
            until = min(t1, now + self.idle_step_s * 3600.0)
            t = np.arange(now, until, self.idle_step_s)
            yield self._resting(t, done)
            done, now = (), float(t[-1]) + self.idle_step_s

    def _resting(self, t: Array, events: tuple[Event, ...]) -> Block:
        n = len(t)
        rng = np.random.default_rng([self.seed, 3001, int(t[0])])
        faults = self.book.overlapping(float(t[0]), float(t[-1]) + 1.0)
        air = self.weather.at(t)
        zero = np.zeros(n)
        ports = len(self.shop.ports)
        drag = self._drag(zero + self.dust.cake(self.shop.bags), faults, t)
        gates = self._mask_bits(np.full(n, self.last_open))
        truth = Truth(
            zero,
            np.zeros((n, ports)),
            drag,
            drag / self.shop.bags.clean_drag,
            zero,
            zero,
            zero,
            gates,
            gates,
            np.zeros(n, dtype=bool),
            zero,
            zero,
            zero + self.dust.fill(self.shop.bags),
            zero,
            air.density * 1.2,
            _active(faults, t),
        )
        gust = 0.6 * rng.standard_normal(n)
        true = {"inlet_pa": gust, "filter_pa": 0.5 * gust, "motor_a": zero, "pitot_pa": zero}
        return self._measured(t, true, truth, air, rng, faults, events, self.idle_step_s)

    # -- on ---------------------------------------------------------------------------------------------------------

    def run(self, spans: Sequence[Span], tail_s: float = COAST_TAIL_S) -> Block:
        """One run, from switching on to ``tail_s`` after switching off, one frame a second."""
        t0, off = spans[0].t0, spans[-1].t1
        t = np.arange(t0, off + tail_s)
        n, running = len(t), int(off - t0)
        rng = np.random.default_rng([self.seed, 3011, int(t0)])
        faults = self.book.overlapping(t0, off + tail_s)
        wanted, mask = self._masks(spans, t, faults)
        self.last_open = int(wanted[-1])
        chips, fines, cutting = self._chips(spans, t, rng)
        self._overfill(faults, t0)
        cake, fill, carried = load_bags(self.dust, self.shop.bags, chips, fines, running)
        drag = self._drag(cake, faults, t)
        air = self.weather.at(t)
        air = replace(air, line=air.line * (1.0 - _sum(faults, FaultKind.LOW_VOLTAGE, t)))
        weak = 1.0 - _sum(faults, FaultKind.WEAK_FAN, t)
        extra = _sum(faults, FaultKind.MOTOR_DRAG, t) * self.shop.motor.power_w
        laden = self._laden(spans, t, chips, rng)
        coast = self._coast(n, running)
        rise = self._rise(n, rng)
        shape = coast * rise
        speed = np.full(n, self.nominal * 0.98) * weak
        flow, suction, power, ports, lost = self._operate(t, mask, faults, drag, air, speed * shape, laden, lost=False)
        current = np.zeros(n)
        for _ in range(2):
            taken = power * air.density * (speed * shape) ** 3 + extra * shape
            slip, current = self.motor.look_up(taken, air.line)
            speed = self.nominal * (1.0 - slip) * weak
            if _ == 0:
                flow, suction, power, ports, lost = self._operate(
                    t, mask, faults, drag, air, speed * shape, laden, lost=True
                )
        speed = speed * shape
        flow, ports = flow * speed, ports * speed
        suction, power = suction * air.density * speed**2, power * air.density * speed**3
        filter_pa = drag * air.viscosity * flow
        current[running:] = 0.0
        current = self._inrush(current, rise, air.line, running)
        on = np.zeros(n, dtype=bool)
        on[:running] = True
        truth = Truth(
            flow,
            ports.T,
            drag,
            drag / self.shop.bags.clean_drag,
            np.where(on & (shape > 0.98), lost, 0.0),
            suction,
            filter_pa,
            self._mask_bits(mask),
            self._mask_bits(wanted),
            on,
            speed,
            power,
            fill,
            chips,
            air.density * 1.2,
            _active(faults, t),
        )
        shaken = 1.0 + 0.7 * cutting + 3.0 * np.minimum(carried / self.shop.bags.carry_over, 1.0)
        pulse = self.pulsation.draw(rng, n, shaken)
        velocity_pa = 0.6 * air.density * (flow / self._main_area()) ** 2
        true = {
            "inlet_pa": -suction * (1.0 + pulse["inlet_pa"]),
            "filter_pa": filter_pa * (1.0 + pulse["filter_pa"]),
            "motor_a": current * (1.0 + pulse["motor_a"]),
            "pitot_pa": velocity_pa * (1.0 + pulse["pitot_pa"]),
        }
        stopped(self.dust, self.shop.bags)
        return self._measured(t, true, truth, air, rng, faults, (), 1.0)

    def _operate(
        self,
        t: Array,
        mask: npt.NDArray[np.int64],
        faults: Sequence[Fault],
        drag: Array,
        air: Air,
        speed: Array,
        laden: dict[int, Array],
        lost: bool,
    ) -> tuple[Array, Array, Array, Array, Array]:
        """Flow, suction, power, port flows at reference air and speed, and the share of flow that the bags cost."""
        scale = air.viscosity / (air.density * np.maximum(speed, 0.02))
        reference = np.clip(drag * scale, 1.0, None)
        clean = np.clip(self.shop.bags.clean_drag * scale, 1.0, None)
        tree, steps = tree_steps(faults, t)
        state = np.vstack([mask[None, :], steps]) if len(tree) else mask[None, :]
        edges = np.flatnonzero(np.any(np.diff(state, axis=1) != 0, axis=0)) + 1
        rows = np.empty((3 + len(self.shop.ports), len(t)))
        share = np.zeros(len(t))
        for a, b in zip([0, *edges.tolist()], [*edges.tolist(), len(t)], strict=True):
            key, shop = changed_shop(self.shop, tree, steps[:, a]) if len(tree) else ((), self.shop)
            table = self.tables.get(key, shop, int(mask[a]))
            change = {port: value[a:b] for port, value in laden.items()}
            found = table.look_up(reference[a:b], change)
            rows[0, a:b], rows[1, a:b], rows[2, a:b] = found.flow_m3s, found.suction_pa, found.power_w
            rows[3:, a:b] = found.port_m3s[: len(self.shop.ports)]
            if lost:
                share[a:b] = 1.0 - found.flow_m3s / table.look_up(clean[a:b], change).flow_m3s
        if len(edges):
            rows = lag(rows, 1.2, rows[:, 0])
        return rows[0], rows[1], rows[2], rows[3:], share

    # -- parts of a run ---------------------------------------------------------------------------------------------

    def _masks(
        self, spans: Sequence[Span], t: Array, faults: Sequence[Fault]
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        wanted = np.zeros(len(t), dtype=np.int64)
        for span in spans:
            wanted[int(span.t0 - t[0]) :] = self.shop.mask(span.open_ports) | self.shop.always_open
        mask = wanted.copy()
        for fault in faults:
            if fault.kind == FaultKind.GATE_LEFT_OPEN:
                mask[fault.active(t)] |= self.shop.mask((fault.where,))
        return wanted, mask

    def _chips(self, spans: Sequence[Span], t: Array, rng: np.random.Generator) -> tuple[Array, Array, Array]:
        chips, fines, cutting = np.zeros(len(t)), np.zeros(len(t)), np.zeros(len(t))
        for span in spans:
            a, b = int(span.t0 - t[0]), int(span.t1 - t[0])
            for cut in span.cuts:
                busy = _passes(rng, b - a, cut.pass_s, cut.pause_s)
                made = busy * (cut.kg_min / 60.0) * np.clip(1.0 + 0.25 * rng.standard_normal(b - a), 0.2, 2.0)
                chips[a:b] += made
                fines[a:b] += made * cut.fines
                cutting[a:b] = np.maximum(cutting[a:b], busy)
        return chips, fines, cutting

    def _laden(self, spans: Sequence[Span], t: Array, chips: Array, rng: np.random.Generator) -> dict[int, Array]:
        """Change of each open port's loss: how its hose lies this time, and the chips that fly in it."""
        flying = 0.5 * lag(chips, 3.0, 0.0) / 0.3
        opened = {name for span in spans for name in span.open_ports}
        return {
            self.shop.port_names.index(name): float(np.clip(rng.normal(0.0, 0.025), -0.08, 0.08)) + flying
            for name in sorted(opened)
        }

    def _coast(self, n: int, running: int) -> Array:
        shape = np.ones(n)
        after = np.arange(1.0, n - running + 1.0)
        turning = 1.0 / (1.0 + after / self.starting.coast_s) - 0.012 * after / self.starting.coast_s
        shape[running:] = np.maximum(turning, 0.0)
        return shape

    def _rise(self, n: int, rng: np.random.Generator) -> Array:
        at = np.arange(n) * 10 + int(rng.integers(0, 10))
        return np.asarray(self.starting.speed[np.minimum(at, len(self.starting.speed) - 1)])

    def _inrush(self, current: Array, rise: Array, line: Array, running: int) -> Array:
        starting = np.flatnonzero(rise[:running] < 0.97)
        if len(starting):
            rough = np.interp(rise[starting], self.starting.speed, self.starting.current_a)
            current[starting] = np.maximum(current[starting], rough * line[starting])
        return current

    def _overfill(self, faults: Sequence[Fault], t0: float) -> None:
        for fault in faults:
            if fault.kind == FaultKind.BAG_OVERFULL and fault not in self.overfilled and fault.start_t <= t0:
                self.overfilled.add(fault)
                self.dust.bag_kg = fault.size * self.shop.bags.chip_bag_kg

    def _drag(self, cake: Array, faults: Sequence[Fault], t: Array) -> Array:
        blind = _sum(faults, FaultKind.FILTER_BLINDED, t) * self.shop.bags.clean_drag
        return np.asarray((cake + blind) * (1.0 - _sum(faults, FaultKind.TORN_BAG, t)))

    def _main_area(self) -> float:
        return next(run.area_m2 for run in self.shop.runs if run.into == "fan")

    def _mask_bits(self, mask: npt.NDArray[np.int64]) -> Bools:
        return np.asarray((mask[:, None] >> np.arange(len(self.shop.ports))) & 1, dtype=bool)

    def _measured(
        self,
        t: Array,
        true: dict[str, Array],
        truth: Truth,
        air: Air,
        rng: np.random.Generator,
        faults: Sequence[Fault],
        events: tuple[Event, ...],
        step_s: float,
    ) -> Block:
        wanted = set(self.channels)
        if "bag_level" in wanted:
            true["bag_level"] = np.clip(truth.bag_fill, 0.0, 1.05)
        if "motor_c" in wanted:
            heat = air.air_c + 55.0 * (true["motor_a"] / self.shop.motor.full_load_a) ** 2
            warm = lag(heat, 1500.0, self.motor_c if self.motor_c is not None else float(air.air_c[0]), step_s)
            self.motor_c = float(warm[-1])
            true["motor_c"] = warm
        if "exhaust_ugm3" in wanted:
            torn = _sum(faults, FaultKind.TORN_BAG, t)
            dusty = 40.0 + 2.0e9 * truth.chips_kgs * 0.004 * (0.003 + 0.5 * torn)
            floating = lag(dusty, 240.0, self.exhaust, step_s)
            self.exhaust = float(floating[-1])
            true["exhaust_ugm3"] = floating
        true.update(
            air_c=air.air_c,
            air_rh=air.air_rh,
            barometer_pa=air.barometer_pa,
            line_v=air.line * self.shop.motor.voltage_v,
        )
        channels = self.measuring.read({name: true[name] for name in self.channels}, t, air.air_c, rng, faults, step_s)
        return Block(t, channels, self.shop.port_names, truth, tuple(faults), events)


def _passes(rng: np.random.Generator, n: int, pass_s: float, pause_s: float) -> Array:
    count = int(n / (pass_s + pause_s)) * 2 + 12
    lengths = np.maximum(
        1,
        np.round(
            np.column_stack(
                [
                    rng.gamma(3.0, pause_s / 3.0, count),
                    rng.gamma(3.0, pass_s / 3.0, count),
                ]
            ).ravel()
        ),
    ).astype(int)
    busy = np.repeat(np.tile([0.0, 1.0], count), lengths)
    return busy[:n] if len(busy) >= n else np.concatenate([busy, np.zeros(n - len(busy))])


def _sum(faults: Sequence[Fault], kind: FaultKind, t: Array) -> Array:
    total = np.zeros(len(t))
    for fault in faults:
        if fault.kind == kind:
            total = total + fault.level(t)
    return np.minimum(total, 0.95) if kind != FaultKind.FILTER_BLINDED else total


def _active(faults: Sequence[Fault], t: Array) -> Bools:
    return np.column_stack([f.active(t) for f in faults]) if faults else np.zeros((len(t), 0), dtype=bool)
