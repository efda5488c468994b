"""Ducts and fan: plugs, open gates and leaks, lost suction, slow air, a weak fan.

Without gate switches a level that some gate set explains is no plug and no leak, however unusual; these conditions then say
that they cannot be judged, and what would change it.
"""

from __future__ import annotations

import math

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.air import AirBook, Section
from analysis.detectors.budget import certainty
from analysis.detectors.channels import OTHER_WORDS
from analysis.detectors.core import Core
from analysis.detectors.settings import AirClaim
from analysis.detectors.watch import Watch
from analysis.findings import Evidence, Finding

NO_SWITCHES = (
    "no gate switches: {what} looks just like another gate setting, so it cannot be told from one. Switches on the gates would"
    " show it")
MARGIN = 0.90
"""Share of the carrying velocity, or of the velocity by design where that is less, below which chips settle (ours)."""
SLOW_LOOKS = 3


class _AirWatch(Watch):
    """A claim of :class:`.Settings`; ``_what`` for the sentence without switches."""

    KEPT = ("_since",)
    _what = ""

    def __init__(self, core: Core) -> None:
        super().__init__()
        self._core = core
        self._last: AirClaim | None = None

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._core.update(block)
        settings = self._core.settings
        self._unable = "" if settings.reported else NO_SWITCHES.format(what=self._what)
        claim = self._claim()
        if claim != self._last:
            self._last, self._told = claim, None
        self._set(None if claim is None else claim.since)

    def _claim(self) -> AirClaim | None:
        raise NotImplementedError

    def _tell_claim(self, words: str, could_be: tuple[str, ...], action: str = "") -> tuple[Finding, ...]:
        claim = self._last
        if claim is None:
            return (self._finding(0.9, {}),)
        return (self._finding(
            certainty(claim.evidence, self._core.settings.threshold),
            {"air": Evidence(abs(math.expm1(claim.size)), "fraction", words)}, could_be, where=claim.where, action=action),)


class BlockedRun(_AirWatch):
    """A port that carries much less than its settings usually do, at every setting that has it open, and at no other."""

    condition = Condition.BLOCKED_RUN
    _what = "a plug"

    def __init__(self, core: Core, least: float) -> None:
        super().__init__(core)
        self._least = 2.0 * least

    def _claim(self) -> AirClaim | None:
        claim = self._core.settings.lost
        return claim if claim is not None and -math.expm1(claim.size) >= self._least else None

    def _tell(self) -> tuple[Finding, ...]:
        where = "" if self._last is None else self._last.where
        return self._tell_claim("less air than with these gates before", (
            "a gate that is only half open", "a switch that reports an open gate that is shut"), f"Clear the run of the {where}.")


class SuctionLost(_AirWatch):
    """A port that draws less than it used to, by more than the agreed share and less than a plug takes."""

    condition = Condition.SUCTION_LOST
    _what = "a port that lost suction"

    def __init__(self, core: Core, agreed: float) -> None:
        super().__init__(core)
        self._agreed = agreed

    def _claim(self) -> AirClaim | None:
        claim = self._core.settings.lost
        return claim if claim is not None and self._agreed <= -math.expm1(claim.size) < 2.0 * self._agreed else None

    def _tell(self) -> tuple[Finding, ...]:
        return self._tell_claim("less air than with these gates before, the filter's part taken out", (
            "a run added since", "a leak nearer to the fan", "a hose that sags"))


class OpenGateOrLeak(_AirWatch):
    """More air at every setting than it usually carries."""

    condition = Condition.OPEN_GATE_OR_LEAK
    _what = "a gate left open or a hose off"

    def _claim(self) -> AirClaim | None:
        return self._core.settings.extra

    def _tell(self) -> tuple[Finding, ...]:
        return self._tell_claim("more air than with these gates before", (
            "a gate without a switch", "a hose that came off", "a joint that came apart"))


class WeakFan(Watch):
    """The whole fan curve is down: at every flow the fan gives less pressure and its motor draws less."""

    condition = Condition.WEAK_FAN
    KEPT = ("_since",)

    def __init__(self, core: Core) -> None:
        super().__init__()
        self._core = core

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._core.update(block)
        claim = self._core.isolation.claim
        self._unable = self._core.isolation.why_not()
        self._set(claim.since if claim is not None and claim.name == "fan" else None)

    def _tell(self) -> tuple[Finding, ...]:
        claim = self._core.isolation.claim
        if claim is None or claim.name != "fan":
            return (self._finding(0.9, {}),)
        return (self._finding(certainty(claim.evidence, self._core.isolation.threshold), {
            "speed": Evidence(math.exp(claim.size), "share", "of its usual speed, by what it gives"),
            "pressure_lost": Evidence(-math.expm1(2.0 * claim.size), "fraction", "of its pressure is gone at the same flow"),
        }, ("a belt that slips", "low line voltage", *(OTHER_WORDS[other] for other in claim.others))),)


NO_AIR = 0.4
"""Less than this share of the air that a setting carries is no slow air: a gate is shut whatever its switch says, or a run is
plugged, which :class:`BlockedRun` tells. Loaded bags never take more than half (a fan curve is too flat for that)."""


class LowVelocity(Watch):
    """Compares the flow with the flow that the reported gates give with clean bags: every velocity in the open runs goes with
    it. A section is slow when it falls clearly below the carrying velocity; one that is below it by design (a small gate alone
    on a large main) only when it falls as clearly below its design."""

    condition = Condition.LOW_VELOCITY
    KEPT = ("_since", "_slow")

    def __init__(self, core: Core, book: AirBook) -> None:
        super().__init__()
        self._core, self._book = core, book
        self._slow = 0
        self._worst: tuple[Section, float] | None = None
        self._unable = NO_SWITCHES.format(what="slow air in one run")

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._core.update(block)
        look, estimate = self._core.look, block.estimate
        if look is None or look.gates is None or estimate.flow_m3s is None or estimate.flow_sd is None:
            return
        self._unable = ""
        expected = self._book.at(look.gates)
        if expected is None:
            return
        share = estimate.flow_m3s / expected.flow_m3s
        if share < NO_AIR:
            return
        sd = estimate.flow_sd / expected.flow_m3s
        limits = [(share + 1.645 * sd - MARGIN * min(1.0, s.carrying_ms / s.velocity_ms), s) for s in expected.sections]
        room, section = min(limits, key=lambda pair: pair[0])
        self._slow = self._slow + 1 if room < 0.0 else 0
        if self._slow >= SLOW_LOOKS and not self.standing:
            self._worst = section, share
            self._set(look.began_t)
        elif room >= 0.0:
            self._set(None)

    def _tell(self) -> tuple[Finding, ...]:
        if not self.standing or self._worst is None:
            return (self._finding(0.9, {}),)
        section, share = self._worst
        return (self._finding(0.95, {
            "velocity": Evidence(section.velocity_ms * share, "velocity", "velocity there now"),
            "by_design": Evidence(section.velocity_ms, "velocity", "velocity there with clean bags"),
            "carrying": Evidence(section.carrying_ms, "velocity", "velocity that carries chips"),
        }, ("a gate open elsewhere", "a plug that grows", "a weak fan"), where=section.name,
            action=f"Close a gate that is not in use, or clean the filter; then look along {section.name}."),)
