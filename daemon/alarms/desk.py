"""The alarm desk: all alarms, fed with findings, answering to the owner. Event time only; no input, no output.

One key (condition, where) has at most one open occurrence. A claim becomes an alarm after its on-delay
(:mod:`daemon.alarms.delays`) and goes through the states of :mod:`daemon.alarms.machine`.

What a detector must keep to so that the desk reads it rightly:

* A finding with ``where`` "" that is absent, or not yet known, speaks for every place its condition has no other
  finding for.
* A place that a detector no longer names, while it says something definite of its condition elsewhere, is absent there.
* A condition that no finding names at all is not known: nothing is raised and nothing is cleared.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from analysis.conditions import TEXTS, Condition, Urgency
from analysis.findings import Claim, Finding
from daemon.alarms.delays import Delay, Signal, read_signal
from daemon.alarms.machine import HIDDEN, STANDING, AlarmError, Step, UnknownAlarm, follow
from daemon.alarms.rates import AlarmRate, RateMeter
from daemon.alarms.settings import AlarmRule, AlarmSettings
from daemon.alarms.types import Alarm, AlarmState, Transition

Key = tuple[Condition, str]

DAEMON = "ductwarden"
CONFIGURATION = "configuration"
"""Who took an alarm out of service because its condition is not enabled in the configuration."""
_URGENCY_ORDER = {Urgency.STOP: 0, Urgency.SOON: 1, Urgency.PLAN: 2}
_SPEAKS = {Claim.PRESENT: 2, Claim.ABSENT: 1, Claim.NOT_YET_KNOWN: 0}


@dataclass(slots=True)
class _Record:
    key: Key
    rule: AlarmRule
    finding: Finding
    """The latest claim that the condition is there; any other claim until there was one."""
    delay: Delay = field(default_factory=Delay)
    alarm: Alarm | None = None
    state: AlarmState = AlarmState.NORMAL
    explained_by: Condition | None = None
    explained: bool = False
    """At the last update an alarm that stands was its root cause."""
    unexplained_s: float = 0.0
    acknowledged_s: float = 0.0


class AlarmDesk:
    """Holds every alarm that is not normal, and the delays of claims on their way to one.

    >>> from analysis.findings import Claim, Finding
    >>> desk = AlarmDesk()
    >>> said = [desk.update(t, [Finding(t, Condition.BAG_FULL, Claim.PRESENT, confidence=0.9)]) for t in range(90)]
    >>> [(step.t, step.after.value) for steps in said for step in steps]
    [(60, 'unacknowledged')]
    """

    def __init__(self, settings: AlarmSettings | None = None) -> None:
        self.settings = settings or AlarmSettings()
        self._records: dict[Key, _Record] = {}
        self._t: float | None = None
        self._next_id = 1
        self._rates = RateMeter()
        self._findings: Sequence[Finding] = ()
        self._any_present = False
        self._indexed: tuple[dict[Key, Finding], dict[Condition, Finding], set[Condition]] | None = None

    # -- the pipeline ---------------------------------------------------------------------------------------------

    def update(self, t: float, findings: Sequence[Finding], running: bool | None = None) -> list[Transition]:
        """Take in the claims at event time ``t`` [s] (after causal suppression); return what happened to alarms.

        ``running`` tells whether the fan runs: while it does not, the delays of conditions that only show in running
        do not advance. None: not known, all observed time counts. A clock set back or forward raises nothing by itself.
        """
        last, self._t = self._t, t
        # Most blocks say nothing new: then these are the very findings of the last one.
        if findings is not self._findings or not isinstance(findings, tuple):
            self._findings = findings
            self._any_present = any(f.claim is Claim.PRESENT for f in findings)
            self._indexed = None
        if not self._records and not self._any_present:
            return []
        dt = 0.0 if last is None else min(max(t - last, 0.0), self.settings.gap_cap_s)
        if self._indexed is None:
            self._indexed = _index(findings)
        named, general, definite = self._indexed
        for key, finding in named.items():
            if finding.claim is Claim.PRESENT and key not in self._records:
                rule = self.settings.rule(key[0])
                if rule.enabled:
                    self._records[key] = _Record(key, rule, finding)
        for record in self._records.values():
            claim = _claim_for(record.key, named, general, definite)
            self._feed(record, claim, self._counted(record.rule, dt, running), t)
        active = {r.key[0] for r in self._records.values() if r.delay.active and not self._is_out(r.key)}
        coming = {r.key[0] for r in self._records.values()
                  if not r.delay.active and r.delay.last is Signal.PRESENT and not self._is_out(r.key)}
        done = []
        for record in list(self._records.values()):
            transition = self._advance(record, t, self._counted(record.rule, dt, running), active, coming)
            if transition is not None:
                done.append(transition)
            elif record.state is AlarmState.NORMAL and record.delay.idle:
                del self._records[record.key]
        return done

    def open(self) -> tuple[Alarm, ...]:
        """Every alarm that is not normal, the most urgent and then the oldest first, each with its latest claim."""
        alarms = [a for a in (_current(r) for r in self._records.values()) if a is not None]
        return tuple(sorted(alarms, key=lambda a: (_URGENCY_ORDER[a.urgency], a.raised_t, a.id)))

    def rate(self, t: float) -> AlarmRate:
        """How many alarms were told lately."""
        return self._rates.rate(t)

    def told_before(self, times: Iterable[float]) -> None:
        """Alarms were told at these event times [s] by an earlier life: they count towards the rate."""
        for t in sorted(times):
            self._rates.add(t)

    # -- the owner ------------------------------------------------------------------------------------------------

    def acknowledge(self, alarm_id: int, t: float, by: str = "owner") -> Transition:
        """The owner has seen it. Raises UnknownAlarm, or IllegalStep for an alarm that does not wait for it."""
        return self._take(self._find(alarm_id), Step.ACKNOWLEDGE, t, by)

    def reset(self, alarm_id: int, t: float, by: str = "owner") -> Transition:
        """End a latched alarm that has returned. Raises UnknownAlarm, or IllegalStep for one that is not latched."""
        return self._take(self._find(alarm_id), Step.RESET, t, by)

    def shelve(self, alarm_id: int, t: float, until: float, by: str = "owner", reason: str = "") -> Transition:
        """Keep an alarm quiet until event time ``until`` [s]; it is then judged anew.

        Raises UnknownAlarm, IllegalStep, or AlarmError for an end that is past or further off than ``max_shelve_s``.
        """
        record = self._find(alarm_id)
        longest = self.settings.max_shelve_s
        if not 0.0 < until - t <= longest:
            raise AlarmError(f"alarm {alarm_id} cannot be shelved for {until - t:.0f} s; allowed: more than 0 and at "
                             f"most {longest:.0f} s ({longest / 86400:.0f} days)")
        return self._take(record, Step.SHELVE, t, by, reason, shelved_until=until)

    def unshelve(self, alarm_id: int, t: float, by: str = "owner") -> Transition:
        """End a shelf now. Raises UnknownAlarm, or AlarmError if the alarm is not shelved."""
        record = self._find(alarm_id)
        if record.state is not AlarmState.SHELVED:
            raise AlarmError(f"alarm {alarm_id} is {record.state.value}; only a shelved alarm can be unshelved")
        return self._show(record, t, by, "unshelved")

    def out_of_service(self, condition: Condition, where: str, t: float, by: str = "owner",
                       reason: str = "") -> list[Transition]:
        """Take a condition out of service: at one place, or everywhere with ``where`` "". It is told no more.

        What is out of service explains nothing away either. Raises AlarmError if it is already out of service.
        """
        if self._is_out((condition, where)):
            raise AlarmError(f"{_named((condition, where))} is already out of service")
        key = (condition, where)
        if key not in self._records:
            nothing = Finding(t, condition, Claim.NOT_YET_KNOWN, where, reason="out of service")
            self._records[key] = _Record(key, self.settings.rule(condition), nothing)
        reached = [r for r in self._records.values() if r.state is not AlarmState.OUT_OF_SERVICE
                   and (r.key == key or (where == "" and r.key[0] is condition and r.alarm is not None))]
        return [self._take(r, Step.REMOVE, t, by, reason) for r in reached]

    def return_to_service(self, condition: Condition, where: str, t: float, by: str = "owner") -> list[Transition]:
        """Undo :meth:`out_of_service`; what it covered is judged anew. Raises UnknownAlarm if it was not out.

        With ``where`` "" every place of the condition returns, also those that were taken out one by one.
        """
        record = self._records.get((condition, where))
        if record is None or record.state is not AlarmState.OUT_OF_SERVICE:
            out = [_named(r.key) for r in self._records.values() if r.state is AlarmState.OUT_OF_SERVICE]
            raise UnknownAlarm(f"{_named((condition, where))} is not out of service; out of service are: "
                               f"{', '.join(out) or 'none'}")
        reached = [r for r in self._records.values() if r.state is AlarmState.OUT_OF_SERVICE
                   and (r is record or (where == "" and r.key[0] is condition))]
        return [self._show(r, t, by, "returned to service") for r in reached]

    # -- restarts -------------------------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, object]:
        """The delays on their way and the last id, as plain JSON values. The alarms themselves are in the store."""
        return {"next_id": self._next_id, "delays": [
            {"condition": r.key[0].value, "where": r.key[1], "active": r.delay.active, "on_s": r.delay.on_s,
             "off_s": r.delay.off_s, "since": r.delay.since, "explained": r.explained, "unexplained_s": r.unexplained_s,
             "acknowledged_s": r.acknowledged_s} for r in self._records.values()]}

    def restore(self, alarms: Iterable[Alarm], snapshot: Mapping[str, object] | None = None, last_id: int = 0) -> None:
        """Take back the open alarms of the store, and a :meth:`snapshot` where there is one, before the first update.

        Nothing is raised, cleared or told by this. Each alarm keeps its state until its claim is known again; delays
        go on from what they had counted. ``last_id`` is the highest id ever given. Of two alarms with one key the
        newer is kept. A snapshot of an unknown shape is ignored.
        """
        for alarm in sorted(alarms, key=lambda a: a.id):
            last_id = max(last_id, alarm.id)
            if alarm.state is AlarmState.NORMAL:
                continue
            record = _Record(alarm.key, self.settings.rule(alarm.condition), alarm.finding, alarm=alarm,
                             state=alarm.state, explained_by=alarm.suppressed_by)
            standing = alarm.state in STANDING or (alarm.state in HIDDEN and alarm.finding.claim is Claim.PRESENT)
            record.delay = Delay(active=standing, since=alarm.since_t if standing else None)
            self._records[alarm.key] = record
        self._next_id = max(self._next_id, last_id + 1)
        if snapshot is not None:
            self._restore_delays(snapshot)

    def _restore_delays(self, snapshot: Mapping[str, object]) -> None:
        rows = snapshot.get("delays")
        next_id = snapshot.get("next_id")
        if isinstance(next_id, int):
            self._next_id = max(self._next_id, next_id)
        for row in rows if isinstance(rows, list) else []:
            try:
                key = (Condition(row["condition"]), str(row["where"]))
                since = None if row["since"] is None else float(row["since"])
                delay = Delay(bool(row["active"]), float(row["on_s"]), float(row["off_s"]), since)
                explained, unexplained_s = bool(row["explained"]), float(row["unexplained_s"])
                acknowledged_s = float(row["acknowledged_s"])
            except (KeyError, TypeError, ValueError):
                continue
            record = self._records.get(key)
            if record is None:
                if delay.active:
                    continue  # its alarm is not in the store: it must earn its delay anew
                pending = Finding(since or 0.0, key[0], Claim.NOT_YET_KNOWN, key[1], reason="just started")
                record = self._records[key] = _Record(key, self.settings.rule(key[0]), pending)
            elif record.state not in HIDDEN and delay.active is not (record.state in STANDING):
                continue  # the store is newer than the snapshot
            record.delay, record.explained = delay, explained
            record.unexplained_s, record.acknowledged_s = unexplained_s, acknowledged_s

    # -- inside ---------------------------------------------------------------------------------------------------

    def _feed(self, record: _Record, claim: Finding | None, dt: float, t: float) -> None:
        signal = read_signal(claim, record.rule, record.delay.active)
        record.delay.feed(signal, dt, t, claim.since if claim is not None else None, record.rule)
        if claim is not None and claim.claim is Claim.PRESENT:
            record.finding = claim
            record.explained_by = claim.explained_by
        elif signal is Signal.ABSENT:
            record.explained_by = None

    def _advance(self, record: _Record, t: float, dt: float, active: set[Condition],
                 coming: set[Condition]) -> Transition | None:
        """The one step, if any, that the record takes by itself at ``t``."""
        state, rule = record.state, record.rule
        there = record.delay.active
        cause = record.explained_by if record.explained_by in active else None
        was_explained, record.explained = record.explained, cause is not None
        if not rule.enabled and state is not AlarmState.OUT_OF_SERVICE:
            return self._take(record, Step.REMOVE, t, CONFIGURATION, "not enabled in the configuration")
        if rule.enabled and record.alarm is not None and state is AlarmState.OUT_OF_SERVICE:
            return self._show(record, t, CONFIGURATION, "enabled again") if record.alarm.by == CONFIGURATION else None
        if state is AlarmState.OUT_OF_SERVICE or (self._is_out(record.key) and state is AlarmState.NORMAL):
            return None
        if was_explained and cause is None and state is AlarmState.NORMAL:
            record.delay.start_anew()  # what it counted so far was the root cause's doing
            return None
        if state is AlarmState.SHELVED:
            return self._end_shelf(record, t)
        if state is AlarmState.SUPPRESSED:
            return self._end_suppression(record, t, dt, cause)
        if not there:
            if state in STANDING:
                return self._take(record, Step.LATCHES if rule.latch else Step.CLEARS, t, DAEMON)
            return None
        if state not in STANDING and record.delay.last is not Signal.PRESENT:
            if record.delay.last is Signal.ABSENT:  # it waited for its root cause and went before it was told
                record.delay.start_anew()
            return None
        if cause is not None:
            return self._take(record, Step.SUPPRESS, t, DAEMON, f"explained by {cause.value}", suppressed_by=cause)
        if state is AlarmState.ACKNOWLEDGED:
            if record.delay.last is Signal.PRESENT:
                record.acknowledged_s += dt
            if rule.re_alarm_s is not None and record.acknowledged_s >= rule.re_alarm_s:
                return self._take(record, Step.RE_ALARM, t, DAEMON, "still there long after it was acknowledged")
            return None
        if state is AlarmState.UNACKNOWLEDGED:
            return None
        if record.explained_by in coming:
            return None  # its root cause is on its way to an alarm of its own: one cause, one alarm
        return self._take(record, Step.OCCURS, t, DAEMON)

    def _end_shelf(self, record: _Record, t: float) -> Transition | None:
        assert record.alarm is not None
        until = record.alarm.shelved_until
        if until is not None and until - t > self.settings.max_shelve_s:  # the clock was set back
            until = t + self.settings.max_shelve_s
            record.alarm = replace(record.alarm, shelved_until=until)
        if until is None or t >= until:
            return self._show(record, t, DAEMON, "the shelf ended")
        return None

    def _end_suppression(self, record: _Record, t: float, dt: float, cause: Condition | None) -> Transition | None:
        assert record.alarm is not None
        if not record.delay.active:
            return self._show(record, t, DAEMON, "returned while it was suppressed")
        if cause is not None:
            record.unexplained_s = 0.0
            if cause is not record.alarm.suppressed_by:
                record.alarm = replace(record.alarm, suppressed_by=cause)
            return None
        if record.delay.last is not Signal.PRESENT:
            return None
        record.unexplained_s += dt
        if record.unexplained_s >= record.rule.on_s:
            return self._show(record, t, DAEMON, "its root cause is gone and it is still there")
        return None

    def _show(self, record: _Record, t: float, by: str, reason: str) -> Transition:
        step = Step.SHOW_ACTIVE if record.delay.active else Step.SHOW_NORMAL
        return self._take(record, step, t, by, reason)

    def _take(self, record: _Record, step: Step, t: float, by: str, reason: str = "",
              shelved_until: float | None = None, suppressed_by: Condition | None = None) -> Transition:
        """Follow one arrow of the table and make the alarm and the transition that go with it."""
        before = record.state
        after = follow(before, step)
        since = record.delay.since
        if record.alarm is None:
            record.alarm = Alarm(self._next_id, *record.key, before, TEXTS[record.key[0]].urgency, t,
                                 t if since is None else min(since, t), t, record.finding)
            self._next_id += 1
        told = after is AlarmState.UNACKNOWLEDGED
        alarm = replace(record.alarm, state=after, changed_t=t, finding=record.finding, by=by,
                        shelved_until=shelved_until, suppressed_by=suppressed_by)
        if step in (Step.CLEARS, Step.LATCHES) or (after is AlarmState.NORMAL and alarm.cleared_t is None):
            alarm = replace(alarm, cleared_t=t)
        if step is Step.ACKNOWLEDGE:
            alarm = replace(alarm, acknowledged_t=t)
        if told:
            self._rates.add(t)
            alarm = replace(alarm, cleared_t=None, acknowledged_t=None,
                            raised_t=t if before in HIDDEN else alarm.raised_t,
                            since_t=alarm.since_t if since is None else min(since, t))
        record.unexplained_s = record.acknowledged_s = 0.0
        record.state = after
        record.alarm = None if after is AlarmState.NORMAL else alarm
        return Transition(t, alarm, before, after, by, reason)

    def _counted(self, rule: AlarmRule, dt: float, running: bool | None) -> float:
        return dt if running is not False or rule.counts_off_time else 0.0

    def _is_out(self, key: Key) -> bool:
        if not self._records:
            return False
        for name in (key, (key[0], "")):
            record = self._records.get(name)
            if record is not None and record.state is AlarmState.OUT_OF_SERVICE:
                return True
        return False

    def _find(self, alarm_id: int) -> _Record:
        for record in self._records.values():
            if record.alarm is not None and record.alarm.id == alarm_id:
                return record
        known = ", ".join(f"{a.id} ({_named(a.key)})" for a in self.open())
        raise UnknownAlarm(f"there is no open alarm {alarm_id}; open are: {known or 'none'}")


def _index(findings: Iterable[Finding]) -> tuple[dict[Key, Finding], dict[Condition, Finding], set[Condition]]:
    """Findings by key (the one that says most, of several), the "" ones by condition, and what is spoken of surely."""
    named: dict[Key, Finding] = {}
    general: dict[Condition, Finding] = {}
    definite: set[Condition] = set()
    for finding in findings:
        key = (finding.condition, finding.where)
        other = named.get(key)
        if other is None or (_SPEAKS[finding.claim], finding.confidence) > (_SPEAKS[other.claim], other.confidence):
            named[key] = finding
        if finding.claim is not Claim.NOT_YET_KNOWN:
            definite.add(finding.condition)
    for (condition, where), finding in named.items():
        if where == "":
            general[condition] = finding
    return named, general, definite


def _claim_for(key: Key, named: Mapping[Key, Finding], general: Mapping[Condition, Finding],
               definite: set[Condition]) -> Finding | None:
    """What the findings say of one key: its own, else the general one, else absent if something sure was said."""
    own = named.get(key)
    if own is not None:
        return own
    common = general.get(key[0])
    if common is not None and common.claim is not Claim.PRESENT:
        return common
    if key[0] in definite:
        return Finding(0.0, key[0], Claim.ABSENT, key[1])
    return None


def _current(record: _Record) -> Alarm | None:
    """The record's alarm with the latest claim in it."""
    if record.alarm is not None and record.alarm.finding is not record.finding:
        record.alarm = replace(record.alarm, finding=record.finding)
    return record.alarm


def _named(key: Key) -> str:
    return f"{key[0].value} at {key[1]}" if key[1] else key[0].value
