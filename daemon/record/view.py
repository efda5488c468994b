"""The facts of a record as the texts that stand on the sheet, in the owner's units and the shop's time."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import Any

from analysis.conditions import TEXTS
from analysis.energy import UNCERTAINTY
from analysis.readings import CHANNELS
from analysis.units import System, from_si, show, shown_unit
from daemon.alarms.types import AlarmState
from daemon.digest import EVENT_WORDS
from daemon.record.facts import AlarmFacts, DayFacts, GateSetFacts, Mean, PortFacts, RecordFacts, SensorFacts
from daemon.store.reader import JournalEntry
from daemon.wording import URGENCY_WORDS, duration, headline

DASH = "–"
FAR = 0.10
"""A reading further than this from its reference is printed bold."""
_NEAR_ZERO: dict[tuple[str, System], tuple[str, int]] = {
    ("pressure", "us"): ("inwg", 3), ("pressure", "si"): ("Pa", 1), ("current", "us"): ("A", 2), ("current", "si"): ("A", 2),
}
"""Unit and decimals of what is near zero: one or two more than a screen shows."""
_QUALITY = {"out_of_range": "out of range", "jump": "jumps", "stuck": "stuck", "silent": "silent", "unreadable": "unreadable"}


def hours(seconds: float) -> str:
    """A running time.

    >>> hours(5400.0), hours(0.0)
    ('1.5 h', '–')
    """
    return f"{seconds / 3600.0:.1f} h" if seconds > 0.0 else DASH


def unit_words(kind: str, units: System) -> str:
    """The unit in which the screen shows a kind of quantity, as it is written.

    >>> unit_words("pressure", "us"), unit_words("flow", "us")
    ('in. w.g.', 'cfm')
    """
    return show(0.0, kind, units).partition(" ")[2]


def bare(value: float | None, kind: str, units: System) -> str:
    """A quantity as the screen shows it, without its unit, which stands in the head of the column.

    >>> bare(0.2, "flow", "us"), bare(None, "flow", "us")
    ('424', '–')
    """
    return DASH if value is None else show(value, kind, units).partition(" ")[0]


class View:
    """Makes the texts of one record. ``tz`` is the shop's time zone."""

    def __init__(self, facts: RecordFacts, tz: tzinfo) -> None:
        self._facts = facts
        self._tz = tz

    def when(self, t: float | None) -> str:
        """A moment of the month: day and time; with the month where it is another one."""
        if t is None:
            return DASH
        at = datetime.fromtimestamp(t, self._tz)
        inside = self._facts.month.start_t <= t < self._facts.month.end_t
        return f"{at:%a} {at.day}, {at:%H:%M}" if inside else f"{at.day} {at:%b %Y}, {at:%H:%M}"

    def document(self, made_t: float, version: str, plot: str) -> dict[str, Any]:
        """Everything that the template asks for."""
        facts = self._facts
        over = facts.until_t >= facts.month.end_t
        made = datetime.fromtimestamp(made_t, self._tz)
        return {
            "shop": facts.shop,
            "month": facts.month.name,
            "pressure_unit": unit_words("pressure", facts.units),
            "flow_unit": unit_words("flow", facts.units),
            "so_far": "" if over else f"so far: up to {self.when(facts.until_t)}",
            "made": f"{made.day} {made:%b %Y}, {made:%H:%M}",
            "version": version,
            "summary": list(self._summary()),
            "days": [self._day(day) for day in facts.days],
            "reference": facts.reference,
            "gate_sets": [self._gate_set(found) for found in facts.gate_sets],
            "ports": [_port(port, facts.units) for port in facts.ports],
            "raw": self._raw(),
            "plot": plot,
            "cleanings": [{
                "when": self.when(c.entry.t), "what": EVENT_WORDS.get(c.entry.kind, c.entry.kind), "by": _by(c.entry),
                "before": _ratio(c.before), "after": _ratio(c.after),
                "since": DASH if c.since_s is None else hours(c.since_s),
            } for c in facts.cleanings],
            "alarms": [self._alarm(found) for found in facts.alarms],
            "held_back": facts.held_back,
            "sensors": [_sensor(found, facts.units, facts.run_s) for found in facts.sensors],
            "gaps": [f"{self.when(g.start_t)} to {self.when(g.end_t)} ({duration(g.end_t - g.start_t)})" for g in facts.gaps],
            "drawings": facts.drawings,
        }

    def entry(self, entry: JournalEntry) -> str:
        """A journal entry in words."""
        words = EVENT_WORDS.get(entry.kind, entry.kind)
        where = f" at {entry.where}" if entry.where else ""
        return f"{words}{where}{f': {entry.text}' if entry.text else ''}"

    def _summary(self) -> Iterator[tuple[str, str]]:
        facts = self._facts
        used = sum(day.run_s > 0.0 or day.starts > 0 for day in facts.days)
        yield "The fan ran", f"{facts.run_s / 3600.0:.1f} h on {used} day{'' if used == 1 else 's'}, {facts.starts} starts"
        energy = facts.energy_j
        if energy is None:
            yield "Energy", facts.energy_words or "not known"
        else:
            cost = "" if facts.cost is None else f", about {facts.cost[0]:.2f} {facts.cost[1]}"
            left_out = f" ({facts.energy_words})" if facts.energy_words else ""
            yield "Energy", (f"{show(energy, 'energy', facts.units)}{cost}{left_out}; from the motor's current and plate, "
                             f"right to about {100 * UNCERTAINTY:.0f} %")
        kinds = [entry.kind for entry in facts.journal]
        yield "Filter", f"cleaned {_times(kinds.count('cleaned'))}, bags washed or replaced {_times(kinds.count('replaced'))}"
        yield "Chip bag", f"emptied {_times(kinds.count('emptied'))}"
        known = [day.drag_ratio for day in facts.days if day.drag_ratio is not None]
        if known:
            yield "Filter drag", f"{known[0]:.2f} times clean on the first day of running, {known[-1]:.2f} on the last"
        yield "Alarms", facts.alarm_words
        unseen = sum(gap.end_t - gap.start_t for gap in facts.gaps)
        if facts.seen_from_t > facts.month.start_t:
            yield "Watched", f"from {self.when(facts.seen_from_t)} on" + (f", but for {duration(unseen)}" if unseen else "")
        elif facts.raw_from_t is None or facts.raw_from_t < facts.month.end_t:
            yield "Watched", "all the time" if not unseen else f"all the time but {duration(unseen)}"

    def _day(self, day: DayFacts) -> dict[str, Any]:
        units = self._facts.units
        return {
            "day": f"{day.day:%a} {day.day.day}",
            "idle": day.run_s <= 0.0 and not day.done and not day.alarms,
            "run": hours(day.run_s),
            "starts": str(day.starts) if day.starts else DASH,
            "energy": DASH if day.energy_j is None else f"{day.energy_j / 3.6e6:.1f}",
            "flow": bare(day.flow_m3s, "flow", units),
            "drag": _ratio(day.drag_ratio),
            "alarms": str(day.alarms) if day.alarms else DASH,
            "done": "; ".join(self._done(e) for e in day.done),
        }

    def _done(self, entry: JournalEntry) -> str:
        found = " (found from the readings)" if entry.by == "ductwarden" else ""
        return f"{datetime.fromtimestamp(entry.t, self._tz):%H:%M} {self.entry(entry)}{found}"

    def _raw(self) -> str:
        raw = self._facts.raw_from_t
        if raw is None:
            return ""
        if raw >= self._facts.month.end_t:
            return "Single readings of this month are no longer kept: what rests on them is not known any more."
        return f"Single readings are kept from {self.when(raw)} on: this rests on them."

    def _gate_set(self, found: GateSetFacts) -> dict[str, Any]:
        units = self._facts.units
        names = DASH if found.open_ports is None else " + ".join(found.open_ports) or "all shut"
        inlet, flow = found.means.get("inlet_pa"), found.means.get("flow_m3s")
        return {
            "open": "not known" if found.open_ports is None else names,
            "time": _long(found.seconds),
            "inlet": bare(None if inlet is None else inlet.value, "pressure", units),
            "inlet_expected": bare(found.expected.get("inlet_pa"), "pressure", units),
            "inlet_off": _off(inlet, found.expected.get("inlet_pa")),
            "flow": bare(None if flow is None else flow.value, "flow", units),
            "flow_sd": "" if flow is None or found.flow_sd is None else f"± {bare(found.flow_sd, 'flow', units)}",
            "flow_expected": bare(found.expected.get("flow_m3s"), "flow", units),
            "flow_off": _off(flow, found.expected.get("flow_m3s")),
            "filter": "" if found.flow_lost is None else f"{-100 * found.flow_lost:+.0f} %",
        }

    def _alarm(self, found: AlarmFacts) -> dict[str, Any]:
        alarm = found.alarm
        steps = []
        for step in found.steps:
            if step.after is AlarmState.UNACKNOWLEDGED and step.before is not AlarmState.NORMAL:
                steps.append(f"{self.when(step.t)} told again")
            elif step.after is AlarmState.ACKNOWLEDGED or (
                step.after is AlarmState.NORMAL and step.before is AlarmState.RETURNED and step.by != "ductwarden"
            ):
                steps.append(f"{self.when(step.t)} acknowledged{_unless_owner(step.by)}")
            elif step.after in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE):
                reason = f": {step.reason}" if step.reason else ""
                steps.append(f"{self.when(step.t)} {step.after.value.replace('_', ' ')}{_unless_owner(step.by)}{reason}")
        return {
            "id": alarm.id,
            "title": headline(alarm),
            "urgency": URGENCY_WORDS[alarm.urgency],
            "stop": alarm.urgency.value == "stop",
            "raised": self.when(alarm.raised_t),
            "over": self.when(alarm.cleared_t) if alarm.cleared_t is not None else "still there",
            "lasted": "" if alarm.cleared_t is None else duration(max(0.0, alarm.cleared_t - alarm.raised_t)),
            "steps": steps,
            "done": [f"{self.when(e.t)} {self.entry(e)}" for e in found.done] or ["nothing written down"],
            "meaning": TEXTS[alarm.condition].meaning,
        }


