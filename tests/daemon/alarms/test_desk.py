"""The alarm desk: one alarm a key, in event time, answering to the owner."""

from __future__ import annotations

import dataclasses
import json

import pytest

from analysis.conditions import Condition, Urgency
from analysis.findings import Finding
from daemon.alarms.desk import AlarmDesk
from daemon.alarms.machine import AlarmError, IllegalStep, UnknownAlarm
from daemon.alarms.picture import alarm_document
from daemon.alarms.settings import DEFAULT_RULES, AlarmRule, AlarmSettings
from daemon.alarms.types import AlarmState
from daemon.wording import headline
from tests.daemon.alarms.shop_floor import T0, Floor, absent, present, steps, unknown

BAG, LOADING, SLOW, BREACH = (Condition.BAG_FULL, Condition.FILTER_LOADING, Condition.LOW_VELOCITY,
                              Condition.FILTER_BREACH)
LEFT, PLUG, OVERLOAD, SENSOR = (Condition.LEFT_RUNNING, Condition.BLOCKED_RUN, Condition.MOTOR_OVERLOAD,
                                Condition.SENSOR_FAULT)


def test_a_life_from_claim_to_normal() -> None:
    floor = Floor()
    floor.feed(100, absent(BAG))
    began = floor.t + 1.0
    assert floor.feed(60, present(BAG)) == []
    (raised,) = floor.feed(1, present(BAG))
    assert (raised.before, raised.after, raised.by) == (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "ductwarden")
    assert (raised.alarm.id, raised.alarm.raised_t, raised.alarm.since_t) == (1, floor.t, began)
    assert raised.alarm.finding.evidence["drag"].value == 2.0
    floor.feed(10, present(BAG))
    seen = floor.desk.acknowledge(1, floor.t)
    assert (seen.after, seen.by, seen.alarm.acknowledged_t) == (AlarmState.ACKNOWLEDGED, "owner", floor.t)
    assert floor.feed(120, absent(BAG)) == []
    (cleared,) = floor.feed(1, absent(BAG))
    assert (cleared.after, cleared.alarm.cleared_t) == (AlarmState.NORMAL, floor.t)
    assert floor.desk.open() == ()


def test_an_alarm_that_goes_by_itself_waits_to_be_acknowledged_and_may_come_again() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    floor.feed(121, absent(BAG))
    assert floor.states() == {"bag_full": "returned_unacknowledged"}
    cleared_t = floor.alarm(BAG).cleared_t
    assert cleared_t == floor.t
    again = floor.feed(61, present(BAG))
    assert steps(again) == [("bag_full", "returned_unacknowledged", "unacknowledged")]
    assert (again[0].alarm.id, again[0].alarm.cleared_t) == (1, None)
    floor.feed(121, absent(BAG))
    assert floor.desk.acknowledge(1, floor.t).after is AlarmState.NORMAL
    floor.feed(61, present(BAG))
    assert floor.alarm(BAG).id == 2  # after normal it is a new occurrence


def test_ports_have_alarms_of_their_own() -> None:
    floor = Floor()
    floor.feed(121, present(PLUG, "lathe"), present(PLUG, "planer"))
    assert floor.states() == {"blocked_run lathe": "unacknowledged", "blocked_run planer": "unacknowledged"}
    floor.feed(121, present(PLUG, "lathe"))
    assert floor.states() == {"blocked_run lathe": "unacknowledged", "blocked_run planer": "returned_unacknowledged"}
    floor.feed(121, absent(PLUG))  # "" speaks for all
    assert set(floor.states().values()) == {"returned_unacknowledged"}


@pytest.mark.parametrize("silence", [unknown(BAG), None, present(BAG, confidence=0.5)])
def test_what_is_not_known_neither_raises_nor_clears(silence: Finding | None) -> None:
    said = () if silence is None else (silence,)
    floor = Floor()
    floor.feed(50, present(BAG))
    assert floor.feed(5000, *said) == []
    assert floor.states() == {}
    floor.feed(70, present(BAG))
    assert floor.states() == {"bag_full": "unacknowledged"}
    assert floor.feed(5000, *said) == []
    assert floor.states() == {"bag_full": "unacknowledged"}


