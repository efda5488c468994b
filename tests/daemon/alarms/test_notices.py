"""Who gets notices what, when and how often; and in which words."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, timedelta, timezone
from itertools import pairwise
from types import MappingProxyType

import pytest

from analysis.conditions import TEXTS, Condition, Urgency
from analysis.events import EventKind, ShopEvent
from analysis.findings import Claim, Evidence, Finding
from daemon.alarms.settings import NoticeSettings, QuietHours
from daemon.alarms.types import Alarm, AlarmState
from daemon.digest import DigestFacts, weekly_digest
from daemon.notices import Notice, NoticeDesk
from daemon.wording import CAUTIONS, body, local_time, number, sureness, title
from tests.daemon.alarms.shop_floor import T0, Floor, absent, present, unknown

BAG, PLUG, LOADING, SLOW, BREACH = (Condition.BAG_FULL, Condition.BLOCKED_RUN, Condition.FILTER_LOADING,
                                    Condition.LOW_VELOCITY, Condition.FILTER_BREACH)
HERE = timezone(timedelta(hours=-6))
"""T0 is 03:00 on this clock."""
HOUR = 3600.0


class Shop(Floor):
    """A desk and a notice desk that run together."""

    def __init__(self, settings: NoticeSettings | None = None, t: float = T0) -> None:
        super().__init__(t=t)
        self.notices = NoticeDesk(settings or NoticeSettings(shop="Chair maker's barn"), HERE)
        self.told: list[Notice] = []

    def live(self, seconds: float, *findings: Finding, running: bool | None = True, dt: float = 1.0) -> list[Notice]:
        """The same claims for so many seconds; what was told meanwhile."""
        before = len(self.told)
        for _ in range(round(seconds / dt)):
            self.t += dt
            steps = self.desk.update(self.t, findings, running)
            self.told += self.notices.notices(self.t, steps, self.desk.open, running)
        return self.told[before:]

    def do(self, *steps: object) -> list[Notice]:
        """What the owner did to alarms, told at the same time."""
        said = self.notices.notices(self.t, steps, self.desk.open, True)  # type: ignore[arg-type]
        self.told += said
        return said


def ids(notices: list[Notice]) -> list[str]:
    return [n.id for n in notices]


# -- when ----------------------------------------------------------------------------------------------------------


def test_an_alarm_is_told_once_and_then_that_it_is_over() -> None:
    shop = Shop()
    (raised,) = shop.live(300, present(PLUG, "lathe"))
    assert (raised.id, raised.event, raised.urgency) == ("1-raised-1", "raised", Urgency.SOON)
    assert (raised.alarm_id, raised.condition, raised.where) == (1, "blocked_run", "lathe")
    shop.do(shop.desk.acknowledge(1, shop.t))
    (over,) = shop.live(300, absent(PLUG, "lathe"))
    assert (over.id, over.event) == ("1-cleared-1", "cleared")
    assert shop.live(3600, absent(PLUG)) == []


def test_an_alarm_that_comes_again_is_a_new_notice() -> None:
    shop = Shop()
    shop.live(130, present(PLUG, "lathe"))
    shop.live(130, absent(PLUG, "lathe"))
    shop.live(130, present(PLUG, "lathe"))
    assert ids(shop.told) == ["1-raised-1", "1-cleared-1", "1-raised-2"]


def test_what_calls_for_a_stop_is_repeated_and_then_escalated() -> None:
    shop = Shop()
    shop.live(3 * HOUR, present(BAG))
    began = T0 + 61
    assert [(n.event, round((n.t - began) / 60)) for n in shop.told] == [
        ("raised", 0), ("repeated", 10), ("repeated", 20), ("escalated", 30), ("repeated", 40), ("repeated", 50),
        ("repeated", 60), ("repeated", 70)]
    assert len(set(ids(shop.told))) == 8


def test_what_was_acknowledged_is_not_repeated() -> None:
    shop = Shop()
    shop.live(120, present(BAG))
    assert shop.do(shop.desk.acknowledge(1, shop.t)) == []
    assert shop.live(1700, present(BAG)) == []
    (again,) = shop.live(120, present(BAG))  # until the desk itself re-alarms after half an hour
    assert again.id == "1-raised-2"


def test_a_plan_alarm_is_told_once_and_left_to_the_digest() -> None:
    shop = Shop()
    shop.live(5 * HOUR, present(LOADING), dt=5.0)
    assert ids(shop.told) == ["1-raised-1"]


def test_nobody_is_told_to_stop_a_fan_that_stands() -> None:
    shop = Shop()
    shop.live(120, present(BAG))
    assert shop.live(2 * HOUR, present(BAG), running=False) == []
    (again,) = shop.live(1, present(BAG))
    assert again.event == "escalated"


def test_repeats_can_be_set() -> None:
    settings = NoticeSettings(
        repeat_s=MappingProxyType({Urgency.STOP: 60.0}), repeat_limit=MappingProxyType({Urgency.STOP: 2}),
        escalate_after_s=None, tell_cleared=False, tell_acknowledged=True)
    shop = Shop(settings)
    shop.live(600, present(BAG))
    assert [n.event for n in shop.told] == ["raised", "repeated", "repeated"]
    (seen,) = shop.do(shop.desk.acknowledge(1, shop.t))
    assert (seen.event, seen.id) == ("acknowledged", "1-acknowledged-1")
    assert shop.live(300, absent(BAG)) == []


def test_a_symptom_is_named_in_the_notice_of_its_cause_and_not_told_itself() -> None:
    shop = Shop()
    shop.live(660, present(BAG), present(SLOW, "planer", explained_by=BAG))
    assert {n.condition for n in shop.told} == {"bag_full"}
    repeated, *_ = shop.live(600, present(BAG), present(SLOW, "planer", explained_by=BAG))
    assert "It also explains: Air is too slow to carry chips: planer." in repeated.body


def test_a_shelved_alarm_is_quiet_and_told_when_the_shelf_ends() -> None:
    shop = Shop()
    shop.live(130, present(PLUG, "lathe"))
    shop.do(shop.desk.shelve(1, shop.t, shop.t + HOUR))
    assert shop.live(HOUR - 1, present(PLUG, "lathe")) == []
    (back,) = shop.live(2, present(PLUG, "lathe"))
    assert back.id == "1-raised-2"


def test_a_latched_alarm_says_that_it_waits() -> None:
    shop = Shop()
    shop.live(62, present(BREACH))
    shop.do(shop.desk.acknowledge(1, shop.t))
    (back,) = shop.live(605, absent(BREACH))
    assert back.event == "cleared"
    assert back.title.startswith("Fine now, please have a look: A filter bag is loose or torn")
    assert "until somebody has looked and closed it" in back.body


# -- quiet hours ---------------------------------------------------------------------------------------------------

QUIET = NoticeSettings(quiet=QuietHours(20 * 60, 6 * 60 + 30))
"""From 20:00 to 06:30; T0 is 03:00."""


def test_in_quiet_hours_only_stop_is_told() -> None:
    shop = Shop(QUIET)
    shop.live(130, present(PLUG, "lathe"), present(BAG))
    assert [(n.condition, n.event) for n in shop.told] == [("bag_full", "raised")]


def test_what_still_stands_is_told_when_quiet_hours_end() -> None:
    shop = Shop(QUIET)
    shop.live(3.4 * HOUR, present(PLUG, "lathe"), dt=5.0)
    assert shop.told == []
    (told,) = shop.live(0.2 * HOUR, present(PLUG, "lathe"), dt=5.0)
    assert local_time(told.t, HERE) == "Sun 1 Mar 2026, 06:30"
    assert "Since: Sun 1 Mar 2026, 03:00 (3.5 h)." in told.body


def test_what_went_in_quiet_hours_is_not_told_at_all() -> None:
    shop = Shop(QUIET)
    shop.live(300, present(PLUG, "lathe"))
    shop.live(300, absent(PLUG, "lathe"))
    shop.live(5 * HOUR, absent(PLUG, "lathe"), dt=5.0)
    assert shop.told == []
    assert shop.states() == {"blocked_run lathe": "returned_unacknowledged"}  # it is still on the record


def test_that_something_is_over_waits_for_the_morning() -> None:
    shop = Shop(QUIET, t=T0 - 7.5 * HOUR)  # 19:30
    shop.live(600, present(PLUG, "lathe"))
    shop.live(2 * HOUR, absent(PLUG, "lathe"), dt=5.0)
    assert [n.event for n in shop.told] == ["raised", "cleared"]
    late = Shop(QUIET, t=T0 - 7.1 * HOUR)  # 19:54
    late.live(350, present(PLUG, "lathe"))
    assert [n.event for n in late.told] == ["raised"]
    late.live(10 * HOUR, absent(PLUG, "lathe"), dt=5.0)
    assert [n.event for n in late.told] == ["raised"]
    late.live(1.2 * HOUR, absent(PLUG, "lathe"), dt=5.0)
    assert [n.event for n in late.told] == ["raised", "cleared"]


def test_quiet_hours_go_by_the_shops_clock() -> None:
    in_utc = NoticeDesk(QUIET, UTC)  # there it is 09:00
    assert NoticeDesk(QUIET, HERE).quiet(T0)
    assert not in_utc.quiet(T0)


def test_quiet_hours_within_one_day() -> None:
    noon = QuietHours(12 * 60, 13 * 60)
    assert [noon.covers(m) for m in (719, 720, 779, 780)] == [False, True, True, False]


# -- restarts and clocks -------------------------------------------------------------------------------------------


def restarted(shop: Shop, snapshot: bool = True) -> Shop:
    new = Shop(shop.notices.settings, t=shop.t)
    new.desk.restore(shop.desk.open(), json.loads(json.dumps(shop.desk.snapshot())))
    if snapshot:
        new.notices.restore(json.loads(json.dumps(shop.notices.snapshot())))
    return new


def test_a_restart_tells_nothing_again() -> None:
    shop = Shop()
    shop.live(700, present(PLUG, "lathe"), present(BAG))
    new = restarted(shop)
    assert new.live(300, unknown(PLUG), unknown(BAG)) == []
    later = new.live(HOUR, present(PLUG, "lathe"), present(BAG))
    assert not set(ids(later)) & set(ids(shop.told))
    assert later[0].id == "1-repeated-2"


def test_without_a_snapshot_the_ids_are_the_same_so_that_the_outlets_can_refuse_them() -> None:
    shop = Shop()
    shop.live(300, present(PLUG, "lathe"), present(BAG))
    new = restarted(shop, snapshot=False)
    assert sorted(ids(new.live(10, unknown(PLUG)))) == sorted(ids(shop.told))


def test_what_waits_for_the_morning_survives_a_restart() -> None:
    shop = Shop(QUIET, t=T0 - 7.1 * HOUR)
    shop.live(350, present(PLUG, "lathe"))
    shop.live(HOUR, absent(PLUG, "lathe"), dt=5.0)
    new = restarted(shop)
    new.live(11 * HOUR, absent(PLUG, "lathe"), dt=5.0)
    assert ids(new.told) == ["1-cleared-1"]


@pytest.mark.parametrize("nonsense", [{}, {"told": 3}, {"told": {"x": {}}}, {"told": {"1": {"weather": 1}}}, {"held": [1]}])
def test_a_snapshot_of_an_unknown_shape_is_ignored(nonsense: Mapping[str, object]) -> None:
    shop = Shop()
    shop.notices.restore(nonsense)
    assert len(shop.live(130, present(PLUG, "lathe"))) == 1


def test_a_clock_set_back_neither_repeats_at_once_nor_never_again() -> None:
    shop = Shop()
    shop.live(70, present(BAG))
    shop.t -= 365 * 86400.0
    assert shop.live(500, present(BAG)) == []
    assert [n.event for n in shop.live(200, present(BAG))] == ["repeated"]


def test_a_long_silence_brings_no_repeat_nearer() -> None:
    shop = Shop()
    shop.live(361, present(BAG))  # told five minutes ago
    shop.t += 9 * HOUR
    assert shop.live(290, present(BAG)) == []
    assert [n.event for n in shop.live(20, present(BAG))] == ["repeated"]


def test_a_restart_after_a_night_without_power_brings_no_repeat_nearer() -> None:
    shop = Shop()
    shop.live(361, present(BAG))
    new = restarted(shop)
    new.t += 9 * HOUR
    assert new.live(290, unknown(BAG)) == []
    assert [n.event for n in new.live(20, present(BAG))] == ["repeated"]


# -- words ---------------------------------------------------------------------------------------------------------


def alarm(condition: Condition = BAG, where: str = "", **finding: object) -> Alarm:
    claim = replace(
        Finding(T0, condition, Claim.PRESENT, where, 0.87, since=T0 - 600.0,
                evidence={"drag": Evidence(2.1, "ratio", "filter drag over clean"),
                          "filter_pa": Evidence(996.355564, "pressure", "pressure over the filter bags"),
                          "flow": Evidence(0.25, "flow", "flow")},
                could_be=("a damp morning", "very fine dust")), **finding)
    return Alarm(1, condition, where, AlarmState.UNACKNOWLEDGED, TEXTS[condition].urgency, T0, T0 - 600.0, T0, claim)


def test_a_notice_says_what_where_since_when_how_sure_the_numbers_what_else_and_what_to_do() -> None:
    text = body(alarm(), "raised", T0, "Chair maker's barn", "us", HERE)
    assert text.splitlines() == [
        "Chair maker's barn: the chip bag is full. Chips are being carried up into the filter bags.",
        "Where: the whole unit.",
        "Since: Sun 1 Mar 2026, 02:50 (10 min).",
        "How sure: very likely (87 %).",
        "Numbers: filter drag over clean 2.10 times; pressure over the filter bags 4.00 in. w.g.; flow 530 cfm.",
        "It could also be: a damp morning; very fine dust.",
        "What to do: Stop the fan and empty the chip bag.",
        "Take care: Switch off and lock out the power before you open anything, and wait until the fan wheel stands still. "
        "Fine wood dust harms the lungs: wear a respirator made for fine dust when you handle bags or chips. A comfort mask "
        "is no substitute. Dust in the air can burn or explode: no flame, no grinding, no sparks near it.",
        "This is advice, not a safety device: nothing here starts or stops the motor.",
    ]


def test_the_numbers_come_in_the_owners_units() -> None:
    # 4 in. w.g. is 996.36 Pa (NIST SP 811: the conventional inch of water is 249.0889 Pa)
    assert "996 Pa; flow 900 m³/h" in body(alarm(), "raised", T0, "barn", "si", HERE)


@pytest.mark.parametrize(
    ("item", "words"),
    [
        (Evidence(1234.0, "rings", "r"), "1.23e+03"),
        (Evidence(7200.0, "time", "t"), "2.0 h"),
        (Evidence(0.13, "fraction", "f"), "13%"),
        (Evidence(float("nan"), "flow", "f"), "–"),
    ],
)
def test_numbers_of_any_kind_can_be_said(item: Evidence, words: str) -> None:
    assert number(item, "us") == words


def test_a_sensor_is_named_by_what_it_measures() -> None:
    assert title(alarm(Condition.SENSOR_FAULT, "filter_pa"), "raised") == (
        "Look today: A sensor cannot be trusted: pressure over the filter bags (filter_pa)")


def test_the_detectors_own_advice_goes_before_the_general_one() -> None:
    assert "What to do: Clear the lathe's elbow." in body(
        alarm(PLUG, "lathe", action="Clear the lathe's elbow."), "raised", T0, "barn", "us", HERE)


@pytest.mark.parametrize("event", ["raised", "repeated", "escalated", "cleared", "acknowledged"])
@pytest.mark.parametrize("condition", Condition)
def test_every_notice_can_be_said(condition: Condition, event: str) -> None:
    text = title(alarm(condition), event) + body(alarm(condition), event, T0, "barn", "us", HERE)
    assert TEXTS[condition].title in text
    assert "None" not in text


def test_dangerous_work_comes_with_its_caution() -> None:
    assert set(CAUTIONS) == set(Condition)
    for condition in (BAG, LOADING, BREACH, Condition.FILTER_BLINDED):
        words = " ".join(CAUTIONS[condition])
        assert "lock out" in words
        assert "respirator" in words
        assert "no substitute" in words
        assert "explode" in words
    for condition in (Condition.MOTOR_OVERLOAD, Condition.WEAK_FAN):
        assert "licensed electrician" in " ".join(CAUTIONS[condition])
    for condition in Condition:
        if TEXTS[condition].urgency is Urgency.STOP:
            assert "not a safety device" in body(alarm(condition), "raised", T0, "barn", "us", HERE)


def test_how_sure_in_words() -> None:
    assert [sureness(c).split(" (")[0] for c in (0.99, 0.9, 0.6, 0.5)] == [
        "almost certain", "very likely", "likely", "possible"]


# -- the digest ----------------------------------------------------------------------------------------------------


def test_the_weekly_digest() -> None:
    week = 7 * 86400.0
    slow = replace(alarm(SLOW, "lathe"), state=AlarmState.SUPPRESSED, suppressed_by=LOADING)
    facts = DigestFacts(
        T0 - week, T0, run_s=9.5 * HOUR, starts=31, alarms=(alarm(),), open=(alarm(LOADING), slow),
        events=(ShopEvent(T0 - 3600.0, EventKind.EMPTIED, "ductwarden"),), drag_ratio=1.8, flow_lost=0.04,
        forecast_s=12 * HOUR, days_left_s=96 * HOUR)
    digest = weekly_digest(facts, NoticeSettings(shop="Chair maker's barn"), HERE)
    assert (digest.event, digest.id, digest.title) == ("digest", "digest-2026-W09", "Week 9: one thing to look at")
    assert digest.body.splitlines() == [
        "Chair maker's barn, Sun 22 Feb 2026, 03:00 to Sun 1 Mar 2026, 03:00.",
        "The fan ran 9.5 h in 31 starts.",
        "Filter: drag 1.80 times clean, which costs 4 % of the air; a cleaning pays in about 12.0 h of running, "
        "4.0 days at the present use.",
        "Open now:",
        "- The filter is loaded (not seen yet, since Sun 1 Mar 2026, 02:50)",
        "- Air is too slow to carry chips: lathe (follows from: the filter is loaded)",
        "Alarms raised (1):",
        "- The chip bag is full, Sun 1 Mar 2026, 03:00",
        "Journal:",
        "- Sun 1 Mar 2026, 02:00: chip bag emptied (found from the readings)",
    ]


def test_the_digest_carries_a_picture_of_the_drag() -> None:
    """Read back by a decoder that is not ours (Pillow): a bar is the higher the larger the drag, and reaches the line."""
    image = pytest.importorskip("PIL.Image")
    days = [1.0, 1.2, None, 1.4, 1.75, 1.1, 1.6] * 4
    facts = DigestFacts(T0 - 7 * 86400.0, T0, drag_days=days, clean_at=1.75)
    picture = weekly_digest(facts, NoticeSettings(), HERE).picture
    assert picture is not None
    field = image.open(io.BytesIO(picture)).convert("RGB")
    step = (field.width - 64 - 3) / len(days)

    def height(part: int) -> int:
        x = round(64 + (part + 0.5) * step)
        return sum(field.getpixel((x, y)) == (11, 85, 99) for y in range(field.height))

    heights = [height(part) for part in range(7)]
    assert heights[2] == 0, "the fan stood still"
    known = [(days[part], heights[part]) for part in (0, 5, 1, 3, 6)]
    rises = [(h2 - h1) / (d2 - d1) for (d1, h1), (d2, h2) in pairwise(known) if d1 is not None and d2 is not None]
    assert max(rises) - min(rises) < 30, f"to one scale: {rises}"
    line = [y for y in range(field.height) if field.getpixel((field.width - 2, y)) == (155, 28, 22)]
    assert len(line) == 3
    assert abs(field.height - 36 - heights[4] - line[1]) <= 2, "the bar at the limit ends in the line"
    assert weekly_digest(DigestFacts(T0 - 1.0, T0), NoticeSettings(), HERE).picture is None


def test_a_digest_says_what_is_not_known_and_has_one_id_a_week() -> None:
    week = 7 * 86400.0
    monday = 1772431200.0  # Mon 2 Mar 2026, 00:00 on the shop's clock
    first = weekly_digest(DigestFacts(monday - week, monday), NoticeSettings(), HERE)
    second = weekly_digest(DigestFacts(monday, monday + week), NoticeSettings(), HERE)
    assert (first.id, second.id) == ("digest-2026-W09", "digest-2026-W10")
    assert "Running time: not known." in first.body
    assert "Filter: not known." in first.body
    assert first.title == "Week 9: nothing to do"


def test_the_first_days_of_january_belong_to_their_iso_week() -> None:
    # 1 January 2027 is a Friday: ISO 8601 counts it to week 53 of 2026.
    t = 1798783200.0 + 12 * HOUR
    assert weekly_digest(DigestFacts(t - 86400.0, t), NoticeSettings(), UTC).id == "digest-2026-W53"
