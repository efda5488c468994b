"""A port draws less than it did on the day of the baseline, after the filter's part is taken out."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.blocks import Block
from analysis.conditions import Condition
from analysis.detectors.departures import Departures
from analysis.detectors.fan_line import FanWatch
from analysis.detectors.numbers import number
from analysis.detectors.telling import Telling
from analysis.detectors.words import not_yet_known, probability_above
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding

STRETCH_S = 60.0
"""Running at one port that makes a stretch of it."""
MEMORY = 8.0
"""Stretches that are remembered."""
ENOUGH = 3.0
STRETCH_SD = 0.02
"""What one stretch differs from the next: the hose lies differently (ours)."""
LIKELY, RELEASE = 0.9, 0.4
SURE_SET = 0.85
OFF_LINE = 0.07


class SuctionLost(Telling):
    """For each port, the departure of the flow from the baseline while it alone is open, averaged over the last stretches.
    The bags' part is out of it, for it is told at the drag of the moment. Slow losses (a hose that sags, a joint that
    opens, a gate that no longer opens fully) show here and nowhere else.
    """

    condition = Condition.SUCTION_LOST

    def __init__(self, watch: FanWatch, departures: Departures, share: float) -> None:
        super().__init__()
        self._watch = watch
        self._departures = departures
        self._limit = share
        self._ports: dict[str, tuple[float, float, float]] = {}
        """Port -> stretches counted, mean departure, standard deviation of what it is compared with."""
        self._gates: tuple[str, ...] | None = None
        self._sum = self._sd_sum = 0.0
        self._seconds = 0.0
        self._since: dict[str, float] = {}

    def update(self, block: Block) -> None:
        """Take in a block."""
        self._t = block.t
        if not self._departures.has_baseline:
            return
        self._watch.update(block)
        departure = self._departures.update(block)
        if departure is None or departure.known != "baseline":
            if not block.running or block.gates_moved:
                self._end(block.t)
            return
        told = block.estimate
        sure = departure.reported or (told.gate_probability or 0.0) >= SURE_SET
        if departure.gates != self._gates:
            self._end(block.t)
            self._gates = departure.gates
        if not sure or self._departures.held or self._watch.off_line(OFF_LINE):
            return
        self._sum += departure.value * block.seconds
        self._sd_sum += departure.sd * block.seconds
        self._seconds += block.seconds

    def _end(self, t: float) -> None:
        """A stretch is over: where one port alone was open long enough, it counts for that port."""
        gates, seconds = self._gates, self._seconds
        mean, sd = (self._sum / seconds, self._sd_sum / seconds) if seconds > 0.0 else (0.0, 0.0)
        self._gates, self._sum, self._sd_sum, self._seconds = None, 0.0, 0.0, 0.0
        if gates is None or len(gates) != 1 or seconds < STRETCH_S:
            return
        port = gates[0]
        n, before, _ = self._ports.get(port, (0.0, 0.0, 0.0))
        n = min(n + 1.0, MEMORY)
        self._ports[port] = (n, before + (mean - before) / n, sd)
        likely = self._likely(port)
        if port not in self._since and n >= ENOUGH and likely >= LIKELY:
            self._since[port] = t
            self._changed()
        elif port in self._since and likely < RELEASE:
            del self._since[port]
            self._changed()

    def _likely(self, port: str) -> float:
        n, mean, sd = self._ports[port]
        return probability_above(-mean, (sd * sd + STRETCH_SD**2 / n) ** 0.5, self._limit)

    def event(self, event: ShopEvent) -> None:
        """A new baseline or a change of the ducts begins anew."""
        if event.kind in (EventKind.BASELINE, EventKind.CHANGED):
            self._ports.clear()
            self._since.clear()
            self._changed()

    def _tell(self) -> tuple[Finding, ...]:
        if not self._departures.has_baseline:
            return (not_yet_known(self._t, self.condition, "needs the baseline tour"),)
        if not any(row[0] >= ENOUGH for row in self._ports.values()):
            reason = "no port has run alone often enough since the baseline, with gates that are clear"
            return (not_yet_known(self._t, self.condition, reason),)
        if not self._since:
            return (Finding(self._t, self.condition, Claim.ABSENT, confidence=0.9),)
        return tuple(self._finding(port) for port in self._since)

    def _finding(self, port: str) -> Finding:
        n, mean, _ = self._ports[port]
        return Finding(
            t=self._t,
            condition=self.condition,
            claim=Claim.PRESENT,
            where=port,
            confidence=min(0.95, self._likely(port)),
            since=self._since[port],
            evidence={
                "flow_lost": Evidence(-mean, "fraction", "air that this port draws less than at the baseline"),
                "agreed": Evidence(self._limit, "fraction", "loss agreed to"),
                "stretches": Evidence(n, "count", "runs at this port that it rests on"),
            },
            could_be=("a run added since", "a leak nearer to the fan", "another port open instead of this one"),
            action=f"Compare the {port} with its baseline: look at its hose, its gate, its joints and for chips in its run.",
        )

    def snapshot(self) -> dict[str, object]:
        """What the ports drew."""
        return {
            "ports": {port: list(row) for port, row in self._ports.items()}, "since": dict(self._since),
            "gates": None if self._gates is None else list(self._gates), "sum": self._sum, "sd_sum": self._sd_sum,
            "seconds": self._seconds, "watch": self._watch.snapshot(), "departures": self._departures.snapshot(),
        }

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a snapshot."""
        self._watch.restore(data.get("watch"))
        self._departures.restore(data.get("departures"))
        rows, since, gates = data.get("ports"), data.get("since"), data.get("gates")
        for port, row in rows.items() if isinstance(rows, Mapping) else ():
            values = [number(item) for item in row] if isinstance(row, list) else []
            if len(values) == 3 and None not in values:
                self._ports[str(port)] = tuple(v for v in values if v is not None)  # type: ignore[assignment]
        for port, t in since.items() if isinstance(since, Mapping) else ():
            if port in self._ports and isinstance(t, int | float):
                self._since[str(port)] = float(t)
        self._gates = tuple(map(str, gates)) if isinstance(gates, list) else None
        self._sum, self._sd_sum, self._seconds = (number(data.get(key)) or 0.0 for key in ("sum", "sd_sum", "seconds"))
        self._changed()