def test_the_levels_of_confidence_to_raise_and_to_keep() -> None:
    floor = Floor()
    floor.feed(1000, present(BAG, confidence=0.59))
    assert floor.states() == {}
    floor.feed(61, present(BAG, confidence=0.6))
    floor.feed(500, present(BAG, confidence=0.4))
    assert floor.states() == {"bag_full": "unacknowledged"}
    floor.feed(121, present(BAG, confidence=0.39))
    assert floor.states() == {"bag_full": "returned_unacknowledged"}


def test_a_latched_alarm_stays_until_it_is_reset() -> None:
    floor = Floor()
    floor.feed(61, present(BREACH))
    floor.feed(601, absent(BREACH))
    assert floor.states() == {"filter_breach": "latched_unacknowledged"}
    floor.feed(5000, absent(BREACH))
    floor.desk.acknowledge(1, floor.t)
    assert floor.states() == {"filter_breach": "latched_acknowledged"}
    with pytest.raises(IllegalStep, match="latched_acknowledged cannot take the step 'acknowledge'"):
        floor.desk.acknowledge(1, floor.t)
    assert floor.desk.reset(1, floor.t).after is AlarmState.NORMAL


def test_a_standing_alarm_cannot_be_reset() -> None:
    floor = Floor()
    floor.feed(61, present(BREACH))
    with pytest.raises(IllegalStep, match="allowed when it is: latched_unacknowledged, latched_acknowledged"):
        floor.desk.reset(1, floor.t)


def test_an_acknowledged_alarm_that_stands_too_long_is_said_again() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    floor.desk.acknowledge(1, floor.t)
    assert floor.feed(1799, present(BAG)) == []
    (again,) = floor.feed(1, present(BAG))
    assert (again.before, again.after) == (AlarmState.ACKNOWLEDGED, AlarmState.UNACKNOWLEDGED)
    assert again.alarm.acknowledged_t is None
    assert again.alarm.id == 1


def test_an_acknowledged_full_bag_is_not_said_again_while_the_fan_is_off() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    floor.desk.acknowledge(1, floor.t)
    assert floor.feed(7200, present(BAG), running=False) == []


# -- time ----------------------------------------------------------------------------------------------------------


def test_a_delay_counts_running_time_only() -> None:
    floor = Floor()
    floor.feed(30, present(BAG))
    floor.feed(4000, present(BAG), running=False)
    assert floor.states() == {}
    floor.feed(31, present(BAG))
    assert floor.states() == {"bag_full": "unacknowledged"}
    floor.feed(4000, absent(BAG), running=False)
    assert floor.states() == {"bag_full": "unacknowledged"}


@pytest.mark.parametrize("condition", [SENSOR, LEFT, OVERLOAD, Condition.SHORT_CYCLING])
def test_what_shows_with_the_fan_off_counts_all_time(condition: Condition) -> None:
    floor = Floor()
    floor.feed(DEFAULT_RULES[condition].on_s + 1, present(condition), running=False)
    assert floor.states() == {condition.value: "unacknowledged"}
    floor.feed(DEFAULT_RULES[condition].off_s + 1, absent(condition), running=False)
    assert floor.states() == {condition.value: "returned_unacknowledged"}


@pytest.mark.parametrize("jump_s", [5 * 3600.0, 300 * 86400.0, -3600.0, -300 * 86400.0])
def test_a_gap_or_a_jump_of_the_clock_counts_ten_seconds_at_most(jump_s: float) -> None:
    floor = Floor()
    floor.feed(40, present(BAG))
    floor.t += jump_s
    assert floor.feed(10, present(BAG)) == []
    floor.feed(20, present(BAG))
    assert floor.states() == {"bag_full": "unacknowledged"}
    floor.t += jump_s
    assert floor.feed(100, absent(BAG)) == []
    floor.t += jump_s
    assert floor.feed(9, absent(BAG)) == []


