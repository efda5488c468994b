"""The line of this fan and this motor: what pressure belongs to which current, learned where it is not measured."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.baseline.model import Baseline
from analysis.blocks import Block
from analysis.detectors.flow_meter import FlowMeter
from analysis.detectors.numbers import number
from analysis.duct.design import DuctDesign

CELL = 0.04
"""Width of a cell, in the logarithm of the current."""
MOST_CELLS = 60
LEARN_S = 2.0 * 3600.0
"""Running from which the line is believed."""
CELL_S = 120.0
"""Running that makes a cell known."""
MEMORY_S = 40 * 3600.0
"""Running after which what was learned fades, where the air's density is not measured: the line moves with the season."""
FAR_S = 20.0
"""What the mean of all cells counts for beside those near a current."""
NEW_CELL = 0.07
SETTLE_S = 25.0
SMOOTH_S = 60.0
CLIP = 0.4
"""One block counts for no more than this."""
STRANGE = 0.7
"""What a gap counts for where no running at about this current was seen before."""
LEARN_BELOW = 0.06
"""A fan further off its line than this teaches nothing."""
SEASON_S, MOST_SEASON = 20 * 3600.0, 0.10
"""Running over which a measured line follows the air's density where that is not measured, and how far at most: from a frosty
tour to a hot summer the density falls by a tenth, and the line with it by as much and a little more."""
BASELINE_S = 1200.0
"""What one step of the baseline tour counts for."""


class FanWatch:
    """The fan's line with the smoothed ``gap`` of the last minute, and ``sure_gap``, what of it is no error of the drawn line
    where it was never seen; shared by the detectors that ask whether it is the
    fan. Each of them calls :meth:`update`; the first call for a block does the work.
    """

    def __init__(
        self, design: DuctDesign, meter: FlowMeter, baseline: Baseline | None = None, air_measured: bool = False
    ) -> None:
        self.line = FanLine(design, meter, baseline)
        self.possible = meter.has_current
        self.fade = not air_measured
        self.gap: float | None = None
        self.sure_gap = 0.0
        self.seen_s = 0.0
        self._last: Block | None = None

    def update(self, block: Block) -> None:
        """Take in a block, once."""
        if block is self._last:
            return
        self._last = block
        if not self.possible:
            return
        gap = self.line.residual(block)
        if gap is None:
            return
        if not self.line.known:
            self.line.learn(block, self.fade)
            return
        steep = 1.0
        if not self.line.near(block):
            # At a current never seen before the gap may be the drawing's; the more so where the line falls steeply.
            gap *= STRANGE
            steep = max(1.0, self.line.steepness(block))
        gap = min(max(gap, -CLIP), CLIP)
        share = 1.0 - math.exp(-block.seconds / SMOOTH_S)
        self.gap = gap if self.gap is None else self.gap + share * (gap - self.gap)
        self.sure_gap += share * (gap / steep - self.sure_gap)
        self.seen_s += block.seconds
        if not self.line.measured and abs(self.gap) < LEARN_BELOW and abs(gap) < 2.0 * LEARN_BELOW:
            self.line.learn(block, self.fade)
        elif self.line.measured and self.fade and abs(self.gap) < 1.5 * LEARN_BELOW:
            self.line.follow_season(gap, block.seconds)

    def off_line(self, limit: float) -> bool:
        """Whether the fan is known to lie further off its line than ``limit`` (logarithm of pressure): upwards twice, for
        that is the motor's side, where the line is steep."""
        return self.gap is not None and not -limit < self.gap < 2.0 * limit

    def forget_gap(self) -> None:
        """Something was changed at the fan."""
        self.gap, self.sure_gap, self.seen_s = None, 0.0, 0.0

    def snapshot(self) -> dict[str, object]:
        """Plain JSON values."""
        return {"line": self.line.snapshot(), "gap": self.gap, "sure_gap": self.sure_gap, "seen_s": self.seen_s}

    def restore(self, data: object) -> None:
        """Take back a snapshot."""
        if isinstance(data, Mapping):
            self.line.restore(data.get("line"))
            self.gap = number(data.get("gap"))
            self.sure_gap = number(data.get("sure_gap")) or 0.0
            self.seen_s = number(data.get("seen_s")) or 0.0


