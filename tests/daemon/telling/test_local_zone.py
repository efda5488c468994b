"""The computer's zone through the C library, against Python's own reading of the IANA time zone data (zoneinfo)."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.clock import LocalZone
from tests.support.thoroughness import examples

ZONES = ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "UTC")


@pytest.fixture(params=ZONES, scope="module")
def zone(request: pytest.FixtureRequest) -> Iterator[str]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", request.param)
        time.tzset()
        yield request.param
    time.tzset()


@settings(max_examples=examples(300), deadline=None)
@given(t=st.integers(1_577_836_800, 2_051_222_400))
def test_instants_to_local_time_and_back(zone: str, t: int) -> None:
    ours, theirs = datetime.fromtimestamp(t, LocalZone()), datetime.fromtimestamp(t, ZoneInfo(zone))
    assert ours.replace(tzinfo=None) == theirs.replace(tzinfo=None)
    assert (ours.fold, ours.utcoffset(), ours.tzname()) == (theirs.fold, theirs.utcoffset(), theirs.tzname())
    assert ours.timestamp() == t


@settings(max_examples=examples(300), deadline=None)
@given(local=st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1)), fold=st.integers(0, 1))
def test_local_times_to_instants(zone: str, local: datetime, fold: int) -> None:
    ours = local.replace(tzinfo=LocalZone(), fold=fold).timestamp()
    theirs = local.replace(tzinfo=ZoneInfo(zone), fold=fold).timestamp()
    assert ours == pytest.approx(theirs, abs=1e-5)


def test_midnight_to_midnight_is_23_and_25_hours_when_the_clock_is_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "Europe/Berlin")
        time.tzset()
        # European summer time 2026: from 29 March to 25 October (directive 2000/84/EC: last Sundays of those months).
        spans = []
        for month, day in ((3, 29), (10, 25), (6, 1)):
            start = datetime(2026, month, day, tzinfo=LocalZone())
            spans.append((start + timedelta(days=1)).timestamp() - start.timestamp())
    time.tzset()
    assert [span / 3600.0 for span in spans] == [23.0, 25.0, 24.0]
