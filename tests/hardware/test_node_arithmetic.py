"""The node's arithmetic in C++ and in Python: against numpy, against each other, and read by the daemon's own parser."""

from __future__ import annotations

import json
import math
from types import ModuleType

import numpy as np
import pytest

from daemon.sources.contract import SourceHealth
from daemon.sources.lines import with_checksum
from daemon.sources.wire import LineParser, WireSettings
from tests.hardware.building import Arithmetic

ARRIVED = 1_772_355_600.0


def mains(hertz: float, amplitude: float, bits: int, samples: int, phase: float, rng: np.random.Generator) -> tuple[
    np.ndarray, float
]:
    """A tenth of a second of a motor's current as a converter counts it (a fifth of third harmonic, some noise, the middle of
    the range under it); and the true RMS in counts."""
    top = 2**bits
    t = (np.arange(samples) + rng.uniform()) / samples * 0.1
    clean = amplitude * (np.sin(2 * np.pi * hertz * t + phase) + 0.2 * np.sin(6 * np.pi * hertz * t + 2 * phase))
    counts = np.floor(np.clip(clean + 0.503 * top + rng.normal(0, 0.6, samples), 0, top - 1))
    return counts.astype(int), amplitude * math.sqrt((1 + 0.04) / 2)


@pytest.mark.parametrize("hertz", [50.0, 60.0, 49.8, 60.2])
@pytest.mark.parametrize("bits", [10, 12])
def test_rms_is_numpy_s_and_the_wave_s(cpp: Arithmetic, signal_math: ModuleType, hertz: float, bits: int) -> None:
    rng = np.random.default_rng(int(hertz * 10) + bits)
    for amplitude in (2.0**bits * 0.03, 2.0**bits * 0.35):
        counts, true = mains(hertz, amplitude, bits, 620, rng.uniform(0, 6.28), rng)
        n, mean, rms, clipped = map(float, cpp.ask("window", 2**bits - 1, *counts))
        assert (n, clipped) == (620, 0)
        assert mean == pytest.approx(counts.mean(), rel=1e-6)
        assert rms == pytest.approx(counts.std(), rel=1e-6)
        in_python = signal_math.rms_of([int(c) << (16 - bits) for c in counts], 620) / 2 ** (16 - bits)
        assert in_python == pytest.approx(counts.std(), rel=1e-6)
        # a window that is a little off whole cycles, quantised and noisy: half a per cent, or a third of a count
        assert rms == pytest.approx(true, rel=0.005, abs=0.35)


def test_large_sums_lose_no_digit(cpp: Arithmetic) -> None:
    """A whole window of 16-bit counts far from zero with a swing of one: a running float would lose it."""
    counts = [60_000 + k % 2 for k in range(4_000)]
    _, mean, rms, _ = map(float, cpp.ask("window", 65535, *counts))
    assert mean == pytest.approx(60_000.5)
    assert rms == pytest.approx(0.5, rel=1e-6)


def test_windows_that_mean_nothing(cpp: Arithmetic, signal_math: ModuleType) -> None:
    assert cpp.ask("window", 1023)[1:] == ["nan", "nan", "0"]
    assert cpp.ask("window", 1023, 512)[2] == "nan"
    for clipping in ([1023, 500, 501], [500, 0, 501]):
        assert cpp.ask("window", 1023, *clipping)[3] == "1"
    for row in ([], [65535, 30000], [0, 30000]):
        assert math.isnan(signal_math.mean_of(row, len(row)))
        assert math.isnan(signal_math.rms_of(row, len(row)))
    assert math.isnan(signal_math.rms_of([30000], 1))


@pytest.mark.parametrize("values", [
    [3.0, 1.0, 2.0], [1.0], [4.0, 1.0, 3.0, 2.0], [-2100.5, -2101.5, -90000.0, -2099.5, 12.0],
    [1.0, math.nan, 3.0, math.nan, 2.0], [1.0, math.nan], [math.nan, math.nan, 1.0], [], [math.nan],
])
def test_median_is_numpy_s(cpp: Arithmetic, signal_math: ModuleType, values: list[float]) -> None:
    """Over what is known, and unknown itself unless more than half of it is."""
    known = [value for value in values if not math.isnan(value)]
    expected = float(np.median(known)) if 2 * len(known) > len(values) else math.nan
    assert signal_math.median(values) == pytest.approx(expected, nan_ok=True)
    if values:
        assert float(cpp.ask("median", *values)[0]) == pytest.approx(expected, nan_ok=True)


