"""More air flows than the gates that should be open explain: a gate left open, a hose off, a joint apart."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.departures import Departures
from analysis.detectors.fan_line import FanWatch
from analysis.detectors.flow_meter import FlowMeter
from analysis.detectors.levels import Level, Levels, compare
from analysis.detectors.numbers import names_of, number, number_list
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known, probability_above
from analysis.estimates import Estimate
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding

LEAST_GAIN = {"baseline": 0.10, "reported": 0.07, "own": 0.07, "design": 0.35}
"""Share of the flow that must be too much, by what it is compared with ("reported": a baseline, and sensors that say which
gates are open)."""
SURE = 4.0
HOLD_BLOCKS = 6
"""Blocks in a row that must agree."""
STEP = 0.07
"""Logarithm of the flow that must have come at once while no gate moved."""
NEWEST, LOOK_BACK = 3, (8, 4)
MISFIT = 12.0
OFF_LINE = 0.07
MOST_DRAG = 0.10
STRETCHES = 20
"""Stretches seen until it is known how many gates are ever open together."""
STRETCH_BLOCKS = 6
SEEN_TWICE = 2
NEVER_ODD = 2
"""So many gates open together are never called too many: work at two machines is common."""
TOLD_MASS, AT_LEAST, AT_MOST = 0.7, 0.95, 0.8
"""Probability of the sets that are told that is enough to count gates by; probability that so many are open at least (to
claim), and at most (to learn what is usual): the first is the stricter."""
MOST_GATES = 40
BACK, BACK_BLOCKS = 0.5, 4
HOW = {
    "baseline": "more air than the baseline at these gates",
    "own": "more air than in earlier running at these gates",
    "design": "more air than the drawing gives at these gates",
    "step": "more air at once, while no gate moved",
    "many": "gates open together",
}


class OpenGateOrLeak(Telling):
    """Three ways to see it, the first two with fan and filter in agreement that it is the ducts:

    * the flow departs from what the open gates should give (needs the baseline tour or gate sensors; with neither only
      a gross departure from the drawing counts);
    * the flow rose at once while gate sensors say that no gate moved;
    * more gates are open together than ever were in this shop.

    A second gate that was forgotten looks like work at two machines, and is told from it only where the maker never
    opens so many.
    """

    condition = Condition.OPEN_GATE_OR_LEAK

    def __init__(self, meter: FlowMeter, watch: FanWatch, departures: Departures) -> None:
        super().__init__()
        self._meter = meter
        self._watch = watch
        self._departures = departures
        self._gated = departures.gated
        self._baseline = departures.has_baseline
        self._levels = Levels(16)
        self._reported: Mapping[str, bool] | None = None
        self._still = 0
        self._agree = 0
        self._counts = [0.0] * MOST_GATES
        self._set: tuple[str, ...] | None = None
        self._set_blocks = 0
        self._reported_all = False
        self._seen = False
        self._since: float | None = None
        self._gates: tuple[str, ...] = ()
        self._gain = 0.0
        self._gain_sd = 0.05
        self._how = ""
        self._open: Level | None = None
        self._back = 0

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._watch.update(block)
        departure = self._departures.update(block)
        level = self._levels.update(block)
        same = block.gates is not None and block.gates == self._reported
        self._reported_all = block.gates is not None and self._gated <= block.gates.keys()
        self._still = self._still + 1 if same and self._reported_all else 0
        self._reported = block.gates
        if level is None:
            self._agree = 0
            return
        self._seen = True
        together = self._count_gates(block)
        if self._since is not None:
            self._watch_leak(level, together)
        elif together is not None and together > self._usual_most():
            self._agree += 1
            if self._agree >= HOLD_BLOCKS:
                self._claim(self._set or (), float(together), 0.3, "many")
        elif self._watch.off_line(OFF_LINE):
            self._agree = 0
        elif departure is not None and departure.value > max(self._least(departure.known, departure.reported),
                                                            SURE * departure.sd):
            self._agree += 1
            if self._agree >= HOLD_BLOCKS:
                self._claim(departure.gates, departure.value, departure.sd, departure.known)
        else:
            self._agree = 0
            self._look_back()

    def _least(self, known: str, reported: bool) -> float:
        return LEAST_GAIN["reported" if known == "baseline" and reported else known]

    def _count_gates(self, block: Block) -> int | None:
        """How many gates are open at least; each stretch is counted, by how many they are at most, once it has lasted a
        minute. Sets that look alike are often equally many."""
        gates: tuple[str, ...] | None = None
        low = high = 0
        if self._reported_all and block.gates is not None:
            gates = tuple(name for name in sorted(self._gated) if block.gates.get(name))
            low = high = len(gates)
        elif block.estimate.gates is not None and self._baseline:
            gates = tuple(name for name in block.estimate.gates if name in self._gated)
            low, high = self._between(block.estimate)
        if gates is None or block.gates_moved or high == 0:
            self._set, self._set_blocks = None, 0
            return None
        if gates != self._set:
            self._set, self._set_blocks = gates, 0
        self._set_blocks += 1
        if self._set_blocks == STRETCH_BLOCKS:
            self._counts[min(high, MOST_GATES - 1)] += 1.0
        return min(low, MOST_GATES - 1) if self._set_blocks >= 3 else None

    def _between(self, estimate: Estimate) -> tuple[int, int]:
        """The least and the most gates that are open, by the sets that explain the readings; 0 and 0 where too few are told."""
        told = [(len(self._gated.intersection(estimate.gates or ())), estimate.gate_probability or 0.0)]
        told += [(len(self._gated.intersection(other.open_ports)), other.probability) for other in estimate.alternatives]
        mass = sum(share for _, share in told)
        if mass < TOLD_MASS:
            return 0, 0
        counts = range(max(n for n, _ in told) + 1)
        low = max(n for n in counts if sum(share for count, share in told if count >= n) >= AT_LEAST * mass)
        high = min(n for n in counts if sum(share for count, share in told if count <= n) >= AT_MOST * mass)
        return low, max(low, high)

    def _usual_most(self) -> int:
        """The most gates that are usually open together; no limit until enough was seen."""
        if sum(self._counts) < STRETCHES:
            return MOST_GATES
        return max([NEVER_ODD, *(n for n, seen in enumerate(self._counts) if seen >= SEEN_TWICE)])

    def _look_back(self) -> None:
        """Did the flow rise at once, a minute ago, and stay, while no gate moved?"""
        levels = self._levels
        age, count = LOOK_BACK
        if self._still < age + count or len(levels) < age + count:
            return
        now, before = levels.newest(age - 1), levels.span(age, count)
        if now.filter_log - before.filter_log < 0.5 * STEP:
            return
        change = compare(self._meter, before, now)
        enough = change.flow > STEP and change.flow - 2.0 * change.flow_sd > 0.3 * STEP
        if enough and change.misfit < MISFIT and abs(change.drag) < max(MOST_DRAG, 3.0 * change.drag_sd):
            gates = tuple(name for name in sorted(self._gated) if (self._reported or {}).get(name))
            self._claim(gates, math.expm1(change.flow), change.flow_sd, "step")

    def _claim(self, gates: tuple[str, ...], gain: float, sd: float, how: str) -> None:
        self._since = self._t
        self._gates, self._gain, self._gain_sd, self._how = gates, gain, sd, how
        self._open = self._levels.newest(min(NEWEST, len(self._levels)))
        self._back = 0
        self._departures.hold(self.condition, True)
        self._changed()

    def _watch_leak(self, level: Level, together: int | None) -> None:
        """The claim stands until the air is as it should be again."""
        if self._how == "many":
            gone = together is not None and together <= self._usual_most()
        else:
            assert self._open is not None
            change = compare(self._meter, self._open, level)
            gone = change.flow < -BACK * math.log1p(self._gain)
        self._back = self._back + 1 if gone else 0
        if self._back >= BACK_BLOCKS:
            self._forget()

    def _forget(self) -> None:
        self._since = self._open = None
        self._agree = self._back = 0
        self._levels.clear()
        self._departures.hold(self.condition, False)
        self._changed()

    def event(self, event: ShopEvent) -> None:
        """After a change of the ducts, or a cleaning, the levels before mean nothing."""
        if event.kind in (EventKind.CHANGED, EventKind.ADDED_RUN, EventKind.BASELINE):
            self._forget()
        elif event.kind in (EventKind.CLEANED, EventKind.REPLACED) and self._since is None:
            self._levels.clear()

    def _tell(self) -> tuple[Finding, ...]:
        if not self._seen:
            return (not_yet_known(self._t, self.condition, "it needs a run with both pressures"),)
        present = self._since is not None
        if not present and not self._departures.usual_known() and not self._reported_all:
            reason = "needs the baseline tour, or gate sensors: the drawing alone is not exact enough to see one gate more"
            return (not_yet_known(self._t, self.condition, reason),)
        evidence, action, where = {}, "", ""
        confidence = 0.9
        if present and self._how == "many":
            evidence["open_gates"] = Evidence(self._gain, "ratio", HOW[self._how])
            action = f"Look which gate was forgotten: {', '.join(self._gates)} are open together."
            confidence = 0.75
        elif present:
            evidence["flow_gained"] = Evidence(self._gain, "fraction", HOW[self._how])
            where = self._gates[0] if len(self._gates) == 1 else ""
            names = " and ".join(self._gates) or "no port"
            action = f"With {names} open too much air flows: look for a hose off, an open gate or a joint apart."
            confidence = min(0.95, probability_above(self._gain, self._gain_sd, 0.4 * STEP))
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.PRESENT if present else Claim.ABSENT,
                where=where,
                confidence=confidence,
                since=self._since,
                evidence=evidence,
                could_be=("work at several machines at once", "a hood or a hose that was made wider", "a clean-out left open"),
                action=action,
            ),
        )

    def snapshot(self) -> dict[str, object]:
        """The claim with what it rests on, and the habits."""
        return {
            "watch": self._watch.snapshot(), "departures": self._departures.snapshot(), "levels": self._levels.snapshot(),
            "still": self._still, "agree": self._agree, "seen": self._seen, "counts": list(self._counts),
            "set": None if self._set is None else list(self._set), "set_blocks": self._set_blocks,
            "reported": None if self._reported is None else dict(self._reported), "reported_all": self._reported_all,
            "since": self._since, "gates": list(self._gates), "gain": self._gain, "gain_sd": self._gain_sd,
            "how": self._how, "open": None if self._open is None else self._open.plain(), "back": self._back,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._watch.restore(data.get("watch"))
        self._departures.restore(data.get("departures"))
        self._levels.restore(data.get("levels"))
        self._still, self._agree, self._back, self._set_blocks = (
            int(number(data.get(key)) or 0) for key in ("still", "agree", "back", "set_blocks"))
        self._seen, self._reported_all = data.get("seen") is True, data.get("reported_all") is True
        counts = number_list(data.get("counts"))
        if counts is not None and len(counts) == MOST_GATES:
            self._counts = counts
        self._set = None if data.get("set") is None else names_of(data.get("set"))
        reported = data.get("reported")
        self._reported = {str(k): v is True for k, v in reported.items()} if isinstance(reported, Mapping) else None
        self._gates = names_of(data.get("gates"))
        self._gain = number(data.get("gain")) or 0.0
        self._gain_sd = number(data.get("gain_sd")) or 0.05
        how = data.get("how")
        self._how = how if isinstance(how, str) and how in HOW else "step"
        self._open = Level.of(data.get("open"))
        self._since = number(data.get("since")) if self._open is not None else None
        self._changed()