def test_silence_clears_nothing() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    floor.feed(20, absent(BAG))
    floor.t += 30 * 86400.0
    assert floor.feed(5, absent(BAG)) == []
    assert floor.states() == {"bag_full": "unacknowledged"}


def test_slow_recordings_still_raise() -> None:
    floor = Floor(AlarmDesk(AlarmSettings(gap_cap_s=60.0)))
    floor.feed(120, present(BAG), dt=60.0)
    assert floor.states() == {"bag_full": "unacknowledged"}


# -- root causes ---------------------------------------------------------------------------------------------------


def test_a_symptom_with_a_root_cause_is_recorded_but_not_told() -> None:
    floor = Floor()
    floor.feed(601, present(BAG), present(SLOW, "planer", explained_by=BAG))
    assert steps(floor.said) == [("bag_full", "normal", "unacknowledged"),
                                 ("low_velocity", "normal", "suppressed_by_design")]
    assert floor.said[1].reason == "explained by bag_full"
    assert floor.alarm(SLOW, "planer").suppressed_by is BAG


def test_a_symptom_waits_for_a_root_cause_that_is_on_its_way() -> None:
    floor = Floor()
    # the bags' own alarm takes 30 min, slow air 10 min: only one of them may be told
    floor.feed(1801, present(LOADING), present(SLOW, "planer", explained_by=LOADING))
    assert [(s.alarm.condition, s.after.value) for s in floor.said] == [
        (LOADING, "unacknowledged"), (SLOW, "suppressed_by_design")]


def test_a_symptom_is_told_when_its_root_cause_never_comes() -> None:
    floor = Floor()
    floor.feed(700, present(LOADING), present(SLOW, explained_by=LOADING))
    assert floor.states() == {}
    floor.feed(1, absent(LOADING), present(SLOW))
    assert floor.states() == {"low_velocity": "unacknowledged"}


def test_a_cause_too_unsure_to_be_told_holds_nothing_back() -> None:
    floor = Floor()
    floor.feed(601, present(LOADING, confidence=0.55), present(SLOW, explained_by=LOADING))
    assert floor.states() == {"low_velocity": "unacknowledged"}


def test_a_symptom_told_first_is_suppressed_when_its_root_cause_is_told() -> None:
    floor = Floor()
    floor.feed(601, present(SLOW))
    floor.feed(61, present(BAG), present(SLOW, explained_by=BAG))
    assert floor.states() == {"bag_full": "unacknowledged", "low_velocity": "suppressed_by_design"}


def test_a_symptom_that_outlives_its_cause_is_told_after_its_own_delay() -> None:
    floor = Floor()
    floor.feed(700, present(BAG), present(SLOW, explained_by=BAG))
    floor.feed(599, absent(BAG), present(SLOW))
    assert floor.states()["low_velocity"] == "suppressed_by_design"
    (told,) = floor.feed(2, absent(BAG), present(SLOW))
    assert (told.before, told.after) == (AlarmState.SUPPRESSED, AlarmState.UNACKNOWLEDGED)


def test_a_symptom_that_goes_with_its_cause_ends_quietly() -> None:
    floor = Floor()
    floor.feed(700, present(BAG), present(SLOW, explained_by=BAG))
    floor.desk.acknowledge(1, floor.t)
    floor.feed(400, absent(BAG), absent(SLOW))
    assert floor.states() == {}
    assert AlarmState.UNACKNOWLEDGED not in {s.after for s in floor.said if s.alarm.condition is SLOW}


def test_time_counted_while_explained_does_not_count_after() -> None:
    floor = Floor()
    floor.feed(590, present(BAG), present(SLOW, explained_by=BAG))
    floor.feed(300, absent(BAG), present(SLOW))  # the bag was emptied; the air takes its time to show it
    assert "low_velocity" not in floor.states()


