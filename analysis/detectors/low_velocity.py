"""Air is too slow to carry chips in a run that was fast enough by its drawing."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.expected_air import AirBook, Section
from analysis.detectors.numbers import number
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known, probability_above
from analysis.events import ShopEvent
from analysis.findings import Claim, Evidence, Finding

MARGIN = 0.90
"""Share of the carrying velocity, or of the velocity by design where that is less, below which chips settle (ours)."""
LIKELY, RELEASE = 0.9, 0.5
"""Probability from which it is claimed, and below which it is taken back."""
HOLD_S = 180.0
"""Running at these gates that must agree: chips settle over minutes."""
SMOOTH_S = 60.0
SURE_SET = 0.7
"""Probability that the gate set must have: another set has other velocities."""


class LowVelocity(Telling):
    """Compares the flow now with the flow that these gates give with clean bags: every velocity in the open runs goes
    with it. A section counts as slow when it falls clearly below the carrying velocity; one that is below it by design
    (a small gate alone on a large main) only when it falls as clearly below its design.
    """

    condition = Condition.LOW_VELOCITY

    def __init__(self, book: AirBook) -> None:
        super().__init__()
        self._book = book
        self._gates: tuple[str, ...] | None = None
        self._share: float | None = None
        self._sd = 0.1
        self._slow_s = 0.0
        self._since: float | None = None
        self._section: Section | None = None
        self._reason = "it needs a flow and the open gates"
        self._known = False

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        estimate = block.estimate
        if not block.running or block.gates_moved or block.flow is None or estimate.flow_sd is None:
            return
        gates = estimate.gates
        if gates is None or (estimate.gate_probability or 0.0) < SURE_SET:
            self._reason = "the open gates are not clear: it needs the baseline tour or gate sensors"
            self._forget_set(None)
            return
        if gates != self._gates:
            self._forget_set(gates)
        expected = self._book.at(gates)
        if expected is None:
            return
        self._known = True
        share = block.flow.mean / expected.flow_m3s
        self._share = share if self._share is None else (
            self._share + (1.0 - math.exp(-block.seconds / SMOOTH_S)) * (share - self._share))
        self._sd = estimate.flow_sd / expected.flow_m3s
        section, likely = self._slowest(expected.sections)
        if section is None:
            return
        if likely >= LIKELY:
            self._slow_s += block.seconds
            if self._since is None and self._slow_s >= HOLD_S:
                self._since, self._section = block.t, section
                self._changed()
        elif likely < RELEASE:
            self._forget()

    def _slowest(self, sections: tuple[Section, ...]) -> tuple[Section | None, float]:
        """The section that is most probably too slow, and that probability."""
        assert self._share is not None
        worst, most = None, -1.0
        for section in sections:
            limit = MARGIN * min(1.0, section.carrying_ms / section.velocity_ms)
            likely = probability_above(limit, self._sd, self._share)
            if likely > most:
                worst, most = section, likely
        return worst, most

    def _forget_set(self, gates: tuple[str, ...] | None) -> None:
        self._gates, self._share = gates, None
        self._forget()

    def _forget(self) -> None:
        self._slow_s = 0.0
        if self._since is not None:
            self._since = None
            self._changed()

    def event(self, event: ShopEvent) -> None:
        """Whatever was done, the velocity will show it."""

    def _tell(self) -> tuple[Finding, ...]:
        if not self._known or (self._gates is None and self._since is None):
            return (not_yet_known(self._t, self.condition, self._reason),)
        present = self._since is not None and self._section is not None
        evidence = {}
        action = where = ""
        if present and self._section is not None and self._share is not None:
            section = self._section
            where = section.name
            evidence = {
                "velocity": Evidence(section.velocity_ms * self._share, "velocity", "velocity there now"),
                "by_design": Evidence(section.velocity_ms, "velocity", "velocity there with clean bags"),
                "carrying": Evidence(section.carrying_ms, "velocity", "velocity that carries chips"),
            }
            action = f"Close a gate that is not in use, or clean the filter; then look along {section.name}."
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.PRESENT if present else Claim.ABSENT,
                where=where,
                confidence=LIKELY,
                since=self._since if present else None,
                evidence=evidence,
                could_be=("a gate open elsewhere", "a plug that grows", "a weak fan"),
                action=action,
            ),
        )

    def snapshot(self) -> dict[str, object]:
        """The claim."""
        section = self._section
        return {
            "gates": None if self._gates is None else list(self._gates), "share": self._share, "sd": self._sd,
            "slow_s": self._slow_s, "since": self._since, "known": self._known,
            "section": None if section is None else [section.name, section.velocity_ms, section.carrying_ms],
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        gates = data.get("gates")
        self._gates = tuple(map(str, gates)) if isinstance(gates, list) else None
        self._share = number(data.get("share"))
        self._sd = number(data.get("sd")) or 0.1
        self._slow_s = number(data.get("slow_s")) or 0.0
        self._known = data.get("known") is True
        row = data.get("section")
        if isinstance(row, list) and len(row) == 3:
            velocity, carrying = number(row[1]), number(row[2])
            if velocity is not None and carrying is not None:
                self._section = Section(str(row[0]), velocity, carrying)
        self._since = number(data.get("since")) if self._section is not None else None
        self._changed()
