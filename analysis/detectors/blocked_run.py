"""A run is plugged: less air flows through the open gates than they should give."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.departures import Departure, Departures
from analysis.detectors.fan_line import FanWatch
from analysis.detectors.flow_meter import FlowMeter
from analysis.detectors.levels import KEPT, Level, Levels, compare
from analysis.detectors.numbers import as_list, names_of, number
from analysis.detectors.telling import Telling
from analysis.detectors.usual import plain_words
from analysis.detectors.words import not_yet_known, probability_above
from analysis.estimates import Estimate
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding

LEAST_LOSS = {"baseline": 0.12, "own": 0.12, "design": 0.25}
"""Share of the flow that must be missing, by what it is compared with."""
SURE = 4.0
"""Standard deviations that it must be missing by."""
HOLD_BLOCKS = 3
"""Blocks in a row that must agree."""
NEWEST = 3
WORTH_A_LOOK = 0.10
"""Fall of the logarithm of the filter pressure within a run that is looked into."""
SLIDE = 0.14
"""Logarithm of the pressure over the bags (and so of the flow) that must have gone within the run."""
SLIDE_BLOCKS = 2
"""Levels that must lie on the way: a gate that is moved leaves none, a heap that grows leaves several."""
BAND = 0.22
"""Share of the fall at either end that is no way: what lies there is scatter of the levels before and after."""
SLIDE_SD = 0.03
LEAST_RISEN, RISEN_ALONE = -0.01, 0.012
"""What the fan's pressure must have done in a plug (logarithm): with the current to agree, and without."""
CURRENT_SHARE = 0.10
"""Fall of the current (logarithm) in a plug, at least, for a unit of the fall over the bags: fans of this kind draw less
when they move less."""
OFF_LINE = 0.07
"""Further off the fan's own line than this it is the fan, its motor or a sensor."""
NAMED, MAYBE = 0.85, 0.15
"""Probability of the open gates from which a port is named, and that of one port from which it is worth a look beside others."""
STRETCH, SETTLING = 6, 2
"""Blocks before the flow fell by which the gates are told; blocks in which they were being judged anew."""
BACK, BACK_BLOCKS = 0.5, 4
"""Share of the lost flow that must be back for the claim to be taken back, and for how many blocks in a row."""
HOW = {
    "baseline": "air missing against the baseline at these gates",
    "own": "air missing against earlier running at these gates",
    "design": "air missing against the drawing at these gates",
    "slide": "air lost since the best moment of this run",
}


