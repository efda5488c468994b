"""Several units of one shop: what they may share, and what they may not (``hardware_notes/several_units.md``)."""

from __future__ import annotations

from daemon.config.sources import MqttTable
from daemon.sources.contract import SourceHealth
from daemon.sources.payloads import PayloadParser
from daemon.sources.wire import WireSettings

MESSAGE = b"P1=-905.2 P2=310 P3=-1210 P4=150"


def test_one_board_for_two_units_over_a_broker() -> None:
    read = []
    for names in (("P1", "P2"), ("P3", "P4")):
        health = SourceHealth("broker", "mqtt")
        wire = WireSettings(known=frozenset(names))
        table = MqttTable.model_validate({"kind": "mqtt", "host": "h", "topics": {"shop/node": "json"}})
        parser = PayloadParser(table, wire, health)
        sample = parser.parse("shop/node", MESSAGE, False, 1_772_355_600.0)
        assert sample is not None
        assert health.refused == {"unknown channel": 2}
        read.append(dict(sample.values))
    assert read == [{"P1": -905.2, "P2": 310.0}, {"P3": -1210.0, "P4": 150.0}]
