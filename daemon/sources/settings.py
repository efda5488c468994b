"""What sources need to know beyond their own tables: how words are read, how a lost peer is tried again, what topics carry.

A setting that cannot work raises ``ValueError`` with a sentence that says what was found and what is allowed. Nothing here opens
anything.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from daemon.sources.grammar import Pattern


def _need(good: bool, sentence: str) -> None:
    if not good:
        raise ValueError(sentence)


def _positive(name: str, value: float) -> None:
    _need(math.isfinite(value) and value > 0.0, f"{name} is {value}; it must be a number above 0")


@dataclass(frozen=True, slots=True)
class RetrySettings:
    """How long to wait before a lost port or broker is tried again: ``first_s``, doubling, at most ``cap_s``."""

    first_s: float = 0.5
    cap_s: float = 60.0

    def __post_init__(self) -> None:
        _positive("the first pause", self.first_s)
        _need(self.cap_s >= self.first_s, f"the longest pause is {self.cap_s}; it must be at least {self.first_s}")


class Expected(NamedTuple):
    """In which unit ("" for SI) the sensor that listens to a name wants its numbers."""

    kind: str
    unit: str


@dataclass(frozen=True, slots=True)
class WireSettings:
    """How the words of a device are read: the form of a line, the names it may use, and whose clock counts.

    ``columns`` names the fields of a bare line of numbers in order: ``"-"`` skips one, ``"t"`` is the time stamp,
    ``"gate:planer"`` a gate. ``pattern`` is the owner's own form (:class:`daemon.sources.grammar.Pattern`). A number that comes
    with a unit is turned into the unit of ``units``. ``known`` holds the device's names that some sensor of the configuration
    listens to, ``ports`` the ports whose gates it may report; None takes every well-formed name. A device's own time stamp is
    believed from an hour before to ten seconds after the time of arrival; outside it the time of arrival stands.
    """

    format: Literal["auto", "json", "pairs", "columns"] = "auto"
    columns: tuple[str, ...] = ()
    pattern: str = ""
    units: Mapping[str, Expected] = field(default_factory=dict)
    checksum: Literal["required", "optional"] = "optional"
    known: frozenset[str] | None = None
    ports: frozenset[str] | None = None

    def __post_init__(self) -> None:
        _need(self.format in ("auto", "json", "pairs", "columns"),
              f"format is {self.format!r}; allowed are auto, json, pairs, columns")
        _need(self.checksum in ("required", "optional"),
              f"checksum is {self.checksum!r}; allowed are required, optional")
        _need(self.format != "columns" or bool(self.columns), "format is columns but no columns are named")
        _need(not (self.pattern and self.columns), "a pattern and columns are both given; one is enough")
        if self.pattern:
            Pattern(self.pattern)
        named = [name for name in self.columns if name != "-"]
        _need(len(named) == len(set(named)), f"columns name one thing twice: {', '.join(named)}")


@dataclass(frozen=True, slots=True)
class TlsSettings:
    """How the connection to the broker is protected.

    ``ca_file`` None trusts the system's authorities. ``insecure`` True takes any certificate: it is said in the health
    and in the log as long as it lasts, because anybody in between could then read and invent readings.
    """

    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    insecure: bool = False

    def __post_init__(self) -> None:
        _need(self.key_file is None or self.cert_file is not None, "key_file is given without cert_file")


@dataclass(frozen=True, slots=True)
class TopicSettings:
    """What the messages of one topic (or of many: ``+`` stands for one level, a last ``#`` for all below) carry.

    With a ``channel`` the payload is a plain number, or a JSON object whose ``field`` (a dotted path) is the number.
    ``{1}``, ``{2}`` in the channel stand for what the first, second ``+`` matched (``#`` counts as the last). Without
    a channel the payload is read like a line: an object, pairs, ``columns`` or the ``pattern``; a plain number then takes the
    name of the only ``+``.
    """

    topic: str
    channel: str | None = None
    field: str = "value"
    columns: tuple[str, ...] = ()
    pattern: str = ""

    def __post_init__(self) -> None:
        check_topic_filter(self.topic)
        _need(self.channel is None or not (self.columns or self.pattern),
              f"topic {self.topic!r}: a channel stands beside columns or a pattern; these name the channels themselves")
        WireSettings(columns=self.columns, pattern=self.pattern)


@dataclass(frozen=True, slots=True)
class GateTopicSettings:
    """A topic that says whether the gate of a port is open; ``{1}`` in the port stands for what ``+`` matched."""

    topic: str
    port: str = "{1}"
    field: str = "value"

    def __post_init__(self) -> None:
        check_topic_filter(self.topic)


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """A broker and the topics to listen to.

    The password comes from ``password_file`` (first line) or from the environment variable ``password_env``; it is
    read anew at every connection, and is never part of the settings. ``version`` is "3.1.1" or "5". Retained values
    that carry no time stamp are not taken, for nobody knows how old they are; retained gate states are.
    """

    name: str
    host: str
    port: int = 1883
    version: Literal["3.1.1", "5"] = "3.1.1"
    client_id: str = ""
    username: str | None = None
    password_file: str | None = None
    password_env: str | None = None
    tls: TlsSettings | None = None
    topics: tuple[TopicSettings, ...] = ()
    gates: tuple[GateTopicSettings, ...] = ()
    silent_s: float = 60.0
    wire: WireSettings = field(default_factory=WireSettings)
    retry: RetrySettings = field(default_factory=RetrySettings)

    def __post_init__(self) -> None:
        _need(bool(self.host), f"source {self.name!r} names no broker")
        _need(bool(self.topics or self.gates), f"source {self.name!r} listens to no topic")
        _need(self.password_file is None or self.password_env is None,
              "password_file and password_env are both given; one is enough")
        _need(self.username is not None or (self.password_file is None and self.password_env is None),
              "a password is given without a username")
        _positive("silent_s", self.silent_s)


def check_topic_filter(topic: str) -> None:
    """Raise ``ValueError`` unless ``topic`` is a topic filter (MQTT 5.0, sections 4.7.1 and 4.7.3).

    >>> check_topic_filter("barn/+/pa")
    >>> check_topic_filter("barn/#/pa")
    Traceback (most recent call last):
    ValueError: topic 'barn/#/pa': '#' may only be the last level, alone
    """
    _need(0 < len(topic.encode()) <= 65535, f"topic {topic!r}: a topic has 1 to 65535 bytes")
    _need("\0" not in topic, f"topic {topic!r}: no zero byte is allowed")
    levels = topic.split("/")
    for number, level in enumerate(levels):
        _need("#" not in level or (level == "#" and number == len(levels) - 1),
              f"topic {topic!r}: '#' may only be the last level, alone")
        _need("+" not in level or level == "+", f"topic {topic!r}: '+' may only stand alone between slashes")