def test_what_is_out_of_service_explains_nothing_away() -> None:
    floor = Floor()
    floor.desk.out_of_service(BAG, "", floor.t)
    floor.feed(601, present(BAG), present(SLOW, explained_by=BAG))
    assert floor.states() == {"bag_full": "out_of_service", "low_velocity": "unacknowledged"}


def test_a_shelved_cause_still_explains() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    floor.desk.shelve(1, floor.t, floor.t + 7200)
    floor.feed(601, present(BAG), present(SLOW, explained_by=BAG))
    assert floor.states() == {"bag_full": "shelved", "low_velocity": "suppressed_by_design"}


# -- the owner -----------------------------------------------------------------------------------------------------


def test_a_shelf_has_an_end_and_the_alarm_is_then_judged_anew() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    shelved = floor.desk.shelve(1, floor.t, floor.t + 3600, reason="bags are on order")
    assert (shelved.after, shelved.reason, shelved.alarm.shelved_until) == (
        AlarmState.SHELVED, "bags are on order", floor.t + 3600)
    assert floor.feed(3599, present(BAG)) == []
    (back,) = floor.feed(1, present(BAG))
    assert (back.after, back.reason, back.alarm.shelved_until) == (AlarmState.UNACKNOWLEDGED, "the shelf ended", None)


def test_a_shelf_ends_quietly_when_the_condition_has_gone() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    floor.desk.shelve(1, floor.t, floor.t + 3600)
    assert steps(floor.feed(3600, absent(BAG))) == [("bag_full", "shelved", "normal")]


def test_a_shelf_can_be_ended_by_hand_and_not_twice() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    floor.desk.shelve(1, floor.t, floor.t + 3600)
    assert floor.desk.unshelve(1, floor.t).after is AlarmState.UNACKNOWLEDGED
    with pytest.raises(AlarmError, match="only a shelved alarm can be unshelved"):
        floor.desk.unshelve(1, floor.t)


@pytest.mark.parametrize("length_s", [0.0, -5.0, 31 * 86400.0, float("nan")])
def test_a_shelf_without_a_sensible_end_is_refused(length_s: float) -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    with pytest.raises(AlarmError, match=r"at most 2592000 s \(30 days\)"):
        floor.desk.shelve(1, floor.t, floor.t + length_s)


def test_a_clock_set_back_a_year_does_not_shelve_for_a_year() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    floor.desk.shelve(1, floor.t, floor.t + 3600)
    floor.t -= 365 * 86400.0
    floor.feed(1, present(BAG))
    until = floor.alarm(BAG).shelved_until
    assert until is not None
    assert until - floor.t <= 30 * 86400.0


def test_out_of_service_and_back() -> None:
    floor = Floor()
    floor.feed(121, present(PLUG, "lathe"))
    (out,) = floor.desk.out_of_service(PLUG, "lathe", floor.t, reason="the lathe is away for repair")
    assert (out.before, out.after) == (AlarmState.UNACKNOWLEDGED, AlarmState.OUT_OF_SERVICE)
    floor.feed(500, present(PLUG, "lathe"))
    with pytest.raises(AlarmError, match="blocked_run at lathe is already out of service"):
        floor.desk.out_of_service(PLUG, "lathe", floor.t)
    (back,) = floor.desk.return_to_service(PLUG, "lathe", floor.t)
    assert back.after is AlarmState.UNACKNOWLEDGED


def test_a_condition_out_of_service_everywhere() -> None:
    floor = Floor()
    floor.feed(121, present(PLUG, "lathe"))
    floor.desk.out_of_service(PLUG, "", floor.t)
    floor.feed(500, present(PLUG, "lathe"), present(PLUG, "planer"))
    assert set(floor.states().values()) == {"out_of_service"}
    assert "blocked_run planer" not in floor.states()
    back = floor.desk.return_to_service(PLUG, "", floor.t)
    assert {s.after for s in back} == {AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED}
    floor.feed(1, present(PLUG, "lathe"), present(PLUG, "planer"))
    assert floor.states() == {"blocked_run lathe": "unacknowledged", "blocked_run planer": "unacknowledged"}


