"""Readings from a broker: MQTT 3.1.1 and 5, over TLS if asked, connected again for ever.

Who does what: the source's one thread drives the client's network loop. The client's callbacks only put raw messages
into a list; after each turn of the loop they are parsed (:mod:`daemon.sources.payloads`) and handed to the bounded
queue. Connecting may block for seconds (name look-up, silent peers), so each attempt runs in a helper thread of its own
and the source waits for it in slices: a stop is honoured promptly whatever the network does. After every loss there is
a pause, doubling up to the cap, and a new client: password and certificates are read anew.
"""

from __future__ import annotations

import logging
import os
import threading
import time
import uuid
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from daemon.backoff import RetrySettings
from daemon.clock import Clock
from daemon.config.sources import MqttTable
from daemon.errors import SourceError
from daemon.sources.contract import LARGEST_BATCH, Lifeline, SampleQueue, SourceHealth, hand_over
from daemon.sources.fields import escaped
from daemon.sources.mqtt_words import connect_words, is_loopback, tls_context
from daemon.sources.payloads import PayloadParser
from daemon.sources.wire import WireSettings

log = logging.getLogger(__name__)

_CONNECT_S = 5.0
_KEEPALIVE_S = 30
_GREETING_S = 10.0
"""How long a broker may take to answer the greeting."""
_TURN_S = 0.2
"""The longest turn of the network loop: how promptly a stop is honoured."""
_GATHER_S = 0.05
"""Messages that come within this time go to the queue as one list."""
_LARGEST_PACKET = 65_535
_LONGEST_PASSWORD = 4096


