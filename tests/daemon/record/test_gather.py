"""The facts of a month, from a store whose every second is known."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from analysis.baseline.model import Baseline
from analysis.duct.design import AsBuilt
from analysis.duct.solve import solve
from analysis.events import EventKind
from daemon.alarms.types import AlarmState
from daemon.config.config import Config
from daemon.record.facts import RecordFacts
from daemon.record.gather import gather
from daemon.record.period import Month, PeriodError
from daemon.store.reader import Reader
from tests.daemon.record.shopping import READINGS, Ledger, barn
from tests.daemon.store.making import step

BERLIN = ZoneInfo("Europe/Berlin")
U, A, N, S = AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.NORMAL, AlarmState.SUPPRESSED


def at(day: int, hour: int = 0, minute: int = 0, month: int = 3, tz: tzinfo = UTC) -> float:
    return datetime(2026, month, day, hour, minute, tzinfo=tz).timestamp()


@contextmanager
def ledger(config: Config, **more: float) -> Iterator[Ledger]:
    made = Ledger(config, **more)
    yield made
    made.close()


def facts(config: Config, month: str = "2026-03", now: float = at(2, month=4), tz: tzinfo = UTC) -> RecordFacts:
    with Reader(config.at(config.file.store.file)) as reader:
        return gather(config, reader, Month.of(month, tz), now, tz)


def test_hours_starts_and_energy_by_day_also_over_midnight(tmp_path: Path) -> None:
    config = barn(tmp_path, '[record]\nenergy_price = "0.40 EUR/kWh"')
    motor = config.design.motor
    assert motor is not None
    shaft = 1100.0
    readings = {**READINGS, "motor_a": motor.current_scalar(shaft)}
    with ledger(config) as book:
        book.run(at(28, 10, month=2), 600, readings=readings)
        book.idle(at(28, 10, 11, month=2), at(3, 23, 29))
        book.run(at(3, 23, 30), 3600, readings=readings)
        book.idle(at(4, 0, 31), at(4, 9, 59))
        book.run(at(4, 10), 1200, readings=readings)
        book.idle(at(4, 10, 21), at(4, 11))
    found = facts(config)
    days = {day.day.day: day for day in found.days}
    assert len(days) == 31
    assert days[3].run_s == pytest.approx(1800.0, abs=2.0)
    assert days[4].run_s == pytest.approx(1800.0 + 1200.0, abs=3.0)
    assert (days[3].starts, days[4].starts, found.starts) == (1, 1, 2)
    # What the motor draws for a shaft power is the model that its current was made from, so only the way back is tested
    # here; tests/analysis/test_energy.py holds it against an equivalent circuit.
    assert days[4].energy_j == pytest.approx(motor.power_in_w(shaft) * days[4].run_s, rel=1e-4)
    assert days[1].energy_j is None
    assert found.energy_words == ""
    assert found.cost is not None
    assert found.cost == (pytest.approx(motor.power_in_w(shaft) * found.run_s / 3.6e6 * 0.40, rel=1e-4), "EUR")
    assert days[4].flow_m3s == pytest.approx(0.3)


def test_a_month_begins_and_ends_at_local_midnight(tmp_path: Path) -> None:
    config = barn(tmp_path)
    with ledger(config) as book:
        book.run(at(28, 23, 10, month=2), 6000)  # in Berlin from 28 February, 00:10 to 1 March, 01:50
        book.run(at(31, 21, 30), 3600)  # in Berlin, in summer time, from 31 March, 23:30 on
    local, utc = facts(config, tz=BERLIN), facts(config)
    assert local.days[0].run_s == pytest.approx(6000.0, abs=61.0)  # the minute under way at the end is not rolled up
    assert utc.days[0].run_s == pytest.approx(6000.0 - 50 * 60.0, abs=61.0)
    assert local.days[-1].run_s == pytest.approx(1800.0, abs=2.0)
    assert utc.days[-1].run_s == pytest.approx(3600.0, abs=61.0)
    assert (local.starts, utc.starts) == (2, 1)


def test_suction_and_flow_by_gate_set_against_the_drawing(tmp_path: Path) -> None:
    config = barn(tmp_path)
    with ledger(config) as book:
        book.run(at(3, 9), 1800, gates=("planer",), flow=0.28)
        book.run(at(3, 10), 900, gates=("lathe", "planer"), flow=0.40, readings={**READINGS, "inlet_pa": -1800.0})
        book.run(at(3, 11), 300, gates=None, flow=0.33)
        book.run(at(3, 12), 300, gates=("sander",), flow=0.33)  # not in the present drawing
        book.run(at(3, 13), 30, gates=("bandsaw",))  # too short to be told
    found = facts(config)
    assert found.reference == "the drawing (there is no baseline)"
    sets = {one.open_ports: one for one in found.gate_sets}
    assert list(sets) == [("planer",), ("lathe", "planer"), None, ("sander",)]
    for ports in (("planer",), ("lathe", "planer")):
        point = solve(config.design, ports)
        assert sets[ports].expected["flow_m3s"] == pytest.approx(point.flow_m3s)
        assert sets[ports].expected["inlet_pa"] == pytest.approx(point.inlet_pa)
        assert sum(sets[ports].shares.values()) <= 1.0
    assert sets[None].expected == sets["sander",].expected == {}
    assert sets["planer",].means["inlet_pa"].value == pytest.approx(-2100.0)
    assert sets["planer",].seconds == pytest.approx(1800.0, abs=11.0)
    assert sets["lathe", "planer"].means["flow_m3s"].value == pytest.approx(0.40)
    ports = {port.name: port for port in found.ports}
    alone, both = sets["planer",], sets["lathe", "planer"]
    low, high = 0.40 * both.shares["planer"], 0.28 * alone.shares["planer"]
    assert (ports["planer"].least_m3s, ports["planer"].most_m3s) == (pytest.approx(low), pytest.approx(high))
    weighted = (low * both.seconds + high * alone.seconds) / (both.seconds + alone.seconds)
    assert ports["planer"].flow_m3s == pytest.approx(weighted)
    assert ports["bandsaw"].flow_m3s is None
    assert ports["bandsaw"].seconds == 0.0


def test_thin_air_is_expected_to_pull_less_at_the_same_flow(tmp_path: Path) -> None:
    config = barn(tmp_path)
    density = 0.95 * config.design.air.density_kgm3
    with ledger(config) as book:
        book.run(at(3, 9), 600, density=density)
    (one,) = facts(config).gate_sets
    point = solve(config.design, ["planer"])
    # fan laws: pressures go with density at the same flow (the bags' share does not, so it is not quite 0.95)
    assert one.expected["inlet_pa"] / point.inlet_pa == pytest.approx(0.95, abs=0.005)
    assert one.expected["flow_m3s"] == pytest.approx(point.flow_m3s, rel=0.005)


def test_the_newest_baseline_from_before_the_end_of_the_month_is_the_reference(tmp_path: Path) -> None:
    config = barn(tmp_path)
    built = AsBuilt(fan_pressure=0.93, port_k={"planer": 1.4}, filter_drag=1.1)
    names = config.design.port_names
    with ledger(config) as book:
        for t, name, one in (
            (at(5), "spring", Baseline(at(5), "spring", built, clean=True, port_names=names)),
            (at(6), "other shop", Baseline(at(6), "other shop", AsBuilt(fan_pressure=0.5), port_names=("saw",))),
            (at(9, month=4), "later", Baseline(at(9, month=4), "later", AsBuilt(fan_pressure=0.5), port_names=names)),
        ):
            book.writer.baseline(name, t, one.to_dict())
        book.writer.baseline("broken", at(7), {"format": 99})
        book.run(at(10, 9), 600)
    found = facts(config)
    assert found.reference == "the baseline 'spring' of Thu 5 Mar 2026, 00:00"
    point = solve(
        config.design, ["planer"], as_built=built, filter_drag_pasm3=1.1 * config.design.filter.clean_drag_pasm3)
    assert found.gate_sets[0].expected["flow_m3s"] == pytest.approx(point.flow_m3s)


def test_what_a_cleaning_brought(tmp_path: Path) -> None:
    config = barn(tmp_path)
    with ledger(config) as book:
        book.note(at(20, month=2), EventKind.CLEANED)
        book.run(at(9, 8), 3600, drag=1.5)
        book.run(at(10, 8), 3600, drag=1.8)
        book.note(at(10, 9, 30), EventKind.CLEANED, "ductwarden")
        book.run(at(10, 10), 3600, drag=1.05)
        book.note(at(12), EventKind.REPLACED, text="new bags")
        book.note(at(13), EventKind.EMPTIED)
        book.run(at(13, 10), 120, drag=1.0)
    first, second = facts(config).cleanings
    assert (first.before, first.after) == (pytest.approx(1.8), pytest.approx(1.05))
    assert first.since_s == pytest.approx(7200.0)
    assert (first.entry.by, second.entry.kind) == ("ductwarden", "replaced")
    assert (second.before, second.after) == (pytest.approx(1.05), pytest.approx(1.0))
    assert second.since_s == pytest.approx(3600.0)
    days = facts(config).days
    assert [days[d - 1].drag_ratio for d in (9, 10, 11)] == [pytest.approx(1.5), pytest.approx(1.05), None]
    assert [entry.kind for entry in days[11].done] == ["replaced"]
    assert {round(point.mean, 3) for point in facts(config).drag} == {1.5, 1.8, 1.05, 1.0}


def test_alarms_with_their_steps_and_what_was_done(tmp_path: Path) -> None:
    config = barn(tmp_path)
    with ledger(config) as book:
        book.run(at(2, 9), 120)
        for move in (
            step(1, N, U, at(20, 9, month=2)), step(1, U, N, at(20, 10, month=2), at(20, 9, month=2),
                                                    cleared_t=at(20, 10, month=2)),  # over before the month
            step(2, N, U, at(27, 9, month=2)), step(2, U, A, at(2, 8), at(27, 9, month=2), acknowledged_t=at(2, 8)),
            step(3, N, U, at(5, 9)), step(3, U, A, at(5, 9, 10), at(5, 9), acknowledged_t=at(5, 9, 10)),
            step(3, A, N, at(5, 11), at(5, 9), acknowledged_t=at(5, 9, 10), cleared_t=at(5, 11)),
            step(4, N, S, at(6, 9)), step(4, S, N, at(6, 10), at(6, 9), cleared_t=at(6, 10)),  # never told
            step(5, N, U, at(3, 9, month=4)),  # after the month
        ):
            book.writer.transition(move)
        book.note(at(5, 8), EventKind.NOTE, text="before it")
        book.note(at(5, 9, 30), EventKind.EMPTIED, text="two sacks")
        book.note(at(5, 12, 30), EventKind.NOTE, text="swept the floor")
        book.note(at(5, 15), EventKind.NOTE, text="much later")
    found = facts(config)
    assert [one.alarm.id for one in found.alarms] == [2, 3]
    assert found.held_back == 1
    assert [s.after for s in found.alarms[1].steps] == [U, A, N]
    assert [entry.text for entry in found.alarms[1].done] == ["two sacks", "swept the floor"]
    assert [day.alarms for day in found.days if day.alarms] == [1]
    assert found.days[4].alarms == 1


def test_zeros_and_missing_readings(tmp_path: Path) -> None:
    config = barn(tmp_path)
    with ledger(config) as book:
        book.idle(at(2, 8), at(2, 12), inlet_pa=-2.0)
        book.run(at(2, 12, 1), 300, missing="filter_pa")
        book.idle(at(15, 8), at(15, 12), inlet_pa=-30.0)
        book.idle(at(30, 8), at(30, 12), inlet_pa=-10.0)
    sensors = {one.channel: one for one in facts(config).sensors}
    inlet = sensors["inlet_pa"]
    assert inlet.zero is not None
    assert inlet.zero.value == pytest.approx(-14.0, abs=0.2)
    assert (inlet.first, inlet.last, inlet.worst) == (
        pytest.approx(-2.0, abs=0.1), pytest.approx(-10.0), pytest.approx(-30.0))
    assert sensors["filter_pa"].missing == {"stuck": pytest.approx(300.0, abs=11.0)}
    assert sensors["motor_a"].missing == {}


def test_when_nobody_watched(tmp_path: Path) -> None:
    config = barn(tmp_path)
    with ledger(config) as book:
        book.idle(at(10, 8), at(12, 8))
        book.idle(at(13, 8), at(14, 8))
    found = facts(config, now=at(15))
    gaps = [(gap.start_t, gap.end_t) for gap in found.gaps]
    assert gaps == [(at(12, 7, 59), at(13, 8)), (at(14, 7, 59), at(15))]
    assert (found.seen_from_t, found.until_t, found.raw_from_t) == (at(10, 8), at(15), None)


def test_what_rests_on_single_readings_is_not_known_where_they_are_gone(tmp_path: Path) -> None:
    config = barn(tmp_path)
    with ledger(config, keep_raw_days=2.0) as book:
        book.run(at(3, 9), 1800)
        for day in range(4, 27):
            book.run(at(day, 9), 900)
            book.writer.flush(force=True)
    found = facts(config)
    assert found.days[2].run_s == pytest.approx(1800.0, abs=61.0)
    assert found.raw_from_t is not None
    assert at(20) < found.raw_from_t < at(26)
    assert sum(one.seconds for one in found.gate_sets) < 5 * 900.0
    assert all(gap.start_t >= found.raw_from_t for gap in found.gaps)


def test_without_a_motor_or_a_current_the_energy_is_not_known(tmp_path: Path) -> None:
    config = barn(tmp_path)
    without = {name: value for name, value in READINGS.items() if name != "motor_a"}
    with ledger(config) as book:
        book.run(at(3, 9), 600, readings=without)
    found = facts(config)
    assert (found.energy_j, found.cost, found.energy_words) == (None, None, "not known: no motor current was read")
    with ledger(config) as book:
        book.run(at(4, 9), 1200)
        book.idle(at(4, 9, 21), at(4, 9, 25))
    assert facts(config).energy_words == "without 10 min of running in which no current was read"


def test_a_month_of_which_there_is_nothing(tmp_path: Path) -> None:
    config = barn(tmp_path)
    with ledger(config) as book:
        pass
    with pytest.raises(PeriodError, match="nothing of March 2026 is in the store; it is empty"):
        facts(config)
    with ledger(config) as book:
        book.run(at(3, 9), 120)
    with pytest.raises(PeriodError, match="nothing of May 2026 is in the store; it holds Tue 3 Mar 2026, 09:00 to"):
        facts(config, "2026-05", at(3, month=6))
