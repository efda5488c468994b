"""What happens within a run: gates moved, passes cut, hoses lying one way or another, the wheel running up and down."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from analysis.plant.day import Span
from analysis.plant.faults import Fault, FaultKind
from analysis.plant.motor import StartUp
from analysis.plant.series import lag
from analysis.plant.shop import Array, PlantShop

Ints = npt.NDArray[np.int64]

HOSE_SPREAD = 0.025
"""Standard deviation of a port's losses from one run to the next: the hose never lies the same way twice."""
LADEN = 0.5
"""Rise of a duct's loss per unit of mass ratio of chips to air (0.3 to 1 in handbooks of pneumatic conveying; from memory)."""


def masks(shop: PlantShop, spans: Sequence[Span], t: Array, faults: Sequence[Fault]) -> tuple[Ints, Ints]:
    """Gate masks at each second: as the maker meant them, and as they are with the gates left open."""
    wanted = np.zeros(len(t), dtype=np.int64)
    for span in spans:
        wanted[int(span.t0 - t[0]) :] = shop.mask(span.open_ports) | shop.always_open
    mask = wanted.copy()
    for fault in faults:
        if fault.kind == FaultKind.GATE_LEFT_OPEN:
            mask[fault.active(t)] |= shop.mask((fault.where,))
    return wanted, mask


def chips(spans: Sequence[Span], t: Array, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Chips and fines made [kg/s] at each second, and whether something is being cut (0 or 1)."""
    made, fines, cutting = np.zeros(len(t)), np.zeros(len(t)), np.zeros(len(t))
    for span in spans:
        a, b = int(span.t0 - t[0]), int(span.t1 - t[0])
        for cut in span.cuts:
            busy = _passes(rng, b - a, cut.pass_s, cut.pause_s)
            rate = busy * (cut.kg_min / 60.0) * np.clip(1.0 + 0.25 * rng.standard_normal(b - a), 0.2, 2.0)
            made[a:b] += rate
            fines[a:b] += rate * cut.fines
            cutting[a:b] = np.maximum(cutting[a:b], busy)
    return made, fines, cutting


def _passes(rng: np.random.Generator, n: int, pass_s: float, pause_s: float) -> Array:
    count = int(n / (pass_s + pause_s)) * 2 + 12
    pauses, passes = rng.gamma(3.0, pause_s / 3.0, count), rng.gamma(3.0, pass_s / 3.0, count)
    lengths = np.maximum(1, np.round(np.column_stack([pauses, passes]).ravel())).astype(int)
    busy = np.repeat(np.tile([0.0, 1.0], count), lengths)
    return busy[:n] if len(busy) >= n else np.concatenate([busy, np.zeros(n - len(busy))])


def laden(shop: PlantShop, spans: Sequence[Span], made_kgs: Array, rng: np.random.Generator) -> dict[int, Array]:
    """Change of the logarithm of each open port's losses: how its hose lies this time, and the chips that fly in it."""
    flying = LADEN * lag(made_kgs, 3.0, 0.0) / 0.3
    opened = {name for span in spans for name in span.open_ports}
    return {
        shop.port_names.index(name): float(np.clip(rng.normal(0.0, HOSE_SPREAD), -0.08, 0.08)) + flying
        for name in sorted(opened)
    }


def coast(starting: StartUp, n: int, running: int) -> Array:
    """Share of speed: 1 while switched on, then falling by windage (as 1/(1 + t/T)) and friction."""
    shape = np.ones(n)
    after = np.arange(1.0, n - running + 1.0) / starting.coast_s
    shape[running:] = np.maximum(1.0 / (1.0 + after) - 0.012 * after, 0.0)
    return shape


def rise(starting: StartUp, n: int, rng: np.random.Generator) -> Array:
    """Share of speed while running up, sampled each second from a moment within the first one."""
    at = np.arange(n) * 10 + int(rng.integers(0, 10))
    return np.asarray(starting.speed[np.minimum(at, len(starting.speed) - 1)])


def with_inrush(starting: StartUp, current_a: Array, risen: Array, line: Array, running: int) -> Array:
    """The current with the inrush of the first seconds."""
    at = np.flatnonzero(risen[:running] < 0.97)
    if len(at):
        inrush = np.interp(risen[at], starting.speed, starting.current_a)
        current_a[at] = np.maximum(current_a[at], inrush * line[at])
    return current_a


def total(faults: Sequence[Fault], kind: FaultKind, t: Array) -> Array:
    """Sum of the sizes of all faults of a kind at each second."""
    level = np.zeros(len(t))
    for fault in faults:
        if fault.kind == kind:
            level = level + fault.level(t)
    return level


def active(faults: Sequence[Fault], t: Array) -> npt.NDArray[np.bool_]:
    """Which faults are there (n x faults)."""
    return np.column_stack([f.active(t) for f in faults]) if faults else np.zeros((len(t), 0), dtype=bool)
