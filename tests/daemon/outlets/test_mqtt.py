"""The MQTT outlet on a real broker."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from analysis.conditions import Condition, Urgency
from analysis.estimates import Estimate, Expected
from analysis.findings import Claim, Evidence, Finding
from daemon.alarms.picture import alarm_document, lamp
from daemon.alarms.types import Alarm, AlarmState
from daemon.config.common import TlsTable
from daemon.outlets.contract import MemoryLedger
from daemon.outlets.mqtt import MqttOutlet
from daemon.outlets.settings import MqttOutletSettings, QueueSettings, Secret
from tests.daemon.outlets.servers import T0, notice, silent_server
from tests.support.broker import MOSQUITTO, OPENSSL, Broker, Certificates
from tests.support.waiting import eventually

needs_broker = [pytest.mark.slow, pytest.mark.skipif(MOSQUITTO is None, reason="no mosquitto on this machine")]


def alarm(number: int = 1, condition: Condition = Condition.BAG_FULL, where: str = "",
          state: AlarmState = AlarmState.UNACKNOWLEDGED, urgency: Urgency = Urgency.STOP) -> Alarm:
    claim = Finding(T0, condition, Claim.PRESENT, where, 0.9,
                    evidence={"drag": Evidence(2.0, "ratio", "filter drag over clean"),
                              "odd": Evidence(float("nan"), "flow", "an unknown number")})
    return Alarm(number, condition, where, state, urgency, T0, T0 - 60.0, T0, claim)


class Listener:
    """Another client: everything it heard, and what each topic says now."""

    def __init__(self, port: int, topic: str = "#") -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self.now: dict[str, bytes] = {}
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_message = self._on_message
        self.client.on_connect = lambda client, *_: client.subscribe(topic)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _on_message(self, client: Any, userdata: Any, message: paho.MQTTMessage) -> None:
        self.heard.append((message.topic, message.payload, message.retain))
        self.now[message.topic] = message.payload

    def says(self, topic: str, payload: bytes, within_s: float = 8.0) -> None:
        eventually(lambda: self.now.get(topic) == payload, within_s, f"{topic} says {self.now.get(topic)!r}")

    def state(self, topic: str) -> str | None:
        return json.loads(self.now[topic])["state"] if self.now.get(topic) else None

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@contextmanager
def listening(port: int) -> Iterator[Listener]:
    listener = Listener(port)
    try:
        yield listener
    finally:
        listener.close()


@contextmanager
def outlet(port: int, ledger: MemoryLedger | None = None, **how: Any) -> Iterator[MqttOutlet]:
    settings = MqttOutletSettings("127.0.0.1", port, unit="feed room", reconnect_cap_s=1,
                                  queue=QueueSettings(first_s=0.1, cap_s=0.3), **how)
    made = MqttOutlet(settings, ledger or MemoryLedger())
    made.start()
    try:
        yield made
    finally:
        made.stop(1.0)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path / "broker")
    made.start()
    try:
        yield made
    finally:
        made.stop()


ROOT = "ductwarden/feed room"


class TestOnABroker:
    pytestmark = needs_broker

    @pytest.mark.parametrize("version", ["3.1.1", "5"])
    def test_the_whole_picture_is_retained(self, broker: Broker, version: str) -> None:
        with outlet(broker.port, version=version) as made:
            made.show_alarms([alarm(1), alarm(2, Condition.BLOCKED_RUN, "shaving horse", urgency=Urgency.SOON)])
            made.show_state({"fan": "running", "since": T0})
            made.show_estimate(Estimate(T0, flow_m3s=0.2, gates=("planer",),
                                        expected={"inlet_pa": Expected(-900.0, 30.0)}, residual={"inlet_pa": 12.0}))
            with listening(broker.port) as early:
                early.says(f"{ROOT}/lamp", b"stop")
                early.says(f"{ROOT}/online", b"true")
                whole = {f"{ROOT}/{name}" for name in ("alarm/bag_full", "alarm/blocked_run/shaving horse", "state", "estimate")}
                eventually(lambda: whole <= early.now.keys(), what="the whole picture is at the broker")
            with listening(broker.port) as listener:  # it comes late and still learns everything
                listener.says(f"{ROOT}/lamp", b"stop")
                listener.says(f"{ROOT}/online", b"true")
                bag = json.loads(listener.now[f"{ROOT}/alarm/bag_full"])
                assert (bag["state"], bag["urgency"], bag["since"]) == (
                    "unacknowledged", "stop", "2026-03-01T08:59:00.000Z")
                assert bag["evidence"]["drag"] == {"value": 2.0, "kind": "ratio", "words": "filter drag over clean"}
                assert bag["evidence"]["odd"]["value"] is None
                plug = json.loads(listener.now[f"{ROOT}/alarm/blocked_run/shaving horse"])
                assert (plug["id"], plug["where"]) == (2, "shaving horse")
                assert json.loads(listener.now[f"{ROOT}/state"]) == {"fan": "running", "since": T0}
                estimate = json.loads(listener.now[f"{ROOT}/estimate"])
                assert (estimate["flow_m3s"], estimate["gates"], estimate["filter_drag"]) == (0.2, ["planer"], None)
                assert all(retained for _, _, retained in listener.heard)

    def test_an_alarm_that_is_over_is_shown_as_normal(self, broker: Broker) -> None:
        with listening(broker.port) as listener, outlet(broker.port) as made:
            made.show_alarms([alarm(1), alarm(2, Condition.BLOCKED_RUN, "lathe", urgency=Urgency.SOON)])
            listener.says(f"{ROOT}/lamp", b"stop")
            made.show_alarms([alarm(2, Condition.BLOCKED_RUN, "lathe", AlarmState.ACKNOWLEDGED, Urgency.SOON)])
            listener.says(f"{ROOT}/lamp", b"look")
            eventually(lambda: listener.state(f"{ROOT}/alarm/bag_full") == "normal")
            assert listener.state(f"{ROOT}/alarm/blocked_run/lathe") == "acknowledged"
            made.show_alarms([])
            listener.says(f"{ROOT}/lamp", b"ok")
            eventually(lambda: listener.state(f"{ROOT}/alarm/blocked_run/lathe") == "normal")

    def test_the_picture_comes_again_after_the_broker_did(self, broker: Broker) -> None:
        with outlet(broker.port) as made:
            made.show_alarms([alarm(1)])
            eventually(lambda: made.health.connected)
            broker.stop()
            eventually(lambda: not made.health.connected)
            made.show_alarms([alarm(2, Condition.WEAK_FAN, urgency=Urgency.SOON)])
            made.show_state({"fan": "off"})
            broker.start()  # it keeps nothing over a restart: all that is there is published anew
            with listening(broker.port) as listener:
                listener.says(f"{ROOT}/lamp", b"look")
                listener.says(f"{ROOT}/state", b'{"fan": "off"}')
                listener.says(f"{ROOT}/online", b"true")
                eventually(lambda: listener.state(f"{ROOT}/alarm/weak_fan") == "unacknowledged")
                assert listener.state(f"{ROOT}/alarm/bag_full") == "normal"

    def test_notices_wait_for_the_broker_and_come_once(self, broker: Broker) -> None:
        broker.stop()
        with outlet(broker.port) as made:
            for number in range(1000):
                made.offer(notice(number))
                made.show_alarms([alarm(number)])
            assert made.health.dropped == 800
            broker.start()
            with listening(broker.port) as listener:
                eventually(lambda: made.health.queued == 0)
                said = [json.loads(p)["id"] for topic, p, _ in listener.heard if topic == f"{ROOT}/notice"]
                assert made.health.delivered == 200
                assert len(said) == len(set(said))
                assert not any(retained for topic, _, retained in listener.heard if topic.endswith("/notice"))

    def test_nothing_is_said_twice_after_a_restart(self, broker: Broker) -> None:
        stored: list[tuple[str, str]] = []
        with listening(broker.port) as listener:
            ledger = MemoryLedger(on_sent=lambda *mark: stored.append(mark))  # type: ignore[arg-type]
            with outlet(broker.port, ledger) as made:
                made.offer(notice(1))
                eventually(lambda: made.health.delivered == 1)
            with outlet(broker.port, MemoryLedger(stored)) as made:
                made.offer(notice(1))
                made.offer(notice(2))
                eventually(lambda: made.health.delivered == 1)
            said = [json.loads(p)["id"] for topic, p, _ in listener.heard if topic == f"{ROOT}/notice"]
            assert said == ["1-raised-1", "2-raised-1"]

    def test_going_is_said_and_dying_too(self, broker: Broker) -> None:
        with listening(broker.port) as listener:
            with outlet(broker.port) as made:
                made.show_alarms([])
                listener.says(f"{ROOT}/online", b"true")
            listener.says(f"{ROOT}/online", b"false")  # a goodbye
            with outlet(broker.port) as made:
                made.show_alarms([])
                listener.says(f"{ROOT}/online", b"true")
                kick(broker, made)  # the broker drops it without a word
                listener.says(f"{ROOT}/online", b"false")
                listener.says(f"{ROOT}/online", b"true")  # and it comes again

    def test_alarms_that_a_former_life_left_behind_are_removed(self, broker: Broker) -> None:
        old = f"{ROOT}/alarm/weak_fan"
        broker.say((old, b'{"state": "unacknowledged"}', True), ("other/alarm/weak_fan", b"kept", True))
        with listening(broker.port) as listener:
            listener.says(old, b'{"state": "unacknowledged"}')
            with outlet(broker.port) as made:
                listener.says(f"{ROOT}/online", b"true")
                assert listener.now[old]  # it is not known yet which alarms are open
                made.show_alarms([alarm(1)])
                listener.says(old, b"")
                assert listener.state(f"{ROOT}/alarm/bag_full") == "unacknowledged"
                assert listener.now["other/alarm/weak_fan"] == b"kept"

    def test_a_password_that_is_wrong_is_said_and_never_shown(self, tmp_path: Path) -> None:
        broker = Broker(tmp_path / "locked", password=("unit", "right-word"))
        broker.start()
        try:
            secret = tmp_path / "password"
            secret.write_text("wrong-word\n")
            with outlet(broker.port, username="unit", password=Secret(file=str(secret))) as made:
                made.offer(notice(1))
                eventually(lambda: "refuses us" in made.health.last_error)
                assert "wrong-word" not in repr(made.health)
                secret.write_text("right-word\n")  # it is read anew at each try
                eventually(lambda: made.health.delivered == 1)
        finally:
            broker.stop()

    @pytest.mark.skipif(OPENSSL is None, reason="no openssl on this machine")
    def test_tls(self, tmp_path: Path) -> None:
        certificates = Certificates.make(tmp_path / "ca")
        broker = Broker(tmp_path / "tls", tls=(certificates.ca, *certificates.sign("broker")))
        broker.start()
        try:
            with outlet(broker.port, tls=TlsTable(ca_file=certificates.ca)) as made:
                made.offer(notice(1))
                eventually(lambda: made.health.delivered == 1)
            stranger = Certificates.make(tmp_path / "other")
            with outlet(broker.port, tls=TlsTable(ca_file=stranger.ca)) as made:
                eventually(lambda: "certificate" in made.health.last_error)
        finally:
            broker.stop()

    def test_a_broker_that_takes_no_notices_is_said(self, tmp_path: Path) -> None:
        broker = Broker(tmp_path / "strict", rules=f"topic read #\ntopic write {ROOT}/lamp\n")
        broker.start()
        try:
            with outlet(broker.port, version="5") as made:
                made.offer(notice(1))
                eventually(lambda: made.health.refused == 1)
                assert "Not authorized" in made.health.last_error
        finally:
            broker.stop()


def kick(broker: Broker, made: MqttOutlet) -> None:
    """Connect with the outlet's own client id: the broker ends the older connection (MQTT 3.1.1, 3.1.4-2)."""
    client_id = made._link._client_id
    rival = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
    rival.connect("127.0.0.1", broker.port)
    rival.loop(0.5)
    rival.disconnect()
    rival.loop(0.2)


