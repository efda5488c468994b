"""Blocks -> looks: what one stretch of steady gates says, once, however long it lasts.

Ten-second blocks of one stretch share everything that a drawing, a guessed gate set or the mains get wrong, so they are no
independent witnesses of the level. A stretch is therefore one look at the absolute levels (a long one some more, at a
falling weight), while what changes *within* it is seen by every block.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.blocks import Block
from analysis.detectors.keeping import Keeping

SETTLED_S = 20.0
"""Running after a start that is left out: the fan runs up, a cold belt slips, the bags fill."""
LOOK_BLOCKS = 6
"""Blocks of a stretch after which it is looked at: a minute."""
LEAST_BLOCKS = 3
"""A stretch that ended before its minute counts from so many blocks on."""
AGAIN_BLOCKS = (12, 30)
"""A stretch that lasts gives a second look after two minutes more, and one every five minutes from then on."""


STEP_SD, LEAST_STEP = 5.0, 0.012
"""A block that differs from the last by so many standard deviations of such differences, and by so much (logarithm), belongs
to another setting of a gate; so does the one after it, which may hold the end of the move."""


@dataclass(frozen=True, slots=True)
class Step:
    """One block within a stretch: ``began`` a new stretch, ``tied`` the logarithm that follows the drag while the ducts stay
    as they are (:class:`analysis.blocks.Shape`), ``seconds`` of running since the last step, ``stopped`` whether the fan
    was off since the last step."""

    t: float
    seconds: float
    began: bool
    stopped: bool
    tied: float


@dataclass(frozen=True, slots=True)
class Look:
    """A stretch, or five more minutes of it: mean logarithms of suction, filter pressure and current (None: not known) in
    the air of the drawing, ``drag`` of the estimate with its stated ``drag_sd``, ``along`` the estimate's departure from
    what the gate set should carry, ``shut`` whether it says surely that every gate was shut, ``gates`` the ports reported
    open (None: not reported), ``weight`` 1 for the first look
    of a stretch, 1/2, 1/3 ... for the ones after it. ``density`` is the air over the drawing's."""

    t: float
    began_t: float
    seconds: float
    suction: float
    filter: float
    current: float | None
    drag: float | None
    drag_sd: float
    along: float | None
    along_sd: float
    shut: bool
    gates: tuple[str, ...] | None
    weight: float
    density: float
    stopped: bool


class Stretches(Keeping):
    """Follows the blocks of one shop: after :meth:`update`, ``step`` and ``look`` hold what the block brought, if anything, and
    ``jump`` by how much the last stretch's beginning passed what counts as a step (infinite where switches said it).
    The estimate says when gates moved; so do gate switches, a stop, and a gap."""

    KEPT = (
        "_scatter", "_skip", "_n", "_count", "_sums", "_known", "_began_t", "_last_t", "_stopped", "_open", "_look_stopped",
        "_shut")

    def __init__(self) -> None:
        self.step: Step | None = None
        self.look: Look | None = None
        self._scatter = [0.02**2, 0.02**2, 0.02**2]
        self._pair: tuple[float, ...] | None = None
        self.jump = math.inf
        self._skip = False
        self._n = 0
        self._count = 0
        self._sums = [0.0] * 8
        self._known = [0] * 8
        self._began_t = self._last_t = 0.0
        self._shut = 0
        self._stopped = True
        self._look_stopped = True
        self._open: list[str] | None = None

    def update(self, block: Block) -> None:
        """Take in a block."""
        self.step = self.look = None
        if not block.running or block.run_s < SETTLED_S:
            self._end(block)
            self._stopped = self._stopped or not block.running
            return
        shape = block.shape
        names = None if block.gates is None else sorted(name for name, is_open in block.gates.items() if is_open)
        gap = block.began_t - self._last_t
        if block.gates_moved or shape is None or names != self._open or not 0.0 <= gap < 60.0:
            self._end(block)
            self.jump = math.inf if names != self._open or gap >= 60.0 else 1.0
            self._open, self._last_t = names, block.t
            if block.gates_moved or shape is None:
                return
        self._last_t = block.t
        if self._stepped((shape.suction_log, shape.filter_log, shape.tied)):
            self._end(block)
            return
        if self._n == 0:
            self._began_t, self._count, self._shut = block.began_t, 0, 0
            self._sums, self._known = [0.0] * 8, [0] * 8
            self._look_stopped = self._stopped
        estimate = block.estimate
        self._n += 1
        drag = estimate.filter_drag
        row = (
            shape.suction_log, shape.filter_log, shape.current_log, None if not drag else math.log(drag),
            None if not drag else (estimate.filter_drag_sd or 0.0) / drag, estimate.along, estimate.along_sd,
            estimate.air_density_kgm3)
        for i, value in enumerate(row):
            if value is not None:
                self._sums[i] += value
                self._known[i] += 1
        self._shut += estimate.gates == () and (estimate.gate_probability or 0.0) > 0.8
        self.step = Step(block.t, block.seconds, self._n == 1, self._stopped, shape.tied)
        self._stopped = False
        due = (LOOK_BLOCKS, *AGAIN_BLOCKS)[min(self._count, 2)]
        if self._known[0] >= due:
            self._make(block.t)

    def scatter(self) -> tuple[float, float]:
        """One standard deviation of what suction and filter pressure (logarithms) differ by from block to block."""
        return math.sqrt(self._scatter[0]), math.sqrt(self._scatter[1])

    def _stepped(self, pair: tuple[float, ...]) -> bool:
        """Whether a gate moved although nobody said so; learns how blocks scatter."""
        last, self._pair = self._pair, pair
        if last is None or self._n == 0:
            skip, self._skip = self._skip, False
            return skip
        moves = [abs(a - b) for a, b in zip(pair, last, strict=True)]
        jump = max(move / max(STEP_SD * math.sqrt(var), LEAST_STEP) for move, var in zip(moves, self._scatter, strict=True))
        stepped = jump > 1.0
        if stepped:
            self.jump = jump
        self._scatter = [
            max(var + 0.03 * (min(move * move, 9.0 * var) - var), 1e-6) for var, move in zip(self._scatter, moves, strict=True)]
        self._skip = stepped
        return stepped

    def _end(self, block: Block) -> None:
        """The stretch is over; a short one that was not looked at is looked at now."""
        if self._n and self._count == 0 and self._known[0] >= LEAST_BLOCKS:
            self._make(self._last_t)
        self._n = 0

    def _make(self, t: float) -> None:
        means = [s / n if n else None for s, n in zip(self._sums, self._known, strict=True)]
        suction, bags, current, drag, drag_sd, along, along_sd, density = means
        assert suction is not None
        assert bags is not None
        self._count += 1
        self.look = Look(
            t, self._began_t, 10.0 * self._known[0], suction, bags, current, drag, drag_sd or 0.0, along, along_sd or 0.0,
            self._open == [] or 2 * self._shut > self._known[0], None if self._open is None else tuple(self._open),
            1.0 / self._count, density or 0.0, self._look_stopped)
        self._sums, self._known, self._shut = [0.0] * 8, [0] * 8, 0
