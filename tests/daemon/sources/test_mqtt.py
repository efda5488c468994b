"""Readings through a real broker: topics and payloads, loss and return, passwords, certificates."""

from __future__ import annotations

import math
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from daemon.backoff import RetrySettings
from daemon.clock import FakeClock
from daemon.config.common import TlsTable
from daemon.config.sources import MqttTable
from daemon.sources.mqtt import MqttSource
from daemon.sources.wire import WireSettings
from tests.support.broker import Broker, Certificates, free_port
from tests.support.waiting import RunningSource, eventually, running

pytestmark = pytest.mark.slow

NOON = 1_772_366_400.0
TOPICS = {"barn/+/pa": "{1}_pa", "barn/unit": "json", "gate/+": "gate:{1}"}


def source(port: int, retry: RetrySettings = RetrySettings(0.05, 0.4), silent_s: float = 60.0, **table: Any) -> MqttSource:  # noqa: B008
    made = MqttTable.model_validate({"kind": "mqtt", "name": "barn", "host": "127.0.0.1", "port": port, "topics": TOPICS} | table)
    return MqttSource(made, WireSettings(), FakeClock(NOON), retry, silent_s)


@contextmanager
def listening(port: int, **settings: Any) -> Iterator[RunningSource]:
    """A source that is connected and has subscribed."""
    with running(source(port, **settings)) as at_work:
        at_work.until("connected, waiting")
        yield at_work


def settled(at_work: RunningSource, broker: Broker) -> None:
    """Wait until the subscription stands: what is said from now on must arrive."""
    for _ in range(100):
        broker.say(("barn/ready/pa", "0"))
        try:
            at_work.take(1, within_s=0.2)
        except AssertionError:
            continue
        return
    raise AssertionError(f"never subscribed: {at_work.health}")


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_numbers_objects_and_gates(broker: Broker, version: str) -> None:
    with listening(broker.port, version=version) as at_work:
        settled(at_work, broker)
        broker.say(
            ("barn/inlet/pa", "-2100.5"),
            ("barn/filter/pa", '{"value": 310.2}'),
            ("barn/unit", '{"motor_a": 19.4, "t": "2026-03-01T11:59:58Z", "gates": {"lathe": false}}'),
            ("gate/planer", "OPEN"),
        )
        inlet, over_filter, unit, gate = at_work.take(4)
        assert inlet.values == {"inlet_pa": -2100.5}
        assert inlet.t == NOON
        assert over_filter.values == {"filter_pa": 310.2}
        assert unit.values == {"motor_a": 19.4}
        assert unit.t == NOON - 2.0
        assert unit.gates == {"lathe": False}
        assert gate.gates == {"planer": True}
        assert not gate.values
        assert at_work.health.refused == {}
        assert at_work.health.state == "receiving"


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_broker_stopped_and_started_again(broker: Broker, version: str) -> None:
    with listening(broker.port, version=version) as at_work:
        settled(at_work, broker)
        broker.stop()
        eventually(lambda: not at_work.health.connected)
        at_work.until("nothing listens at")
        broker.start()
        at_work.until("connected, waiting")
        settled(at_work, broker)
        broker.say(("barn/inlet/pa", "-1"))
        assert at_work.take(1)[0].values == {"inlet_pa": -1.0}
        assert at_work.health.opened == 2


def test_password_right_wrong_and_unreadable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broker = Broker(tmp_path / "broker", password=("sawyer", "mortise"))
    broker.start()
    secret = tmp_path / "password"
    try:
        for version, words in (("3.1.1", "Not authorized"), ("5", "Not authorized")):
            secret.write_text("tenon\n")
            kept = {"user": "sawyer", "password_file": str(secret), "version": version}
            with running(source(broker.port, **kept)) as at_work:
                at_work.until(words)
                assert "user name or password?" in at_work.health.last_error
                assert not at_work.health.connected
                assert "tenon" not in repr(at_work.health)
                secret.write_text("mortise\n")  # put right while it runs
                at_work.until("connected, waiting")
        with running(source(broker.port, user="sawyer", password_env="BARN_PASSWORD")) as at_work:
            at_work.until("BARN_PASSWORD (password_env) is not set")
            monkeypatch.setenv("BARN_PASSWORD", "mortise")
            at_work.until("connected, waiting")
        with running(source(broker.port, user="sawyer", password_file=str(tmp_path / "absent"))) as at_work:
            at_work.until("cannot read password_file")
    finally:
        broker.stop()


