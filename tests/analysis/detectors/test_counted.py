"""What is agreed and counted, not judged: heat of the motor, hours, starts; and what a single channel shows by itself."""

from __future__ import annotations

import math

import pytest

from analysis.blocks import Block, Stat
from analysis.detectors.channels import SensorFault
from analysis.detectors.core import Core
from analysis.detectors.limits import Limits
from analysis.detectors.motor import COOL_S, COOLING_S, HEATING_S, OVER, LeftRunning, MotorOverload, ShortCycling
from analysis.detectors.watch import Watch
from analysis.duct.motor import Motor
from analysis.estimates import Estimate
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim
from analysis.readings import RunState
from tests.analysis.detectors.streams import barn

MOTOR = Motor(1491.4, 1, 230.0, 11.2, service_factor=1.15)
ALLOWED_A = 11.2 * 1.15
DAY = 1_772_323_200.0
"""Midnight UTC of a day in March 2026."""


def block(t: float, amps: float | None = 8.0, state: RunState = RunState.RUNNING, *, seconds: float = 10.0,
          started: bool = False, **means: float) -> Block:
    values = means | ({} if amps is None else {"motor_a": amps})
    stats = {name: Stat(10, mean, mean - 0.1, mean + 0.1) for name, mean in values.items()}
    return Block(t, t + seconds - 1.0, seconds, 10, state, 600.0, started, stats, {}, Estimate(t, 0.4, 0.02), None,
                 heat_a2s=None if amps is None else seconds * amps * amps)


def present(watch: Watch, where: str = "") -> bool:
    return next(one for one in watch.findings() if one.where == where).claim is Claim.PRESENT


def overload_of(motor: Motor, margin: float | None = None) -> MotorOverload:
    return MotorOverload(Core(barn(), None, frozenset({"motor_a"})), motor, margin)


def heated(overload: MotorOverload, amps: float, seconds: float, t: float = DAY) -> float:
    for at in range(0, int(seconds), 10):
        overload.update(block(t + at, amps))
    return t + seconds


