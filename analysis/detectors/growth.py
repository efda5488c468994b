"""Growth of the drag within running, block by block, without the drawing: for what changes within minutes."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.detectors.numbers import number, number_list
from analysis.estimates import Estimate

SETTLE_S = 30.0
"""Running before the first block counts: the bags inflate and the air comes to rest."""
RATIO_S = 180.0
"""Within a run the drag over the clean drag is taken from the estimate until then, and carried on by its own growth."""
SPLICE = 0.025
"""A step of the tied logarithm between two blocks that is no growth: a gate, a hose, a tear."""
SPLICE_NOISE = 5.0
"""The same as a multiple of the usual step, for noisy sensors: what is cut out of noise would drift."""
NOISE_GAIN = 0.01
ROUGH, ROUGH_GAIN = 0.018, 0.1
"""Mean step from block to block above which a channel is too noisy to see growth by."""
USUAL_RATE = math.log(2.0) / (20 * 3600.0)
"""Drag added per running second, as a share of the clean drag, until a rate is learned (doubles in 20 hours; ours)."""
PRIOR_S = 1200.0
"""How much running the usual rate is worth against what is learned."""
MEMORY_S = 10 * 3600.0
MOST_KINDS = 24
WINDOW = 30
"""Blocks of the short course, five minutes."""
LEAST_ALLOWED = 0.010 / 60.0
"""Growth per second, as a share of the clean drag, that is never suspicious."""
TIMES_USUAL = 2.5
"""How many times its usual rate a kind of work may load the bags without suspicion: dry, dusty boards do that (ours)."""
LEARN_BELOW = 0.015
"""Growth gathered beyond what is allowed from which nothing is learned as usual."""
UNSURE = "?"
"""Kind of work where the open gates are not clear."""


def kind_of_work(estimate: Estimate) -> str:
    """The open ports as one word, where they are fairly sure; that is what the maker works at."""
    if not estimate.gates or (estimate.gate_probability or 0.0) < 0.6:
        return UNSURE
    return " + ".join(estimate.gates)


class Growth:
    """Follows ``Block.shape.tied``, which moves as the logarithm of the drag while the ducts stay as they are.

    Steps (gates, stops, hoses) are spliced out. ``excess`` is the growth beyond ``allowed`` per second that has gathered
    since it last was nothing, as a share of the clean drag: a one-sided cumulative sum. Each kind of work has a learned
    rate of its own. Constant memory.
    """

    def __init__(self) -> None:
        self.course: deque[tuple[float, float]] = deque(maxlen=WINDOW)
        self.running_s = 0.0
        self.excess = 0.0
        self.began_t: float | None = None
        self.gathered_s = 0.0
        self.kind = UNSURE
        self.ratio = 1.3
        self.noise = 0.005
        self.rough = 0.005
        self.rates: dict[str, tuple[float, float]] = {}
        self._last: float | None = None
        self._run_s = 0.0
        self._pending: tuple[float, float, float] | None = None
        self.suspected = False
        self.share = 0.0
        self._block: Block | None = None
        self._told = False

    def update(self, block: Block) -> bool:
        """Take in a block; True where it told something of the growth (``share``, of the clean drag). Shared by several
        detectors: the first call for a block does the work. While ``suspected`` nothing is learned as usual."""
        if block is not self._block:
            self._block = block
            self._told = self._take(block, not self.suspected and self.excess < LEARN_BELOW)
        return self._told

    def _take(self, block: Block, learn: bool) -> bool:
        if not block.running:
            self._last = self._pending = None
            return False
        self.running_s += block.seconds
        shape, estimate = block.shape, block.estimate
        if estimate.drag_ratio is not None and block.run_s < RATIO_S:
            self.ratio = min(max(estimate.drag_ratio, 0.5), 6.0)
        kind = kind_of_work(estimate)
        pending, self._pending = self._pending, None
        if shape is None or block.run_s < SETTLE_S or block.seconds < 5.0 or block.gates_moved:
            self._last = None
            return False
        before, self._last = self._last, shape.tied
        same = kind == self.kind and block.run_s >= self._run_s
        self.kind, self._run_s = kind, block.run_s
        if before is None or not same:
            return False
        step = shape.tied - before
        self.rough += ROUGH_GAIN * (min(abs(step), 0.1) - self.rough)
        if self.rough > ROUGH:
            self.excess, self.began_t, self.gathered_s = 0.0, None, 0.0
            return False
        if abs(step) > max(SPLICE, SPLICE_NOISE * self.noise):
            return False
        # A gate that moves late in a block shows in the next one: a step is believed when the block after it is calm.
        self._pending = (self.ratio * step, block.seconds, block.began_t)
        if learn:  # chips that are carried up make it rougher: their noise is not the usual one
            self.noise += NOISE_GAIN * (min(abs(step), 3.0 * self.noise) - self.noise)
        if pending is None:
            return False
        self._count(*pending, kind, learn)
        return True

    def _count(self, share: float, seconds: float, began_t: float, kind: str, learn: bool) -> None:
        """Let one step count."""
        self.share = share
        self.ratio = min(self.ratio + share, 6.0)
        self.course.append((self.running_s, (self.course[-1][1] if self.course else 0.0) + share))
        gathered = self.excess + share - self.allowed() * seconds
        if gathered > 0.0:
            if self.excess == 0.0:
                self.began_t = began_t
            self.excess = gathered
            self.gathered_s += seconds
        else:
            self.excess, self.began_t, self.gathered_s = 0.0, None, 0.0
        if learn:
            self._learn(kind, share, seconds)

    def _learn(self, kind: str, share: float, seconds: float) -> None:
        grown, known_s = self.rates.get(kind, (0.0, 0.0))
        if kind not in self.rates and len(self.rates) >= MOST_KINDS:
            self.rates.pop(min(self.rates, key=lambda name: self.rates[name][1]))
        if known_s > MEMORY_S:
            grown, known_s = grown * 0.9, known_s * 0.9
        self.rates[kind] = (grown + share, known_s + seconds)

    def rate(self, kind: str | None = None) -> float:
        """Learned growth per running second of a kind of work (None: the present one), as a share of the clean drag."""
        grown, known_s = self.rates.get(self.kind if kind is None else kind, (0.0, 0.0))
        return max((grown + USUAL_RATE * PRIOR_S) / (known_s + PRIOR_S), 0.1 * USUAL_RATE)

    def allowed(self) -> float:
        """Growth per running second that raises no suspicion: some times the learned rate, at least a percent a minute."""
        return max(LEAST_ALLOWED, TIMES_USUAL * self.rate())

    def gathering(self) -> float:
        """Growth per running second since the excess began to gather."""
        return self.excess / self.gathered_s + self.allowed() if self.gathered_s > 0.0 else 0.0

    def slope(self) -> float | None:
        """Growth per running second over the short course, None until there is a minute of it."""
        course = self.course
        if len(course) < 9:
            return None
        (t0, y0), (t1, y1) = _middle(course, 0), _middle(course, len(course) - 3)
        return (y1 - y0) / (t1 - t0) if t1 > t0 else None

    def clear(self) -> None:
        """Begin a new course (cleaned, emptied); what was learned stays."""
        self.course.clear()
        self.excess, self.began_t, self.gathered_s, self._last, self._pending = 0.0, None, 0.0, None, None
        self.suspected = False

    def snapshot(self) -> dict[str, object]:
        """What was learned and gathered."""
        return {
            "running_s": self.running_s, "excess": self.excess, "began_t": self.began_t,
            "gathered_s": self.gathered_s, "noise": self.noise,
            "rough": self.rough,
            "ratio": self.ratio, "kind": self.kind, "last": self._last, "run_s": self._run_s,
            "suspected": self.suspected, "pending": None if self._pending is None else list(self._pending),
            "course": [list(point) for point in self.course],
            "rates": {kind: list(pair) for kind, pair in self.rates.items()},
        }

    def restore(self, data: object) -> None:
        """Take back a snapshot; what does not fit is left out."""
        if not isinstance(data, Mapping):
            return
        self.suspected = data.get("suspected") is True
        self.course.clear()
        self.running_s = number(data.get("running_s")) or 0.0
        self.excess = number(data.get("excess")) or 0.0
        self.began_t = number(data.get("began_t"))
        self.gathered_s = number(data.get("gathered_s")) or 0.0
        self.noise = number(data.get("noise")) or 0.005
        self.rough = number(data.get("rough")) or 0.005
        self.ratio = number(data.get("ratio")) or 1.3
        kind = data.get("kind")
        self.kind = kind if isinstance(kind, str) else UNSURE
        self._last = number(data.get("last"))
        pending = number_list(data.get("pending"))
        self._pending = (pending[0], pending[1], pending[2]) if pending is not None and len(pending) == 3 else None
        self._run_s = number(data.get("run_s")) or 0.0
        self.course.extend(pairs(data.get("course")))
        rates = data.get("rates")
        if isinstance(rates, Mapping):
            for name, row in list(rates.items())[:MOST_KINDS]:
                found = pairs([row])
                if found:
                    self.rates[str(name)] = found[0]


def pairs(value: object) -> list[tuple[float, float]]:
    """The pairs of numbers in a list out of a snapshot."""
    made = []
    for item in value if isinstance(value, list) else []:
        if isinstance(item, list | tuple) and len(item) == 2:
            a, b = number(item[0]), number(item[1])
            if a is not None and b is not None:
                made.append((a, b))
    return made


def _middle(course: deque[tuple[float, float]], at: int) -> tuple[float, float]:
    points = [course[at + i] for i in range(3)]
    return sum(p[0] for p in points) / 3.0, sum(p[1] for p in points) / 3.0