def test_tls_with_good_and_bad_certificates(tmp_path: Path, certificates: Certificates) -> None:
    good = Broker(tmp_path / "good", tls=(certificates.ca, *certificates.sign("good")))
    good.start()
    try:
        for version in ("3.1.1", "5"):
            with listening(good.port, tls=TlsTable(ca_file=certificates.ca), version=version) as at_work:
                settled(at_work, good)
                good.say(("barn/inlet/pa", "-2100.5"))
                assert at_work.take(1)[0].values == {"inlet_pa": -2100.5}
                assert "INSECURE" not in at_work.health.state
        stranger = Certificates.make(tmp_path / "stranger", "Somebody Else")
        with running(source(good.port, tls=TlsTable(ca_file=stranger.ca))) as at_work:
            at_work.until("is refused: ")
            assert "certificate" in at_work.health.last_error
            assert not at_work.health.connected
        with running(source(good.port, tls=TlsTable(ca_file=stranger.ca, insecure=True))) as at_work:
            at_work.until("connected, waiting")
            assert "INSECURE" in at_work.health.state
            broken = at_work.health
        assert broken.opened == 1
        with running(source(good.port)) as at_work:  # plain speech at a TLS port
            at_work.until("before greeting (does this port want TLS?)")
        with running(source(good.port, tls=TlsTable(ca_file=str(tmp_path / "absent.pem")))) as at_work:
            at_work.until("cannot use ca_file")
    finally:
        good.stop()


@pytest.mark.parametrize(
    ("signing", "words"),
    [({"days": -1}, "expired"), ({"subject_alternative": "DNS:other.example"}, "IP address mismatch")],
)
def test_tls_certificate_that_does_not_hold(
    tmp_path: Path, certificates: Certificates, signing: dict[str, Any], words: str
) -> None:
    broker = Broker(tmp_path / "broker", tls=(certificates.ca, *certificates.sign(words.split()[0], **signing)))
    broker.start()
    try:
        with running(source(broker.port, tls=TlsTable(ca_file=certificates.ca))) as at_work:
            at_work.until("is refused: ")
            assert words in at_work.health.last_error
    finally:
        broker.stop()


def test_client_certificate(tmp_path: Path, certificates: Certificates) -> None:
    server = (certificates.ca, *certificates.sign("server"))
    broker = Broker(tmp_path / "broker", tls=server, wants_client_certificate=True)
    broker.start()
    try:
        ours = certificates.sign("client")
        with running(source(broker.port, tls=TlsTable(ca_file=certificates.ca, cert_file=ours[0], key_file=ours[1]))) as at_work:
            at_work.until("connected, waiting")
        with running(source(broker.port, tls=TlsTable(ca_file=certificates.ca))) as at_work:
            at_work.until("not connected: ")
            assert at_work.health.opened == 0
    finally:
        broker.stop()


def test_tls_at_a_plain_port(broker: Broker, certificates: Certificates) -> None:
    with running(source(broker.port, tls=TlsTable(ca_file=certificates.ca))) as at_work:
        at_work.until("does this port speak TLS?")


def test_retained_rubbish_is_harmless_and_retained_gates_count(broker: Broker) -> None:
    broker.say(
        ("barn/inlet/pa", "-9999", True),  # how old?
        ("barn/filter/pa", b"\xff\x00\x1b[2J", True),
        ("barn/unit", '{"motor_a":' + "[" * 3000, True),
        ("gate/planer", "open", True),
        ("gate/\u202eder", "open", True),  # turns the writing round; this broker lets no control character pass
        ("barn/\u202egnp\ufffc/pa", "1", True),
    )
    with listening(broker.port) as at_work:
        samples = at_work.take(1)
        assert samples[0].gates == {"planer": True}
        settled(at_work, broker)
        broker.say(("barn/inlet/pa", "-1"))
        assert at_work.take(1)[0].values == {"inlet_pa": -1.0}
        health = at_work.health
        assert health.refused["retained, age unknown"] >= 1
        assert health.refused["not text"] == 1
        assert health.refused["not json"] == 1
        assert all(name.isprintable() for name in health.unknown_channels)
        assert health.unknown_channels["gate:\\u202eder"] == 1


def test_hostile_payloads_are_counted(broker: Broker) -> None:
    with listening(broker.port) as at_work:
        settled(at_work, broker)
        broker.say(
            ("barn/inlet/pa", "1e400"),
            ("barn/inlet/pa", "nan"),
            ("barn/inlet/pa", ""),
            ("barn/inlet/pa", "x" * 20_000),
            ("barn/inlet/pa", '{"pressure":1}'),
            ("barn/unit", "5"),
            ("gate/planer", "ajar"),
            ("barn/inlet/pa", "-7"),
        )
        first, second, last = at_work.take(3)
        assert math.isnan(first.values["inlet_pa"])
        assert math.isnan(second.values["inlet_pa"])
        assert last.values == {"inlet_pa": -7.0}
        assert at_work.health.refused == {
            "number out of bounds": 1,
            "not a number": 1,
            "nothing in it": 1,
            "too long": 1,
            "field missing": 1,
            "no channel for a plain number": 1,
            "not a gate state": 1,
        }


