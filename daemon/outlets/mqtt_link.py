"""The connection of the MQTT outlet: a picture of retained topics that the broker is kept at, and messages that must
arrive.

One thread of its own drives the client's network loop; the others only put things into memory. The *picture* (topic ->
payload) is published topic by topic as it changes, without acknowledgement, and whole after every connection: whatever
was lost in between is put right then, and nothing old can be sent again after something new, because every connection
has a new client that knows of no unfinished messages. *Messages* are published with quality of service 1 and are
delivered when the broker has acknowledged them.
"""

from __future__ import annotations

import logging
import threading
import time
import uuid
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daemon.backoff import Backoff
from daemon.errors import OutletError
from daemon.outlets.contract import NoticeRefused, OutletHealth
from daemon.outlets.settings import MqttOutletSettings
from daemon.sources.mqtt_words import connect_words, is_loopback, tls_context

log = logging.getLogger("ductwarden.outlets")

_CONNECT_S = 5.0
_GREETING_S = 10.0
_TURN_S = 0.1
_BUSY_TURN_S = 0.01
"""Shorter turns while messages are on their way, and a second longer, for they wait for each other."""
_TIDY_S = 5.0
"""How long after connecting the broker's own retained alarms are listened for, to remove what no longer stands."""
_STEADY_S = 5.0


@dataclass(slots=True)
class _Message:
    topic: str
    payload: bytes
    done: threading.Event = field(default_factory=threading.Event)
    trouble: str = ""
    refused: bool = False


