"""From one message of a broker to a sample. Pure: topic, payload and a time go in, a sample or None comes out."""

from __future__ import annotations

import re
from dataclasses import replace

from daemon.sources import grammar
from daemon.sources.contract import Sample, SourceHealth
from daemon.sources.fields import Doubled, decode_json, escaped, stamp
from daemon.sources.settings import MqttSettings, TopicSettings
from daemon.sources.wire import AHEAD_S, BEHIND_S, FieldReader, LineParser, as_text

LONGEST_PAYLOAD = 16_384
"""No honest payload of readings is longer [bytes]."""
_MOST_TOPICS = 512
_PLACE = re.compile(r"\{([1-9])\}")


def matched(topic_filter: str, topic: str) -> tuple[str, ...] | None:
    """What the wildcards of the filter stand for in this topic, None if it does not match (MQTT 5.0, section 4.7).

    A wildcard at the start does not match topics that begin with ``$``; ``#`` also matches the level above it.

    >>> matched("barn/+/pa", "barn/inlet/pa"), matched("barn/#", "barn"), matched("#", "$SYS/uptime")
    (('inlet',), ('',), None)
    """
    if topic.startswith("$") and topic_filter[:1] in ("+", "#"):
        return None
    wanted, levels = topic_filter.split("/"), topic.split("/")
    caught: list[str] = []
    for number, level in enumerate(wanted):
        if level == "#":
            caught.append("/".join(levels[number:]))
            return tuple(caught)
        if number >= len(levels):
            return None
        if level == "+":
            caught.append(levels[number])
        elif level != levels[number]:
            return None
    return tuple(caught) if len(wanted) == len(levels) else None


def filled(pattern: str, caught: tuple[str, ...]) -> str:
    """The pattern with ``{1}``, ``{2}``, ... replaced by what the wildcards caught.

    >>> filled("{1}_pa", ("inlet",))
    'inlet_pa'
    """
    return _PLACE.sub(lambda place: caught[int(place[1]) - 1] if int(place[1]) <= len(caught) else place[0], pattern)


class PayloadParser:
    """Reads the messages of the topics that the settings name. Every rule that matches a topic has its say."""

    def __init__(self, settings: MqttSettings, health: SourceHealth) -> None:
        self.settings = settings
        self.health = health
        self.fields = FieldReader(settings.name, settings.wire, health)
        self._lines = {
            rule: LineParser(settings.name, replace(settings.wire, columns=rule.columns, pattern=rule.pattern), health)
            for rule in settings.topics if rule.channel is None
        }
        self._routes: dict[str, tuple[list[tuple[TopicSettings, str | None]], list[tuple[str, str]]]] = {}

    def parse(self, topic: str, payload: bytes, retained: bool, arrived: float) -> Sample | None:
        """The sample that a message holds, None (and a count in the health) if it holds none."""
        values_to, gates_to = self._route(topic)
        if not values_to and not gates_to:
            self.health.unknown(escaped(topic))
            return None
        if len(payload) > LONGEST_PAYLOAD:
            return self._refuse("too long")
        text = as_text(payload)
        if text is None:
            return self._refuse("not text")
        if not text:
            return self._refuse("nothing in it")
        said: object = text
        if text.startswith("{"):
            said = decode_json(text)
            if not isinstance(said, dict):
                return self._refuse("not json")
        states: dict[str, bool] = {}
        for port, field in gates_to:
            self.fields.gate(states, port, grammar.at(said, field) if isinstance(said, dict) else said)
        fields: dict[str, object] = {}
        for rule, channel in values_to:
            self._collect(fields, said, rule, channel)
        if retained and not self._dated(fields, arrived):
            self.health.refuse("retained, age unknown")
            gates = fields.get("gates")
            fields = {} if gates is None else {"gates": gates}
        sample = self.fields.sample(fields, arrived) if fields else None
        if not states:
            return sample
        if sample is None:
            return Sample(self.settings.name, arrived, {}, states)
        return Sample(sample.source, sample.t, sample.values, {**(sample.gates or {}), **states})

    def _collect(self, fields: dict[str, object], said: object, rule: TopicSettings, channel: str | None) -> None:
        """Add to ``fields`` what one rule makes of the payload."""
        if rule.channel is None:
            if not isinstance(said, dict):
                self._line(fields, str(said), rule, channel)
                return
            if not said:
                self.health.refuse("nothing in it")
            named = grammar.one_named(said)
            twice = named.doubled if isinstance(named, Doubled) else ()
            for name, value in named.items():
                fields.setdefault(name, None if name in twice else value)
        elif channel is not None:
            if not isinstance(said, dict):
                fields[channel] = grammar.quantity(str(said))
                return
            value = grammar.at(said, rule.field)
            if value is None:
                self.health.refuse("field missing")
            else:
                fields[channel] = value
                if "t" in said:
                    fields.setdefault("t", said["t"])

    def _line(self, fields: dict[str, object], text: str, rule: TopicSettings, channel: str | None) -> None:
        """The same for a payload that is read like a line: a plain number by the topic's name, pairs, columns or a pattern."""
        value = grammar.quantity(text)
        if value == value and not rule.columns and not rule.pattern:
            if channel is None:
                self.health.refuse("no channel for a plain number")
            else:
                fields[channel] = value
            return
        named = self._lines[rule].read(text)
        if isinstance(named, str):
            self.health.refuse(named)
            return
        for name, said in named.items():
            fields.setdefault(name, said)

    def _dated(self, fields: dict[str, object], arrived: float) -> bool:
        """Whether a retained message says when it was measured, lately enough to be taken (or carries no values)."""
        if not fields.keys() - {"t", "gates"}:
            return True
        t = stamp(fields.get("t"))
        return isinstance(t, float) and arrived - BEHIND_S <= t <= arrived + AHEAD_S

    def _route(self, topic: str) -> tuple[list[tuple[TopicSettings, str | None]], list[tuple[str, str]]]:
        """The rules that listen to this topic; remembered, for there are few topics and many messages."""
        route = self._routes.get(topic)
        if route is None:
            values: list[tuple[TopicSettings, str | None]] = []
            gates: list[tuple[str, str]] = []
            for rule in self.settings.topics:
                caught = matched(rule.topic, topic)
                if caught is not None:
                    only = caught[0] if len(caught) == 1 else None
                    values.append((rule, filled(rule.channel, caught) if rule.channel is not None else only))
            for gate in self.settings.gates:
                caught = matched(gate.topic, topic)
                if caught is not None:
                    gates.append((filled(gate.port, caught), gate.field))
            route = (values, gates)
            if len(self._routes) < _MOST_TOPICS and len(topic) < 1024:
                self._routes[topic] = route
        return route

    def _refuse(self, reason: str) -> Sample | None:
        self.health.refuse(reason)
        return None
