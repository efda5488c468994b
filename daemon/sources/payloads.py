"""From one message of a broker to a sample. Pure: topic, payload and a time go in, a sample or None comes out."""

from __future__ import annotations

import re
from dataclasses import replace

from daemon.config.sources import MqttTable, TopicTable
from daemon.sources import grammar
from daemon.sources.contract import Sample, SourceHealth
from daemon.sources.fields import Doubled, decode_json, escaped, stamp
from daemon.sources.wire import AHEAD_S, BEHIND_S, FieldReader, LineParser, WireSettings, as_text

LONGEST_PAYLOAD = 16_384
"""No honest payload of readings is longer [bytes]."""
_MOST_TOPICS = 512
_PLACE = re.compile(r"\{([1-9])\}")

Route = list[tuple[str, TopicTable, str | None]]
"""The topic filters that match a topic, what each carries, and the channel or gate that this comes to."""


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
    """Reads the messages of the topics of ``table``. Every topic filter that matches has its say."""

    def __init__(self, table: MqttTable, wire: WireSettings, health: SourceHealth) -> None:
        self.table = table
        self.health = health
        self.fields = FieldReader(table.name, wire, health)
        self._lines = {
            topic: LineParser(table.name, replace(wire, columns=carried.columns, pattern=carried.pattern), health)
            for topic, carried in table.topics.items()
        }
        self._routes: dict[str, Route] = {}

    def parse(self, topic: str, payload: bytes, retained: bool, arrived: float) -> Sample | None:
        """The sample that a message holds, None (and a count in the health) if it holds none."""
        route = self._route(topic)
        if not route:
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
        fields: dict[str, object] = {}
        for rule, carried, name in route:
            if carried.gate is not None:
                self.fields.gate(states, name or "", grammar.at(said, carried.field) if isinstance(said, dict) else said)
            else:
                self._collect(fields, said, rule, carried, name)
        if retained and not self._dated(fields, arrived):
            self.health.refuse("retained, age unknown")
            gates = fields.get("gates")
            fields = {} if gates is None else {"gates": gates}
        sample = self.fields.sample(fields, arrived) if fields else None
        if not states:
            return sample
        if sample is None:
            return Sample(self.table.name, arrived, {}, states)
        return Sample(sample.source, sample.t, sample.values, {**(sample.gates or {}), **states})

    def _collect(self, fields: dict[str, object], said: object, rule: str, carried: TopicTable, channel: str | None) -> None:
        """Add to ``fields`` what one rule makes of the payload."""
        if carried.channel is None:
            if not isinstance(said, dict):
                self._line(fields, str(said), rule, carried, channel)
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
            value = grammar.at(said, carried.field)
            if value is None:
                self.health.refuse("field missing")
            else:
                fields[channel] = value
                if "t" in said:
                    fields.setdefault("t", said["t"])

    def _line(self, fields: dict[str, object], text: str, rule: str, carried: TopicTable, channel: str | None) -> None:
        """The same for a payload that is read like a line: a plain number by the topic's name, pairs, columns or a pattern."""
        value = grammar.quantity(text)
        if value == value and not carried.columns and not carried.pattern:
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

    def _route(self, topic: str) -> Route:
        """The rules that listen to this topic; remembered, for there are few topics and many messages."""
        route = self._routes.get(topic)
        if route is None:
            route = []
            for rule, carried in self.table.topics.items():
                caught = matched(rule, topic)
                if caught is not None:
                    name, only = carried.channel or carried.gate, caught[0] if len(caught) == 1 else None
                    route.append((rule, carried, only if name is None else filled(name, caught)))
            if len(self._routes) < _MOST_TOPICS and len(topic) < 1024:
                self._routes[topic] = route
        return route

    def _refuse(self, reason: str) -> Sample | None:
        self.health.refuse(reason)
        return None