@pytest.mark.parametrize("volts", [0.0, 0.2499, 0.26, 0.5, 1.3, 2.5, 4.5, 4.74, 4.76, math.nan])
def test_volts_become_pascals(cpp: Arithmetic, signal_math: ModuleType, volts: float) -> None:
    """A line through two points of the data sheet; outside the fault limits nothing is known."""
    low, high = (0.5, 0.0), (4.5, -5000.0)
    expected = float(np.interp(volts, [0.25, 4.75], [312.5, -5312.5])) if 0.25 <= volts <= 4.75 else math.nan
    for divider in (1.0, 2.0):
        settings = {"divider": divider, "low_v": low[0], "low_pa": low[1], "high_v": high[0], "high_pa": high[1],
                    "fault_below_v": 0.25, "fault_above_v": 4.75}
        found = float(cpp.ask("pressure", divider, *low, *high, 0.25, 4.75, volts / divider)[0])
        assert found == pytest.approx(expected, abs=0.01, nan_ok=True)
        assert signal_math.pressure_pa(settings, volts / divider) == pytest.approx(expected, abs=0.01, nan_ok=True)


@pytest.mark.parametrize(("volts", "amps"), [
    (0.0, 0.0), (0.001, 0.0), (0.01, math.sqrt(0.09 - 0.0025)), (0.3, 8.99986), (math.nan, math.nan),
])
def test_volts_become_amperes(cpp: Arithmetic, signal_math: ModuleType, volts: float, amps: float) -> None:
    settings = {"amps_per_volt": 30.0, "quiet_a": 0.05}
    assert float(cpp.ask("current", 30.0, 0.05, volts)[0]) == pytest.approx(amps, rel=1e-5, nan_ok=True)
    assert signal_math.current_a(settings, volts) == pytest.approx(amps, rel=1e-5, nan_ok=True)


FIELDS = [
    [("inlet_pa", -2100.5, 1), ("filter_pa", 310.2, 1), ("motor_a", 9.42, 2)],
    [("inlet_pa", math.nan, 1), ("filter_pa", -0.04, 1), ("motor_a", 0.0, 2)],
    [("inlet_pa", -0.05, 1), ("filter_pa", 99999.9, 1), ("motor_a", 9.999, 2)],
    [("air_c", -7.26, 1), ("count", 12.0, 0), ("tiny", 0.006, 2)],
]


def sampled(text: str, checksum: str = "optional") -> tuple[dict[str, float], dict[str, int]]:
    """What the daemon makes of a line, and what it refuses."""
    health = SourceHealth("bench", "serial")
    parser = LineParser("bench", WireSettings(checksum=checksum), health)  # type: ignore[arg-type]
    sample = parser.parse(text.encode(), ARRIVED)
    return ({} if sample is None else dict(sample.values)), health.refused


@pytest.mark.parametrize("fields", FIELDS)
def test_both_say_the_same_line_and_the_daemon_reads_it(
    cpp: Arithmetic, signal_math: ModuleType, fields: list[tuple[str, float, int]]
) -> None:
    words = [str(part) for field in fields for part in field]
    ok, line = cpp.ask("line", 160, *words)
    assert ok == "1"
    assert line + "\r\n" == signal_math.line_of(fields)
    assert line == "$" + with_checksum(line[1:-3])
    ok, text = cpp.ask("json", 160, *words)
    assert text == signal_math.json_of(fields)
    assert set(json.loads(text)) == {name for name, _, _ in fields}
    for said in (line, text):
        values, refused = sampled(said, "required" if said == line else "optional")
        unknown = sum(1 for _, value, _ in fields if math.isnan(value))
        assert refused == ({"not a number": unknown} if unknown else {})
        for name, value, decimals in fields:
            assert values[name] == pytest.approx(value, abs=0.5001 * 10.0**-decimals, nan_ok=True)


