"""The collector was left running: longer than agreed with no sign of work, or outside the shop's hours."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.limits import Limits
from analysis.detectors.numbers import number
from analysis.detectors.words import not_yet_known
from analysis.events import ShopEvent
from analysis.findings import Claim, Evidence, Finding
from analysis.readings import RunState

LIVELY = 1.35
"""Chips in flight shake the air: a block whose pulsation is this many times the quietest usual one shows work."""


class LeftRunning:
    """Signs of work are a start, gates that move, and pulsation of the pressures well above the quiet level of the shop
    (learned as a low quantile). Without any for ``idle_run_s`` the claim is made; so it is after ``out_of_hours_s``
    of running outside the shop's hours, work or no work. It ends when the fan stops.
    """

    condition = Condition.LEFT_RUNNING

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._t: float | None = None
        self._idle_s = 0.0
        self._late_s = 0.0
        self._quiet: float | None = None
        self._lively = 0
        self._since: float | None = None

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        if block.state in (RunState.OFF, RunState.STOPPING):
            self._idle_s = self._late_s = 0.0
            self._since = None
            return
        if block.state not in (RunState.STARTING, RunState.RUNNING):
            return
        self._idle_s += block.seconds
        self._late_s = 0.0 if self._limits.in_hours(block.t) else self._late_s + block.seconds
        if block.started or block.gates_moved or self._works(block):
            self._idle_s = 0.0
        overdue = self._idle_s >= self._limits.idle_run_s or self._late_s >= self._limits.out_of_hours_s
        if not overdue:
            self._since = None
        elif self._since is None:
            self._since = block.t

    def _works(self, block: Block) -> bool:
        pulse = _pulse(block)
        if pulse is None:
            return False
        # The quiet level: falls at once towards a quieter block, rises slowly (to twice in about an hour).
        if self._quiet is None or pulse < self._quiet:
            self._quiet = pulse if self._quiet is None else self._quiet + 0.3 * (pulse - self._quiet)
        else:
            self._quiet += 0.002 * (min(pulse, 2.0 * self._quiet) - self._quiet)
        self._lively = self._lively + 1 if pulse > LIVELY * self._quiet else 0
        return self._lively >= 2

    def event(self, event: ShopEvent) -> None:
        """Somebody who writes into the journal is there."""
        if event.by == "owner":
            self._idle_s = 0.0

    def findings(self) -> tuple[Finding, ...]:
        """One claim."""
        if self._t is None:
            return (not_yet_known(0.0, self.condition, "nothing seen yet"),)
        present = self._since is not None
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
                claim=Claim.PRESENT if present else Claim.ABSENT,
                confidence=0.9,
                since=self._since,
                evidence=evidence,
                could_be=("very light work at one port", "a remote switch that did not switch off"),
            ),
        )

    def snapshot(self) -> dict[str, object]:
        """What was counted and learned."""
        return {"idle_s": self._idle_s, "late_s": self._late_s, "quiet": self._quiet, "since": self._since}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._idle_s = number(data.get("idle_s")) or 0.0
        self._late_s = number(data.get("late_s")) or 0.0
        self._quiet = number(data.get("quiet"))
        self._since = number(data.get("since"))


def _pulse(block: Block) -> float | None:
    """Relative step-to-step size of the pressures: the geometric mean of those that are known."""
    product, count = 1.0, 0
    for channel in ("inlet_pa", "filter_pa"):
        stat = block.stats.get(channel)
        if stat is not None and stat.step_rms is not None and abs(stat.mean) > 50.0:
            product *= stat.step_rms / abs(stat.mean)
            count += 1
    return product ** (1.0 / count) if count and product > 0.0 else None
