"""The forms of hardware_notes/readings.md: each row through a pseudo-terminal, a broker or a Modbus line into channel and unit.

What a row becomes was worked out by hand from the line and the definitions of the units (NIST SP 811: 1 inch of water of
1000 kg/m3 = 249.08891 Pa).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.simulator import DataType, SimData, SimDevice

from daemon.calibrate import Calibrator
from daemon.clock import FakeClock
from daemon.config.config import Config
from daemon.config.load import parse
from daemon.memory import Past
from daemon.sources.build import build_sources
from tests.support.broker import Broker
from tests.support.fake_device import FakeDevice
from tests.support.modbus_line import Cable, Transmitters
from tests.support.waiting import running

ROOT = Path(__file__).parents[3]
NOTES = (ROOT / "hardware_notes" / "readings.md").read_text()
BARN = (ROOT / "daemon" / "demo" / "chair-barn.toml").read_text()
HEAD, _, TAIL = BARN.partition("[[source]]")
OUTLETS = "[[outlet]]" + TAIL.partition("[[outlet]]")[2]


def block(mark: str) -> str:
    found = re.search(rf"<!-- checked {mark} -->\n(.*?)<!-- end -->", NOTES, re.S)
    assert found is not None
    return found[1]


def table(mark: str) -> list[list[str]]:
    rows = [re.split(r" ?(?<!\\)\| ?", line.strip("|").strip()) for line in block(mark).splitlines()[2:]]
    return [[cell.strip() for cell in row] for row in rows]


def written(cell: str) -> str:
    """What stands between the back-quotes, with tabs and colours as they are sent."""
    return cell.strip("`").replace("\\t", "\t").replace("\\e", "\x1b").replace("\\|", "|")


def shop(source: str, sensors: str, path: Path) -> Config:
    return parse(f"{HEAD}{source}\n[sensor]\n{sensors}\n{OUTLETS}", path / "shop.toml")


def becomes(cell: str) -> dict[str, float]:
    return {part.split()[0]: float(part.split()[1]) for part in cell.split(", ")}


def heard(config: Config, sample: object) -> dict[str, float | None]:
    return {reading.channel: reading.value for reading in Calibrator(config.sensors).readings(sample)}  # type: ignore[arg-type]


SERIAL, BROKER = table("serial forms"), table("broker forms")


def test_there_are_more_than_25() -> None:
    assert len(SERIAL) + len(BROKER) > 25


@pytest.mark.parametrize("row", SERIAL, ids=[row[0] for row in SERIAL])
def test_a_line_becomes_the_right_channel_in_the_right_unit(row: list[str], device: FakeDevice, tmp_path: Path) -> None:
    _, line, settings, sensors, result = row
    config = shop(
        f'[[source]]\nkind = "serial"\nname = "node"\ndevice = "{device.path}"\n{written(settings)}',
        "\n".join(re.findall(r"`(.*?)`", sensors)), tmp_path,
    )
    (source,), _ = build_sources(config, FakeClock(1000.0), Past())
    with running(source) as at_work:
        at_work.until("open, waiting")
        device.line("the second half of a line")
        device.line(written(line))
        (sample,) = at_work.take(1)
    assert heard(config, sample) == pytest.approx(becomes(result), rel=1e-5)
    assert not set(source.health.refused) - {"unknown channel"}


@pytest.fixture(scope="module")
def one_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    made = Broker(tmp_path_factory.mktemp("broker"))
    made.start()
    yield made
    made.stop()


@pytest.mark.slow
@pytest.mark.parametrize("row", BROKER, ids=[row[0] for row in BROKER])
def test_a_message_becomes_the_right_channel_in_the_right_unit(row: list[str], one_broker: Broker, tmp_path: Path) -> None:
    _, payload, topics, sensors, result = row
    config = shop(
        f'[[source]]\nkind = "mqtt"\nname = "house"\nhost = "127.0.0.1"\nport = {one_broker.port}\n[source.topics]\n'
        + written(topics),
        "\n".join(re.findall(r"`(.*?)`", sensors)), tmp_path,
    )
    (source,), _ = build_sources(config, FakeClock(1000.0), Past())
    with running(source) as at_work:
        at_work.until("connected, waiting")
        sample = None
        for _ in range(50):  # the subscription may stand a moment later
            one_broker.say(("shop/t", written(payload)))
            try:
                (sample, *_) = at_work.take(1, within_s=0.2)
            except AssertionError:
                continue
            break
    assert sample is not None, source.health
    assert heard(config, sample) == pytest.approx(becomes(result), rel=1e-4)
    assert not set(source.health.refused) - {"unknown channel"}


@pytest.mark.slow
def test_two_transmitters_share_one_adapter(tmp_path: Path) -> None:
    cable = Cable(tmp_path)
    transmitters = Transmitters(cable.far, [
        SimDevice(1, simdata=[SimData(0, values=[-9052], datatype=DataType.INT16)]),
        SimDevice(2, simdata=[SimData(2, values=3.1, datatype=DataType.FLOAT32)]),
    ])
    text = re.search(r"```toml\n(.*?)```", block("modbus"), re.S)
    assert text is not None
    table = text[1].replace("/dev/serial/by-id/usb-rs485-adapter", str(cable.near))
    config = parse(f"{HEAD}{table}\n{OUTLETS}", tmp_path / "shop.toml")
    (source,), _ = build_sources(config, FakeClock(1000.0), Past())
    try:
        with running(source) as at_work:
            found: dict[str, float | None] = {}
            while len(found) < 2:
                found |= heard(config, at_work.take(1)[0])
    finally:
        transmitters.close()
        cable.close()
    assert found == pytest.approx({"inlet_pa": -905.2, "filter_pa": 310.0}, rel=1e-5)