class MqttSource:
    """Listens to the topics of ``table``, whose files are whole paths; ``clock`` gives the time of arrival. After ``silent_s``
    without a message the broker is called silent."""

    def __init__(
        self, table: MqttTable, wire: WireSettings, clock: Clock, retry: RetrySettings = RetrySettings(),  # noqa: B008
        silent_s: float = 60.0,
    ) -> None:
        self.table = table
        self.clock = clock
        self.silent_s = silent_s
        self._health = SourceHealth(table.name, "mqtt")
        self._parser = PayloadParser(table, wire, self._health)
        self._client_id = table.client_id or f"ductwarden-{uuid.uuid4().hex[:12]}"
        self._inbox: list[tuple[str, bytes, bool, float]] = []
        self._greeted = False
        self._goodbye = ""
        self._not_allowed: list[str] = []
        self._line = Lifeline(self._health, retry, log)

    @property
    def health(self) -> SourceHealth:
        """How the connection is doing, updated in place."""
        return self._health

    def run(self, out: SampleQueue, stop: threading.Event) -> None:
        """Yield samples into ``out`` until ``stop`` is set."""
        self._line.keep(lambda: self.listen(out, stop), stop)

    def listen(self, out: SampleQueue, stop: threading.Event) -> None:
        """One session: connect, and take messages until stopped. Raises SourceError when the connection ends."""
        self._health.state = f"connecting to {self._where()}"
        client = self._client()
        if self._connect(client, stop):
            try:
                self._listen(client, out, stop)
            finally:
                client.disconnect()
                left = client.socket()  # a goodbye that could not be sent leaves it open
                if left is not None:
                    left.close()

    def _client(self) -> paho.Client:
        """A client that is ready to connect; raises SourceError for a password or certificate that cannot be read."""
        table = self.table
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=paho.MQTTv5 if table.version == "5" else paho.MQTTv311,
            clean_session=None if table.version == "5" else True,
            reconnect_on_failure=False,
        )
        client.connect_timeout = _CONNECT_S
        if table.user is not None:
            client.username_pw_set(table.user, _password(table))
            if table.tls is None and not is_loopback(table.host) and not self._line.reported:
                log.warning("source %s: the password crosses the network unprotected (no tls)", escaped(table.name))
        if table.tls is not None:
            try:
                client.tls_set_context(tls_context(table.tls))
            except ValueError as error:
                raise SourceError(str(error)) from error
            if table.tls.insecure:
                log.warning("source %s: the broker's certificate is NOT checked", escaped(table.name))
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        self._greeted, self._goodbye = False, ""
        self._inbox.clear()
        self._not_allowed.clear()
        return client

    def _connect(self, client: paho.Client, stop: threading.Event) -> bool:
        """Connect; False if stopped meanwhile. Raises SourceError."""
        table = self.table
        more: dict[str, Any] = {}
        if table.version == "5":
            more["properties"] = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            more["properties"].MaximumPacketSize = _LARGEST_PACKET
            more["clean_start"] = True
        done = threading.Event()
        failure: list[Exception] = []

        def attempt() -> None:
            try:
                client.connect(table.host, table.port, _KEEPALIVE_S, **more)
            except Exception as error:
                failure.append(error)
            finally:
                done.set()

        threading.Thread(target=attempt, name=f"connect {escaped(table.name)}", daemon=True).start()
        while not done.wait(_TURN_S):
            if stop.is_set():
                return False
        if failure:
            raise SourceError(connect_words(failure[0], self._where(), table.tls is not None)) from failure[0]
        return True

    def _listen(self, client: paho.Client, out: SampleQueue, stop: threading.Event) -> None:
        """Take messages until stopped. Raises SourceError when the connection ends."""
        began = gathered = heard = time.monotonic()
        while not stop.is_set():
            waiting = len(self._inbox)
            try:
                code = client.loop(_GATHER_S if waiting else _TURN_S)
            except Exception as error:  # the client trips over packets that are not MQTT in many ways
                raise SourceError(f"what {self._where()} sends is not MQTT ({type(error).__name__})") from error
            now = time.monotonic()
            if self._inbox:
                heard = now
                if not waiting:
                    gathered = now
                if (
                    len(self._inbox) == waiting
                    or now - gathered >= _GATHER_S
                    or len(self._inbox) >= LARGEST_BATCH
                    or code != paho.MQTT_ERR_SUCCESS
                ):
                    self._flush(out)
            if code != paho.MQTT_ERR_SUCCESS:
                raise SourceError(self._goodbye or self._parting_words())
            if not self._greeted:
                if now - began > _GREETING_S:
                    raise SourceError(f"{self._where()} takes the connection but does not greet: is it a broker?")
                heard = now
            elif now - heard >= self.silent_s:
                self._connected(f"connected, but nothing arrived for {now - heard:.0f} s")

    def _flush(self, out: SampleQueue) -> None:
        samples = [self._parser.parse(*message) for message in self._inbox]
        self._inbox.clear()
        taken = [sample for sample in samples if sample is not None]
        if taken:
            self._connected("receiving")
            hand_over(out, taken, self._health)

    def _connected(self, words: str) -> None:
        """Say how it goes, with what must not be forgotten while it does."""
        if self._not_allowed:
            words += f"; the broker refuses the topics {', '.join(self._not_allowed)}"
        if self.table.tls is not None and self.table.tls.insecure:
            words += " (INSECURE: the broker's certificate is not checked)"
        self._health.state = words

    def _where(self) -> str:
        return f"{escaped(self.table.host)}:{self.table.port}"

    def _parting_words(self) -> str:
        if self._greeted:
            return f"the connection to {self._where()} was lost"
        hint = "" if self.table.tls is not None else " (does this port want TLS?)"
        return f"{self._where()} closed the connection before greeting{hint}"

    # The callbacks: on the source's own thread, inside client.loop.

    def _on_connect(
        self, client: paho.Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._goodbye = f"{self._where()} refuses us: {reason.getName()}"
            if reason.value in (0x86, 0x87):
                self._goodbye += " (user name or password?)"
            return
        self._greeted = True
        self._line.opened(self._where(), "")
        self._connected("connected, waiting for the first message")
        if self.table.version == "5":
            client.subscribe([(topic, SubscribeOptions(qos=0)) for topic in self.table.topics])
        else:
            client.subscribe([(topic, 0) for topic in self.table.topics])

    def _on_subscribe(
        self, client: paho.Client, userdata: Any, mid: int, reasons: list[ReasonCode], properties: Properties | None
    ) -> None:
        self._not_allowed = [
            escaped(topic) for topic, reason in zip(self.table.topics, reasons, strict=False) if reason.is_failure
        ]
        if self._not_allowed:
            self._connected("connected")
            self._health.last_error = self._health.state
            log.warning("source %s: %s", escaped(self.table.name), self._health.state)

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            self._health.refuse("topic is not text")
            return
        if not self._greeted:
            self._health.refuse("before the greeting")
            return
        self._inbox.append((topic, bytes(message.payload), message.retain, self.clock.now()))

    def _on_disconnect(
        self, client: paho.Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if flags.is_disconnect_packet_from_server and not self._goodbye:
            self._goodbye = f"{self._where()} ended the connection: {reason.getName()}"


def _password(table: MqttTable) -> str | None:
    """The password, read when it is needed; it is never kept, shown or logged."""
    if table.password_file is not None:
        path = Path(table.password_file)
        try:
            with path.open(encoding="utf-8") as file:
                return file.readline(_LONGEST_PASSWORD).rstrip("\r\n")
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or "it is not text"
            raise SourceError(f"cannot read password_file {escaped(str(path), 200)}: {why}") from error
    if table.password_env is not None:
        password = os.environ.get(table.password_env)
        if password is None:
            raise SourceError(f"the environment variable {escaped(table.password_env)} (password_env) is not set")
        return password
    return None