def test_topics_that_the_broker_refuses_are_named(tmp_path: Path) -> None:
    """Mosquitto applies its rules to a subscription only by a literal deny; so a hand-made broker answers here."""
    with one_shot_peer(b"\x20\x02\x00\x00", b"\x90\x05\x00\x01\x00\x80\x00") as port, running(source(port)) as at_work:
        at_work.until("the broker refuses the topics barn/unit")


def test_stops_promptly_while_nothing_answers(broker: Broker) -> None:
    silent = socket.create_server(("127.0.0.1", 0))
    try:
        port = silent.getsockname()[1]
        for settings in ({}, {"tls": TlsTable()}):
            with running(source(port, **settings)) as at_work:
                at_work.end()
    finally:
        silent.close()
    with running(source(free_port(), retry=RetrySettings(300.0, 600.0))) as at_work:
        at_work.until("next try in 300.0 s")
        at_work.end()
    with listening(broker.port) as at_work:
        at_work.end()
        assert at_work.health.state == "stopped"


@contextmanager
def one_shot_peer(*answers: bytes) -> Iterator[int]:
    """A peer that answers each packet it gets with the next of these bytes, then keeps the line open."""
    server = socket.create_server(("127.0.0.1", 0))
    server.settimeout(90.0)

    def serve() -> None:
        try:
            peer, _ = server.accept()
            with peer:
                peer.settimeout(90.0)
                for answer in answers:
                    if peer.recv(4096):
                        peer.sendall(answer)
                while peer.recv(4096):
                    pass
        except OSError:
            return

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield server.getsockname()[1]
    finally:
        server.close()
        thread.join(90.0)


@pytest.mark.parametrize("version", ["3.1.1", "5"])
@pytest.mark.parametrize(
    "answer",
    [
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        b"\xff" * 50,
        b"\x20\x02\x00\x00\x30\x05\x00\x02\xff\xfe\x31",  # a topic that is not UTF-8
        b"\x20\x03\x00\x00\x00\x30\x06\x00\x02\xff\xfe\x00\x31",
        b"\x20\x02\x00\x00\x30\x04\xff\xff\x41\x41",  # a topic longer than its packet
        b"\x20\xff\xff\xff\xff\xff",
        b"\x00\x00",
    ],
)
def test_a_peer_that_speaks_nonsense_is_survived(
    answer: bytes, version: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.sources.mqtt._GREETING_S", 0.5)
    with one_shot_peer(answer) as port, running(source(port, version=version)) as at_work:
        eventually(lambda: at_work.health.last_error or at_work.health.refused)
        assert at_work.out.empty()


def test_control_characters_in_a_topic_are_shown_escaped(caplog: pytest.LogCaptureFixture) -> None:
    topic = b"gate/\x1b[31mred\n"
    message = b"\x30" + bytes([2 + len(topic) + 4]) + b"\x00" + bytes([len(topic)]) + topic + b"open"
    with one_shot_peer(b"\x20\x02\x00\x00" + message) as port, running(source(port)) as at_work:
        eventually(lambda: at_work.health.unknown_channels)
        assert at_work.health.unknown_channels == {"gate:\\x1b[31mred\\n": 1}
    assert "\x1b" not in caplog.text


def test_a_silent_broker_is_noticed(broker: Broker) -> None:
    with listening(broker.port, silent_s=0.3) as at_work:
        at_work.until("connected, but nothing arrived for")
        assert at_work.health.connected
        broker.say(("barn/inlet/pa", "-1"))
        at_work.take(1)
        assert at_work.health.state == "receiving"


def test_a_flood_of_messages_fills_no_memory(broker: Broker) -> None:
    with running(source(broker.port), room=2) as at_work:
        at_work.until("connected, waiting")
        flood = [("barn/inlet/pa", str(-n)) for n in range(3000)]
        eventually(lambda: at_work.health.connected)
        settled(at_work, broker)
        before = at_work.health.samples
        broker.say(*flood)
        eventually(lambda: at_work.health.samples == before + 3000, 20.0)
        left = [sample for _ in range(at_work.out.qsize()) for sample in at_work.out.get_nowait()]
        assert left[-1].values == {"inlet_pa": -2999.0}
        assert at_work.health.dropped + len(left) == 3000
