"""Alarm rates against the published figures.

One in 10 minutes manageable, ten in 10 minutes a flood: public summary of EEMUA 191. 144 a day: public text on
IEC 62682:2014. A flood ends below 5 in 10 minutes: from memory.
"""

from __future__ import annotations

from daemon.alarms.rates import RateMeter


def test_ten_in_ten_minutes_are_a_flood_and_nine_are_not() -> None:
    nine, ten = RateMeter(), RateMeter()
    for i in range(9):
        nine.add(i * 60.0)
    for i in range(10):
        ten.add(i * 60.0)
    assert not nine.rate(540.0).flood
    assert ten.rate(540.0).flood
    assert ten.rate(540.0).last_10_min == 10


def test_a_flood_ends_below_five() -> None:
    meter = RateMeter()
    for i in range(10):
        meter.add(i * 10.0)
    assert meter.rate(90.0).flood
    assert meter.rate(649.9).flood  # those of 50 s and later: five are left
    rate = meter.rate(650.0)
    assert rate.last_10_min == 4
    assert not rate.flood
    assert rate.floods == 1


def test_one_in_ten_minutes_all_day_is_manageable_at_144_a_day() -> None:
    meter = RateMeter()
    for i in range(145):
        meter.add(i * 600.0)
    rate = meter.rate(144 * 600.0)
    assert (rate.last_10_min, rate.last_day) == (1, 144)
    assert rate.manageable
    meter.add(144 * 600.0 + 1)
    assert not meter.rate(144 * 600.0 + 1).manageable


def test_a_clock_set_back_leaves_no_alarms_in_the_future() -> None:
    meter = RateMeter()
    for i in range(20):
        meter.add(1e9 + i)
    meter.add(1000.0)
    assert meter.rate(1000.0).last_day == 1


def test_memory_is_bounded() -> None:
    meter = RateMeter(most=50)
    for i in range(1000):
        meter.add(float(i))
    assert meter.rate(999.0).last_day == 50
