"""What a stretch of steady gates tells: the slow part of an estimate, and the numbers that carry it to each frame."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.estimates import Estimate, Expected, GateSet
from analysis.estimator.ambient import AirState
from analysis.estimator.rezero import Zero
from analysis.estimator.sensors import MEASURED
from analysis.estimator.slow import Point, Slope, first_gain
from analysis.quick import quick
from analysis.readings import CHANNELS

FLUTTER_SD = 0.01
"""How much the flow itself flutters from second to second, relative: chips in flight (ours)."""
KNOWN_SD = 0.30
"""A drag less sure than this is not told."""


@quick
@dataclass(frozen=True, slots=True)
class Follower:
    """Carries the operating point of the last block to a frame: ``log_flow`` plus ``gain`` on each channel's difference
    from ``now``. ``relative_sd`` is one standard deviation of the flow of a single frame."""

    channels: tuple[int, ...]
    now: tuple[float, ...]
    gain: tuple[float, ...]
    log_flow: float
    relative_sd: float


@quick
@dataclass(frozen=True, slots=True)
class Where:
    """The slow state as it stands: log drag (design's viscosity) with its variance, its table drag, the departure, the
    log clean drag and the logarithm of the flow that it would bring (None: not reckoned)."""

    log_drag: float
    drag_var: float
    table: float
    departure: float
    clean: float
    clean_log_flow: float
    log_speed: float


def follower(
    slope: Slope, point: Point, where: Where, frame_var: Sequence[float], extra_var: float, doubt: int | None = None
) -> Follower:
    """The numbers for frames until the next block; a doubted channel does not count."""
    ds, dq = where.table - slope.log_drag, where.departure - slope.departure
    now = tuple([
        y + d * ds + a * dq + m
        for y, d, a, m in zip(slope.y, slope.to_drag, slope.along, point.missed, strict=True)])
    noise = [frame_var[c] + (0.0 if c != 2 else (0.01 * n) ** 2) for c, n in zip(point.channels, now, strict=True)]
    if doubt in point.channels:
        noise[point.channels.index(doubt)] = 1e12
    gain = first_gain(slope, noise, 1e-6, FLUTTER_SD**2)
    per_flow = 1.0 / (1.0 + where.departure)
    return Follower(
        point.channels, now,
        tuple([slope.flow_to_drag * d + per_flow * q for d, q in zip(gain.drag, gain.departure, strict=True)]),
        slope.log_flow + slope.flow_to_drag * ds + dq / (1.0 + slope.departure) + point.flow_shift
        + where.log_speed,
        math.sqrt(point.flow_var + extra_var + per_flow * per_flow * gain.departure_var))


def slow_part(
    t: float, slope: Slope, point: Point, where: Where, follow: Follower, mean: Sequence[float | None], air: AirState,
    gates: tuple[tuple[str, ...] | None, float | None, tuple[GateSet, ...]], notes: tuple[str, ...],
    usual: tuple[float, ...] | None = None, doubt: int | None = None,
) -> Estimate:
    """The estimate as of the block just closed, without its flow.

    ``usual`` are the readings expected at the fan's usual speed, where it is believed to turn slower; gaps are told
    against those.
    """
    ds, dq = where.table - slope.log_drag, where.departure - slope.departure
    ratio = air.density_ratio
    slower = math.exp(2.0 * where.log_speed)
    expected: dict[str, Expected] = {}
    residual: dict[str, float] = {}
    rest = []
    for k, c in enumerate(point.channels):
        move = slope.to_drag[k] * ds
        plain = slope.plain[k] + move if usual is None else usual[k]
        scale = 1.0 if c == 2 else ratio
        expected[MEASURED[c]] = Expected(plain * scale, point.expected_sd[k] * scale)
        value = mean[c]
        if value is None:
            rest.append(point.missed[k])
            continue
        seen = value if c == 2 else value * slower
        residual[MEASURED[c]] = (seen - plain) * scale
        rest.append(seen - plain if usual is not None else value - slope.y[k] - move - slope.along[k] * dq)
    further = sum([g * r for g, r in zip(point.along_gain, rest, strict=True)])
    off = None
    if len(rest) > 1:
        whole = sum([
            a * sum([w * b for w, b in zip(row, rest, strict=True)]) for a, row in zip(rest, point.inverse, strict=True)])
        off = math.sqrt(max(0.0, whole - (further / point.along_sd) ** 2) / (len(rest) - 1))
    drag_sd = math.sqrt(where.drag_var)
    known = drag_sd < KNOWN_SD and 1 in point.channels
    if not known:
        why = "no filter pressure is measured" if 1 not in point.channels else "too little was seen yet"
        notes = (*notes, f"filter drag is not known: {why}")
    drag = math.exp(where.log_drag) * air.viscosity_ratio
    inlet, flow = mean[0], math.exp(follow.log_flow)
    if where.log_speed:
        notes = (*notes, f"the fan gives {100.0 * (1.0 - slower):.0f} % less pressure than it should")
    if doubt is not None:
        notes = (*notes, f"{MEASURED[doubt]} fits nothing that the other channels say, and is left out")
    return Estimate(
        t=t,
        filter_drag=drag if known else None,
        filter_drag_sd=drag * drag_sd if known else None,
        drag_ratio=math.exp(where.log_drag - where.clean) if known else None,
        flow_lost=1.0 - math.exp(slope.plain_log_flow + slope.flow_to_drag * ds - where.clean_log_flow) if known else None,
        duct_resistance=None if inlet is None else -inlet * slower * ratio / (flow * flow),
        gates=gates[0],
        gate_probability=gates[1],
        alternatives=gates[2],
        expected=expected,
        residual=residual,
        along=(where.departure if usual is None else 0.0) + further,
        along_sd=point.along_sd,
        off=off,
        air_density_kgm3=air.density_kgm3,
        notes=notes,
        fan_strength=slower,
        doubtful=() if doubt is None else (MEASURED[doubt],),
    )


def standing_notes(
    baseline: bool, channels: tuple[int, ...], air: AirState, volts_known: bool, zeros: Mapping[str, Zero]
) -> tuple[str, ...]:
    """What the fitted set can and cannot tell, in words."""
    notes = []
    if not baseline:
        notes.append("no baseline tour yet: expectations are the design's alone, with wide uncertainties")
    missing = [CHANNELS[MEASURED[i]].words for i in range(3) if channels and i not in channels]
    if missing:
        notes.append(
            "not compared: " + ", ".join(missing) + " (no reading, or the drawing lacks what it takes to expect it, as the fan's "
            "shaft power for the current); the rest is less certain"
        )
    if air.missing:
        notes.append(
            "not measured: " + ", ".join(air.missing)
            + f"; density is the design's, within {100.0 * air.density_sd:.1f} %")
    if 2 in channels and not volts_known:
        notes.append("line voltage is not measured: the current counts for less")
    notes += [
        f"the zero of the {CHANNELS[name].words} is further off than can be believed"
        for name, zero in zeros.items() if zero.beyond
    ]
    return tuple(notes)
