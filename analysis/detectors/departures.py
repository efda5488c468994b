"""How far the flow departs from what the open gates should give, stretch by stretch, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from analysis.blocks import Block
from analysis.detectors.flow_meter import FlowMeter
from analysis.detectors.levels import Level, level_of, mean_level, small_change
from analysis.detectors.numbers import names_of, number
from analysis.detectors.usual import Usual
from analysis.quick import quick

SETTLE_BLOCKS = 2
"""Blocks of a stretch before its departure counts: the gates are still being judged."""
FIRST_BLOCKS = 8
"""Blocks of a stretch whose departure is the estimator's; later it is that of its beginning and what changed since."""
LEARN_BLOCKS = 9
LEARN_BELOW = 0.10
"""A stretch that departs further from the usual is no example of it."""
SHARE = 0.3
MOST_OFF = 5.0
"""Readings further off every state of the shop (standard deviations) say nothing of its ducts."""
MISFIT = 16.0
LEAST_SD = {"baseline": 0.015, "own": 0.02, "design": 0.06}
"""What a departure is known to at best: by a baseline tour, by own earlier stretches with the gates reported, by the
drawing alone (ours)."""


@quick
@dataclass(frozen=True, slots=True)
class Departure:
    """``value`` is the relative departure of the flow (negative: too little), ``sd`` one standard deviation, ``known`` by
    what ("baseline", "own", "design"), ``reported`` whether sensors say which gates are open, ``blocks`` of the stretch."""

    gates: tuple[str, ...]
    value: float
    sd: float
    known: str
    reported: bool
    blocks: int


class Departures:
    """Averages ``Estimate.along`` over the beginning of each stretch of one gate set, carries it on by the fan's own curve
    (:mod:`.flow_meter`), and sets it against what is usual there.

    After a baseline tour nothing more is needed. Where gate sensors say which gates are open, the shop's own earlier
    stretches do as well. With neither there is only the drawing, and the gate set itself is a guess.
    """

    def __init__(self, meter: FlowMeter, gated: Collection[str], has_baseline: bool) -> None:
        self._meter = meter
        self.gated = frozenset(gated)
        self.has_baseline = has_baseline
        self._usual = Usual()
        self._gates: tuple[str, ...] | None = None
        self._mean: float | None = None
        self._sd = 0.05
        self._start: Level | None = None
        self._since = 0.0
        self._blocks = 0
        self._run_s = 0.0
        self._reported = False
        self._had_current = False
        self._holding: set[str] = set()
        self._last: Block | None = None
        self._now: Departure | None = None

    def hold(self, who: str, wrong: bool) -> None:
        """A detector says whether something is wrong with the ducts: while it is, nothing here is learned as usual."""
        if wrong:
            self._holding.add(who)
        else:
            self._holding.discard(who)

    @property
    def held(self) -> bool:
        """Whether something is wrong with the ducts now."""
        return bool(self._holding)

    def update(self, block: Block) -> Departure | None:
        """The departure as of a block, None where nothing can be said. Shared by several detectors: the first call for a
        block does the work."""
        if block is not self._last:
            self._last = block
            self._now = self._take(block, not self._holding)
        return self._now

    def _take(self, block: Block, learn: bool) -> Departure | None:
        estimate = block.estimate
        if not block.running or block.run_s < self._run_s:
            self._end(learn)
        self._run_s = block.run_s
        if not block.running:
            return None
        gates = estimate.gates
        if gates is None or block.gates_moved or gates != self._gates:
            self._end(learn)
            self._gates = None if block.gates_moved else gates
            return None
        level = level_of(block)
        if level is None or estimate.along is None or estimate.along_sd is None or estimate.doubtful:
            return None
        if level.current_log is None and self._had_current:
            return None  # judged without a channel that is usually there, the gates come out differently
        self._had_current = self._had_current or level.current_log is not None
        self._blocks += 1
        if self._blocks <= SETTLE_BLOCKS:
            return None
        self._reported = block.gates is not None and self.gated <= block.gates.keys()
        if self._mean is None or self._start is None or self._blocks <= FIRST_BLOCKS:
            if (estimate.off or 0.0) > MOST_OFF:
                self._blocks = SETTLE_BLOCKS
                return None
            n = self._blocks - SETTLE_BLOCKS
            along = estimate.along - (self._mean or 0.0)
            self._mean = (self._mean or 0.0) + along / n
            self._start = level if self._start is None else mean_level([self._start] * (n - 1) + [level])
            self._sd = estimate.along_sd
            return self._judged(gates, self._mean)
        changed, misfit = small_change(self._meter, self._start, level)
        if misfit > MISFIT:
            return None
        self._since += SHARE * (changed - self._since)
        return self._judged(gates, (1.0 + self._mean) * math.exp(self._since) - 1.0)

    def _judged(self, gates: tuple[str, ...], value: float) -> Departure:
        sd = self._sd
        usual = self._usual.at(gates) if self._reported else None
        if usual is not None and (not self.has_baseline or usual[1] < sd):
            return Departure(gates, value - usual[0], max(usual[1], LEAST_SD["own"]), "own", True, self._blocks)
        known = "baseline" if self.has_baseline else "design"
        return Departure(gates, value, math.hypot(sd, LEAST_SD[known]), known, self._reported, self._blocks)

    def _end(self, learn: bool) -> None:
        """A stretch is over: it may teach what is usual."""
        if learn and self._gates is not None and self._mean is not None and self._blocks >= LEARN_BLOCKS:
            usual = self._usual.at(self._gates)
            if self._reported and (usual is None or abs(self._mean - usual[0]) < LEARN_BELOW):
                self._usual.learn(self._gates, self._mean)
        self._gates, self._mean, self._start, self._blocks, self._since = None, None, None, 0, 0.0

    def usual_known(self) -> bool:
        """Whether anything better than the drawing is there to compare with."""
        return self.has_baseline or self._usual.any

    def snapshot(self) -> dict[str, object]:
        """Plain JSON values."""
        return {
            "usual": self._usual.snapshot(), "gates": None if self._gates is None else list(self._gates),
            "mean": self._mean, "sd": self._sd, "start": None if self._start is None else self._start.plain(),
            "since": self._since, "blocks": self._blocks, "run_s": self._run_s, "reported": self._reported,
            "had_current": self._had_current, "holding": sorted(self._holding),
        }

    def restore(self, data: object) -> None:
        """Take back a snapshot."""
        if not isinstance(data, Mapping):
            return
        self._usual.restore(data.get("usual"))
        gates = data.get("gates")
        self._gates = tuple(map(str, gates)) if isinstance(gates, list) else None
        self._mean = number(data.get("mean"))
        self._sd = number(data.get("sd")) or 0.05
        self._start = Level.of(data.get("start"))
        self._since = number(data.get("since")) or 0.0
        self._blocks = int(number(data.get("blocks")) or 0)
        self._run_s = number(data.get("run_s")) or 0.0
        self._reported = data.get("reported") is True
        self._had_current = data.get("had_current") is True
        self._holding = set(names_of(data.get("holding")))