class BlockedRun(Telling):
    """Three ways to see it, each with the fan's own line and the drag in agreement that it is the ducts:

    * the flow departs from what the open gates should give by more than any usual departure. It needs the baseline tour
      or gate sensors; with neither only a gross departure from the drawing counts;
    * the flow slid away within a run over several blocks. A gate moves at once, a heap of chips grows: this needs no
      knowledge of the gates at all;
    * the flow fell at once while gate sensors say that no gate moved.

    A sudden plug in a shop with neither tour nor gate sensors cannot be told from a gate that was shut.
    """

    condition = Condition.BLOCKED_RUN

    def __init__(self, meter: FlowMeter, watch: FanWatch, departures: Departures) -> None:
        super().__init__()
        self._meter = meter
        self._watch = watch
        self._departures = departures
        self._gated = departures.gated
        self._levels = Levels()
        self._sets: deque[tuple[str, ...]] = deque(maxlen=KEPT)
        self._maybe: deque[tuple[str, ...]] = deque(maxlen=KEPT)
        self._reported: Mapping[str, bool] | None = None
        self._still = 0
        self._agree = 0
        self._seen = False
        self._since: float | None = None
        self._gates: tuple[str, ...] = ()
        self._perhaps: tuple[str, ...] = ()
        self._loss = 0.0
        self._loss_sd = 0.05
        self._how = ""
        self._plugged: Level | None = None
        self._back = 0

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        self._watch.update(block)
        departure = self._departures.update(block)
        level = self._levels.update(block)
        same = block.gates is not None and block.gates == self._reported
        self._still = self._still + 1 if same and self._gated <= (block.gates or {}).keys() else 0
        self._reported = block.gates
        if level is None:
            self._agree = 0
            return
        if len(self._levels) == 1:
            self._sets.clear()
            self._maybe.clear()
        sure = block.estimate.gates is not None and (block.estimate.gate_probability or 0.0) >= NAMED
        self._sets.append(block.estimate.gates or () if sure else ())
        self._maybe.append(() if sure else _maybe(block.estimate))
        self._seen = True
        if self._since is not None:
            self._watch_plug(level)
        elif self._watch.off_line(OFF_LINE):
            self._agree = 0
        elif departure is not None and departure.value < -max(LEAST_LOSS[departure.known], SURE * departure.sd):
            self._agree += 1
            if self._agree >= HOLD_BLOCKS:
                back = departure.blocks + SETTLING
                self._claim(self._gates_before(departure), -departure.value, departure.sd, departure.known, back)
        else:
            self._agree = 0
            self._look_back()

    def _gates_before(self, departure: Departure) -> tuple[str, ...]:
        """The gates that are meant: as reported; else those that were open in this run before the flow fell, for a plug makes
        one port look like another; none where only the drawing is known."""
        if departure.reported:
            return departure.gates
        if not self._departures.has_baseline:
            return ()
        before = list(self._sets)[: max(0, len(self._sets) - departure.blocks - SETTLING)][-STRETCH:]
        if len(before) < 3:
            return departure.gates if self._sets[-1] == departure.gates else ()
        return max(set(before), key=before.count)

    def _look_back(self) -> None:
        """Did the flow slide away within this run, or fall while no gate moved?"""
        levels = self._levels
        if len(levels) < NEWEST + 3:
            return
        logs = [level.filter_log for level in levels]
        best = max(logs[:-NEWEST])
        if sum(logs[-NEWEST:]) / NEWEST - best > -WORTH_A_LOOK:
            return
        now, age = levels.newest(NEWEST), len(logs) - 1 - logs.index(best)
        before = levels.span(max(age - 1, NEWEST), 3)
        fall = before.filter_log - now.filter_log
        between = sum(
            now.filter_log + BAND * fall < log < before.filter_log - BAND * fall for log in logs[len(logs) - age:-NEWEST])
        if between < SLIDE_BLOCKS and self._still < age + 1:
            return
        if not self._plug_like(before, now):
            return
        sets = self._sets
        known = sets and self._departures.has_baseline
        gates = sets[max(0, len(sets) - 1 - age)] if known else ()
        if self._still >= age + 1 and self._reported is not None:
            gates = tuple(name for name in sorted(self._gated) if self._reported.get(name))
        # The drag stays as it was, so the pressure over the bags goes with the flow.
        self._claim(gates, -math.expm1(-fall), SLIDE_SD, "slide", age + 1)

    @staticmethod
    def _plug_like(before: Level, now: Level) -> bool:
        """The signs of a plug: less over the bags, no less from the fan, less current (a tear draws more, a weak fan gives
        less)."""
        fall = before.filter_log - now.filter_log
        risen = now.total_log - before.total_log
        if fall < SLIDE:
            return False
        if now.current_log is None or before.current_log is None:
            return risen > RISEN_ALONE
        return risen > LEAST_RISEN and now.current_log - before.current_log < -CURRENT_SHARE * fall

    def _claim(self, gates: tuple[str, ...], loss: float, sd: float, how: str, back: int) -> None:
        self._since = self._t
        self._gates, self._loss, self._loss_sd, self._how = gates, loss, sd, how
        self._perhaps = ()
        if not gates and self._departures.has_baseline and self._maybe:
            self._perhaps = self._maybe[max(0, len(self._maybe) - 1 - back)]
        self._plugged = self._levels.newest(NEWEST)
        self._back = 0
        self._departures.hold(self.condition, True)
        self._changed()

    def _watch_plug(self, level: Level) -> None:
        """The claim stands until the flow is back, in this run or a later one."""
        assert self._plugged is not None
        change = compare(self._meter, self._plugged, level)
        lost = -math.log1p(-min(self._loss, 0.95))
        self._back = self._back + 1 if change.flow > BACK * lost else 0
        if self._back >= BACK_BLOCKS:
            self._forget()
        elif change.flow < -0.05 and self._how == "slide" and abs(change.drag) < 0.2:
            # The heap still grows: remember the worst.
            self._loss = 1.0 - (1.0 - self._loss) * math.exp(change.flow)
            self._plugged = self._levels.newest(NEWEST)

    def _forget(self) -> None:
        self._since = self._plugged = None
        self._agree = self._back = 0
        self._levels.clear()
        self._sets.clear()
        self._maybe.clear()
        self._departures.hold(self.condition, False)
        self._changed()

    def event(self, event: ShopEvent) -> None:
        """After a change of the ducts, or a cleaning, the levels before mean nothing."""
        if event.kind in (EventKind.CHANGED, EventKind.ADDED_RUN, EventKind.BASELINE):
            self._forget()
        elif event.kind in (EventKind.CLEANED, EventKind.REPLACED) and self._since is None:
            self._levels.clear()
            self._sets.clear()
            self._maybe.clear()

    def _tell(self) -> tuple[Finding, ...]:
        if not self._seen:
            reason = "it needs a run with both pressures"
            return (not_yet_known(self._t, self.condition, reason),)
        present = self._since is not None
        where = self._gates[0] if present and self._gates else ""
        evidence = {}
        action = ""
        if present:
            evidence["flow_lost"] = Evidence(self._loss, "fraction", HOW[self._how])
            action = f"Stop the fan and clear the run of the {plain_words(self._gates)}."
            if not self._gates:
                action = "Stop the fan and look for a plug in the runs that were open."
                if self._perhaps:
                    ports = _either(self._perhaps)
                    action = f"Stop the fan and look for a plug in the run that was open, perhaps that of the {ports}."
        others = [f"the run of the {name}" for name in self._gates[1:]]
        return (
            Finding(
                t=self._t,
                condition=self.condition,
                claim=Claim.PRESENT if present else Claim.ABSENT,
                where=where,
                confidence=min(0.95, probability_above(self._loss, self._loss_sd, 0.4 * SLIDE)) if present else 0.9,
                since=self._since,
                evidence=evidence,
                could_be=(
                    *others, "a gate that was shut, or half shut", "a board or a cloth over the hood",
                    "a crushed or kinked hose",
                ),
                action=action,
            ),
        )

    def snapshot(self) -> dict[str, object]:
        """The claim with what it rests on."""
        return {
            "watch": self._watch.snapshot(), "departures": self._departures.snapshot(), "levels": self._levels.snapshot(),
            "sets": [list(gates) for gates in self._sets], "still": self._still, "agree": self._agree, "seen": self._seen,
            "reported": None if self._reported is None else dict(self._reported),
            "maybe": [list(ports) for ports in self._maybe], "perhaps": list(self._perhaps),
            "since": self._since, "gates": list(self._gates), "loss": self._loss, "loss_sd": self._loss_sd,
            "how": self._how, "plugged": None if self._plugged is None else self._plugged.plain(), "back": self._back,
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._watch.restore(data.get("watch"))
        self._departures.restore(data.get("departures"))
        self._levels.restore(data.get("levels"))
        self._sets.extend(names_of(row) for row in as_list(data.get("sets")))
        reported = data.get("reported")
        self._reported = {str(k): v is True for k, v in reported.items()} if isinstance(reported, Mapping) else None
        self._still, self._agree, self._back = (int(number(data.get(k)) or 0) for k in ("still", "agree", "back"))
        self._seen = data.get("seen") is True
        self._gates, self._perhaps = names_of(data.get("gates")), names_of(data.get("perhaps"))
        self._maybe.extend(names_of(row) for row in as_list(data.get("maybe")))
        self._loss = number(data.get("loss")) or 0.0
        self._loss_sd = number(data.get("loss_sd")) or 0.05
        self._plugged = Level.of(data.get("plugged"))
        how = data.get("how")
        self._how = how if isinstance(how, str) and how in HOW else "slide"
        self._since = number(data.get("since")) if self._plugged is not None else None
        self._changed()


def _maybe(estimate: Estimate) -> tuple[str, ...]:
    """The ports that may well be open, the likeliest first."""
    likely: dict[str, float] = {}
    told = [(estimate.gates or (), estimate.gate_probability or 0.0)]
    for gates, share in (*told, *((other.open_ports, other.probability) for other in estimate.alternatives)):
        for name in gates:
            likely[name] = likely.get(name, 0.0) + share
    return tuple(sorted((name for name, share in likely.items() if share >= MAYBE), key=lambda name: -likely[name])[:3])


def _either(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