def test_what_the_configuration_does_not_want_is_never_told() -> None:
    settings = AlarmSettings(rules={SLOW: dataclasses.replace(DEFAULT_RULES[SLOW], enabled=False)})
    floor = Floor(AlarmDesk(settings))
    assert floor.feed(5000, present(SLOW)) == []
    assert floor.desk.open() == ()


def test_a_condition_switched_off_and_on_again_in_the_configuration() -> None:
    floor = Floor()
    floor.feed(601, present(SLOW))
    off = AlarmDesk(AlarmSettings(rules={SLOW: dataclasses.replace(DEFAULT_RULES[SLOW], enabled=False)}))
    off.restore(floor.desk.open())
    (out,) = off.update(floor.t + 1, [present(SLOW)])
    assert (out.after, out.by) == (AlarmState.OUT_OF_SERVICE, "configuration")
    on = AlarmDesk()
    on.restore(off.open())
    (back,) = on.update(floor.t + 2, [present(SLOW)])
    assert (back.after, back.alarm.id) == (AlarmState.UNACKNOWLEDGED, 1)


def test_unknown_ids_are_named_with_what_is_there() -> None:
    floor = Floor()
    with pytest.raises(UnknownAlarm, match="no open alarm 7; open are: none"):
        floor.desk.acknowledge(7, floor.t)
    floor.feed(121, present(PLUG, "lathe"))
    with pytest.raises(UnknownAlarm, match=r"open are: 1 \(blocked_run at lathe\)"):
        floor.desk.shelve(7, floor.t, floor.t + 60)
    with pytest.raises(UnknownAlarm, match="bag_full is not out of service; out of service are: none"):
        floor.desk.return_to_service(BAG, "", floor.t)


def test_an_unchanged_alarm_after_a_refusal() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    before = floor.desk.open()
    with pytest.raises(AlarmError):
        floor.desk.reset(1, floor.t)
    assert floor.desk.open() == before


def test_the_most_urgent_and_then_the_oldest_come_first() -> None:
    floor = Floor()
    floor.feed(1801, present(LOADING), present(PLUG, "lathe"))
    floor.feed(61, present(LOADING), present(PLUG, "lathe"), present(BAG))
    assert [a.condition for a in floor.desk.open()] == [BAG, PLUG, LOADING]


def test_of_several_claims_of_one_key_the_strongest_counts() -> None:
    floor = Floor()
    floor.feed(61, absent(BAG), present(BAG), unknown(BAG))
    assert floor.states() == {"bag_full": "unacknowledged"}


def test_alarms_are_counted() -> None:
    floor = Floor()
    floor.feed(121, *(present(PLUG, f"port {i}") for i in range(12)))
    rate = floor.desk.rate(floor.t)
    assert (rate.last_10_min, rate.flood) == (12, True)


# -- restarts ------------------------------------------------------------------------------------------------------


def restart(floor: Floor, snapshot: bool = True) -> Floor:
    data = json.loads(json.dumps(floor.desk.snapshot())) if snapshot else None
    new = Floor(t=floor.t)
    new.desk.restore(floor.desk.open(), data)
    return new


@pytest.mark.parametrize("snapshot", [True, False])
def test_a_restart_changes_nothing_by_itself(snapshot: bool) -> None:
    floor = Floor()
    floor.feed(700, present(BAG), present(SLOW, explained_by=BAG), present(BREACH))
    floor.feed(601, present(BAG), present(SLOW, explained_by=BAG), absent(BREACH), present(PLUG, "lathe"))
    floor.desk.shelve(floor.alarm(PLUG, "lathe").id, floor.t, floor.t + 86400)
    floor.desk.out_of_service(LEFT, "", floor.t)
    floor.desk.acknowledge(floor.alarm(BAG).id, floor.t)
    new = restart(floor, snapshot)
    assert new.desk.open() == floor.desk.open()
    new.t += 7 * 3600.0  # the power was off
    new.t -= 86400.0  # and the clock is wrong
    everything = [unknown(c) for c in Condition]
    assert new.feed(4000, *everything) == []
    assert new.desk.open() == floor.desk.open()