class MqttLink:
    """Keeps a broker at a picture. ``tidy`` is a topic under which retained topics outside the picture are removed.

    ``health`` is told how the connection is; ``on_up`` is called (in the link's thread) when it has come up.
    """

    def __init__(self, settings: MqttOutletSettings, online_topic: str, tidy: str, health: OutletHealth,
                 on_up: Callable[[], None] = lambda: None) -> None:
        self._settings = settings
        self._online = online_topic
        self._tidy = tidy
        self._health = health
        self._on_up = on_up
        self._where = f"{settings.host}:{settings.port}"
        self._client_id = settings.client_id or f"ductwarden-{uuid.uuid4().hex[:12]}"
        self._lock = threading.Lock()
        self._picture: dict[str, bytes] = {}
        self._dirty: dict[str, None] = {}
        self._complete = False
        self._found: set[str] = set()
        self._outbox: deque[_Message] = deque()
        self._pending: dict[int, _Message] = {}
        self._greeted = False
        self._goodbye = ""
        self._told = ""
        self._busy_until = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"mqtt outlet {settings.name}", daemon=True)

    # -- from any thread ------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect."""
        self._health.connected = False
        self._thread.start()

    def put(self, topic: str, payload: bytes) -> None:
        """The topic shall say this, retained. At once; published when there is a connection."""
        with self._lock:
            if self._picture.get(topic) != payload:
                self._picture[topic] = payload
                self._dirty[topic] = None

    def complete(self) -> None:
        """The picture now holds every alarm that is open: what else the broker retains under ``tidy`` is old."""
        self._complete = True

    def send(self, topic: str, payload: bytes, within_s: float) -> None:
        """Publish a message and wait until the broker has it. Raises OutletError, also if there is no connection."""
        if not self._health.connected:
            raise OutletError(self._health.last_error or f"not connected to {self._where}")
        message = _Message(topic, payload)
        with self._lock:
            self._outbox.append(message)
        if not message.done.wait(within_s):
            with self._lock:
                if message in self._outbox:
                    self._outbox.remove(message)
            raise OutletError(f"{self._where} did not acknowledge within {within_s:.0f} s")
        if message.trouble:
            raise (NoticeRefused if message.refused else OutletError)(message.trouble)

    def stop(self, within_s: float = 1.0) -> None:
        """Say goodbye and end."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(within_s)

    # -- in the link's thread -------------------------------------------------------------------------------------

    def _run(self) -> None:
        backoff = Backoff(self._stop, 0.5, float(self._settings.reconnect_cap_s))
        while not self._stop.is_set():
            began = time.monotonic()
            try:
                client = self._client()
                self._connect(client)
                self._serve(client)
            except OutletError as error:
                if self._greeted and time.monotonic() - began >= _STEADY_S:
                    backoff.reset()
                self._lost(str(error))
                backoff.wait()
        self._lost("stopped")

    def _client(self) -> paho.Client:
        """A client that is ready to connect. Raises OutletError for a secret or certificate that cannot be read."""
        settings = self._settings
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=self._client_id,
            protocol=paho.MQTTv5 if settings.version == "5" else paho.MQTTv311,
            clean_session=None if settings.version == "5" else True, reconnect_on_failure=False)
        client.connect_timeout = _CONNECT_S
        if settings.username is not None:
            client.username_pw_set(settings.username, None if settings.password is None else settings.password.read())
            if settings.tls is None and not is_loopback(settings.host) and not self._told:
                log.warning("outlet %s: the password crosses the network unprotected (no tls)", settings.name)
        if settings.tls is not None:
            try:
                client.tls_set_context(tls_context(settings.tls))
            except ValueError as error:
                raise OutletError(str(error)) from None
            if settings.tls.insecure:
                log.warning("outlet %s: the broker's certificate is NOT checked", settings.name)
        client.will_set(self._online, b"false", qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        self._greeted, self._goodbye = False, ""
        return client

    def _connect(self, client: paho.Client) -> None:
        try:
            client.connect(self._settings.host, self._settings.port, self._settings.keepalive_s)
        except Exception as error:  # name look-up, sockets and TLS fail in many ways
            raise OutletError(connect_words(error, self._where, self._settings.tls is not None)) from None

    def _serve(self, client: paho.Client) -> None:
        """Keep the broker at the picture until told to stop. Raises OutletError when the connection ends."""
        began = time.monotonic()
        listening = True
        while not self._stop.is_set():
            busy = bool(self._outbox or self._pending) or time.monotonic() < self._busy_until
            try:
                code = client.loop(_BUSY_TURN_S if busy else _TURN_S)
            except Exception as error:  # the client trips over packets that are not MQTT in many ways
                raise OutletError(f"what {self._where} sends is not MQTT ({type(error).__name__})") from None
            if code != paho.MQTT_ERR_SUCCESS:
                raise OutletError(self._goodbye or f"{self._where} closed the connection")
            if not self._greeted:
                if time.monotonic() - began > _GREETING_S:
                    raise OutletError(f"{self._where} takes the connection but does not greet: is it a broker?")
                continue
            self._publish(client)
            if self._complete:
                self._remove_old(client)
                if listening and time.monotonic() - began > _TIDY_S:
                    client.unsubscribe(self._tidy)
                    listening = False
        self._leave(client)

    def _publish(self, client: paho.Client) -> None:
        with self._lock:
            changed = [(topic, self._picture[topic]) for topic in self._dirty]
            messages = list(self._outbox)
            self._outbox.clear()
        for topic, payload in changed:
            if client.publish(topic, payload, qos=0, retain=True).rc != paho.MQTT_ERR_SUCCESS:
                raise OutletError(f"{self._where} closed the connection")
            with self._lock:
                if self._picture[topic] == payload:
                    self._dirty.pop(topic, None)
        for message in messages:
            self._busy_until = time.monotonic() + 1.0
            info = client.publish(message.topic, message.payload, qos=1)
            self._pending[info.mid] = message

    def _remove_old(self, client: paho.Client) -> None:
        while self._found:
            topic = self._found.pop()
            if topic not in self._picture:
                client.publish(topic, b"", qos=0, retain=True)

    def _leave(self, client: paho.Client) -> None:
        """Publish what is left, say that we are off, and disconnect, within about a second."""
        try:
            if self._greeted:
                self._publish(client)
                client.publish(self._online, b"false", qos=1, retain=True)
                until = time.monotonic() + 0.8
                while (client.want_write() or self._pending) and time.monotonic() < until:
                    if client.loop(0.05) != paho.MQTT_ERR_SUCCESS:
                        break
            client.disconnect()
            client.loop(0.05)
        except Exception as error:  # we are leaving anyway; the broker's last will speaks for us
            log.info("outlet %s: leaving %s failed: %s", self._settings.name, self._where, type(error).__name__)

    def _lost(self, words: str) -> None:
        self._health.connected = False
        self._greeted = False
        if not self._stop.is_set():
            self._health.last_error = words
            self._health.state = f"not connected: {words}"
            if words != self._told:
                log.warning("outlet %s: %s", self._settings.name, words)
                self._told = words
        with self._lock:
            lost = [*self._pending.values(), *self._outbox]
            self._pending.clear()
            self._outbox.clear()
        for message in lost:
            message.trouble = words
            message.done.set()

    # -- callbacks, inside client.loop ----------------------------------------------------------------------------

    def _on_connect(self, client: paho.Client, userdata: Any, flags: Any, reason: ReasonCode,
                    properties: Properties | None) -> None:
        if reason.is_failure:
            self._goodbye = f"{self._where} refuses us: {reason.getName()}"
            return
        with self._lock:
            self._picture[self._online] = b"true"
            self._dirty = dict.fromkeys([self._online, *self._picture])
        self._found.clear()
        client.subscribe(self._tidy, qos=0)
        self._greeted = True
        self._told = ""
        self._health.connected = True
        self._health.state, self._health.last_error = "working", ""
        log.info("outlet %s: connected to %s", self._settings.name, self._where)
        self._on_up()

    def _on_disconnect(self, client: paho.Client, userdata: Any, flags: Any, reason: ReasonCode,
                       properties: Properties | None) -> None:
        if flags.is_disconnect_packet_from_server and not self._goodbye:
            self._goodbye = f"{self._where} ended the connection: {reason.getName()}"

    def _on_publish(self, client: paho.Client, userdata: Any, mid: int, reason: ReasonCode,
                    properties: Properties | None) -> None:
        message = self._pending.pop(mid, None)
        if message is not None:
            if reason.is_failure:
                message.trouble, message.refused = f"{self._where} refuses the message: {reason.getName()}", True
            message.done.set()

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        if message.retain and message.payload and len(self._found) < 1000:
            self._found.add(message.topic)
