"""A shop's weeks as arrays: what was true, what the board told, and what was wrong when."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from tests.ground import habits
from tests.ground.faults import CHANNELS, Fault, left_on, plan, spoil
from tests.ground.habits import DAY, Stretch
from tests.ground.noise import ar1, measure, turbulence
from tests.ground.plant import State
from tests.ground.shops import CHIPS_KG_H, DUST, MACHINES, Shop

Floats = npt.NDArray[np.float64]
START = 1_725_235_200.0
"""2024-09-02, a Monday, at midnight UTC."""
COAST_S = 25.0
LEVELS = 12
"""Steps in which a growing fault of the ducts is solved; between them it is interpolated."""


@dataclass
class Recording:
    """Frames (times, channels, which stretch), the truth beside them, and what happened. Times are seconds of the epoch."""

    shop: Shop
    days: int
    t: Floats
    told: dict[str, Floats]
    true: dict[str, Floats]
    stretch: npt.NDArray[np.int64]
    on: npt.NDArray[np.bool_]
    stretches: list[Stretch]
    faults: list[Fault]
    events: list[dict[str, Any]]
    tour_until: float = 0.0
    runs: list[tuple[float, float]] = field(default_factory=list)

    def samples(
        self, gates_known: bool = False, low: float = -np.inf, high: float = np.inf
    ) -> Iterator[tuple[float, dict[str, float], dict[str, bool] | None]]:
        """Time, values and gate marks (at each change, and only where asked for), one frame after another."""
        ports, last, names = self.shop.ports, None, tuple(self.told)
        columns = zip(*(self.told[c].tolist() for c in names), strict=True)
        for t, values, where, on in zip(self.t.tolist(), columns, self.stretch.tolist(), self.on.tolist(), strict=True):
            if not low <= t < high:
                continue
            gates = None
            if gates_known and on and where != last:
                gates = {name: o > 0.0 for name, o in zip(ports, self.stretches[where].opening, strict=True)}
                last = where
            yield t, {n: v for n, v in zip(names, values, strict=True) if v == v}, gates


def record(
    shop: Shop,
    days: int,
    *,
    start: float = START,
    tour: bool = True,
    healthy: bool = False,
    only: Sequence[str] = (),
    faults: Sequence[Fault] | None = None,
    what: str = "habits",
    loaded: float = 0.0,
    cleaned: bool = True,
    air: bool = False,
) -> Recording:
    """``days`` days of a shop, from clean bags (``loaded`` over clean if given), after a tour if asked for. ``what`` names
    the stream of its habits and noise, ``cleaned`` says whether the owner cleans, ``air`` whether the air's temperature
    and pressure and the line's voltage are measured too."""
    rng = shop.rng(what + " record")
    first = start + 8 * 3600.0
    stretches = habits.tour(shop, first, shop.rng("tour")) if tour else []
    tour_until = stretches[-1].t1 if stretches else start
    if tour:
        stretches.append(Stretch(tour_until, tour_until + 2.0, False, (0.0,) * len(shop.ports), -1))
    stretches += habits.work(shop, start + DAY * bool(tour), days - bool(tour), what)
    chosen = [] if healthy else plan(shop, start, days, stretches, only) if faults is None else list(faults)
    for i, fault in enumerate(chosen):
        if fault.what == "left_on":
            stretches, chosen[i] = left_on(stretches, fault)
    t, at, on, began, ended, runs = _frames(stretches, start, days)
    drag, events, growing = _bags(shop, stretches, chosen, t, at, shop.rng(what + " bags"), loaded, cleaned)
    warm_c, air_pa = _weather(shop, t, days, rng)
    density = air_pa / (287.05 * (warm_c + 273.15))
    half_hours = np.arange(0, (days + 1) * DAY, 1800.0)
    volts = 1.0 + 0.7 * shop.mains * np.interp(t - start, half_hours, ar1(rng, len(half_hours), 8.0))
    fan, cold = shop.plant.fan, 0.5 + 0.5 * np.clip((density / 1.2 - 0.95) * 10, 0, 1)
    speed = 1.0 - fan.slip_cold * cold * np.exp(-np.maximum(t - began, 0) / 900.0)
    extra = np.zeros_like(t)
    for fault in chosen:
        if fault.what == "belt":
            speed = speed * (1.0 - fault.size * fault.grown(t))
        if fault.kind.condition == "filter_breach":
            drag = drag * (1.0 - fault.size * fault.grown(t))
    steady = _point(shop, stretches, chosen, at, t, drag, density, speed)
    speed = speed * (1.0 - fan.droop * (steady["shaft"] / shop.motor.rated_w - 0.6))
    up = np.where(on, 1.0 - np.exp(-np.maximum(t - began, 0) / 1.1), 1.0 / (1.0 + np.maximum(t - ended, 0) / 4.0))
    turning = on | (t - ended < COAST_S)
    true = _point(shop, stretches, chosen, at, t, drag, density, np.maximum(speed * up, 1e-3))
    for fault in chosen:
        if fault.what == "bearing":
            idle = shop.motor.idle_a
            per_watt = np.sqrt(shop.motor.full_a**2 - idle**2) / (1.1 * shop.motor.rated_w)
            wanted = np.sqrt((fault.size * shop.motor.full_a) ** 2 - idle**2) / per_watt - 0.1 * shop.motor.rated_w
            extra += np.maximum(0.0, wanted - np.median(true["shaft"][on])) * fault.grown(t)
    true["motor_a"] = shop.motor.current(true["shaft"] + extra, volts) * (1 + 4.0 * np.exp(-np.maximum(t - began, 0) / 0.8)) * on
    for name in ("flow", "inlet_pa", "filter_pa", "motor_a"):
        value = true[name] * (turning if name != "motor_a" else on)
        true[name] = np.where(turning, lfilter([0.7], [1.0, -0.3], value), 0.0)
    true |= {"drag": drag, "density": density, "volts": volts, "speed": speed}
    still = (~turning).astype(float)
    cutting = np.array([s.cutting >= 0 for s in stretches])[at] & on
    rougher = np.where(cutting, shop.work_heard, 1.0) * (1.0 + growing * float(rng.uniform(0.6, 2.5)))
    units = turbulence(rng, shop.board, len(t))
    told = {
        c: measure(rng, shop.board, c, t, true[c], units[c], rougher if c != "motor_a" else 1 + 0.5 * (rougher - 1), still)
        for c in CHANNELS
    }
    for fault in chosen:
        told |= {c: spoil(fault, shop, c, t, told[c], still, rng) for c in CHANNELS}
    if air:
        told |= {
            "air_c": np.round(warm_c + 0.3, 1),
            "barometer_pa": np.round(air_pa / 10) * 10,
            "line_v": np.round(shop.motor.volts * volts + rng.normal(0, 0.3, len(t)), 1),
        }
    kept = rng.random(len(t)) >= shop.board.missing
    stamps = t + rng.uniform(0, shop.board.jitter, len(t)) if shop.board.jitter > 0.001 else t
    return Recording(
        shop, days, np.round(stamps[kept], 2), {c: v[kept] for c, v in told.items()}, {n: v[kept] for n, v in true.items()},
        at[kept], on[kept], stretches, chosen, events, tour_until if tour else 0.0, runs,
    )


