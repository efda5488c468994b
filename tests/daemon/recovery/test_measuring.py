"""Whether anything is measured at all, as the daemon tells it within seconds."""

from __future__ import annotations

from daemon.selfcheck import UNHEARD_S, Ear
from daemon.sources.contract import Sample


def test_only_the_main_channels_count_and_only_for_seconds() -> None:
    now = [100.0]
    ear = Ear(lambda: now[0])
    assert ear.document() == {"ok": False, "since": None}
    ear.hear([Sample("node", 5.0, {"air_c": 20.0})], 5.0)
    assert ear.document()["since"] is None, "the weather says nothing about the unit"
    ear.hear([Sample("unit", 6.0, {"inlet_pa": -2100.0})], 6.0)
    assert ear.document() == {"ok": True, "since": 6.0}
    now[0] += UNHEARD_S
    assert ear.document() == {"ok": False, "since": 6.0}
