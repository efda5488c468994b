"""Fuzz the reading of a broker's messages: the input is a topic, a line end, and a payload."""

from __future__ import annotations

from collections.abc import Hashable

from daemon.config.sources import MqttTable
from daemon.sources.contract import SourceHealth
from daemon.sources.payloads import PayloadParser
from daemon.sources.wire import WireSettings
from tests.fuzz.engine import Target, main
from tests.fuzz.wire import NOON, checked

TABLE = MqttTable.model_validate({"kind": "mqtt", "host": "localhost", "topics": {
    "barn/+/pa": "{1}_pa", "unit/#": "json", "meter": {"channel": "motor_a", "field": "em.current"},
    "+": {"channel": "line_v", "field": "em.voltage"}, "+/+/+/+": "{1}{2}{3}{4}", "gate/+": "gate:{1}",
    "meter/#": {"gate": "planer", "field": "em.open"},
}})
KNOWN = WireSettings(known=frozenset({"inlet_pa", "motor_a"}), ports=frozenset({"planer"}))
HEALTHS = (SourceHealth("fuzz", "mqtt"), SourceHealth("fuzz", "mqtt"))
PARSERS = (PayloadParser(TABLE, WireSettings(), HEALTHS[0]), PayloadParser(TABLE, KNOWN, HEALTHS[1]))

SEEDS = (
    b"barn/inlet/pa\n-2100.5",
    b'barn/filter/pa\n{"value":310.2,"t":"2026-03-01T11:59:59Z"}',
    b'unit/x\n{"inlet_pa":-2100.5,"gates":{"planer":true},"t":1772366399}',
    b'meter\n{"em":{"current":9.5,"voltage":231,"open":false}}',
    b"gate/planer\nOPEN",
    b"a/b/c/d\n5",
)
WORDS = (
    b"barn/", b"/pa", b"unit/", b"meter\n", b"gate/", b'"value":', b'"em":{', b'"current":', b'"gates":{"planer":', b'"t":',
    b"/", b"+", b"#", b"$SYS/", b"{1}", b"{2}", b"open", b"shut", b'"value":1,"value":2',
)


def check(data: bytes) -> Hashable:
    """Every message gives a sample or a count, fresh or retained, for open and for known names."""
    topic_bytes, _, payload = data.partition(b"\n")
    topic = topic_bytes.decode("utf-8", "replace")
    signature: list[Hashable] = []
    for health, parser in zip(HEALTHS, PARSERS, strict=True):
        for retained in (False, True):
            health.refused.clear()
            health.unknown_channels.clear()
            sample = parser.parse(topic, payload, retained, NOON)
            signature.append(checked(sample, health))
    return tuple(signature)


if __name__ == "__main__":
    main(Target("payloads", check, SEEDS, WORDS))