def _weather(shop: Shop, t: Floats, days: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Temperature [deg C] and pressure [Pa] of the air, such that density swings as the shop's seasons and days do."""
    day, (season, daily), phase = (t - START) / DAY, shop.density, shop.rng("season").uniform()
    swing = season * np.sin(2 * np.pi * (day / 365 + phase)) + daily * np.sin(2 * np.pi * (day - 0.6))
    local = day - day[0]
    weather = np.interp(local, np.arange(days + 2), rng.standard_normal(days + 2))
    return 18.0 - 291.0 * swing, 100_600.0 * (1.0 + 0.006 * weather)


def _frames(stretches: list[Stretch], start: float, days: int) -> tuple[Any, ...]:
    """Times (1 s while running and coasting, 60 s else), stretch and state of the fan, with the run's begin and end."""
    runs: list[list[float]] = []
    for s in stretches:
        if s.on:
            if runs and s.t0 - runs[-1][1] < 0.5:
                runs[-1][1] = s.t1
            else:
                runs.append([s.t0, s.t1])
    pieces, last = [], start
    for a, b in runs:
        low = np.floor(max(a - 3, last + 1))
        pieces.append(np.arange(last, low, 60.0))
        last = np.ceil(b + COAST_S)
        pieces.append(np.arange(low, last))
    pieces.append(np.arange(last, start + days * DAY, 60.0))
    t = np.unique(np.concatenate(pieces))
    begins, ends = np.array([r[0] for r in runs]), np.array([r[1] for r in runs])
    which = np.searchsorted(begins, t, side="right") - 1
    began = np.where(which >= 0, begins[np.maximum(which, 0)], -1e12)
    ended = np.where(which >= 0, ends[np.maximum(which, 0)], -1e12)
    on = (which >= 0) & (t < ended)
    running = [i for i, s in enumerate(stretches) if s.on]
    at = np.array(running)[np.clip(np.searchsorted([stretches[i].t0 for i in running], t, side="right") - 1, 0, None)]
    return t, at, on, began, ended, [(a, b) for a, b in runs]


def _bags(
    shop: Shop, stretches: list[Stretch], faults: Sequence[Fault], t: Floats, at: Any, rng: np.random.Generator,
    loaded: float, cleans: bool,
) -> tuple[Floats, list[dict[str, Any]], Floats]:
    """Drag at each frame [Pa s/m3], cleanings and emptyings, and 1 while carry-over roughens the pressures."""
    bags, ports = shop.bags, shop.ports
    which = [MACHINES.index(p if p in MACHINES else "shaper") for p in ports]
    dust = np.array([DUST[i] for i in which])
    running_h = sum(s.t1 - s.t0 for s in stretches if s.on) / 3600.0
    gains = bags.gain * running_h / 100.0
    for fault in faults:  # these shops load faster from their first day on, at every machine; nobody cleans in time, or in vain
        if fault.what in ("loading", "blinding"):
            gains, dust = fault.size if fault.what == "loading" else 3.0, dust.max() * (dust / dust.max()) ** 0.4
    made = sum((s.t1 - s.t0) / 3600.0 * dust[s.cutting] for s in stretches if s.cutting >= 0)
    gain = min(gains / max(made, 1e-6), 0.30 / float(dust.max()))  # at the sander, a third of the clean drag an hour at most
    held, loose, kg, base = loaded, 0.0, float(rng.uniform(0, 0.5)) * bags.bag_kg, 1.0
    clean_at, events = float(rng.uniform(1.45, 1.65)), []
    lows, highs, rough = np.zeros(len(stretches)), np.zeros(len(stretches)), np.zeros(len(stretches))
    last_day, was_on = -1, False
    crumbly = 0.2 + 3.0 * bags.shed  # the share of new cake that a stop may shed
    for i, s in enumerate(stretches):
        live = [f for f in faults if f.t0 <= s.t0 < f.t1]
        over = [f for f in faults if f.t1 <= s.t0 and f.kind.condition in ("bag_full", "filter_loading", "filter_blinded")]
        blind = next((f for f in live if f.what == "blinding"), None)
        ailing = any(f.what == "loading" and s.t0 < f.t1 for f in faults) or any(f.what == "carry_over" for f in live)
        day = int(s.t0 // DAY)
        if day != last_day:
            repaired = [f for f in over if not any(e.get("of") == f.what for e in events)]
            tired = base + held + loose > clean_at and not ailing
            if blind is not None:
                tired = held + loose > 0.4
            if cleans and (tired or repaired):
                events.append(
                    {
                        "t": s.t0 - 1200.0,
                        "what": "filter cleaned",
                        "told": bool(rng.random() < 0.6),
                        "x_before": round(base + held + loose, 3),
                        "of": repaired[0].what if repaired else "",
                    }
                )
                base = 1.0 if repaired else base + (blind.size * (held + loose) if blind else 0.0)
                held, loose = (0.0 if repaired else 0.05 * held), 0.0
            if kg > 0.85 * bags.bag_kg and not any(f.what == "carry_over" and s.t0 < f.t1 for f in faults):
                events.append(
                    {"t": s.t0 - 900.0, "what": "bag emptied", "told": bool(rng.random() < 0.6), "kg_before": round(kg, 1)}
                )
                kg = 0.0
            last_day = day
        if was_on and not s.on:
            loose *= 1.0 - 4.0 * bags.shed
        was_on = s.on
        lows[i] = base + held + loose
        hours = (s.t1 - s.t0) / 3600.0
        if s.on:
            rate = gain * float(dust[s.cutting]) if s.cutting >= 0 else 0.0
            for f in live:
                if f.what == "carry_over":
                    drag = base + held + loose
                    rate += (
                        f.size if f.law == "even" else 0.75 * f.size * drag / 1.8 if f.law == "speeding" else 1.5 * f.size / drag
                    ) * (drag < 3.6)
                    rough[i] = 1.0
            held += (1.0 - crumbly) * rate * hours
            loose += crumbly * rate * hours
            kg += float(CHIPS_KG_H[which[s.cutting]]) * hours if s.cutting >= 0 else 0.0
        highs[i] = base + held + loose
    begins, ends = np.array([s.t0 for s in stretches]), np.array([s.t1 for s in stretches])
    part = np.clip((t - begins[at]) / np.maximum(ends[at] - begins[at], 1e-9), 0.0, 1.0)
    return (lows[at] + (highs[at] - lows[at]) * part) * bags.clean, events, rough[at]


def _point(
    shop: Shop, stretches: list[Stretch], faults: Sequence[Fault], at: Any, t: Floats, drag: Floats, density: Floats,
    speed: Floats,
) -> dict[str, Floats]:
    """The plant at each frame, with the faults of the ducts grown as far as they are."""
    live = [f for f in faults if f.in_ducts]
    openings = list(dict.fromkeys(s.opening for s in stretches if s.on))
    place = {o: i for i, o in enumerate(openings)}
    which = np.array([place.get(s.opening, 0) for s in stretches])[at]
    found = shop.plant.at([State(o) for o in openings], which, drag, density, speed)
    for fault in live:
        hit = np.flatnonzero((t >= fault.t0) & (t < fault.t1))
        if not len(hit):
            continue
        grown = fault.grown(t[hit]) * LEVELS
        low = np.minimum(np.floor(grown).astype(np.int64), LEVELS - 1)
        used = np.unique(which[hit] * (LEVELS + 1) + low)
        pairs = sorted({(int(u // (LEVELS + 1)), int(u % (LEVELS + 1)) + step) for u in used for step in (0, 1)})
        index = {pair: i for i, pair in enumerate(pairs)}
        states = [fault.state(shop, openings[o], level / LEVELS) for o, level in pairs]
        ends = []
        for step in (0, 1):
            row = np.array([index[(o, v + step)] for o, v in zip(which[hit].tolist(), low.tolist(), strict=True)])
            ends.append(shop.plant.at(states, row, drag[hit], density[hit], speed[hit]))
        part = grown - low
        for name, value in found.items():
            value[hit] = ends[0][name] * (1 - part) + ends[1][name] * part
    return found
