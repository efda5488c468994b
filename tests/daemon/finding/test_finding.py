"""Sensors that speak are found, taken over as answers, and the configuration that comes of it reads the same lines."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from daemon.calibrate import Calibrator
from daemon.config.load import parse
from daemon.drafting.draft import Draft
from daemon.drafting.outcome import outcome
from daemon.drafting.toml_text import shop_toml
from daemon.errors import SourceError
from daemon.finding.found import Found, from_lines, from_topics, rehearse, take_over
from daemon.finding.heard import Topics
from daemon.finding.places import BrokerPlace, Place, PortPlace, Search, listen_at, serial_ports
from daemon.sources.contract import SourceHealth
from daemon.sources.wire import LineParser, WireSettings
from tests.daemon.drafting.test_answers import barn
from tests.support.broker import Broker
from tests.support.fake_device import FakeDevice
from tests.support.waiting import eventually

JSON = [
    b'{"inlet_pa": -2100.5, "filter_pa": 310.2, "motor_a": 9.4}', b'{"inlet_pa": -2103.0, "filter_pa": 311.0, "motor_a": 9.5}',
] * 3
PORT = "/dev/serial/by-id/usb-board-if00"


def ducts() -> Draft:
    """A shop that has everything but its sensors."""
    return barn().without_item("sources", 0).without_item("sensors", 0)


def read_back(draft: Draft, lines: Sequence[bytes]) -> dict[str, float]:
    """What the daemon would read of these lines with the configuration that the draft becomes."""
    config = parse(shop_toml(draft), Path("shop.toml"))
    (source,) = config.file.source
    assert source.kind == "serial"
    wire = WireSettings(format=source.format, columns=source.columns, checksum=source.checksum)
    parser = LineParser(source.name, wire, SourceHealth(source.name, "serial"))
    calibrator = Calibrator(config.sensors)
    found: dict[str, float] = {}
    for line in lines:
        sample = parser.parse(line, 0.0)
        assert sample is not None
        found |= {one.channel: one.value for one in calibrator.readings(sample) if one.value is not None}
    return found


def test_a_device_that_names_its_values_is_taken_over() -> None:
    found = from_lines(PORT, JSON, 9600)
    assert [(row.name, row.channel) for row in found.rows] == [(name,) * 2 for name in ("inlet_pa", "filter_pa", "motor_a")]
    draft, left = take_over(ducts(), found)
    assert left == []
    assert draft.list_of("sources")[0]["device"] == PORT
    assert draft.list_of("sources")[0]["baud"] == "9600"
    assert outcome(draft, Path("shop.toml")).good
    assert read_back(draft, JSON) == {"inlet_pa": -2103.0, "filter_pa": 311.0, "motor_a": 9.5}


def test_units_and_names_of_its_own_are_understood() -> None:
    """7.9 in. w.g. of suction are -1967.8 Pa (conventional inch of water: 249.0889 Pa, NIST SP 811 B.8)."""
    lines = [b"suction_inwg=-7.90 bag_mbar=3.10 Irms=9.4"] * 4
    draft, left = take_over(ducts(), from_lines(PORT, lines, 115_200))
    assert left == []
    assert read_back(draft, lines) == pytest.approx({"inlet_pa": -1967.8, "filter_pa": 310.0, "motor_a": 9.4}, rel=1e-4)


def test_bare_columns_are_told_apart_by_their_sizes() -> None:
    lines = [b"-2100.5;310.2;9.4", b"-2110.0;312.2;9.6"] * 2
    draft, _ = take_over(ducts(), from_lines(PORT, lines, 115_200))
    assert draft.list_of("sources")[0]["columns"] == "inlet_pa, filter_pa, motor_a"
    assert read_back(draft, lines) == {"inlet_pa": -2110.0, "filter_pa": 312.2, "motor_a": 9.6}


def test_what_is_fitted_already_is_left_out_and_two_boards_have_two_names() -> None:
    draft, _ = take_over(ducts(), from_lines(PORT, JSON, 115_200))
    again, left = take_over(draft, from_lines("/dev/ttyUSB9", JSON, 115_200))
    assert [row["name"] for row in again.list_of("sources")] == ["shop node", "shop node 2"]
    assert left == [f"{name} is fitted already" for name in ("inlet_pa", "filter_pa", "motor_a")]


@pytest.mark.parametrize(
    ("lines", "words"), [([], "nothing arrived"), ([b"hello", b"world"], "no line with values"), ([b"\xff\x00"], "no line")],
)
def test_a_device_that_says_nothing_of_use_is_told(lines: list[bytes], words: str) -> None:
    found = from_lines(PORT, lines, 115_200)
    assert words in found.said
    assert found.source is None
    draft = ducts()
    assert take_over(draft, found) == (draft, ["there is nothing to take over"])


def test_hostile_names_of_a_device_and_a_broker_stay_values() -> None:
    lines = [b'{"inlet]\\n[fan]\\nspeed=1": -2100.5, "filter_\\"pa\\"": 310.2, "<script>": 1, "inlet_pa": -2000}'] * 3
    draft, left = take_over(ducts(), from_lines('/dev/"x"\n[shop]', lines, 115_200))
    assert draft == ducts()
    assert "cannot be written here" in left[0]
    draft, _ = take_over(ducts(), from_lines('/dev/"x" # ]', lines, 115_200))
    assert parse(shop_toml(draft), Path("shop.toml")).file.source[0].name == "shop node"
    heard = Topics()
    for topic in ('barn/"inlet"', "barn/inlet]\n[fan]", "barn/#", "filter = pressure", "'''motor'''"):
        heard.take(topic, b"310.2", False)
    found = from_topics("barn.local", "barn.local", 1883, None, False, heard)
    draft, _ = take_over(ducts(), found)
    parse(shop_toml(draft if draft.list_of("sources") else rehearse(ducts())), Path("shop.toml"))


def test_gates_of_a_broker_are_taken_over_and_a_strange_one_is_said() -> None:
    heard = Topics()
    for topic, payload in (("barn/inlet_pa", b"-2100"), ("barn/gates/planer", b"open"), ("barn/gates/router", b"shut")):
        heard.take(topic, payload, False)
    draft, left = take_over(ducts(), from_topics("barn.local", "barn.local", 1883, "me", True, heard))
    assert left == []
    source = draft.list_of("sources")[0]
    assert source["topics"].split("\n") == [
        "inlet_pa = barn/inlet_pa", "gate:planer = barn/gates/planer", "gate:router = barn/gates/router",
    ]
    assert (source["user"], source["password_file"], source["ca_file"]) == ("me", "broker.password", "ca.pem")
    notes = outcome(draft, Path("shop.toml")).notes
    assert [note for note in notes if "gate of 'router'" in note] != []
    assert not [note for note in notes if "gate of 'planer'" in note]


def test_a_rehearsal_fits_what_can_be_simulated() -> None:
    draft = rehearse(ducts())
    assert [row["channel"] for row in draft.list_of("sensors")] == ["inlet_pa", "filter_pa", "motor_a"]
    assert outcome(draft, Path("shop.toml")).good
    blind = ducts().with_answers("motor", {"known": "no"})
    assert [row["channel"] for row in rehearse(blind).list_of("sensors")] == ["inlet_pa", "filter_pa"]
    assert rehearse(draft) == draft, "it stands alone, and is not put beside another source"


def test_lasting_names_of_ports_come_first(tmp_path: Path) -> None:
    (tmp_path / "usb-b").touch()
    (tmp_path / "usb-a").touch()
    assert serial_ports(tmp_path) == [str(tmp_path / "usb-a"), str(tmp_path / "usb-b")]
    assert isinstance(serial_ports(tmp_path / "none"), list)


def test_a_search_goes_on_behind_and_survives_what_a_port_does() -> None:
    gate = threading.Event()

    def listen(place: Place, say: object, before: Found | None = None) -> Found:
        assert gate.wait(90)
        assert isinstance(place, PortPlace)
        if place.path == "bad":
            raise SourceError("no permission to open it")
        if place.path == "worse":
            raise RuntimeError("a driver's own trouble")
        return from_lines(place.path, JSON, 115_200)

    search = Search(listen)
    assert search.begin([PortPlace("bad"), PortPlace("worse"), PortPlace("good")])
    assert search.running
    assert not search.begin([PortPlace("good")]), "one at a time"
    gate.set()
    assert search.wait(90)
    assert [found.said for found in search.found[:2]] == [
        "no permission to open it", "listening there failed: RuntimeError",
    ]
    assert search.found[2].source is not None
    assert search.words == "done"


def test_a_second_hearing_with_the_fan_on_tells_names_apart_that_say_nothing() -> None:
    def board(inlet: float, bags: float) -> list[bytes]:
        return [f"P1:{inlet + 0.01 * (n % 3):.2f} hPa P2:{bags - 0.01 * (n % 3):.2f} hPa".encode() for n in range(8)]

    def listen(place: Place, say: object, before: Found | None) -> Found:
        if before is None:
            return from_lines(PORT, board(0.0, 0.0), 115_200)
        return from_lines(PORT, before.lines, 115_200, board(-9.05, 3.1))

    search = Search(listen)
    assert not search.begin(), "nothing was heard before"
    assert search.begin([PortPlace(PORT)])
    assert search.wait(90)
    assert search.found[0].open
    assert [row.channel for row in search.found[0].rows] == ["", ""]
    assert search.begin()
    assert search.wait(90)
    assert [row.channel for row in search.found[0].rows] == ["inlet_pa", "filter_pa"]
    assert not search.found[0].open


@pytest.fixture
def device(tmp_path: Path) -> Iterator[FakeDevice]:
    made = FakeDevice(tmp_path / "usb-board")
    yield made
    made.close()


@pytest.mark.slow
def test_a_real_port_is_listened_at(device: FakeDevice) -> None:
    stop = threading.Event()

    def speak() -> None:
        while not stop.wait(0.1):
            device.send(JSON[0] + b"\n")

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        found = listen_at(PortPlace(str(device.path)), lambda words: None, seconds=1.5)
    finally:
        stop.set()
        thread.join(90)
    assert found.source is not None
    assert found.source["device"] == str(device.path)
    assert {row.channel: row.reading.partition(" = ")[2] or row.reading for row in found.rows} == {
        "inlet_pa": "-2100 Pa", "filter_pa": "310 Pa", "motor_a": "9.4 A",
    }


@pytest.mark.slow
def test_a_real_broker_is_listened_at_with_its_password(tmp_path: Path) -> None:
    broker = Broker(tmp_path / "broker", password=("barn", "oak"))
    broker.start()
    secret = tmp_path / "broker.password"
    secret.write_text("oak\n")
    place = BrokerPlace(f"127.0.0.1:{broker.port}", "barn", secret)
    search = Search(lambda place, say, before: listen_at(place, say, before, seconds=2.0))
    try:
        search.begin([place, BrokerPlace(f"127.0.0.1:{broker.port}")])
        eventually(lambda: broker.say(("barn/inlet_pa", b"-2100.5")) or search.found, 15)
        assert search.wait(90)
    finally:
        broker.stop()
    with_password, without = search.found
    assert with_password.source is not None
    assert with_password.source["topics"] == "inlet_pa = barn/inlet_pa"
    assert without.source is None
    assert "refuses us" in without.said