class FanLine:
    """``residual`` of a block: logarithm of the pressure that the fan gives, less what belongs to its motor current.

    Pressure and current of a healthy fan are both functions of the flow alone, so all gates and all loads of the filter
    lie on one line; a slower or fouled wheel leaves it downwards, a dragging motor to the right. The drawn line is
    corrected by cells of the current, learned from the baseline tour or from the first hours of running. Both are
    carried to the design's density where the air is measured.
    """

    def __init__(self, design: DuctDesign, meter: FlowMeter, baseline: Baseline | None = None) -> None:
        self._meter = meter
        self._density = design.air.density_kgm3
        self._cells: dict[int, tuple[float, float]] = {}
        self._whole: float | None = None
        self.learned_s = 0.0
        self.season = 0.0
        self.measured = False
        for step in () if baseline is None else baseline.steps:
            seen = [step.measured.get(name) for name in ("inlet_pa", "filter_pa", "motor_a")]
            if seen[0] is None or seen[1] is None or seen[2] is None or seen[1] - seen[0] <= 0.0 or seen[2] <= 0.0:
                continue
            log_a = math.log(seen[2])
            self._add(log_a, self._raw(math.log(seen[1] - seen[0]), log_a), BASELINE_S)
            self.measured = True

    @property
    def known(self) -> bool:
        """Whether the line is known well enough to judge by."""
        return self.measured or self.learned_s >= LEARN_S

    def residual(self, block: Block) -> float | None:
        """Logarithm of pressure over what it should be at this current; None where the block cannot tell."""
        shape = block.shape
        if shape is None or shape.current_log is None or block.run_s < SETTLE_S or not self._meter.has_current:
            return None
        density = block.estimate.air_density_kgm3
        thick = 0.0 if density is None else math.log(density / self._density)
        log_a = shape.current_log - self._meter.current_to_power(shape.current_log) * thick
        return self._raw(shape.total_log - thick, log_a) - self._correction(log_a) - self.season

    def learn(self, block: Block, fade: bool) -> None:
        """Let a block that is believed to be healthy move the line; ``fade``: old running counts for less and less."""
        shape, gap = block.shape, self.residual(block)
        if gap is None or shape is None or shape.current_log is None:
            return
        if self.known and not self.near(block) and abs(gap) > NEW_CELL:
            return  # at a current never seen before only what lies on the whole line is believed to be healthy
        self.learned_s += block.seconds
        density = block.estimate.air_density_kgm3
        thick = 0.0 if density is None else math.log(density / self._density)
        log_a = shape.current_log - self._meter.current_to_power(shape.current_log) * thick
        self._add(log_a, gap + self.season + self._correction(log_a), block.seconds, fade)

    def follow_season(self, gap: float, seconds: float) -> None:
        """Let the whole line move slowly with a gap that is small: the air's density, where it is not measured."""
        self.season = min(max(self.season + seconds / SEASON_S * gap, -MOST_SEASON), MOST_SEASON)

    def _raw(self, total_log: float, log_a: float) -> float:
        return total_log - self._meter.total_at_current(log_a)

    def _add(self, log_a: float, gap: float, seconds: float, fade: bool = False) -> None:
        cell = round(log_a / CELL)
        mean, known_s = self._cells.get(cell, (gap, 0.0))
        if cell not in self._cells and len(self._cells) >= MOST_CELLS:
            return
        limit = MEMORY_S / 4.0 if fade else 1e9
        known_s = min(known_s, limit) + seconds
        self._cells[cell] = (mean + seconds / known_s * (gap - mean), known_s)
        self._whole = None

    def _correction(self, log_a: float) -> float:
        """What the drawn line is corrected by at a current: the mean of the cells near it, and of all where few are."""
        at = log_a / CELL
        middle = round(at)
        weight = FAR_S
        total = weight * self._mean()
        for cell in range(middle - 3, middle + 4):
            found = self._cells.get(cell)
            if found is not None:
                apart = cell - at
                w = min(found[1], 10 * CELL_S) * math.exp(-apart * apart)
                total += w * found[0]
                weight += w
        return total / weight

    def _mean(self) -> float:
        """Mean of all cells, each counting for ten minutes at most: the whole line's offset."""
        if self._whole is None:
            weight = sum(min(known_s, 5 * CELL_S) for _, known_s in self._cells.values())
            total = sum(mean * min(known_s, 5 * CELL_S) for mean, known_s in self._cells.values())
            self._whole = total / weight if weight > 0.0 else 0.0
        return self._whole

    def near(self, block: Block) -> bool:
        """Whether running at about this current was seen before."""
        shape = block.shape
        if shape is None or shape.current_log is None:
            return False
        middle = round(shape.current_log / CELL)
        return sum(self._cells.get(cell, (0.0, 0.0))[1] for cell in range(middle - 2, middle + 3)) >= CELL_S

    def steepness(self, block: Block) -> float:
        """By how much the logarithm of the pressure falls for a unit of that of the current: an error of the current there
        makes so much of a gap."""
        shape = block.shape
        if shape is None or shape.current_log is None:
            return 0.0
        at = self._meter.total_at_current
        return abs(at(shape.current_log + 0.5 * CELL) - at(shape.current_log - 0.5 * CELL)) / CELL

    def snapshot(self) -> dict[str, object]:
        """Plain JSON values."""
        cells = [[cell, *pair] for cell, pair in self._cells.items()]
        return {"learned_s": self.learned_s, "season": self.season, "cells": cells}

    def restore(self, data: object) -> None:
        """Take back a snapshot; a baseline that is newer keeps its own cells."""
        if not isinstance(data, Mapping):
            return
        self.learned_s = number(data.get("learned_s")) or 0.0
        self.season = min(max(number(data.get("season")) or 0.0, -MOST_SEASON), MOST_SEASON)
        rows = data.get("cells")
        if not self.measured:
            self._cells, self._whole = {}, None
        for row in rows if isinstance(rows, list) else []:
            values = [number(item) for item in row] if isinstance(row, list) else []
            if len(values) == 3 and None not in values and len(self._cells) < MOST_CELLS:
                cell, mean, known_s = (float(v) for v in values if v is not None)
                if not self.measured:
                    self._cells[int(cell)] = (mean, known_s)
