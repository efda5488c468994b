"""What was truly wrong, when it could be seen, and what had to be said: in the form that ``score.py`` reads.

Times are seconds from the recording's start. A fault is ``required`` where the numbers show it plainly: by its log-likelihood
ratio (``llr``: over its patience, ``llr_per_minute``: in one minute, median over the gate sets in use), by the true
drag, or always (a silent channel). What follows from the true state without being a fault (air too slow since the
filter is loaded, more starts in an hour than agreed, a motor over its plate) is listed as allowed, not required.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from tests.ground.faults import PLAIN, Fault, alike, evidence
from tests.ground.plant import State
from tests.ground.record import Recording

Floats = npt.NDArray[np.float64]
LOADED_AT = 1.75
SAMPLED = 5
"""Gate sets per fault at which the likelihood is computed."""


def labels(r: Recording, *, gates_known: bool, tour: bool) -> dict[str, Any]:
    """All of it for one way of knowing the shop."""
    start = float(np.floor(r.t[0] / 86400.0) * 86400.0)
    faults: list[dict[str, Any]] = []
    intervals: list[dict[str, Any]] = []

    def add(kind: str, t0: float, t1: float, required: bool, seen: Sequence[tuple[float, float]], **more: Any) -> None:
        entry = {"kind": kind, "do": "truth", "also": [], "brings": [], "patience_s": 900.0, "cause": None, "source": "truth"}
        faults.append({**entry, **more, "t0": t0 - start, "t1": t1 - start, "required": required, "from": t0, "to": t1})
        intervals.extend(
            {"kind": kind, "fault": len(faults) - 1, "t0": a - start, "t1": b - start, "visible": True} for a, b in seen
        )

    for fault in r.faults:
        _planned(r, fault, gates_known, tour, add)
    _loaded(r, tour, add)
    _followed(r, add)
    return {
        "name": r.shop.name,
        "start_s": start,
        "span": r.days * 86400.0,
        "faults": faults,
        "intervals": intervals,
        "runs": [(a - start, b - start) for a, b in r.runs],
        "drag_clean": r.shop.bags.clean,
        "loaded_x": LOADED_AT,
        "events": [{**e, "t": e["t"] - start} for e in r.events],
        "tour_until": max(0.0, r.tour_until - start),
        "gates": [
            (s.t0 - start, s.t1 - start, [p for p, o in zip(r.shop.ports, s.opening, strict=True) if o > 0])
            for s in r.stretches
            if s.on
        ],
    }


def _planned(r: Recording, fault: Fault, gates_known: bool, tour: bool, add: Any) -> None:
    kind, x = fault.kind, r.true["drag"] / r.shop.bags.clean
    seen = _running(r, fault.t0, fault.t1)
    more: dict[str, Any] = {
        "do": fault.what,
        "also": list(kind.also),
        "brings": list(kind.brings),
        "patience_s": kind.patience_s,
        "size": fault.size,
    }
    required = bool(seen)
    if fault.what == "gate_open" or kind.condition == "blocked_run":
        want = kind.condition == "blocked_run"  # a plug shows while its port is open, a forgotten gate while others should be
        seen = _running(r, fault.t0, fault.t1, lambda o: (o[fault.where] > 0) == want)
        required = bool(seen)
    if fault.what == "left_on":
        seen = [(min(fault.t0 + 3600.0, fault.t1), fault.t1)]  # the owner agreed to be told after an hour
    elif kind.visible == "drag":
        if fault.what == "carry_over":
            usual = 0.30 / 3600.0
            live = (r.t >= fault.t0) & (r.t < fault.t1)
            first = x[live][0] if live.any() else 1.0
            ran = np.cumsum(r.on[live])
            late = r.t[live][x[live] - first - usual * ran > 0.15]
            seen = _running(r, float(late[0]), fault.t1) if len(late) else []
        elif fault.what == "loading":
            seen = []  # by the drag's truth below
        else:
            done = [e["t"] for e in r.events if e["what"] == "filter cleaned" and fault.t0 < e["t"] < fault.t1]
            seen = _running(r, done[2], fault.t1) if len(done) > 2 else []
            required = bool(seen) and tour
        required = required and bool(seen)
        if fault.what == "loading":
            return
    elif kind.visible == "llr" and seen:
        found = [_llr(r, fault, seen, i / SAMPLED, gates_known, tour) for i in range(SAMPLED)]
        minute, long = (float(np.median([f[i] for f in found])) for i in (0, 1))
        required, more["llr_per_minute"], more["llr"] = long >= PLAIN, round(minute, 2), round(long, 1)
        if fault.what.endswith(("_scale", "_drift", "_tube")) or kind.condition in ("filter_breach", "weak_fan"):
            opening, drag = _place(r, fault, seen[len(seen) // 2])
            more["also"] += alike(r.shop, fault, opening, drag, gates_known, tour)
        more["hard"] = 0.5 * PLAIN <= long < PLAIN
        if kind.condition == "filter_breach" and _like_a_cleaning(r, fault, seen, tour):
            required = False
        if fault.ramp_s > 3600.0:  # while it grows it is not yet what the likelihood says
            seen = [s for s in seen if s[1] > fault.t0 + 0.7 * fault.ramp_s]
    elif kind.visible == "never":
        required = False
    add(kind.condition, fault.t0, fault.t1, required and bool(seen), seen, **more)
    for name in more["also"]:
        add(name, fault.t0, fault.t1, False, [], do=fault.what)


def _like_a_cleaning(r: Recording, fault: Fault, seen: Sequence[tuple[float, float]], tour: bool) -> bool:
    """Whether a cleaning that nobody wrote down shows the same: the fan was off while the bag came loose, and the drag is not
    below that of clean bags by more than these are known to (three times 5 % after a tour, 20 % by a drawing)."""
    if _running(r, fault.t0, fault.t0 + max(fault.ramp_s, 60.0)):
        return False
    _, drag = _place(r, fault, seen[len(seen) // 2])
    return drag * (1.0 - fault.size) > r.shop.bags.clean * (1.0 - 3.0 * (0.05 if tour else 0.20))


def _llr(
    r: Recording, fault: Fault, seen: Sequence[tuple[float, float]], share: float, gates_known: bool, tour: bool
) -> tuple[float, float]:
    opening, drag = _place(r, fault, seen[int(share * len(seen))])
    minute, long = (evidence(r.shop, fault, opening, drag, s, gates_known, tour) for s in (60.0, fault.kind.patience_s))
    return minute, long


def _place(r: Recording, fault: Fault, span: tuple[float, float]) -> tuple[tuple[float, ...], float]:
    """The gates in the middle of a stretch, and the drag there as it is without the fault."""
    i = min(int(np.searchsorted(r.t, 0.5 * (span[0] + span[1]))), len(r.t) - 1)
    opening, drag = r.stretches[r.stretch[i]].opening, float(r.true["drag"][i])
    if fault.kind.condition == "filter_breach":
        drag /= 1.0 - fault.size * float(fault.grown(r.t[i : i + 1])[0])
    return opening, drag


def _loaded(r: Recording, tour: bool, add: Any) -> None:
    """Stretches in which the filter truly is loaded; how far the clean drag is known says from when that must be told."""
    x = r.true["drag"] / r.shop.bags.clean
    sure = LOADED_AT * (1.03 if tour else 1.4)
    breach = np.zeros(len(x), bool)
    for fault in r.faults:
        if fault.kind.condition == "filter_breach":
            breach |= (r.t >= fault.t0) & (r.t < fault.t1)
    brings = ["filter_blinded", "low_velocity", "suction_lost"]
    for a, b in _spans(r.t, (x > LOADED_AT * (0.86 if tour else 0.72)) & ~breach, 86400.0):
        add("filter_loading", a, b, False, [], brings=brings, patience_s=1800.0)
    for a, b in _spans(r.t, (x > sure) & ~breach, 86400.0):
        ran = sum(max(0.0, min(b, h) - max(a, low)) for low, h in r.runs)
        other = any(f.t0 < b and f.t1 > a and f.what in ("carry_over", "blinding") for f in r.faults)
        if ran > 1800.0 and not other:
            add("filter_loading", a, b, True, _running(r, a, b), brings=brings, patience_s=1800.0)


def _followed(r: Recording, add: Any) -> None:
    """What truly is so without being a fault of its own."""
    plate = r.shop.motor.full_a
    amps = r.true["motor_a"]
    hot = np.convolve(amps > 1.0 * plate, np.ones(60) / 60, "same") > 0.7
    for a, b in _spans(r.t, hot, 1800.0):
        add("motor_overload", a, b, False, [])
    starts = np.array([a for a, _ in r.runs])
    many = np.array([np.sum((starts <= s) & (starts > s - 3600.0)) for s in starts]) >= 10
    for a, b in _spans(starts, many, 3600.0):
        add("short_cycling", a - 60.0, b + 3600.0, False, [])
    x = r.true["drag"] / r.shop.bags.clean
    worst = float(x.max())
    if worst > 1.15:
        n = len(r.shop.ports)
        alone = State(tuple(float(i == 0) for i in range(n)))
        flow = np.array([sum(r.shop.plant.port_flows(alone, d * r.shop.bags.clean).values()) for d in (1.0, worst)])
        if flow[1] < 0.95 * flow[0]:
            level = 1.0 + (worst - 1.0) * 0.05 / (1 - flow[1] / flow[0])
            for a, b in _spans(r.t, x > level, 86400.0):
                add("suction_lost", a, b, False, [])
                add("low_velocity", a, b, False, [])


def _running(r: Recording, low: float, high: float, which: Any = None) -> list[tuple[float, float]]:
    """Stretches of running between two instants, without the first ten seconds of each."""
    return [
        (max(s.t0 + 10.0, low), min(s.t1, high))
        for s in r.stretches
        if s.on and min(s.t1, high) - max(s.t0 + 10.0, low) > 5.0 and (which is None or which(s.opening))
    ]


def _spans(t: Floats, true: npt.NDArray[np.bool_], gap: float) -> list[tuple[float, float]]:
    at = t[true]
    if not len(at):
        return []
    cuts = np.flatnonzero(np.diff(at) > gap)
    return list(zip(at[np.r_[0, cuts + 1]].tolist(), at[np.r_[cuts, len(at) - 1]].tolist(), strict=True))
