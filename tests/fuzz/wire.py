"""Fuzz the reading of serial lines: bytes in chunks -> lines -> samples."""

from __future__ import annotations

import math
from collections.abc import Hashable

from daemon.sources.contract import Sample, SourceHealth
from daemon.sources.fields import LARGEST
from daemon.sources.lines import LONGEST_LINE, LineSplitter, checksum
from daemon.sources.wire import LineParser, WireSettings
from tests.fuzz.engine import Target, main

NOON = 1_772_366_400.0
WIRES = (
    WireSettings(columns=("t", "inlet_pa", "-", "gate:planer")),
    WireSettings(checksum="required"),
    WireSettings(known=frozenset({"inlet_pa", "motor_a"}), ports=frozenset({"planer"})),
    WireSettings(format="pairs"),
    WireSettings(format="json"),
)
HEALTHS = [SourceHealth("fuzz", "serial") for _ in WIRES]
PARSERS = [LineParser("fuzz", wire, health) for wire, health in zip(WIRES, HEALTHS, strict=True)]
"""Made once: making them costs more than a line."""

SEEDS = (
    b'{"inlet_pa":-2100.5,"filter_pa":310.2,"motor_a":19.4}\n',
    b'{"t":"2026-03-01T11:59:59Z","inlet_pa":-2100.5,"gates":{"planer":true,"lathe":"shut"}}*00\n',
    b"$inlet_pa=-2100.5 filter_pa=310.2;motor_a=19.4,gate:planer=open*18\r\n",
    b"inlet_pa = -2100.5 , t=1772366399\r",
    b"1772366399,-2100.5,7,open\n2026-03-01T11:59:59Z;-1;;shut\n",
)
WORDS = (
    b"inlet_pa", b"motor_a", b"gate:planer", b"gate:", b"gates", b'"gates":{', b'"t":', b"t=", b'"inlet_pa":', b"inlet_pa=",
    b"planer", b"open", b"shut", b'"inlet_pa":1,"inlet_pa":2',
)


def checked(sample: Sample | None, health: SourceHealth) -> Hashable:
    """Raise unless what came of one line is what may come of a line; returns its signature."""
    assert sample is not None or health.refused, "neither a sample nor a count"
    assert len(health.refused) < 30
    assert len(health.unknown_channels) <= 50
    assert all(name.isprintable() and len(name) <= 80 for name in health.unknown_channels)
    reasons = tuple(sorted(health.refused))
    if sample is None:
        return reasons
    assert sample.values or sample.gates, "an empty sample"
    assert NOON - 3600.0 <= sample.t <= NOON + 10.0, "an unbelievable time"
    assert len(sample.values) <= 64
    nans = 0
    for name, value in sample.values.items():
        assert type(value) is float, f"{name} is a {type(value)}"
        nans += math.isnan(value)
        assert math.isnan(value) or abs(value) < LARGEST
        assert name.isascii()
        assert name.isprintable()
    assert nans <= sum(health.refused.values()), "NaN without a count"
    for port, state in (sample.gates or {}).items():
        assert type(state) is bool
        assert port.isprintable()
    return reasons, len(sample.values), nans, len(sample.gates or {}), sample.t == NOON


def check(data: bytes) -> Hashable:
    """Feed the bytes in two different ways; both must give the same lines, and every line an outcome."""
    splitter, pieces = LineSplitter(), LineSplitter()
    lines = splitter.feed(data)
    cut = len(data) // 3
    parts = [line for chunk in (data[:cut], data[cut:]) for line in pieces.feed(chunk)]
    assert parts == lines, "the cut matters"
    assert splitter.kept == pieces.kept <= LONGEST_LINE
    assert splitter.too_long == pieces.too_long
    signature: list[Hashable] = []
    for line in [*lines, *splitter.flush()][:3]:
        for which in (0, 1 + len(data) % 4):
            health, parser = HEALTHS[which], PARSERS[which]
            health.refused.clear()
            health.unknown_channels.clear()
            signature.append(checked(parser.parse(line, NOON), health))
            parser.surely_whole(line)
    return tuple(signature[:2]), len(lines) > 1


def with_good_checksum(data: bytes) -> bytes:
    """End the first line with its right checksum."""
    line = data.split(b"\n")[0].rpartition(b"*")[0] or data.split(b"\n")[0]
    return b"$" + line.lstrip(b"$") + b"*%02X\n" % checksum(line.lstrip(b"$"))


if __name__ == "__main__":
    main(Target("wire", check, SEEDS, WORDS, with_good_checksum))
