"""Whatever is claimed and asked, in whatever order, with whatever clock: the rules of the desk hold."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.causes import explain
from analysis.conditions import Condition
from analysis.findings import Claim, Finding
from daemon.alarms.desk import AlarmDesk
from daemon.alarms.machine import HIDDEN, STANDING, TABLE, AlarmError
from daemon.alarms.settings import AlarmRule, AlarmSettings
from daemon.alarms.types import AlarmState, Transition
from tests.support.thoroughness import examples

KEYS = [(Condition.BAG_FULL, ""), (Condition.FILTER_LOADING, ""), (Condition.LOW_VELOCITY, "lathe"),
        (Condition.LOW_VELOCITY, "planer"), (Condition.FILTER_BREACH, "")]
GAP_CAP_S = 10.0
SETTINGS = AlarmSettings(
    rules={
        Condition.BAG_FULL: AlarmRule(5.0, 4.0, re_alarm_s=20.0),
        Condition.FILTER_LOADING: AlarmRule(12.0, 6.0, raise_at=0.7, keep_at=0.3),
        Condition.LOW_VELOCITY: AlarmRule(8.0, 3.0),
        Condition.FILTER_BREACH: AlarmRule(3.0, 3.0, latch=True, counts_off_time=True),
    },
    gap_cap_s=GAP_CAP_S, max_shelve_s=100.0)

# Weighted so that alarms come about: surely present or absent for a while is commoner than anything odd.
one_claim = st.sampled_from([
    None, (Claim.NOT_YET_KNOWN, 0.0), (Claim.ABSENT, 0.0), (Claim.ABSENT, 0.9), (Claim.PRESENT, 0.2),
    (Claim.PRESENT, 0.5), (Claim.PRESENT, 0.65), (Claim.PRESENT, 0.9), (Claim.PRESENT, 0.9), (Claim.PRESENT, 0.95)])
claims = st.tuples(*(one_claim for _ in KEYS)).map(
    lambda row: {key: claim for key, claim in zip(KEYS, row, strict=True) if claim is not None})
# Mostly seconds that pass; now and then none, a gap, or a clock that is set.
ticks = st.one_of(st.just(1.0), st.just(1.0), st.just(1.0), st.floats(0.0, 9.0), st.floats(-1e6, 1e6))
actions = st.tuples(
    st.sampled_from(["acknowledge", "acknowledge", "reset", "shelve", "unshelve", "out", "return", "restart"]),
    st.integers(0, 6))
moments = st.tuples(claims, ticks, st.integers(1, 25), st.sampled_from([True, True, True, False, None]),
                    st.one_of(st.none(), actions))


def findings_of(said: dict[tuple[Condition, str], tuple[Claim, float]], t: float) -> tuple[Finding, ...]:
    return explain([Finding(t, c, claim, where, confidence) for (c, where), (claim, confidence) in said.items()])


def act(desk: AlarmDesk, action: tuple[str, int], t: float) -> tuple[AlarmDesk, Sequence[Transition]]:
    """Do what the owner asks; refused or not, nothing may break."""
    what, number = action
    alarms = desk.open()
    key = KEYS[number % len(KEYS)]
    if alarms and number:  # 0 asks for an alarm that there is not
        key, number = alarms[number % len(alarms)].key, alarms[number % len(alarms)].id
    try:
        match what:
            case "acknowledge":
                return desk, [desk.acknowledge(number, t)]
            case "reset":
                return desk, [desk.reset(number, t)]
            case "shelve":
                return desk, [desk.shelve(number, t, t + 30.0)]
            case "unshelve":
                return desk, [desk.unshelve(number, t)]
            case "out":
                return desk, desk.out_of_service(*key, t)
            case "return":
                return desk, desk.return_to_service(*key, t)
    except AlarmError:
        return desk, []
    new = AlarmDesk(SETTINGS)
    new.restore(desk.open(), json.loads(json.dumps(desk.snapshot())))
    assert new.open() == desk.open()
    return new, []


class Watch:
    """An independent count, in the simplest way, of how long each key was claimed before it was raised."""

    def __init__(self) -> None:
        self.claimed_s: dict[tuple[Condition, str], float] = defaultdict(float)
        self.last: dict[tuple[Condition, str], bool] = {}

    def see(self, findings: tuple[Finding, ...], passed_s: float) -> None:
        named = {(f.condition, f.where): f for f in findings}
        spoken = {f.condition for f in findings if f.claim is not Claim.NOT_YET_KNOWN}
        for key in KEYS:
            rule = SETTINGS.rule(key[0])
            found = named.get(key)
            unknown = found is None and key[0] not in spoken
            if unknown or (found is not None and found.claim is Claim.NOT_YET_KNOWN):
                self.last[key] = False
            elif found is None or found.claim is Claim.ABSENT or found.confidence < rule.keep_at:
                self.last[key] = False
                self.claimed_s[key] = 0.0
            else:
                if self.last.get(key):
                    self.claimed_s[key] += passed_s
                self.last[key] = True


@settings(max_examples=examples(150), deadline=None)
@given(st.lists(moments, min_size=3, max_size=30))
def test_no_sequence_breaks_the_rules(
    story: list[tuple[dict[tuple[Condition, str], tuple[Claim, float]], float, int, bool | None, tuple[str, int] | None]],
) -> None:
    desk = AlarmDesk(SETTINGS)
    watch = Watch()
    state: dict[int, AlarmState] = defaultdict(lambda: AlarmState.NORMAL)
    highest = 0
    t = 1e9
    for said, tick, repeat, running, action in story:
        done: list[Transition] = []
        if action is not None:
            restarted = action[0] == "restart"
            desk, transitions = act(desk, action, t)
            if restarted:
                watch.last.clear()  # the time between the last frame and the first is nobody's
            done += transitions
        for _ in range(repeat):
            t += tick
            findings = findings_of(said, t)
            watch.see(findings, min(max(tick, 0.0), GAP_CAP_S))
            made = desk.update(t, findings, running)
            for step in made:
                if (step.before is AlarmState.NORMAL and step.after in (AlarmState.UNACKNOWLEDGED,
                                                                        AlarmState.SUPPRESSED)):
                    rule = SETTINGS.rule(step.alarm.condition)
                    assert watch.claimed_s[step.alarm.key] >= rule.on_s - 1e-5
                if step.after is AlarmState.SUPPRESSED:
                    cause = step.alarm.suppressed_by
                    assert cause is not None
                    assert any(a.condition is cause for a in desk.open())
            done += made
        for step in done:
            assert step.before is state[step.alarm.id], "a transition begins where the last one ended"
            assert step.after in TABLE[step.before].values(), "only arrows of the diagram"
            assert step.alarm.state is step.after
            if step.before is AlarmState.NORMAL:
                assert step.alarm.id > highest, "a new occurrence has a new id"
            highest = max(highest, step.alarm.id)
            state[step.alarm.id] = step.after
        alarms = desk.open()
        assert len({a.key for a in alarms}) == len(alarms), "at most one open occurrence a key"
        assert {a.id: a.state for a in alarms} == {i: s for i, s in state.items() if s is not AlarmState.NORMAL}
        for alarm in alarms:
            assert (alarm.shelved_until is not None) == (alarm.state is AlarmState.SHELVED)
            assert (alarm.suppressed_by is not None) == (alarm.state is AlarmState.SUPPRESSED)
            assert alarm.state in HIDDEN | STANDING or alarm.cleared_t is not None


@settings(max_examples=examples(60), deadline=None)
@given(st.lists(st.tuples(claims, st.floats(-1e7, 1e7)), min_size=2, max_size=60))
def test_a_clock_that_only_jumps_raises_at_most_by_the_cap(
    story: list[tuple[dict[tuple[Condition, str], tuple[Claim, float]], float]],
) -> None:
    """With every gap longer than the cap, an alarm needs on-delay / cap intervals, however long they are."""
    desk = AlarmDesk(AlarmSettings(rules={c: AlarmRule(45.0, 45.0) for c in Condition}, gap_cap_s=GAP_CAP_S))
    t = 0.0
    streak: dict[tuple[Condition, str], int] = defaultdict(int)
    for said, jump in story:
        t += jump
        findings = findings_of(said, t)
        for key in KEYS:
            streak[key] = streak[key] + 1 if said.get(key, (None, 0.0))[0] is Claim.PRESENT else streak[key]
        for step in desk.update(t, findings):
            if step.before is AlarmState.NORMAL:
                assert streak[step.alarm.key] >= 6  # five intervals of at most ten seconds make 45


@settings(max_examples=examples(100), deadline=None)
@given(st.lists(st.tuples(claims, st.integers(1, 30)), max_size=20))
def test_restarts_raise_nothing_that_would_not_have_been_raised_without(
    story: list[tuple[dict[tuple[Condition, str], tuple[Claim, float]], int]],
) -> None:
    """A restart loses at most the second it falls in, so it can only delay."""
    through, broken = AlarmDesk(SETTINGS), AlarmDesk(SETTINGS)
    t = 1e9
    through_said: list[tuple[str, str]] = []
    broken_said: list[tuple[str, str]] = []
    for said, repeat in story:
        new = AlarmDesk(SETTINGS)
        new.restore(broken.open(), json.loads(json.dumps(broken.snapshot())))
        broken = new
        for _ in range(repeat):
            t += 1.0
            findings = [Finding(t, c, claim, where, sure) for (c, where), (claim, sure) in said.items()]
            through_said += [(s.alarm.condition.value, s.after.value) for s in through.update(t, findings)]
            broken_said += [(s.alarm.condition.value, s.after.value) for s in broken.update(t, findings)]
    # Nobody acknowledges here, so alarms only accumulate: what the broken one raised, the other has raised too.
    raised = [x for x in broken_said if x[1] == "unacknowledged"]
    assert set(raised) <= set(through_said)