def test_delays_go_on_after_a_restart() -> None:
    floor = Floor()
    floor.feed(51, present(BAG))
    new = restart(floor)
    new.t += 3600.0
    assert new.feed(10, present(BAG)) == []
    assert steps(new.feed(1, present(BAG))) == [("bag_full", "normal", "unacknowledged")]
    assert new.alarm(BAG).since_t == T0 + 1.0


def test_without_a_snapshot_a_delay_starts_anew() -> None:
    floor = Floor()
    floor.feed(51, present(BAG))
    new = restart(floor, snapshot=False)
    assert new.feed(60, present(BAG)) == []


def test_the_off_delay_goes_on_after_a_restart() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    floor.feed(101, absent(BAG))
    new = restart(floor)
    assert new.feed(20, absent(BAG)) == []
    assert steps(new.feed(1, absent(BAG))) == [("bag_full", "unacknowledged", "returned_unacknowledged")]


def test_ids_are_never_given_twice() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    floor.desk.acknowledge(1, floor.t)
    floor.feed(121, absent(BAG))
    assert floor.desk.open() == ()
    new = restart(floor)
    new.feed(61, present(BAG))
    assert new.alarm(BAG).id == 2
    other = Floor()
    other.desk.restore((), None, last_id=41)
    other.feed(61, present(BAG))
    assert other.alarm(BAG).id == 42


def test_an_older_snapshot_does_not_overrule_the_store() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    old = floor.desk.snapshot()
    floor.feed(121, absent(BAG))
    new = Floor(t=floor.t)
    new.desk.restore(floor.desk.open(), old)
    assert new.feed(5, unknown(BAG)) == []
    assert new.feed(59, present(BAG)) == []  # it earns its delay anew
    assert new.states() == {"bag_full": "returned_unacknowledged"}


@pytest.mark.parametrize("nonsense", [{}, {"delays": 7}, {"delays": [{"condition": "gremlins"}, 3]}, {"next_id": "x"}])
def test_a_snapshot_of_an_unknown_shape_is_ignored(nonsense: dict[str, object]) -> None:
    floor = Floor()
    floor.desk.restore((), nonsense)
    floor.feed(61, present(BAG))
    assert floor.alarm(BAG).id == 1


def test_of_two_stored_alarms_of_one_key_the_newer_is_kept() -> None:
    floor = Floor()
    floor.feed(61, present(BAG))
    (old,) = floor.desk.open()
    new = AlarmDesk()
    new.restore([dataclasses.replace(old, id=9), old])
    assert [a.id for a in new.open()] == [9]


def test_an_update_that_has_nothing_to_do_keeps_no_records() -> None:
    floor = Floor(AlarmDesk(AlarmSettings(rules={BAG: AlarmRule(60.0, 60.0)})))
    for i in range(300):
        floor.feed(1, present(PLUG, f"somewhere {i}"))
        floor.feed(1, absent(PLUG))
    assert floor.desk.snapshot()["delays"] == []


def test_what_has_a_rival_as_likely_calls_nobody_to_stop_until_it_is_sure() -> None:
    floor = Floor()
    floor.feed(30, present(OVERLOAD, confidence=0.5))
    assert floor.alarm(OVERLOAD).urgency is Urgency.SOON
    assert headline(floor.alarm(OVERLOAD)) == "Perhaps the motor is overloaded"
    assert alarm_document(floor.alarm(OVERLOAD))["title"] == "Perhaps the motor is overloaded"
    floor.feed(5, present(OVERLOAD, confidence=0.9))
    assert floor.alarm(OVERLOAD).urgency is Urgency.STOP
    assert headline(floor.alarm(OVERLOAD)) == "The motor is overloaded"
    floor.feed(5, present(OVERLOAD, confidence=0.5))
    floor.feed(5, absent(OVERLOAD))
    assert floor.alarm(OVERLOAD).urgency is Urgency.STOP  # what has called to stop goes on to