class TestOverload:
    @pytest.mark.parametrize("over", [1.2, 1.5, 2.0])
    def test_it_comes_when_a_first_order_lag_says(self, over: float) -> None:
        """Heat of a lag that begins cold: over^2 (1 - exp(-t/tau)), so it passes OVER at t = -tau ln(1 - OVER/over^2)."""
        due = -HEATING_S * math.log(1.0 - OVER / over**2)
        early, late = overload_of(MOTOR), overload_of(MOTOR)
        heated(early, over * ALLOWED_A, due - 15.0)
        heated(late, over * ALLOWED_A, due + 15.0)
        assert not present(early)
        assert present(late)

    def test_the_plate_s_own_current_is_allowed_for_ever_and_a_margin_moves_it(self) -> None:
        for margin, amps in ((None, ALLOWED_A), (1.0, 11.2), (1.3, 1.3 * 11.2)):
            allowed, over = overload_of(MOTOR, margin), overload_of(MOTOR, margin)
            heated(allowed, amps, 3600.0)
            heated(over, 1.06 * amps, 3600.0)
            assert not present(allowed)
            assert present(over)

    def test_a_current_that_the_air_does_not_ask_for_is_told_as_two_things_up_to_where_the_motor_s_own_device_trips(self) -> None:
        """125 % of the plate is what an overload device may be set to (NEC 430.32, from memory)."""
        for amps, excess, sure in ((1.1, 0.2, False), (1.1, 0.0, True), (1.1, 0.02, True), (1.35, 0.5, True)):
            overload = overload_of(MOTOR)
            overload._isolation.excess = excess
            heated(overload, amps * ALLOWED_A, 1800.0)
            (finding,) = overload.findings()
            assert (finding.confidence > 0.6) is sure
            assert ("a clamp that reads too much" in finding.could_be) is not sure
            assert bool(finding.action) is not sure

    @pytest.mark.parametrize("seen", [True, False])
    def test_it_cools_with_the_slow_constant_at_rest_seen_or_not(self, seen: bool) -> None:
        """Two minutes at rest leave exp(-120/600) of the heat, ten minutes 37 %: a start soon after is hot much sooner."""
        def after(rest_s: float) -> MotorOverload:
            overload = overload_of(MOTOR)
            t = heated(overload, 2.0 * ALLOWED_A, 40.0)
            before = 4.0 * (1.0 - math.exp(-40.0 / HEATING_S))
            assert before < OVER
            for at in range(0, int(rest_s), 60) if seen else ():
                overload.update(block(t + at, 0.0, RunState.OFF, seconds=60.0))
            left = before * math.exp(-rest_s / COOLING_S)
            due = -HEATING_S * math.log((4.0 - OVER) / (4.0 - left))
            t = heated(overload, 2.0 * ALLOWED_A, 10.0 * (due // 10.0) - 10.0, t + rest_s)
            assert not present(overload), rest_s
            heated(overload, 2.0 * ALLOWED_A, 40.0, t)
            return overload

        assert present(after(120.0))
        assert present(after(600.0))

    def test_it_is_over_after_half_an_hour_of_cool_running(self) -> None:
        overload = overload_of(MOTOR)
        t = heated(overload, 1.5 * ALLOWED_A, 300.0)
        t = heated(overload, 0.5 * ALLOWED_A, COOL_S, t)
        assert present(overload)
        heated(overload, 0.5 * ALLOWED_A, 300.0, t)
        assert not present(overload)


class TestHours:
    def running(self, limits: Limits, began: float, seconds: float) -> LeftRunning:
        core = Core(barn(), None, frozenset({"motor_a"}))
        left = LeftRunning(core, limits, SensorFault(core, ("motor_a",), 11.2))
        for at in range(0, int(seconds), 10):
            left.update(block(began + at))
        return left

    def test_outside_the_hours_only_for_as_long_as_agreed(self) -> None:
        limits = Limits(idle_run_s=1e6, hours=(6 * 60, 18 * 60), out_of_hours_s=600.0)
        assert not present(self.running(limits, DAY + 9 * 3600.0, 900.0))
        assert not present(self.running(limits, DAY + 19 * 3600.0, 580.0))
        assert present(self.running(limits, DAY + 19 * 3600.0, 620.0))

    def test_idle_for_as_long_as_agreed_unless_its_owner_is_there(self) -> None:
        limits = Limits(idle_run_s=1800.0)
        left = self.running(limits, DAY, 1780.0)
        assert not present(left)
        left.event(ShopEvent(DAY, EventKind.NOTE, by="daemon"))
        for at in range(1780, 1830, 10):
            left.update(block(DAY + at))
        assert present(left)
        left = self.running(limits, DAY, 1780.0)
        left.event(ShopEvent(DAY, EventKind.NOTE, by="owner"))
        for at in range(1780, 1830, 10):
            left.update(block(DAY + at))
        assert not present(left)

    def test_while_a_pressure_cannot_be_trusted_nobody_can_say(self) -> None:
        fitted = ("inlet_pa", "filter_pa", "motor_a")
        core = Core(barn(), None, frozenset(fitted))
        faults = SensorFault(core, fitted, 11.2, barn().fan)
        left = LeftRunning(core, Limits(idle_run_s=600.0), faults)
        for at in range(0, 1200, 10):
            one = block(DAY + at, 9.0 + 0.001 * (at % 30), inlet_pa=1500.0 + at % 30, filter_pa=300.0 + at % 30)
            faults.update(one)
            left.update(one)
        assert faults.faulty("inlet_pa")
        assert not present(left)


class TestStarts:
    def after(self, *starts: float, limit: int = 6) -> ShortCycling:
        cycling = ShortCycling(limit)
        for t in starts:
            cycling.update(block(t, started=True))
        return cycling

    def test_the_number_agreed_to_is_allowed_and_one_more_is_not(self) -> None:
        assert not present(self.after(*(DAY + 300.0 * n for n in range(6))))
        assert present(self.after(*(DAY + 300.0 * n for n in range(7))))

    def test_only_the_last_hour_counts(self) -> None:
        assert not present(self.after(*(DAY + 700.0 * n for n in range(30))))

    def test_starts_of_a_clock_that_was_ahead_do_not_count(self) -> None:
        assert not present(self.after(*(DAY + 86_400.0 + 300.0 * n for n in range(6)), DAY, DAY + 60.0))


class TestOneChannel:
    def fault(self, *blocks: Block) -> SensorFault:
        fitted = ("inlet_pa", "filter_pa", "motor_a")
        core = Core(barn(), None, frozenset(fitted))
        fault = SensorFault(core, fitted, 11.2, barn().fan)
        for one in blocks:
            fault.update(one)
        return fault

    def many(self, count: int, t: float = DAY, state: RunState = RunState.RUNNING, **means: float) -> list[Block]:
        usual = {"inlet_pa": -1500.0, "filter_pa": 300.0} if state is RunState.RUNNING else {"inlet_pa": 0.0, "filter_pa": 0.0}
        means = usual | means
        amps = means.pop("amps", 9.0 if state is RunState.RUNNING else 0.0)
        return [
            block(t + 10.0 * n, amps + 0.01 * (n % 3), state, **{name: mean + n % 3 for name, mean in means.items()})
            for n in range(count)
        ]

    @pytest.mark.parametrize(("where", "means", "words"), [
        ("inlet_pa", {"inlet_pa": 1500.0}, "wrong sign"), ("filter_pa", {"filter_pa": -300.0}, "wrong sign"),
        ("inlet_pa", {"inlet_pa": -9000.0}, "more than this fan can give"),
        ("filter_pa", {"filter_pa": 9000.0}, "more than this fan can give"),
        ("motor_a", {"amps": 0.3}, "reads no current"),
    ])
    def test_what_cannot_be_names_the_channel(self, where: str, means: dict[str, float], words: str) -> None:
        found = next(one for one in self.fault(*self.many(20, **means)).findings() if one.where == where)
        assert found.claim is Claim.PRESENT
        assert words in found.reason

    def test_a_healthy_unit_claims_nothing(self) -> None:
        fault = self.fault(*self.many(20), *self.many(20, DAY + 300.0, RunState.OFF))
        assert not any(one.claim is Claim.PRESENT for one in fault.findings())

    @pytest.mark.parametrize(("amps", "told"), [(0.3, False), (0.6, True)])
    def test_a_current_at_rest_is_told_beyond_a_share_of_the_plate(self, amps: float, told: bool) -> None:
        assert present(self.fault(*self.many(20, state=RunState.OFF, amps=amps)), "motor_a") is told

    def test_it_is_taken_back_after_some_good_blocks_and_not_after_one(self) -> None:
        fault = self.fault(*self.many(20, inlet_pa=1500.0))
        fault.update(self.many(1, DAY + 200.0)[0])
        assert present(fault, "inlet_pa")
        for one in self.many(30, DAY + 210.0):
            fault.update(one)
        assert not present(fault, "inlet_pa")
