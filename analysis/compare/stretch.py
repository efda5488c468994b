"""Blocks of frames -> stretches: the fan runs, the gates stand, and everything else is averaged.

A stretch is what one comparison is made of. Zeros found at the last standstill are taken off, the air and the mains of
the stretch are kept beside the readings. Where no gate is reported, the estimator's hypothesis is used if it is probable
enough; gate sets that cannot be told apart are kept as one group.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from analysis.blocks import Block
from analysis.duct.design import DuctDesign
from analysis.estimator.ambient import Ambient
from analysis.estimator.sensors import MEASURED
from analysis.readings import RunState

SETTLED_S = 30.0
"""Left out at the beginning of each run: the wheel runs up, the bags fill (ours)."""
SHORTEST_BLOCK_S = 6.0
"""A shorter block (cut off by a change of state) is left out [s]."""
SHORTEST_S = 20.0
"""A shorter stretch is left out [s]."""
GAP_S = 30.0
"""Frames missing for longer than this end a stretch [s]."""
PROBABLE = 0.9
"""The gates count as known from this probability on."""
STILL_S = 60.0
"""Standstill before a reading counts as the zero: the wheel coasts down and the bags deflate (ours)."""

Gates = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Steady running with one gate set.

    ``run`` is the event time at which its run began (equal for stretches of one run); ``group`` the gate sets that may
    be meant, ``open_ports`` the one that stands for them; ``blocks`` maps each channel to its block means [SI], zero
    taken off; ``density_ratio``, ``viscosity_ratio`` are against the design's air, ``air_missing`` what of the
    air was not measured; ``log_volts`` is the logarithm of line voltage over the motor's, None
    where it is not measured; ``zero_known`` whether a standstill before it gave the zeros. ``marked`` says whether the
    gates were reported rather than inferred.
    """

    run: float
    began_t: float
    t: float
    seconds: float
    open_ports: Gates
    group: tuple[Gates, ...]
    blocks: Mapping[str, tuple[float, ...]]
    density_ratio: float = 1.0
    viscosity_ratio: float = 1.0
    air_missing: tuple[str, ...] = ()
    log_volts: float | None = None
    zero_known: bool = True
    marked: bool = True
    errors: Mapping[str, float] = field(default_factory=dict)
    """Standard error of a channel's mean [SI] where it is known from elsewhere; else it follows from the blocks."""

    def mean(self, channel: str) -> float:
        """Mean of a channel [SI]."""
        row = self.blocks[channel]
        return sum(row) / len(row)


@dataclass
class Gathered:
    """The stretches of one period, and what was left out: seconds by reason."""

    stretches: list[Stretch] = field(default_factory=list)
    left_out_s: dict[str, float] = field(default_factory=dict)
    running_s: float = 0.0

    @property
    def seconds(self) -> float:
        """Running seconds that can be used."""
        return sum(s.seconds for s in self.stretches)


