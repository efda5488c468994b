"""Recognises a cleaning: the drag of the bags fell while the fan stood still, and stays low. A fall to below what clean bags
have is none: a bag has come loose or torn."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.detectors.filter_blinded import FilterBlinded
from analysis.detectors.filter_breach import FilterBreach
from analysis.detectors.flow_meter import FlowMeter
from analysis.detectors.levels import Level, Levels, compare, level_of, mean_level
from analysis.detectors.numbers import number
from analysis.events import EventKind, ShopEvent

LEAST_FALL = 0.16
"""Fall of the logarithm of the drag across a stop that is a cleaning: bags that only rest lose a tenth of that (ours)."""
SURE = 3.0
BEFORE, LEAST_BEFORE = 6, 3
"""Levels at the end of a run that it is compared with."""
CHUNK, CHUNKS = 6, 5
"""Five minutes, each of which must agree."""
NOISE = 1.6
"""Mains and air move between two runs (ours)."""
MISFIT = 20.0
MOST_FLOW = 0.6
UNDECIDED = 20
"""Minutes of running that said nothing after which the run before is forgotten: it was no fair one."""
TOO_LOW, TOO_LOW_DRAWN = 0.8, 0.65
"""Share of the clean drag below which no cleaning brings bags, where cleanings were seen and where only the drawing says what
clean is (it is known to about 15 %; ours)."""
TOO_LOW_CHUNKS = 2


class Cleaning:
    """Compares the end of one run with the first minutes of the next by the fan's own curve (:mod:`.flow_meter`), so
    that other gates do not look like another drag. A fall while the fan runs is no cleaning: that is ``filter_breach``, which
    is told as well where the drag has fallen below that of clean bags (``blinded`` knows what cleanings leave): a bag that
    tore when the fan stopped or started, or that was not seated after a cleaning. Where the owner has told of a cleaning
    since the last run, nothing is recognised.
    """

    def __init__(
        self, meter: FlowMeter, breach: FilterBreach | None = None, blinded: FilterBlinded | None = None
    ) -> None:
        self._meter = meter
        self._breach = breach
        self._blinded = blinded
        self._drag: float | None = None
        self._ratio: float | None = None
        self._before_drag: float | None = None
        self._before_ratio: float | None = None
        self._owner_told = False
        self._undecided = 0
        self._levels = Levels(BEFORE)
        self._before: Level | None = None
        self._stopped_t = 0.0
        self._chunk: list[Level] = []
        self._falls: list[float] = []
        self._run_s = 0.0

    def update(self, block: Block) -> tuple[ShopEvent, ...]:
        """Take in one block; the cleaning, once it is certain."""
        if block.run_s < self._run_s or not block.running:
            self._stop()
        self._run_s = block.run_s if block.running else 0.0
        if block.running:
            self._stopped_t = block.t if self._before is None else self._stopped_t
        level = level_of(block)
        if self._before is not None and level is not None and not block.gates_moved:
            return self._judge(block.t, level)
        if self._before is None:
            self._levels.update(block)
            if block.running and not block.gates_moved and not block.estimate.doubtful:
                self._drag, self._ratio = block.estimate.filter_drag, block.estimate.drag_ratio
        return ()

    def _stop(self) -> None:
        """A run ended: what it ended with is what the next is compared with, unless a comparison was under way."""
        if len(self._levels) >= LEAST_BEFORE:
            self._before = self._levels.newest(BEFORE)
            self._before_drag, self._before_ratio = self._drag, self._ratio
            self._falls, self._chunk, self._undecided, self._owner_told = [], [], 0, False
        self._levels.clear()

    def _judge(self, t: float, level: Level) -> tuple[ShopEvent, ...]:
        assert self._before is not None
        self._chunk.append(level)
        if len(self._chunk) < CHUNK:
            return ()
        change = compare(self._meter, self._before, mean_level(self._chunk), NOISE)
        self._chunk = []
        if abs(change.flow) > MOST_FLOW or change.misfit > MISFIT:
            # Gates so different that these minutes say nothing; or the run before was itself amiss.
            self._undecided += 1
            if self._undecided >= UNDECIDED:
                self._over()
            return ()
        if change.drag > -max(LEAST_FALL, SURE * change.drag_sd):
            self._over()
            return ()
        self._falls.append(change.drag)
        if len(self._falls) >= TOO_LOW_CHUNKS and self._too_low(max(self._falls)):
            if self._breach is not None:
                self._breach.found_after_rest(t, self._before, change)
            self._over()
            return ()
        if len(self._falls) < CHUNKS:
            return ()
        fall = sorted(self._falls)[CHUNKS // 2]
        told = self._owner_told
        self._over()
        return () if told else (
            ShopEvent(
                self._stopped_t, EventKind.CLEANED, by="ductwarden",
                text=f"The drag of the filter bags fell by {100.0 * -math.expm1(fall):.0f} % while the fan stood still,"
                     " and stays there: a cleaning.",
            ),
        )

    def _too_low(self, fall: float) -> bool:
        """Whether the drag is now lower than that of clean bags."""
        clean = None if self._blinded is None else self._blinded.clean_drag()
        if clean is not None and self._before_drag:
            return self._before_drag * math.exp(fall) < TOO_LOW * clean
        return bool(self._before_ratio) and (self._before_ratio or 1.0) * math.exp(fall) < TOO_LOW_DRAWN

    def _over(self) -> None:
        """The stop is judged."""
        self._before, self._falls, self._chunk, self._owner_told, self._undecided = None, [], [], False, 0

    def event(self, event: ShopEvent) -> None:
        """The owner has told: nothing is left to recognise but a bag that was not seated again."""
        if event.kind is EventKind.REPLACED:
            self._over()
            self._levels.clear()
        elif event.kind is EventKind.CLEANED and event.by != "ductwarden":
            if len(self._levels) >= LEAST_BEFORE:
                self._stop()
            self._owner_told = True

    def snapshot(self) -> dict[str, object]:
        """What is being compared."""
        return {
            "levels": self._levels.snapshot(), "before": None if self._before is None else self._before.plain(),
            "stopped_t": self._stopped_t, "chunk": [level.plain() for level in self._chunk], "falls": list(self._falls),
            "run_s": self._run_s, "drag": self._drag, "ratio": self._ratio, "before_drag": self._before_drag,
            "before_ratio": self._before_ratio, "owner_told": self._owner_told, "undecided": self._undecided,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._levels.restore(data.get("levels"))
        self._before = Level.of(data.get("before"))
        self._stopped_t = number(data.get("stopped_t")) or 0.0
        chunk, falls = data.get("chunk"), data.get("falls")
        found = [Level.of(row) for row in chunk] if isinstance(chunk, list) else []
        self._chunk = [level for level in found if level is not None][:CHUNK]
        values = [number(item) for item in falls] if isinstance(falls, list) else []
        self._falls = [value for value in values if value is not None][:CHUNKS]
        self._run_s = number(data.get("run_s")) or 0.0
        self._drag, self._ratio, self._before_drag, self._before_ratio = (
            number(data.get(key)) for key in ("drag", "ratio", "before_drag", "before_ratio"))
        self._owner_told = data.get("owner_told") is True
        self._undecided = int(number(data.get("undecided")) or 0)
