"""Frames, estimates, alarms and stores made to measure for the tests of the store."""

from __future__ import annotations

import random
from pathlib import Path

from analysis.conditions import Condition, Urgency
from analysis.estimates import Estimate, Expected
from analysis.findings import Claim, Evidence, Finding
from analysis.readings import Frame, Quality, RunState
from daemon.alarms.types import Alarm, AlarmState, Transition
from daemon.store.writer import Writer
from tests.support.fresh_store import fresh_store

NINE = 1_772_442_000.0
"""2 March 2026, 09:00 UTC: the beginning of an hour."""
RUNNING = RunState.RUNNING
OFF = RunState.OFF


class Hand:
    """A monotonic clock moved by hand."""

    def __init__(self) -> None:
        self.t = 100.0

    def __call__(self) -> float:
        return self.t


def new_writer(path: Path, **more: object) -> Writer:
    """A writer on a database that is made if need be."""
    fresh_store(path)
    return Writer(path, **more)  # type: ignore[arg-type]


def frame(t: float, state: RunState = RUNNING, **values: float | None) -> Frame:
    """A frame; without values it has the three usual channels."""
    if not values and state is RUNNING:
        values = {"inlet_pa": -2100.5, "filter_pa": 310.2, "motor_a": 9.4}
    known = {name: value for name, value in values.items() if value is not None}
    quality = {name: Quality.SILENT for name, value in values.items() if value is None}
    return Frame(t, known, quality, None, state)


def estimate(t: float, rng: random.Random | None = None) -> Estimate:
    """A whole estimate with a little noise."""
    noise = (rng or random.Random(int(t))).gauss
    return Estimate(
        t, flow_m3s=0.31 + noise(0, 0.004), flow_sd=0.011, filter_drag=1012.0 + noise(0, 4), drag_ratio=1.15,
        flow_lost=0.02, duct_resistance=21_000.0 + noise(0, 50), gates=("planer", "band saw"), gate_probability=0.9,
        along=noise(0, 0.01), off=abs(noise(0, 1)), air_density_kgm3=1.19,
        expected={
            "inlet_pa": Expected(-2090.0, 70.0), "filter_pa": Expected(305.0, 18.0), "motor_a": Expected(9.3, 0.3),
        },
    )


def alarm(alarm_id: int, state: AlarmState, t: float, raised_t: float | None = None, **more: object) -> Alarm:
    """An alarm with a claim that has every part."""
    finding = Finding(
        t, Condition.BAG_FULL, Claim.PRESENT, "", 0.93, t - 40.0,
        {"drag_rate": Evidence(6.2, "ratio", "growth of drag against its learned rate")},
        ("the filter bags are wet",), "Stop the fan and empty the chip bag.", "", 1200.0, 600.0, 2400.0,
        Condition.FILTER_LOADING,
    )
    return Alarm(
        alarm_id, Condition.BAG_FULL, "", state, Urgency.STOP, t if raised_t is None else raised_t, t - 40.0, t, finding,
        **more,  # type: ignore[arg-type]
    )


def step(
    alarm_id: int, before: AlarmState, after: AlarmState, t: float, raised_t: float | None = None, **more: object
) -> Transition:
    """A step of an alarm."""
    return Transition(t, alarm(alarm_id, after, t, raised_t, **more), before, after, "ductwarden", "held for 30 s")