class Gatherer:
    """Collects blocks of one period; :meth:`done` gives what they make."""

    def __init__(self, design: DuctDesign) -> None:
        self._design = design
        self._gated = tuple(port.name for port in design.ports if port.has_gate)
        self._ambient = Ambient(design.air)
        self._found = Gathered()
        self._zero: dict[str, float] = {}
        self._still: dict[str, list[float]] = {}
        self._stopped_t: float | None = None
        self._run: float | None = None
        self._last_t: float | None = None
        self._key: tuple[tuple[Gates, ...], bool] | None = None
        self._rows: list[Block] = []

    def add(self, block: Block) -> None:
        """Take in the next block."""
        gap = self._last_t is not None and block.began_t - self._last_t > GAP_S
        if block.state is not RunState.RUNNING or gap:
            self._finish()
        self._last_t = block.t
        if block.state in (RunState.OFF, RunState.STOPPING):
            self._rest(block)
            return
        if block.state is RunState.UNKNOWN:
            return
        if self._run is None or gap or block.started:
            self._begin_run(block)
        if block.state is not RunState.RUNNING:
            return
        self._found.running_s += block.seconds
        if block.run_s < SETTLED_S or block.seconds < SHORTEST_BLOCK_S:
            self._finish()
            self._leave_out("the fan was running up", block.seconds)
            return
        key, why = self._gates(block)
        if key is None:
            self._finish()
            self._leave_out(why, block.seconds)
            return
        if key != self._key:
            # The block in which the gates came to stand is left out: the air and the sensors lag behind.
            self._finish()
            self._key = key
            self._leave_out("a gate had just been moved", block.seconds)
            return
        self._rows.append(block)

    def done(self) -> Gathered:
        """The stretches so far."""
        self._finish()
        return self._found

    # -- inside -----------------------------------------------------------------------------------------------------

    def _rest(self, block: Block) -> None:
        if block.state is RunState.STOPPING or self._run is not None or self._stopped_t is None:
            self._stopped_t = block.t
            self._still = {}
            self._run = None
        if block.state is RunState.OFF and block.began_t - self._stopped_t >= STILL_S:
            for name in MEASURED:
                if (stat := block.stats.get(name)) is not None:
                    self._still.setdefault(name, []).append(stat.mean)

    def _begin_run(self, block: Block) -> None:
        self._run = block.began_t
        for name, values in self._still.items():
            self._zero[name] = sum(values[-30:]) / len(values[-30:])
        self._still = {}

    def _gates(self, block: Block) -> tuple[tuple[tuple[Gates, ...], bool] | None, str]:
        if block.gates_moved:
            return None, "a gate was being moved"
        if block.gates is not None:
            strange = [name for name, opened in block.gates.items() if opened and name not in self._design.port_names]
            if strange:
                return None, f"the gate of {', '.join(strange)} stood open, which the drawing does not have"
            return (((tuple(n for n in self._gated if block.gates.get(n, False)),), True), "")
        estimate = block.estimate
        if estimate.gates is None or estimate.gate_probability is None:
            return None, "the gates were not known"
        whole = estimate.gate_probability + sum(other.probability for other in estimate.alternatives)
        if whole < PROBABLE:
            return None, "the gates were not known"
        told = [estimate.gates, *(other.open_ports for other in estimate.alternatives)]
        if any(name not in self._design.port_names for gates in told for name in gates):
            return None, "a gate stood open that the drawing does not have"
        sets = {self._gated_of(gates) for gates in told}
        return (tuple(sorted(sets)), False), ""

    def _gated_of(self, open_ports: Gates) -> Gates:
        return tuple(name for name in self._gated if name in open_ports)

    def _leave_out(self, why: str, seconds: float) -> None:
        self._found.left_out_s[why] = self._found.left_out_s.get(why, 0.0) + seconds

    def _finish(self) -> None:
        rows, key = self._rows, self._key
        self._rows, self._key = [], None
        if not rows or key is None or self._run is None:
            return
        seconds = sum(row.seconds for row in rows)
        if seconds < SHORTEST_S:
            self._leave_out("the gates stood for too short a time", seconds)
            return
        blocks: dict[str, tuple[float, ...]] = {}
        for name in MEASURED:
            means = [row.stats[name].mean for row in rows if name in row.stats]
            if len(means) == len(rows):
                blocks[name] = tuple(value - self._zero.get(name, 0.0) for value in means)
        if not blocks:
            self._leave_out("no pressure and no current was measured", seconds)
            return
        airs = [self._ambient.at({name: stat.mean for name, stat in row.stats.items()}) for row in rows]
        motor = self._design.motor
        volts = [row.stats["line_v"].mean for row in rows if "line_v" in row.stats]
        log_volts = None
        if motor is not None and volts and min(volts) > 0.5 * motor.voltage_v:
            log_volts = math.log(sum(volts) / len(volts) / motor.voltage_v)
        group, marked = key
        self._found.stretches.append(Stretch(
            run=self._run, began_t=rows[0].began_t, t=rows[-1].t, seconds=seconds, open_ports=group[0], group=group,
            blocks=blocks, density_ratio=sum(air.density_ratio for air in airs) / len(airs),
            viscosity_ratio=sum(air.viscosity_ratio for air in airs) / len(airs),
            air_missing=airs[-1].missing, log_volts=log_volts, zero_known=bool(self._zero), marked=marked,
        ))


def gather(design: DuctDesign, blocks: Iterable[Block]) -> Gathered:
    """The stretches of a period from its blocks, in time order."""
    gatherer = Gatherer(design)
    for block in blocks:
        gatherer.add(block)
    return gatherer.done()
