"""The weekly digest: what happened, what stands, what is due, in a text that is read in a minute."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo

from analysis.conditions import Urgency
from analysis.events import EventKind, ShopEvent
from daemon.alarms.machine import HIDDEN
from daemon.alarms.settings import NoticeSettings
from daemon.alarms.types import Alarm
from daemon.drag_png import drag_png
from daemon.notices import Notice
from daemon.wording import duration, headline, local_time, standing

EVENT_WORDS: dict[str, str] = {
    EventKind.CLEANED: "filter cleaned", EventKind.REPLACED: "filter bags washed or replaced",
    EventKind.EMPTIED: "chip bag emptied", EventKind.CHANGED: "something changed", EventKind.ADDED_RUN: "run added",
    EventKind.BASELINE: "baseline taken", EventKind.NOTE: "note",
}


@dataclass(frozen=True, slots=True)
class DigestFacts:
    """What the digest is made of; whatever is None is not known and is said so or left out.

    ``start_t`` and ``end_t`` the week [s]; ``run_s`` running time [s]; ``starts`` motor starts; ``alarms`` raised
    in the week and how often each was ``raised`` (by its id; once where nothing is said); ``open`` not normal now;
    ``events`` of the journal; ``drag_days`` filter drag over clean in equal
    parts of the week, ``clean_at`` the drag at which cleaning pays, ``drag_ratio`` the last,
    ``drag_ratio_before`` the same when the week began; ``flow_lost`` share of the flow that it costs [0..1];
    ``forecast_s`` running time until a cleaning pays, ``days_left_s`` the same in days at the present use [s].
    """

    start_t: float
    end_t: float
    run_s: float | None = None
    starts: int | None = None
    alarms: Sequence[Alarm] = field(default_factory=tuple)
    raised: Mapping[int, int] = field(default_factory=dict)
    open: Sequence[Alarm] = field(default_factory=tuple)
    events: Sequence[ShopEvent] = field(default_factory=tuple)
    drag_days: Sequence[float | None] = ()
    clean_at: float | None = None
    drag_ratio: float | None = None
    drag_ratio_before: float | None = None
    flow_lost: float | None = None
    forecast_s: float | None = None
    days_left_s: float | None = None

    def times(self, alarm: Alarm) -> int:
        """How often an alarm was raised in the week: one that came back counts again, as in the record and in the rates."""
        return self.raised.get(alarm.id, 1)


def weekly_digest(facts: DigestFacts, settings: NoticeSettings, tz: tzinfo) -> Notice:
    """The digest as a notice. Its id carries the ISO week that most of the last seven days lie in: one per week and
    shop."""
    middle = datetime.fromtimestamp(facts.end_t, tz) - timedelta(days=3.5)
    year, week, _ = middle.isocalendar()
    lines = [f"{settings.shop}, {local_time(facts.start_t, tz)} to {local_time(facts.end_t, tz)}.", _ran(facts),
             _filter(facts), drag_picture(facts.drag_days)]
    lines += _section("Open now", [f"{headline(a)} ({standing(a, tz)})" for a in facts.open])
    lines += _section(f"Alarms raised ({sum(map(facts.times, facts.alarms))})", [_raised(a, facts, tz) for a in facts.alarms])
    lines += _section("Journal", [_entry(e, tz) for e in facts.events])
    return Notice(f"digest-{year}-W{week:02d}", facts.end_t, 0, "", "", "digest", Urgency.PLAN,
                  f"Week {week}: {_summary(facts)}", "\n".join(line for line in lines if line),
                  drag_png(facts.drag_days, facts.clean_at, _days(facts, tz)))


def _days(facts: DigestFacts, tz: tzinfo) -> list[int]:
    """The days of the month in the middle of each seventh of the span."""
    seventh = (facts.end_t - facts.start_t) / 7
    return [datetime.fromtimestamp(facts.start_t + (number + 0.5) * seventh, tz).day for number in range(7)]


BARS = "▁▂▃▄▅▆▇█"


def drag_picture(days: Sequence[float | None]) -> str:
    """The drag of the week as a line of bars that every mail program and telephone shows; "" where little is known.

    >>> drag_picture([1.0, 1.2, None, 1.4])
    'Drag through the week: ▁▄·█ (1.00 to 1.40 times clean; a dot: the fan stood still)'
    """
    known = [value for value in days if value is not None]
    if len(known) < 2:
        return ""
    low, high = min(known), max(known)
    # A tenth of the clean drag fills the height at least: noise is not drawn as a mountain.
    reach = max(high - low, 0.1)
    bars = "".join("·" if value is None else BARS[min(7, int(7.99 * (value - low) / reach))] for value in days)
    still = "; a dot: the fan stood still" if "·" in bars else ""
    return f"Drag through the week: {bars} ({low:.2f} to {high:.2f} times clean{still})"


def _summary(facts: DigestFacts) -> str:
    told = [a for a in facts.open if a.state not in HIDDEN]
    if not told:
        return "nothing to do"
    return "one thing to look at" if len(told) == 1 else f"{len(told)} things to look at"


def _ran(facts: DigestFacts) -> str:
    if facts.run_s is None:
        return "Running time: not known."
    starts = "" if facts.starts is None else f" in {facts.starts} start{'' if facts.starts == 1 else 's'}"
    return f"The fan ran {duration(facts.run_s)}{starts}." if facts.run_s > 0 else "The fan did not run."


def _filter(facts: DigestFacts) -> str:
    if facts.drag_ratio is None:
        return "Filter: not known."
    text = f"Filter: drag {facts.drag_ratio:.2f} times clean"
    if facts.drag_ratio_before is not None and abs(facts.drag_ratio - facts.drag_ratio_before) >= 0.02:
        text += f" ({facts.drag_ratio_before:.2f} at the beginning)"
    if facts.flow_lost is not None:
        text += f", which costs {100 * max(facts.flow_lost, 0.0):.0f} % of the air"
    if facts.forecast_s is not None:
        text += f"; a cleaning pays in about {duration(facts.forecast_s)} of running"
        if facts.days_left_s is not None:
            text += f", {duration(facts.days_left_s)} at the present use"
    return text + "."


def _raised(alarm: Alarm, facts: DigestFacts, tz: tzinfo) -> str:
    times = facts.times(alarm)
    return f"{headline(alarm)}, {local_time(alarm.raised_t, tz)}" + (f", {times} times" if times > 1 else "")


def _entry(event: ShopEvent, tz: tzinfo) -> str:
    where = f" at {event.where}" if event.where else ""
    found = " (found from the readings)" if event.by != "owner" else ""
    text = f": {event.text}" if event.text else ""
    return f"{local_time(event.t, tz)}: {EVENT_WORDS[event.kind]}{where}{found}{text}"


def _section(name: str, rows: list[str]) -> list[str]:
    return [f"{name}:", *(f"- {row}" for row in rows)] if rows else [f"{name}: nothing."]
