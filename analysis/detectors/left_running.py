"""The collector was left running: longer than agreed with no sign of work, or outside the shop's hours."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.growth import Growth, kind_of_work
from analysis.detectors.limits import Limits
from analysis.detectors.numbers import number, number_list
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known
from analysis.events import ShopEvent
from analysis.findings import Claim, Evidence, Finding
from analysis.readings import RunState

LIVELY = 0.42
"""Chips in flight shake the air: the smoothed logarithm of the pulsation this far above the quietest blocks of the same
gates shows work (ours; a block's own scatter puts the mean of quiet running 0.2 to 0.3 above them)."""
ABOVE_BLOCKS = 3
"""Blocks in a row that must say so."""
SMOOTH_S = 150.0
LAG_S = 90.0
"""How long ago work was, when the smoothed pulsation says that it is no more."""
QUIET_SHARE, QUIET_STEP = 0.05, 0.01
"""The quietest blocks: this quantile of the logarithm of the pulsation, followed by steps of this size."""
LEARN_S = 900.0
"""After this long without a sign of work nothing is learned: idle running would teach its own level."""
GROWN, GROWTH_S = 0.025, 150.0
"""Growth of the smoothed drag since the last sign of work, as a share of the clean drag, that shows dust, and so work."""
USUAL_RATIO = 1.3
"""Drag over clean drag up to which that holds; above, what is read scatters and drifts in proportion to the drag."""
MOST_KINDS = 24
SETTLE_S = 30.0
STEP = 0.05
"""Logarithm by which a pressure must have stepped for a gate to have moved (ours)."""


class LeftRunning(Telling):
    """Signs of work are a start, gates that move, pulsation of the pressures well above that of the quietest blocks at the
    same gates, and dust that makes the drag of the bags grow. Without any for ``idle_run_s`` the claim is made; so it is
    after ``out_of_hours_s`` of running outside the shop's hours, work or no work. It ends when the fan stops.
    """

    condition = Condition.LEFT_RUNNING

    def __init__(self, limits: Limits, growth: Growth) -> None:
        super().__init__()
        self._limits = limits
        self._growth = growth
        self._sum = self._course = self._least = 0.0
        self._seen = False
        self._idle_s = 0.0
        self._late_s = 0.0
        self._quiet: dict[str, float] = {}
        self._kind = ""
        self._pulse: float | None = None
        self._above = 0
        self._shape: tuple[float, float] | None = None
        self._puzzled = False
        self._reported: Mapping[str, bool] | None = None
        self._since: float | None = None

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._seen = True
        if block.state in (RunState.OFF, RunState.STOPPING):
            self._idle_s = self._late_s = 0.0
            self._pulse = self._shape = None
            self._set(None)
            return
        if block.state not in (RunState.STARTING, RunState.RUNNING):
            return
        self._idle_s += block.seconds
        self._late_s = 0.0 if self._limits.in_hours(block.t) else self._late_s + block.seconds
        if block.started or self._moved(block):
            self._idle_s = 0.0
            self._pulse, self._least = None, self._course
        elif self._works(block) | self._dusty(block):
            self._idle_s = min(self._idle_s, LAG_S)
        overdue = self._idle_s >= self._limits.idle_run_s or self._late_s >= self._limits.out_of_hours_s
        self._set(block.t if overdue else None)

    def _moved(self, block: Block) -> bool:
        """Was a gate moved? Where only the estimate says so, the pressures must have stepped: it also judges anew when
        something puzzles it."""
        before, self._reported = self._reported, block.gates
        if block.gates is not None and before is not None and block.gates != before:
            return True
        shape, last = block.shape, self._shape
        if shape is None or block.run_s < SETTLE_S:
            self._puzzled = self._puzzled or block.gates_moved
            return False
        self._puzzled = self._puzzled or block.gates_moved
        if self._puzzled and not block.gates_moved:
            self._puzzled = False
            self._shape = shape.filter_log, shape.suction_log
            return last is not None and max(abs(shape.filter_log - last[0]), abs(shape.suction_log - last[1])) > STEP
        if not self._puzzled:
            self._shape = shape.filter_log, shape.suction_log
        return False

    def _works(self, block: Block) -> bool:
        if block.pulse is None or block.run_s < SETTLE_S or block.gates_moved:
            return False
        kind = kind_of_work(block.estimate)
        if kind != self._kind:
            self._kind, self._pulse = kind, None
        log = math.log(block.pulse)
        share = 1.0 - math.exp(-block.seconds / SMOOTH_S)
        self._pulse = log if self._pulse is None else self._pulse + share * (log - self._pulse)
        quiet = self._quiet.pop(kind, log - 0.2)
        if self._idle_s < LEARN_S:
            # A quantile by small steps: as many pulls downwards as upwards once the share below it is right.
            quiet += QUIET_STEP * (QUIET_SHARE if log > quiet else QUIET_SHARE - 1.0)
        self._quiet[kind] = quiet
        if len(self._quiet) > MOST_KINDS:
            self._quiet.pop(next(iter(self._quiet)))
        # The smoothed pulsation of quiet running grazes the level now and then; work stays above it.
        self._above = self._above + 1 if self._pulse - quiet > LIVELY else 0
        return self._above >= ABOVE_BLOCKS

    def _dusty(self, block: Block) -> bool:
        """Did the drag of the bags grow since the last sign of work?"""
        if not self._growth.update(block):
            return False
        self._sum += self._growth.share
        self._course += (1.0 - math.exp(-block.seconds / GROWTH_S)) * (self._sum - self._course)
        scale = max(1.0, self._growth.ratio / USUAL_RATIO)
        self._least = min(self._least, self._course)
        if self._course - self._least < GROWN * scale:
            return False
        self._least = self._course
        return True

    def _set(self, since: float | None) -> None:
        if (since is None) is not (self._since is None):
            self._since = since
            self._changed()

    def event(self, event: ShopEvent) -> None:
        """Somebody who writes into the journal is there."""
        if event.by == "owner":
            self._idle_s = 0.0

    def _tell(self) -> tuple[Finding, ...]:
        if not self._seen:
            return (not_yet_known(0.0, self.condition, "nothing seen yet"),)
        evidence = {
            "idle_s": Evidence(self._idle_s, "time", "running without a sign of work"),
            "agreed_s": Evidence(self._limits.idle_run_s, "time", "agreed to"),
        }
        if self._late_s > 0.0:
            evidence["late_s"] = Evidence(self._late_s, "time", "running outside the shop's hours")
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.ABSENT if self._since is None else Claim.PRESENT,
                confidence=0.9,
                since=self._since,
                evidence=evidence,
                could_be=("very light work at one port", "a remote switch that did not switch off"),
            ),
        )

    def snapshot(self) -> dict[str, object]:
        """What was counted and learned."""
        return {
            "seen": self._seen, "idle_s": self._idle_s, "late_s": self._late_s, "quiet": dict(self._quiet),
            "kind": self._kind, "pulse": self._pulse, "since": self._since,
            "course": [self._sum, self._course, self._least],
            "growth": self._growth.snapshot(), "puzzled": self._puzzled,
            "reported": None if self._reported is None else dict(self._reported),
            "shape": None if self._shape is None else list(self._shape),
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._seen = data.get("seen") is True
        self._idle_s = number(data.get("idle_s")) or 0.0
        self._late_s = number(data.get("late_s")) or 0.0
        quiet = data.get("quiet")
        for kind, value in list(quiet.items())[-MOST_KINDS:] if isinstance(quiet, Mapping) else ():
            level = number(value)
            if level is not None:
                self._quiet[str(kind)] = level
        self._kind = str(data.get("kind") or "")
        self._pulse = number(data.get("pulse"))
        self._since = number(data.get("since"))
        course = number_list(data.get("course"))
        if course is not None and len(course) == 3:
            self._sum, self._course, self._least = course
        self._growth.restore(data.get("growth"))
        self._puzzled = data.get("puzzled") is True
        reported = data.get("reported")
        self._reported = {str(k): v is True for k, v in reported.items()} if isinstance(reported, Mapping) else None
        shape = number_list(data.get("shape"))
        self._shape = (shape[0], shape[1]) if shape is not None and len(shape) == 2 else None
        self._changed()
