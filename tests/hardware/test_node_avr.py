"""The sketch as machine code of an 8-bit board: it fits, and a simulated processor measures what stands on its pins.

Needs the Debian packages gcc-avr, avr-libc, arduino-core-avr, libsimavr-dev and libelf-dev; skipped without them.
"""

from __future__ import annotations

import math
import shutil
import subprocess
from pathlib import Path

import pytest

from daemon.sources.contract import SourceHealth
from daemon.sources.wire import LineParser, WireSettings
from tests.hardware.building import SKETCH

CORE = Path("/usr/share/arduino/hardware/arduino/avr")
HARNESS = Path(__file__).parent / "avr" / "harness.c"
TOOLS = ("avr-gcc", "avr-g++", "avr-size", "gcc")
MISSING = [tool for tool in TOOLS if shutil.which(tool) is None]
MISSING += [str(path) for path in (CORE, Path("/usr/include/simavr/sim_avr.h")) if not path.exists()]

pytestmark = [
    pytest.mark.slow,
    pytest.mark.long,
    pytest.mark.skipif(bool(MISSING), reason=f"not installed: {', '.join(MISSING)}"),
]

FLAGS = [
    "-mmcu=atmega328p", "-DF_CPU=16000000L", "-DARDUINO=10819", "-DARDUINO_ARCH_AVR", "-DDECIMAL_DIG=9", "-Os",
    "-ffunction-sections", "-fdata-sections", "-flto", f"-I{CORE}/cores/arduino", f"-I{CORE}/variants/standard",
]
CPP = ["-std=gnu++11", "-fno-exceptions", "-fno-threadsafe-statics"]


def ran(*command: object, folder: Path | None = None) -> str:
    done = subprocess.run([str(word) for word in command], cwd=folder, capture_output=True, text=True, timeout=180)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sketch with the Arduino core, linked."""
    folder = tmp_path_factory.mktemp("avr")
    core = CORE / "cores" / "arduino"
    ran("avr-gcc", "-std=gnu11", "-w", *FLAGS, "-c", *sorted(core.glob("*.c")), folder=folder)
    ran("avr-g++", "-fpermissive", "-w", *CPP, *FLAGS, "-c", *sorted(core.glob("*.cpp")), folder=folder)
    ran("avr-g++", "-Wall", "-Wextra", "-Werror", *CPP, *FLAGS, "-x", "c++", "-c", SKETCH / "shop_node.ino", "-o", "sketch.o",
        folder=folder)
    ran("avr-g++", "-mmcu=atmega328p", "-Os", "-flto", "-fuse-linker-plugin", "-Wl,--gc-sections", *sorted(folder.glob("*.o")),
        "-lm", "-o", "node.elf", folder=folder)
    return folder / "node.elf"


def test_it_fits_a_small_board(firmware: Path) -> None:
    """32 KiB of flash (half a KiB for the loader) and 2 KiB of memory: half of either is left."""
    text, data, bss = map(int, ran("avr-size", firmware).splitlines()[1].split()[:3])
    assert text + data < 16_384
    assert data + bss < 1_024


@pytest.mark.parametrize("hertz", [50, 60])
def test_a_simulated_processor_measures_its_pins(firmware: Path, hertz: int) -> None:
    harness = firmware.parent / "harness"
    if not harness.exists():
        ran("gcc", "-O2", HARNESS, "-o", harness, "-lsimavr", "-lelf", "-lm")
    lines = [line for line in ran(harness, firmware, 3.5, hertz).splitlines() if line.startswith("$")]
    health = SourceHealth("bench", "serial")
    parser = LineParser("bench", WireSettings(checksum="required"), health)
    samples = [parser.parse(line.encode(), 1000.0) for line in lines]
    assert health.refused == {}
    assert len(samples) == 3
    for sample in samples:
        assert sample is not None
        assert sample.values["inlet_pa"] == pytest.approx((2.4 - 0.5) / 4.0 * -5000.0, abs=4.0)  # a count is 6 Pa
        assert sample.values["filter_pa"] == pytest.approx((1.1 - 0.5) / 4.0 * 2500.0, abs=2.0)
        assert sample.values["motor_a"] == pytest.approx(30.0 * 0.4714 * math.sqrt(1.01 / 2.0), rel=0.005)