def test_numbers_of_every_size(cpp: Arithmetic, signal_math: ModuleType) -> None:
    """A thousand of them, to the last digit that was asked for (a 32-bit float's own rounding allowed)."""
    rng = np.random.default_rng(7)
    for value in np.concatenate([rng.uniform(-6000, 6000, 500), rng.uniform(-1, 1, 300), 10.0 ** rng.uniform(-4, 6, 200)]):
        exact = float(np.float32(value))
        for decimals in (0, 1, 2, 3):
            tolerance = 0.5 * 10.0**-decimals + 2e-7 * abs(exact)
            (line,) = cpp.ask("line", 60, "x", repr(exact), decimals)[1:]
            found = float(line[3:-3])
            assert found == pytest.approx(exact, abs=tolerance)
            assert len(line.split(".")[-1].split("*")[0]) == decimals or decimals == 0
            in_python = signal_math.line_of([("x", exact, decimals)])
            assert float(in_python[3:-5]) == pytest.approx(exact, abs=tolerance)
    for impossible in (math.inf, -math.inf, 1e30, 4.0e8, math.nan):
        assert cpp.ask("line", 60, "x", impossible, 1)[1].startswith("$x=nan*")
        assert cpp.ask("json", 60, "x", impossible, 1)[1] == '{"x":null}'
        assert signal_math.json_of([("x", impossible, 1)]) == '{"x":null}'


@pytest.mark.parametrize("room", range(1, 24))
def test_a_line_that_does_not_fit_is_not_sent(cpp: Arithmetic, room: int) -> None:
    whole = "$x=-12.5*"
    answer = cpp.ask("line", room, "x", -12.5, 1)
    assert answer[0] == ("1" if room >= len(whole) + 2 + 2 + 1 else "0")
    assert len(answer) == 1 + (answer[0] == "1")


def test_a_flipped_bit_is_found(signal_math: ModuleType) -> None:
    line = signal_math.line_of(FIELDS[0]).strip()
    for at in range(1, len(line) - 3):
        bad = line[:at] + chr(ord(line[at]) ^ 0x02) + line[at + 1:]
        values, refused = sampled(bad, "required")
        assert values == {}
        assert refused


PACKETS = [
    ("connect", ("shop-node", "", "", 30, "shop/node/online", "false")),
    ("connect", ("shop-node", "sawyer", "mortise", 600, "shop/node/online", "false")),
    ("connect", ("shop-node", "sawyer", "", 30, "shop/node/online", "false")),
    ("publish", ("shop/unit", '{"inlet_pa":-2100.5}', 0)),
    ("publish", ("shop/node/online", "true", 1)),
    ("publish", ("shop/unit", "x" * 200, 0)),
]


@pytest.mark.parametrize(("kind", "arguments"), PACKETS)
def test_both_build_the_same_packet(
    cpp: Arithmetic, mqtt_packets: ModuleType, kind: str, arguments: tuple[str, ...]
) -> None:
    in_python: bytes = getattr(mqtt_packets, kind)(*arguments)
    if kind == "connect":
        (in_cpp,) = cpp.ask("connect", *arguments)
    else:
        topic, payload, retain = arguments
        (in_cpp,) = cpp.ask("publish", 400, retain, topic, payload)
        assert cpp.ask("publish", len(in_python) - 1, retain, topic, payload) == []
    assert in_cpp == in_python.hex()


def test_packets_are_the_standard_s(mqtt_packets: ModuleType, cpp: Arithmetic) -> None:
    """Bytes worked out by hand from OASIS MQTT 3.1.1, figures 3.2 to 3.8."""
    packet = mqtt_packets.connect("n", "u", "p", 30, "t", "f")
    assert packet == bytes.fromhex("10 19 0004 4d515454 04 e6 001e 0001 6e 0001 74 0001 66 0001 75 0001 70")
    assert mqtt_packets.publish("a/b", "hi", True) == bytes.fromhex("31 07 0003 612f62 6869")
    assert mqtt_packets.publish("a/b", "x" * 200, False)[:3] == bytes.fromhex("30 cd 01")  # 205 in two bytes of length
    for name, raw in (("ping", "c000"), ("goodbye", "e000")):
        assert getattr(mqtt_packets, name)().hex() == raw
        assert cpp.ask(name) == [raw]
    for answer, code in ((b"\x20\x02\x00\x00", 0), (b"\x20\x02\x00\x05", 5), (b"\x30\x02\x00\x00", -1), (b"\x20\x02", -1)):
        assert mqtt_packets.welcome(answer) == code
        assert cpp.ask("welcome", *answer) == [str(code)]
