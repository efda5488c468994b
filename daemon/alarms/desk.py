"""The alarm desk: all alarms, fed with findings, answering to the owner. Event time only; no input, no output.

One key (condition, where) has at most one open occurrence. What findings say of a key is read in
:mod:`daemon.alarms.claims`; a claim becomes an alarm after its on-delay (:mod:`daemon.alarms.delays`) and goes through the
states of :mod:`daemon.alarms.machine`, by itself (:mod:`daemon.alarms.record`) or at the owner's word.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from analysis.conditions import Condition, Urgency
from analysis.findings import Claim, Finding
from daemon.alarms.claims import Key, claim_for, index_claims
from daemon.alarms.delays import Delay, Signal
from daemon.alarms.machine import HIDDEN, STANDING, AlarmError, Step, UnknownAlarm, follow
from daemon.alarms.rates import AlarmRate, RateMeter
from daemon.alarms.record import Record
from daemon.alarms.settings import AlarmRule, AlarmSettings
from daemon.alarms.types import Alarm, AlarmState, Transition, urgency_of

_URGENCY_ORDER = {Urgency.STOP: 0, Urgency.SOON: 1, Urgency.PLAN: 2}


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
        self._records: dict[Key, Record] = {}
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
            self._indexed = index_claims(findings)
        named, general, definite = self._indexed
        for key, finding in named.items():
            if finding.claim is Claim.PRESENT and key not in self._records:
                rule = self.settings.rule(key[0])
                if rule.enabled:
                    self._records[key] = Record(key, rule, finding)
        for record in self._records.values():
            claim = claim_for(record.key, named, general, definite)
            record.feed(claim, self._counted(record.rule, dt, running), t)
        active = {r.key[0] for r in self._records.values() if r.delay.active and not self._is_out(r.key)}
        coming = {r.key[0] for r in self._records.values()
                  if not r.delay.active and r.delay.last is Signal.PRESENT and not self._is_out(r.key)}
        done = []
        for record in list(self._records.values()):
            due = record.due(t, self._counted(record.rule, dt, running), active, coming, self._is_out(record.key),
                             self.settings.max_shelve_s)
            if due is not None:
                done.append(self._take(record, due.step, t, due.by, due.reason, suppressed_by=due.suppressed_by))
            elif record.state is AlarmState.NORMAL and record.delay.idle:
                del self._records[record.key]
        return done

    def open(self) -> tuple[Alarm, ...]:
        """Every alarm that is not normal, the most urgent and then the oldest first, each with its latest claim."""
        alarms = [a for a in (r.current() for r in self._records.values()) if a is not None]
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
        return self._take(record, record.show_step(), t, by, "unshelved")

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
            self._records[key] = Record(key, self.settings.rule(condition), nothing)
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
        return [self._take(r, r.show_step(), t, by, "returned to service") for r in reached]

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
            record = Record(alarm.key, self.settings.rule(alarm.condition), alarm.finding, alarm=alarm,
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
                record = self._records[key] = Record(key, self.settings.rule(key[0]), pending)
            elif record.state not in HIDDEN and delay.active is not (record.state in STANDING):
                continue  # the store is newer than the snapshot
            record.delay, record.explained = delay, explained
            record.unexplained_s, record.acknowledged_s = unexplained_s, acknowledged_s

    # -- inside ---------------------------------------------------------------------------------------------------

    def _take(self, record: Record, step: Step, t: float, by: str, reason: str = "",
              shelved_until: float | None = None, suppressed_by: Condition | None = None) -> Transition:
        """Follow one arrow of the table and make the alarm and the transition that go with it."""
        before = record.state
        after = follow(before, step)
        since = record.delay.since
        if record.alarm is None:
            record.alarm = Alarm(self._next_id, *record.key, before, urgency_of(record.finding), t,
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

    def _find(self, alarm_id: int) -> Record:
        for record in self._records.values():
            if record.alarm is not None and record.alarm.id == alarm_id:
                return record
        known = ", ".join(f"{a.id} ({_named(a.key)})" for a in self.open())
        raise UnknownAlarm(f"there is no open alarm {alarm_id}; open are: {known or 'none'}")


def _named(key: Key) -> str:
    return f"{key[0].value} at {key[1]}" if key[1] else key[0].value
