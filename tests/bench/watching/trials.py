"""Seeded faults, each put into a working day of its own, and what should be said of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from analysis.conditions import Condition as C
from analysis.plant.day import Chore, Cut, Habits, Span, work
from analysis.plant.faults import Fault
from analysis.plant.faults import FaultKind as K
from analysis.plant.shop import PlantShop
from tests.bench.watching.settings import DAY_S

LONG_S = 1200.0
"""A cut at least this long, so that a fault in it has time to show."""


@dataclass(frozen=True)
class Trial:
    """A fault in a day. ``conditions`` any of which is right, ``where`` the places that are right (empty: any),
    ``onset_t`` from when it should be seen, ``ports`` of which one must be open for running time to count (empty: any),
    ``allowed_s`` running time that is the target, None where the project has none, ``impulse`` whether dust is begun
    anew, ``known`` the knowledge without which nothing is promised."""

    name: str
    conditions: tuple[C, ...]
    spans: tuple[Span, ...]
    faults: tuple[Fault, ...]
    onset_t: float
    where: tuple[str, ...] = ()
    ports: tuple[str, ...] = ()
    allowed_s: float | None = None
    fill: float = 0.05
    drag_ratio: float | None = None
    days: float = 1.0


def busy_day(shop: PlantShop, seed: int, t0: float) -> tuple[tuple[Span, ...], Span]:
    """A working day with long cuts, and one of them: not the last, so that the day goes on after it."""
    habits = Habits(
        run_min=200.0, mean_run_min=30.0, second_machine=0.4, empty_at=0.6, clean_at=9.0, forgets=0.0, saturday=1.0,
        sunday=1.0)
    for attempt in range(60):
        spans = tuple(work(shop, seed + 77 + 1000 * attempt, t0, 1, habits))
        long = [s for s in spans if s.fan and s.cuts and s.t1 - s.t0 > LONG_S and s.t0 < t0 + 0.55 * DAY_S]
        if long:
            return spans, long[int(np.random.default_rng([seed, 31]).integers(len(long)))]
    raise ValueError(f"no day with a long cut for seed {seed}")


def trials(shop: PlantShop, seed: int, t0: float, idle_run_s: float) -> Iterator[Trial]:
    """One of each fault, with sizes and moments drawn from the seed."""
    rng = np.random.default_rng([seed, 41])
    spans, cut = busy_day(shop, seed, t0)
    at = float(np.round(cut.t0 + rng.uniform(0.15, 0.35) * (cut.t1 - cut.t0)))
    end = t0 + DAY_S
    port = cut.cuts[0].port
    open_ports = cut.open_ports

    def of(name: str, conditions: tuple[C, ...], kind: K, place: str = "", size: float = 1.0, ramp_s: float = 0.0,
           onset_s: float | None = None, **more: object) -> Trial:
        fault = Fault(kind, at, end, place, size, ramp_s)
        onset = at + (ramp_s if onset_s is None else onset_s)
        return replace(Trial(name, conditions, spans, (fault,), onset), **more)  # type: ignore[arg-type]

    def size(low: float, high: float) -> float:
        return float(np.round(rng.uniform(low, high), 3))

    plug = size(0.5, 0.8)
    blocked: dict[str, object] = {"where": open_ports, "ports": (port,), "allowed_s": 300.0}
    yield of("plug, at once", (C.BLOCKED_RUN,), K.BLOCKED_RUN, port, plug, 0.0, **blocked)
    ramp = size(90.0, 420.0)
    yield of("plug, growing", (C.BLOCKED_RUN,), K.BLOCKED_RUN, port, plug, ramp, ramp * 0.5 / plug, **blocked)
    slow = (C.BLOCKED_RUN, C.LOW_VELOCITY, C.SUCTION_LOST)
    yield of("port a third shut", slow, K.BLOCKED_RUN, port, size(0.33, 0.4), 60.0, ports=(port,))
    yield of("torn bag", (C.FILTER_BREACH,), K.TORN_BAG, "", size(0.2, 0.5), size(0.0, 30.0), allowed_s=120.0)
    longest = max((s for s in spans if s.fan and s.t0 > spans[1].t1), key=lambda s: s.t1 - s.t0)
    rest = next(s for s in reversed(spans) if not s.fan and s.t1 <= longest.t0)
    loose = Fault(K.TORN_BAG, rest.t1 - 20.0, end, "", size(0.3, 0.5))
    yield Trial("bag loose after a stop", (C.FILTER_BREACH,), spans, (loose,), loose.start_t, drag_ratio=1.05)
    yield of("weak fan", (C.WEAK_FAN,), K.WEAK_FAN, "", size(0.08, 0.18), size(0.0, 600.0))
    yield of("overload", (C.MOTOR_OVERLOAD,), K.MOTOR_DRAG, "", size(0.55, 0.8), 20.0, allowed_s=120.0)
    yield of("carry-over", (C.BAG_FULL,), K.BAG_OVERFULL, "", size(1.08, 1.25), allowed_s=300.0)
    hosed = [p for p in shop.ports if p.hose_length_m > 0.0 and p.name == port]
    if hosed:
        yield of("hose off", (C.OPEN_GATE_OR_LEAK,), K.HOSE_OFF, port, 1.0, ports=(port,))
    yield of("joint apart", (C.OPEN_GATE_OR_LEAK,), K.LEAK, port, size(0.003, 0.005), ports=(port,))
    others = [name for name in shop.port_names if name not in open_ports]
    extra = [Fault(K.GATE_LEFT_OPEN, at, end, name) for name in others[:2]]
    # Where so much air overloads the motor, that is told, and the gates are named under it as what it explains.
    yield Trial("two gates too many", (C.OPEN_GATE_OR_LEAK, C.MOTOR_OVERLOAD), spans, tuple(extra), at)
    yield Trial("one gate too many", (C.OPEN_GATE_OR_LEAK,), spans, tuple(extra[:1]), at)
    last = [s for s in spans if s.fan][-1]
    idle = Fault(K.LEFT_RUNNING, last.t1 - 5.0, last.t1 + 4.0 * 3600.0, "", 1.0)
    longer = (*[s for s in spans if s.t0 < last.t1], Span(last.t1, last.t1 + 5.0 * 3600.0, False))
    worked = [s for s in spans if s.fan and s.cuts][-1]
    yield Trial(
        "left running", (C.LEFT_RUNNING,), longer, (idle,), max(worked.t1, last.t0) + idle_run_s, allowed_s=300.0)
    yield of("short cycling", (C.SHORT_CYCLING,), K.SHORT_CYCLING, "", float(rng.integers(26, 40)))
    yield from sensor_trials(of, rng)
    yield from filter_trials(shop, seed, t0, spans)


def sensor_trials(of: object, rng: np.random.Generator) -> Iterator[Trial]:
    """Each way in which a channel can go wrong."""
    assert callable(of)
    fault = (C.SENSOR_FAULT,)
    for channel in ("inlet_pa", "filter_pa", "motor_a"):
        where = (channel,)
        yield of(f"stuck {channel}", fault, K.SENSOR_STUCK, channel, where=where)
        yield of(f"silent {channel}", fault, K.SENSOR_SILENT, channel, where=where)
        off = {"inlet_pa": -130.0, "filter_pa": 90.0, "motor_a": 1.2}[channel] * float(rng.uniform(1.0, 1.5))
        yield of(f"off at rest {channel}", fault, K.SENSOR_OFFSET, channel, off, where=where)
        if channel != "motor_a":
            yield of(f"tube plugged {channel}", fault, K.TUBE_PLUGGED, channel, where=where)
            noise = {"inlet_pa": 150.0, "filter_pa": 40.0}[channel]
            yield of(f"noisy {channel}", fault, K.SENSOR_NOISE, channel, noise, where=where)


def filter_trials(shop: PlantShop, seed: int, t0: float, spans: tuple[Span, ...]) -> Iterator[Trial]:
    """Loading past the point of cleaning, and bags that no cleaning brings back."""
    ports = shop.ports
    long = Habits(run_min=200.0, empty_at=0.6, clean_at=9.0, forgets=0.0, saturday=1.0, sunday=1.0)
    dusty = tuple(
        replace(s, cuts=tuple(
            Cut(c.port, c.kg_min, min(3.0 * c.fines, 0.5), c.pass_s, c.pause_s) for c in s.cuts))
        for s in (*spans, *work(shop, seed + 83, t0 + DAY_S, 1, long)))
    yield Trial("filter loaded", (C.FILTER_LOADING,), dusty, (), t0, drag_ratio=1.5)
    habits = Habits(run_min=120.0, forgets=1.0, saturday=1.0, sunday=1.0)
    days = []
    for day in range(4):
        for s in work(shop, seed + 91 + day, t0 + day * DAY_S, 1, habits):
            first = not s.fan and s.t0 == t0 + day * DAY_S
            days.append(replace(s, chores=(Chore("clean"), Chore("empty"))) if first else s)
    blind = Fault(K.FILTER_BLINDED, t0 + 60.0, t0 + 5.0 * DAY_S, "", 0.75)
    assert ports
    yield Trial("filter blinded", (C.FILTER_BLINDED,), tuple(days), (blind,), t0 + 60.0, days=4.0)
