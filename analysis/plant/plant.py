"""A shop in motion: one run or one rest at a time, from the maker's span to what the sensors show.

The order, for each stretch of running: gates and faults -> chips and dust -> bag and cake -> operating point from the
tables, with air density, mains and motor slip -> start-up and coasting -> sensors.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from analysis.plant import moves
from analysis.plant.blocks import USUAL_CHANNELS, Block, Bools, Event, Truth
from analysis.plant.day import Chore, Span
from analysis.plant.dust import DustState, load_bags, stopped, tend
from analysis.plant.faults import Fault, FaultBook, FaultKind, FaultList, changed_shop, check, tree_steps
from analysis.plant.motor import MotorTable, motor_from_plate, start_up
from analysis.plant.sensors import Measuring, Pulsation
from analysis.plant.series import lag
from analysis.plant.shop import FAN, REFERENCE_DENSITY, Array, PlantShop
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
            flow_m3s=zero, port_m3s=np.zeros((n, ports)), drag=drag, drag_ratio=drag / self.shop.bags.clean_drag,
            flow_lost=zero, suction_pa=zero, filter_pa=zero, gates=gates, wanted=gates, fan=np.zeros(n, dtype=bool),
            speed=zero, shaft_w=zero, bag_fill=zero + self.dust.fill(self.shop.bags), chips_kgs=zero,
            density=air.density * REFERENCE_DENSITY, active=moves.active(faults, t),
        )  # fmt: skip
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
        wanted, mask = moves.masks(self.shop, spans, t, faults)
        self.last_open = int(wanted[-1])
        made, fines, cutting = moves.chips(spans, t, rng)
        filled = self._overfilled(faults, t)
        cake, fill, carried = load_bags(self.dust, self.shop.bags, made, fines, running, filled)
        drag = self._drag(cake, faults, t)
        air = self.weather.at(t)
        air = replace(air, line=air.line * (1.0 - moves.total(faults, FaultKind.LOW_VOLTAGE, t)))
        weak = 1.0 - moves.total(faults, FaultKind.WEAK_FAN, t)
        extra = moves.total(faults, FaultKind.MOTOR_DRAG, t) * self.shop.motor.power_w
        laden = moves.laden(self.shop, spans, made, rng)
        risen = moves.rise(self.starting, n, rng)
        shape = risen * moves.coast(self.starting, n, running)
        speed = np.full(n, self.nominal * 0.98) * weak
        flow, suction, power, ports, lost = self._operate(t, mask, faults, drag, air, speed * shape, laden, lost=False)
        current = np.zeros(n)
        for again in (True, False):
            taken = power * air.density * (speed * shape) ** 3 + extra * shape
            slip, current = self.motor.look_up(taken, air.line)
            speed = self.nominal * (1.0 - slip) * weak
            if again:
                flow, suction, power, ports, lost = self._operate(
                    t, mask, faults, drag, air, speed * shape, laden, lost=True
                )
        speed = speed * shape
        flow, ports = flow * speed, ports * speed
        suction, power = suction * air.density * speed**2, power * air.density * speed**3
        filter_pa = drag * air.viscosity * flow
        current[running:] = 0.0
        current = moves.with_inrush(self.starting, current, risen, air.line, running)
        on = np.zeros(n, dtype=bool)
        on[:running] = True
        truth = Truth(
            flow_m3s=flow, port_m3s=ports.T, drag=drag, drag_ratio=drag / self.shop.bags.clean_drag,
            flow_lost=np.where(on & (shape > 0.98), lost, 0.0), suction_pa=suction, filter_pa=filter_pa,
            gates=self._mask_bits(mask), wanted=self._mask_bits(wanted), fan=on, speed=speed, shaft_w=power,
            bag_fill=fill, chips_kgs=made, density=air.density * REFERENCE_DENSITY, active=moves.active(faults, t),
        )  # fmt: skip
        shaken = 1.0 + 0.7 * cutting + 3.0 * np.minimum(carried / self.shop.bags.carry_over, 1.0)
        pulse = self.pulsation.draw(rng, n, shaken)
        velocity_pa = REFERENCE_DENSITY / 2.0 * air.density * (flow / self._main_area()) ** 2
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

    def _overfilled(self, faults: Sequence[Fault], t: Array) -> Array:
        """Chips [kg] put into the bag by a fault, at the second in which it begins."""
        filled = np.zeros(len(t))
        for fault in faults:
            if fault.kind == FaultKind.BAG_OVERFULL and fault not in self.overfilled:
                self.overfilled.add(fault)
                at = max(int(fault.start_t - t[0]), 0)
                filled[at] = max(fault.size * self.shop.bags.chip_bag_kg - self.dust.bag_kg, 0.0)
        return filled

    def _drag(self, cake: Array, faults: Sequence[Fault], t: Array) -> Array:
        blind = moves.total(faults, FaultKind.FILTER_BLINDED, t) * self.shop.bags.clean_drag
        return np.asarray((cake + blind) * (1.0 - np.minimum(moves.total(faults, FaultKind.TORN_BAG, t), 0.95)))

    def _main_area(self) -> float:
        pipes = [*self.shop.runs, *(port.pipe for port in self.shop.ports)]
        return next(pipe.area_m2 for pipe in pipes if pipe.into == FAN)

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
            torn = moves.total(faults, FaultKind.TORN_BAG, t)
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
