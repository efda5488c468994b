"""Fuzz the reading of configurations. The input is the number of a line of a small shop, a line end, and what stands there
instead; without a number it is the whole file.
"""

from __future__ import annotations

import math
from collections.abc import Hashable
from pathlib import Path

from daemon.config.load import parse
from daemon.config.summary import summary
from daemon.errors import ConfigError
from tests.fuzz.engine import Target, main

SHOP = """\
[shop]
name = "barn"
units = "us"
altitude = "640 ft"
air_temperature = "60 F"
hours = ["06:30", "19:00"]
[material]
main_velocity = "3500 fpm"
[fan]
points = [{ flow = "0 cfm", static = "11.8 inwg", power = "0.85 hp" }, { flow = "1200 cfm", static = "3.4 inwg", power = "2 hp" }]
at_speed = "3450 rpm"
uncertainty = "5 %"
[motor]
power = "2 hp"
phases = 1
voltage = "230 V"
full_load_current = "11.2 A"
[filter]
area = "48 ft2"
clean_drop = { pressure = "1.0 inwg", at = "600 cfm" }
clean_at_flow_lost = "10 %"
[[run]]
name = "main"
into = "fan"
pipe = "D2729 6 in"
length = "14 ft"
fittings = ["2x elbow 90 r/D 1.5"]
[[port]]
name = "planer"
into = "main"
join = "wye 45"
pipe = "D2729 4 in"
length = "6 ft"
hose = "flex 4 in"
hose_length = "5 ft"
gate = "blast"
entry = "machine 1.5"
needs = "400 cfm"
[[source]]
kind = "serial"
device = "/dev/ttyUSB0"
[sensor.inlet_pa]
range = ["-20 inwg", "2 inwg"]
unit = "inwg"
[alarm.bag_full]
on_delay = "60 s"
[[outlet]]
kind = "log"
[notices]
quiet_hours = ["20:00", "06:00"]
[store]
keep_raw = "90 d"
[dashboard]
port = 8765
"""
LINES = SHOP.splitlines()
PATH = Path("shop.toml")

SEEDS = (*(f"{number}\n{line}".encode() for number, line in enumerate(LINES)), SHOP.encode())
WORDS = (
    b'"7 in"', b'"-7 in"', b'"1e308 ft"', b'"nan Pa"', b'"inf cfm"', b'"0 %"', b'"5 furlongs"', b"[[run]]\n", b"[[port]]\n",
    b"[sensor.motor_a]\n", b"[running]\n", b"[limits]\n", b"[separator]\n", b'into = "planer"\n', b'into = "main"\n',
    b'name = "main"\n', b'pipe = "D3034 4 in"\n', b'"tee"', b'"straight"', b'"reducer"', b"true", b"2026-03-01", b"= ", b"\n",
    b'"""', b"'''", b"# ", b"{ ", b" }", b"[", b"]", b"0x7f", b"1e999", b"-1", b'kind = "mqtt"\n', b'host = "h"\n',
    b'topics = { "a/+" = "inlet_pa" }\n', b'kind = "modbus"\n', b'"dc 5 in"', b'"4x elbow 90 r/D 0.1"', b'"1000000x elbow 90"',
)


def check(data: bytes) -> Hashable:
    """Whatever the file: a configuration, or sentences that say what is wrong; nothing else."""
    head, _, rest = data.partition(b"\n")
    text = data.decode("utf-8", "surrogateescape")
    if head.isdigit() and len(head) < 4:
        lines = list(LINES)
        lines[int(head) % len(lines)] = rest.decode("utf-8", "surrogateescape")
        text = "\n".join(lines)
    try:
        text.encode()
    except UnicodeEncodeError:
        text = text.encode("utf-8", "replace").decode()  # what is not UTF-8 is refused before it gets here
    try:
        config = parse(text, PATH)
    except ConfigError as error:
        problems = error.problems
    else:
        problems = []
    if problems:
        assert all(problem.startswith("shop.toml") for problem in problems)
        kinds = [problem.partition(": ")[2][:40] for problem in problems[:3]]
        return len(problems) > 3, tuple("".join("0" if c.isdigit() else c for c in kind) for kind in kinds)
    assert all(line.isprintable() for line in summary(config) for line in line.splitlines())
    assert all(math.isfinite(spec.gain) and math.isfinite(spec.low) for spec in config.sensors)
    return "good", len(config.warnings), len(config.design.port_names)


if __name__ == "__main__":
    main(Target("configuration", check, SEEDS, WORDS))
