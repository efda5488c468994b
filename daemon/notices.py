"""Alarm -> Notice: who is told what, when, and how often. The words are in :mod:`daemon.wording`.

Event time only. The notice desk is asked at every frame and is cheap when nothing happened.

* An alarm that becomes unacknowledged is told once; again after ``repeat_s`` while nobody acknowledges it, up to
  ``repeat_limit`` times; and a "stop" alarm nobody answers is escalated once. While the fan is off, an alarm that only
  matters in running is not repeated: whoever stopped the fan has seen it.
* In quiet hours only "stop" is told. Anything else waits for their end, and is then told only if it still stands.
* An id is made of the alarm's id, the event and a count, so the same notice has the same id after a restart, and an
  outlet never sends one id twice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime, tzinfo

from analysis.conditions import Urgency
from daemon.alarms.machine import HIDDEN, STANDING
from daemon.alarms.settings import AlarmSettings, NoticeSettings
from daemon.alarms.types import Alarm, AlarmState, Transition
from daemon.wording import body, title


@dataclass(frozen=True, slots=True)
class Notice:
    """Words to a person about one alarm transition.

    ``id`` is stable across restarts: the same notice is never sent twice.
    """

    id: str
    t: float
    alarm_id: int
    condition: str
    where: str
    event: str
    """``raised``, ``cleared``, ``acknowledged``, ``repeated``, ``escalated`` or ``digest``."""
    urgency: Urgency
    title: str
    body: str
    picture: bytes | None = None
    """A PNG that goes with it where a way of telling takes pictures; not kept over a restart."""


@dataclass(slots=True)
class _Told:
    """What was said of one alarm so far."""

    counts: dict[str, int] = field(default_factory=dict)
    due: bool = True
    """It is unacknowledged and this has not been told yet."""
    first_t: float = 0.0
    last_t: float = 0.0
    repeats: int = 0
    escalated: bool = False


class NoticeDesk:
    """Turns what happens to alarms into notices.

    ``settings`` when to tell, ``alarms`` which conditions count while the fan is off, ``tz`` the shop's time zone.
    """

    _LOOK_EVERY_S = 5.0
    _GAP_S = 300.0
    """Time that nobody saw (longer gaps, restarts, a clock that was set) does not bring a repeat nearer."""

    def __init__(self, settings: NoticeSettings, tz: tzinfo, alarms: AlarmSettings | None = None) -> None:
        self.settings = settings
        self._tz = tz
        self._alarms = alarms or AlarmSettings()
        self._told: dict[int, _Told] = {}
        self._held: list[Notice] = []
        self._looked_t: float | None = None

    def notices(self, t: float, transitions: Sequence[Transition], open_alarms: Callable[[], Sequence[Alarm]],
                running: bool | None = None) -> list[Notice]:
        """What to say at event time ``t`` [s], after these transitions.

        ``open_alarms`` gives all alarms that are not normal; it is only called when something may be due.
        """
        looked = self._looked_t
        if not transitions and looked is not None and looked <= t < looked + self._LOOK_EVERY_S:
            return []
        if looked is not None and not looked <= t <= looked + self._GAP_S:
            for told in self._told.values():
                told.first_t += t - looked
                told.last_t += t - looked
        self._looked_t = t
        standing = open_alarms()
        said: list[Notice] = []
        for transition in transitions:
            said.extend(self._on_transition(transition))
        for alarm in standing:
            if alarm.state is AlarmState.UNACKNOWLEDGED:
                said.extend(self._on_standing(alarm, t, standing, running))
        quiet = self.quiet(t)
        now = [n for n in said if n.urgency is Urgency.STOP or not quiet]
        self._held.extend(n for n in said if n.urgency is not Urgency.STOP and quiet)
        if not quiet and self._held:
            now, self._held = self._held + now, []
        return now

    def quiet(self, t: float) -> bool:
        """Whether event time ``t`` [s] falls in quiet hours by the shop's clock."""
        if self.settings.quiet is None:
            return False
        at = datetime.fromtimestamp(t, self._tz)
        return self.settings.quiet.covers(at.hour * 60 + at.minute)

    def snapshot(self) -> dict[str, object]:
        """What was told and what is held, as plain JSON values."""
        return {"looked_t": self._looked_t, "told": {str(i): asdict(told) for i, told in self._told.items()},
                "held": [asdict(notice) for notice in self._held]}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a :meth:`snapshot`; data of an unknown shape is ignored."""
        told, held, looked = data.get("told"), data.get("held"), data.get("looked_t")
        if isinstance(looked, float):
            self._looked_t = looked
        try:
            for key, row in (told if isinstance(told, dict) else {}).items():
                self._told[int(key)] = _Told(**row)
            for row in held if isinstance(held, list) else []:
                self._held.append(Notice(**{**row, "urgency": Urgency(row["urgency"])}))
        except (KeyError, TypeError, ValueError):
            return

    def _on_transition(self, step: Transition) -> list[Notice]:
        alarm = step.alarm
        told = self._told.get(alarm.id)
        if step.after is AlarmState.UNACKNOWLEDGED:
            if told is None:
                self._told[alarm.id] = _Told()
            else:
                told.due, told.repeats, told.escalated = True, 0, False
            return []
        said: list[Notice] = []
        if told is not None:
            was_told, told.due = not told.due, False
            over = step.before in STANDING and step.after not in STANDING | HIDDEN
            if over and was_told and self.settings.tell_cleared:
                said.append(self._notice(alarm, "cleared", step.t))
            if step.after is AlarmState.ACKNOWLEDGED and was_told and self.settings.tell_acknowledged:
                said.append(self._notice(alarm, "acknowledged", step.t))
            if step.after is AlarmState.NORMAL:
                del self._told[alarm.id]
        return said

    def _on_standing(self, alarm: Alarm, t: float, all_open: Sequence[Alarm], running: bool | None) -> list[Notice]:
        """A first notice, an escalation or a repeat, if one is due."""
        told = self._told.setdefault(alarm.id, _Told())
        hushed = alarm.urgency is not Urgency.STOP and self.quiet(t)
        if hushed:
            return []
        if told.due:
            told.due, told.first_t = False, t
            event = "raised"
        else:
            if running is False and not self._alarms.rule(alarm.condition).counts_off_time:
                return []
            event = self._again(alarm, told, t)
            if not event:
                return []
        told.last_t = t
        explained = [a for a in all_open if a.state is AlarmState.SUPPRESSED and a.suppressed_by is alarm.condition]
        return [self._notice(alarm, event, t, explained)]

    def _again(self, alarm: Alarm, told: _Told, t: float) -> str:
        after_s = self.settings.escalate_after_s
        if (alarm.urgency is Urgency.STOP and after_s is not None and not told.escalated
                and t - told.first_t >= after_s):
            told.escalated = True
            return "escalated"
        every_s = self.settings.repeat_s.get(alarm.urgency)
        if every_s is None or told.repeats >= self.settings.repeat_limit.get(alarm.urgency, 0):
            return ""
        if t - told.last_t < every_s:
            return ""
        told.repeats += 1
        return "repeated"

    def _notice(self, alarm: Alarm, event: str, t: float, explained: Sequence[Alarm] = ()) -> Notice:
        counts = self._told.setdefault(alarm.id, _Told(due=False)).counts
        counts[event] = counts.get(event, 0) + 1
        text = body(alarm, event, t, self.settings.shop, self.settings.units, self._tz, explained)
        return Notice(f"{alarm.id}-{event}-{counts[event]}", t, alarm.id, alarm.condition.value, alarm.where, event,
                      alarm.urgency, title(alarm, event), text)