def _port(port: PortFacts, units: System) -> dict[str, Any]:
    share = None if port.flow_m3s is None or not port.needs_m3s else port.flow_m3s / port.needs_m3s
    return {
        "name": port.name,
        "time": _long(port.seconds) if port.seconds else DASH,
        "flow": bare(port.flow_m3s, "flow", units),
        "span": _span(port, units),
        "needs": bare(port.needs_m3s, "flow", units),
        "share": DASH if share is None else f"{100 * share:.0f} %",
        "short": share is not None and share < 1.0 - FAR,
    }


def _span(port: PortFacts, units: System) -> str:
    least, most = bare(port.least_m3s, "flow", units), bare(port.most_m3s, "flow", units)
    return least if least == most else f"{least} to {most}"


def _sensor(found: SensorFacts, units: System, run_s: float) -> dict[str, Any]:
    info = CHANNELS[found.channel]
    symbol, digits = _NEAR_ZERO.get((info.kind, units), (shown_unit(info.kind, units)[0], 2))

    def shown(value: float | None, sign: str = "+") -> str:
        if value is None or not found.rests_at_zero:
            return DASH
        return f"{from_si(value, symbol, info.kind):{sign}.{digits}f}"

    missing = [f"{_QUALITY.get(word, word)} {duration(s)}" for word, s in sorted(found.missing.items()) if s >= 1.0]
    share = f" ({100 * sum(found.missing.values()) / run_s:.1f} % of running)" if missing and run_s else ""
    return {
        "name": info.words,
        "channel": f"{found.channel}, {unit_words(info.kind, units)}" if found.rests_at_zero else found.channel,
        "zero": shown(None if found.zero is None else found.zero.value),
        "first": shown(found.first),
        "last": shown(found.last),
        "worst": shown(found.worst),
        "accuracy": shown(found.accuracy, ""),
        "verdict": verdict(found),
        "missing": ", ".join(missing) + share or "none",
    }