@pytest.mark.slow
def test_what_is_no_broker_is_said() -> None:
    with silent_server() as port, outlet(port) as made:
        made.offer(notice(1))
        eventually(lambda: made.health.failed >= 1)
        assert not made.health.connected


@pytest.mark.slow
def test_the_end_is_prompt_without_a_broker() -> None:
    with silent_server() as port, outlet(port) as made:
        made.offer(notice(1))
        made.stop(0.5)  # comes back although nobody answers
        assert made.health.delivered == 0


def test_estimates_are_thinned_in_event_time() -> None:
    made = MqttOutlet(MqttOutletSettings("127.0.0.1", estimate_every_s=5.0), MemoryLedger())
    shown = []
    for t in [0, 1, 2, 4.9, 5, 9, 10, 3, 4, 8]:  # at the end the clock was set back
        before = made._link._picture.get("ductwarden/unit/estimate")
        made.show_estimate(Estimate(T0 + t))
        if made._link._picture["ductwarden/unit/estimate"] != before:
            shown.append(t)
    assert shown == [0, 5, 10, 3, 8]


@pytest.mark.parametrize(
    ("alarms", "light"),
    [
        ([], "ok"),
        ([(Urgency.STOP, AlarmState.UNACKNOWLEDGED)], "stop"),
        ([(Urgency.STOP, AlarmState.ACKNOWLEDGED)], "stop"),  # acknowledged is not gone
        ([(Urgency.STOP, AlarmState.RETURNED)], "look"),
        ([(Urgency.STOP, AlarmState.LATCHED_ACKNOWLEDGED)], "look"),
        ([(Urgency.STOP, AlarmState.SHELVED), (Urgency.SOON, AlarmState.SUPPRESSED)], "ok"),
        ([(Urgency.PLAN, AlarmState.OUT_OF_SERVICE)], "ok"),
        ([(Urgency.PLAN, AlarmState.UNACKNOWLEDGED)], "look"),
        ([(Urgency.PLAN, AlarmState.UNACKNOWLEDGED), (Urgency.STOP, AlarmState.UNACKNOWLEDGED)], "stop"),
    ],
)
def test_the_lamp(alarms: list[tuple[Urgency, AlarmState]], light: str) -> None:
    assert lamp([alarm(i, state=state, urgency=urgency) for i, (urgency, state) in enumerate(alarms)]) == light


def test_an_alarm_as_a_document_is_plain_json() -> None:
    document = alarm_document(alarm())
    assert json.loads(json.dumps(document, allow_nan=False)) == document
