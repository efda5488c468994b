"""Listening at a broker for a while: every message of the topics asked for. Publishes nothing."""

from __future__ import annotations

import contextlib
import os
import ssl
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from daemon.cli.hearing_topics import Topics
from daemon.errors import ConfigError, SourceError
from daemon.sources.fields import escaped
from daemon.sources.mqtt_words import connect_words
from daemon.sources.settings import check_topic_filter

GREETING_S = 10.0
_TURN_S = 0.1


@dataclass(frozen=True, slots=True)
class Place:
    """Where a broker is."""

    host: str
    port: int
    tls: bool


def place(where: str) -> Place:
    """The broker that is meant by ``host``, ``host:port``, ``mqtt://host:port`` or ``mqtts://host``.

    >>> place("barn.local"), place("mqtts://barn.local").port
    (Place(host='barn.local', port=1883, tls=False), 8883)
    """
    parsed = urlsplit(where if "//" in where else f"mqtt://{where}")
    try:
        port = parsed.port
    except ValueError as error:
        raise ConfigError([f"{where!r}: the port must be a number from 1 to 65535"]) from error
    if parsed.scheme not in ("mqtt", "mqtts") or not parsed.hostname:
        raise ConfigError([f"{where!r} is neither a serial port nor a broker; write host, host:port or mqtts://host"])
    if parsed.username or parsed.password:
        raise ConfigError(["a user or password does not belong into the address: give --user and --password-file"])
    tls = parsed.scheme == "mqtts"
    return Place(parsed.hostname, port or (8883 if tls else 1883), tls)


def password(file: Path | None, env: str | None) -> str | None:
    """The password from a file's first line or a variable. Raises :class:`ConfigError`."""
    if file is not None and env is not None:
        raise ConfigError(["--password-file and --password-env are both given; one is enough"])
    if file is not None:
        try:
            return file.read_text(encoding="utf-8").partition("\n")[0].rstrip("\r")
        except (OSError, UnicodeDecodeError) as error:
            raise ConfigError([f"--password-file: {file} cannot be read"]) from error
    if env is not None:
        if env not in os.environ:
            raise ConfigError([f"--password-env: the variable {env} is not set"])
        return os.environ[env]
    return None


def hear(
    where: Place, filters: tuple[str, ...], user: str | None, secret: str | None, ca_file: str | None, seconds: float,
    say: Callable[[str], object], show: int,
) -> Topics:
    """Every message for ``seconds`` from the greeting on. Raises :class:`SourceError` or :class:`ConfigError`."""
    for one in filters:
        try:
            check_topic_filter(one)
        except ValueError as error:
            raise ConfigError([f"--topic: {error}"]) from error
    heard = Topics()
    at = f"{escaped(where.host)}:{where.port}"
    state: dict[str, str] = {}
    shown = [0]

    def connected(client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            state["trouble"] = f"{at} refuses us: {reason.getName()}"
        else:
            state["greeted"] = "yes"
            client.subscribe([(one, 0) for one in filters])

    def subscribed(_client: paho.Client, _data: Any, _mid: int, reasons: list[Any], _properties: Any) -> None:
        refused = [one for one, reason in zip(filters, reasons, strict=False) if reason.is_failure]
        if refused:
            say(f"the broker refuses the topics {', '.join(refused)}")

    def message(_client: paho.Client, _data: Any, said: paho.MQTTMessage) -> None:
        try:
            topic = said.topic
        except UnicodeDecodeError:
            return
        heard.take(topic, bytes(said.payload), said.retain)
        if shown[0] < show:
            shown[0] += 1
            mark = " (retained)" if said.retain else ""
            say(f"  {escaped(topic)}{mark}  {escaped(said.payload.decode(errors='backslashreplace'), 90)}")

    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"ductwarden-{uuid.uuid4().hex[:12]}")
    client.connect_timeout = 5.0
    if user is not None:
        client.username_pw_set(user, secret)
    tls = where.tls or ca_file is not None
    if tls:
        try:
            client.tls_set_context(ssl.create_default_context(cafile=ca_file))
        except (OSError, ssl.SSLError) as error:
            raise ConfigError([f"--ca-file: {ca_file} cannot be used"]) from error
    client.on_connect, client.on_subscribe, client.on_message = connected, subscribed, message
    say(f"listening at {at}" + (" over TLS" if tls else "") + f", topics {', '.join(filters)}")
    try:
        client.connect(where.host, where.port)
    except Exception as error:
        raise SourceError(connect_words(error, at, tls)) from error
    began = time.monotonic()
    with contextlib.suppress(KeyboardInterrupt):
        while "trouble" not in state and time.monotonic() - began < seconds:
            greeted = "greeted" in state
            code = client.loop(_TURN_S)
            if "greeted" in state and not greeted:
                began = time.monotonic()
            if code != paho.MQTT_ERR_SUCCESS:
                state.setdefault("trouble", f"{at} closed the connection")
            if "greeted" not in state and time.monotonic() - began > GREETING_S:
                state["trouble"] = f"{at} takes the connection but does not greet: is it a broker?"
    client.disconnect()
    if "trouble" in state and not heard.topics:
        raise SourceError(state["trouble"])
    return heard