def verdict(found: SensorFacts) -> str:
    """What the zero at rest says of a channel."""
    if not found.rests_at_zero:
        return "rest says nothing of it"
    if found.worst is None:
        return "not seen at rest"
    if abs(found.worst) <= 2.0 * found.accuracy:
        return "zero holds within its accuracy"
    if found.bound is None or abs(found.worst) <= found.bound:
        return "zero has moved; it is taken out at every standstill, but look at tube and sensor"
    return "zero too far off to be believed: check tube, wire and sensor"


def _unless_owner(by: str) -> str:
    return "" if by == "owner" else f" by {by}"


def _by(entry: JournalEntry) -> str:
    return "found from the readings" if entry.by == "ductwarden" else entry.by


def _ratio(value: float | None) -> str:
    return DASH if value is None else f"{value:.2f}"


def _times(count: int) -> str:
    return {0: "not at all", 1: "once", 2: "twice"}.get(count, f"{count} times")


def _long(seconds: float) -> str:
    return hours(seconds) if seconds >= 3600.0 else f"{seconds / 60.0:.0f} min"


def _off(mean: Mean | None, expected: float | None) -> dict[str, Any]:
    if mean is None or not expected:
        return {"text": DASH, "far": False}
    off = mean.value / expected - 1.0
    return {"text": f"{100 * off:+.0f} %", "far": abs(off) > FAR}
