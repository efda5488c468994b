"""Two daemons, one broker, a bridge to another one, numbers to collect: as hardware_notes/several_units.md describes it."""

from __future__ import annotations

import contextlib
import json
import re
import signal
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.broker import Broker, free_port
from tests.support.daemon_process import DaemonProcess, Feeder, shop_day, shop_file
from tests.support.fake_device import FakeDevice
from tests.support.waiting import eventually

NOTE = Path("hardware_notes/several_units.md")
PACE = 60.0


def bridge_to(port: int) -> str:
    """The bridge of the note, without its TLS and password, to a broker on loopback."""
    text = NOTE.read_text().partition("<!-- checked bridge -->")[2].partition("<!-- end -->")[0]
    lines = [line for line in text.replace("```", "").strip().splitlines() if not re.match(r"bridge_cafile|remote_", line)]
    return "\n".join(lines).replace("house.example:8883", f"127.0.0.1:{port}") + "\n"


def collected(unit: Unit) -> dict[str, dict[str, float]]:
    """What an engine that collects OpenMetrics gets of a unit: name -> condition (or "") -> value."""
    from prometheus_client.openmetrics.parser import text_string_to_metric_families

    found: dict[str, dict[str, float]] = {}
    for family in text_string_to_metric_families(str(unit.daemon.get("/metrics"))):
        found.setdefault(family.name + ("_total" if family.type == "counter" else ""), {})
        for sample in family.samples:
            found.setdefault(sample.name, {})[sample.labels.get("condition", "")] = sample.value
    return found


class Unit:
    """A daemon with a device of its own."""

    def __init__(self, folder: Path, name: str, broker: int, drag_ratio: float) -> None:
        folder.mkdir()
        self.wire = FakeDevice(folder / "device")
        port = free_port()
        self.config = shop_file(
            folder, f'[[source]]\nkind = "serial"\ndevice = "{self.wire.path}"', port=port,
            more=f'[alarm.filter_loading]\non_delay = "60 s"\n[alarm.sensor_fault]\non_delay = "1 h"\n'
            f'[[outlet]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {broker}\nunit = "{name}"\n',
        )
        self.daemon = DaemonProcess(self.config, port, PACE)
        day = shop_day(self.config, drag_ratio=drag_ratio, bag_fill=0.05, minutes=600.0, cutting=False)
        self.feeder = Feeder(day, lambda values: self.wire.line(json.dumps(values)), PACE)


@pytest.mark.long
@pytest.mark.slow
def test_two_daemons_share_a_broker_and_a_bridge_hands_them_on(tmp_path: Path) -> None:
    house = Broker(tmp_path / "house")
    house.start()
    barn = Broker(tmp_path / "barn", more=bridge_to(house.port))
    barn.start()
    seen: dict[str, str] = {}
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _c, _u, message: seen.update({message.topic: message.payload.decode()})
    client.connect("127.0.0.1", house.port)
    client.subscribe("ductwarden/#", qos=1)
    client.loop_start()
    units = [Unit(tmp_path / name, name, barn.port, ratio) for name, ratio in (("feed room", 2.3), ("lean-to", 1.1))]
    try:
        for unit in units:
            unit.daemon.start()
            unit.feeder.__enter__()  # at this pace a sensor that waits three seconds is silent for three minutes
        with contextlib.ExitStack() as stack:
            for unit in units:
                stack.callback(unit.feeder.__exit__)
            eventually(lambda: seen.get("ductwarden/bridge/barn") == "1", 30.0, "the bridge stands")
            for name in ("feed room", "lean-to"):
                eventually(lambda n=name: seen.get(f"ductwarden/{n}/online") == "true", 20.0, f"{name} is online")  # type: ignore[misc]
            eventually(
                lambda: '"unacknowledged"' in seen.get("ductwarden/feed room/alarm/filter_loading", ""), 60.0,
                "the loaded filter is told in the house",
            )
            eventually(lambda: seen.get("ductwarden/feed room/lamp") == "look", 10.0)
            assert seen.get("ductwarden/lean-to/lamp") == "ok"
            quiet = [text for topic, text in seen.items() if topic.startswith("ductwarden/lean-to/alarm/")]
            assert all('"normal"' in text for text in quiet)
            rules = NOTE.read_text().partition("<!-- checked metrics -->")[2].partition("<!-- end -->")[0]
            named = set(re.findall(r"ductwarden_\w+", rules))
            for unit, open_alarms in zip(units, (1.0, 0.0), strict=True):
                eventually(lambda u=unit: named <= set(collected(u)), 30.0, "every number of the rules is known")  # type: ignore[misc]
                assert collected(unit)["ductwarden_alarms_open"]["filter_loading"] == open_alarms
            units[0].daemon.end(signal.SIGKILL)
            eventually(lambda: seen.get("ductwarden/feed room/online") == "false", 90.0, "the broker says that it vanished")
            assert seen.get("ductwarden/lean-to/online") == "true"
        assert units[1].daemon.end(signal.SIGTERM) == 0
        eventually(lambda: seen.get("ductwarden/lean-to/online") == "false", 10.0, "it says goodbye")
    finally:
        for unit in units:
            unit.daemon.end(signal.SIGKILL)
            unit.wire.close()
        client.loop_stop()
        client.disconnect()
        barn.stop()
        house.stop()
