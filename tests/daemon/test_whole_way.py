"""From a real wire to a real person: a simulated shop over a pseudo-terminal and over a real broker into the running
daemon, the alarm at an MQTT subscriber and in the page of a real browser.
"""

from __future__ import annotations

import json
import signal
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.browser.browsing import Watch, chromium
from tests.support.broker import Broker, free_port
from tests.support.daemon_process import DaemonProcess, Feeder, shop_day, shop_file
from tests.support.fake_device import FakeDevice
from tests.support.waiting import eventually

pytestmark = pytest.mark.slow

PACE = 60.0
NOTICES = """
[alarm.filter_loading]
on_delay = "60 s"

[[outlet]]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
unit = "feed room"
"""


class Subscriber:
    """Listens to everything below ``ductwarden/`` and keeps the latest of each topic."""

    def __init__(self, port: int) -> None:
        self.seen: dict[str, str] = {}
        self.all: list[tuple[str, str]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("ductwarden/#", qos=1)
        self._client.loop_start()

    def _on_message(self, client: object, userdata: object, message: paho.MQTTMessage) -> None:
        self.seen[message.topic] = message.payload.decode()
        self.all.append((message.topic, message.payload.decode()))

    def state(self, condition: str) -> str | None:
        """The state of an alarm as last published."""
        text = self.seen.get(f"ductwarden/feed room/alarm/{condition}")
        return None if text is None else json.loads(text)["state"]

    def close(self) -> None:
        self._client.loop_stop()
        self._client.disconnect()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path / "broker")
    made.start()
    yield made
    made.stop()


@pytest.fixture
def subscriber(broker: Broker) -> Iterator[Subscriber]:
    made = Subscriber(broker.port)
    yield made
    made.close()


def rows(store: Path, sql: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(f"{store.as_uri()}?mode=ro", uri=True)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def test_serial_shop_to_browser_and_broker_and_through_a_restart(
    tmp_path: Path, broker: Broker, subscriber: Subscriber
) -> None:
    device = FakeDevice(tmp_path / "by-id-feed-room")
    port = free_port()
    source = f'[[source]]\nkind = "serial"\nname = "feed room"\ndevice = "{device.path}"'
    config = shop_file(tmp_path, source, port=port, more=NOTICES.format(port=broker.port))
    daemon = DaemonProcess(config, port, PACE)
    daemon.start()
    try:
        hostile = [
            b"\xff\xfe\x00garbage\r\n", b'{"inlet_pa": -21\r\n', b"not json at all\r\n", b'{"inlet_pa": NaN}\r\n',
            b'{"inlet_pa": 1e999}\r\n', b'{"chimney_pa": 4}\r\n', b"[" * 3000 + b"\r\n", b"inlet_pa=-5*00\r\n",
            b"x" * 9000 + b"\r\n",
        ]
        for line in hostile:
            device.send(line)
        # Longer than the slowest computer needs: an alarm that is over when it is answered is never "acknowledged".
        day = shop_day(config, drag_ratio=2.3, bag_fill=0.05, minutes=600.0)
        with Feeder(day, lambda values: device.line(json.dumps(values)), PACE), chromium() as browser:
            page = browser.new_page()
            watch = Watch()
            watch.follow(page)
            page.goto(f"http://127.0.0.1:{port}/")
            eventually(lambda: subscriber.state("filter_loading") == "unacknowledged", 240.0, "the alarm at the broker")
            # The page was opened before the alarm: it must show it without being loaded again.
            page.get_by_text("The filter is loaded").first.wait_for(timeout=90_000)
            page.get_by_role("link", name="More about it").first.click()
            page.get_by_role("button", name="Got it").click()
            eventually(lambda: subscriber.state("filter_loading") == "acknowledged", 10.0, "acknowledged at the broker")
            assert watch.strays == []
        health = daemon.get("/api/v1/health")
        refused = sum(row["count"] for row in health["sources"][0]["refused"])
        assert refused >= len(hostile) - 2, health["sources"]
        assert daemon.end(signal.SIGTERM) == 0
        store = config.parent / "shop.db"
        frames = rows(store, "SELECT count(*) FROM frames")[0][0]
        alarms = rows(store, "SELECT id, condition, state FROM alarms")
        transitions = rows(store, "SELECT alarm_id, before, after FROM transitions ORDER BY id")
        assert ("filter_loading", "acknowledged") in [(c, s) for _, c, s in alarms]
        assert ("normal", "unacknowledged") in [(before, after) for _, before, after in transitions]
        assert any(topic.endswith("/notice") for topic in subscriber.seen)
        daemon.start()
        now = daemon.get("/api/v1/now")
        assert any(alarm["condition"] == "filter_loading" for alarm in now["alarms"])
        assert rows(store, "SELECT count(*) FROM frames")[0][0] >= frames
        assert rows(store, "SELECT alarm_id, before, after FROM transitions ORDER BY id")[: len(transitions)] == transitions
        raised = [json.loads(text)["id"] for topic, text in subscriber.all if topic.endswith("/notice")]
        assert len(raised) == len(set(raised)), "nothing is told twice"
        assert daemon.end(signal.SIGTERM) == 0
        assert rows(store, "PRAGMA integrity_check") == [("ok",)]
    finally:
        daemon.end(signal.SIGKILL)
        device.close()


@pytest.mark.long
def test_mqtt_shop_whose_filter_is_loaded(tmp_path: Path, broker: Broker, subscriber: Subscriber) -> None:
    port = free_port()
    source = (
        f'[[source]]\nkind = "mqtt"\nname = "barn"\nhost = "127.0.0.1"\nport = {broker.port}\n'
        'topics = { "barn/inlet" = "inlet_pa", "barn/rest" = "json" }'
    )
    config = shop_file(tmp_path, source, port=port, more=NOTICES.format(port=broker.port))
    daemon = DaemonProcess(config, port, PACE)
    daemon.start()
    feed = paho.Client(CallbackAPIVersion.VERSION2)
    feed.connect("127.0.0.1", broker.port)
    feed.loop_start()

    def publish(values: dict[str, float]) -> None:
        feed.publish("barn/inlet", str(values.pop("inlet_pa")) if "inlet_pa" in values else "")
        feed.publish("barn/rest", json.dumps(values))

    try:
        for payload in (b"", b"\xff\xff", b"NaN", b"1e999", b"{", b'{"inlet_pa": [1]}', b"9" * 5000):
            feed.publish("barn/inlet", payload)
            feed.publish("barn/rest", payload)
        with Feeder(shop_day(config, drag_ratio=2.3, bag_fill=0.05, minutes=600.0), publish, PACE):
            eventually(lambda: subscriber.state("filter_loading") == "unacknowledged", 240.0, "the alarm at the broker")
            eventually(lambda: subscriber.seen.get("ductwarden/feed room/lamp") == "look", what="the lamp")
        (alarm,) = [a for a in daemon.get("/api/v1/now")["alarms"] if a["condition"] == "filter_loading"]
        assert alarm
        health = daemon.get("/api/v1/health")
        assert sum(row["count"] for row in health["sources"][0]["refused"]) >= 8
        assert daemon.end(signal.SIGTERM) == 0
    finally:
        feed.loop_stop()
        feed.disconnect()
        daemon.end(signal.SIGKILL)
