"""Messages of a broker: what each topic carries, and the source table that reads them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from daemon.cli.hearing import Guess, Names, guess_all, quoted, sensor_lines
from daemon.sources.contract import Sample, SourceHealth
from daemon.sources.fields import decode_json, escaped, finite, gate_state, literal, plain_name
from daemon.sources.payloads import LONGEST_PAYLOAD, PayloadParser
from daemon.sources.settings import OPEN_WORDS, SHUT_WORDS, MqttSettings, TopicSettings
from daemon.sources.wire import as_text

MOST_TOPICS = 200
_SHUT = frozenset(word.casefold() for word in SHUT_WORDS)
_OPEN = frozenset(word.casefold() for word in OPEN_WORDS)


@dataclass(slots=True)
class Topic:
    """One topic: its ``form`` (``number``, ``value`` in a JSON object, ``json`` of several names, ``gate``, or why none)."""

    name: str
    form: str = ""
    count: int = 0
    retained: int = 0
    last: str = ""
    nested: set[str] = field(default_factory=set)


class Topics:
    """Everything that a broker passed on."""

    def __init__(self) -> None:
        self.topics: dict[str, Topic] = {}
        self.messages: list[tuple[str, bytes]] = []
        self.numbers = Names()
        self.fields = Names()
        self.more = 0

    def take(self, name: str, payload: bytes, retained: bool) -> None:
        """One message."""
        topic = self.topics.get(name)
        if topic is None:
            if len(self.topics) >= MOST_TOPICS:
                self.more += 1
                return
            topic = self.topics[name] = Topic(name)
        topic.count += 1
        topic.retained += retained
        text = as_text(payload) if len(payload) <= LONGEST_PAYLOAD else None
        topic.last = escaped(text, 100) if text is not None else f"({len(payload)} bytes)"
        form = self._understood(topic, text)
        topic.form = form if topic.form in ("", form) else "now this, now that"
        if len(self.messages) < 5_000:
            self.messages.append((name, payload))

    def _understood(self, topic: Topic, text: str | None) -> str:
        if not text:
            return "not text" if text is None else "empty"
        if text.startswith("{"):
            said = decode_json(text)
            if not isinstance(said, dict):
                return "not json"
            topic.nested |= {name for name, value in said.items() if isinstance(value, dict) and name != "gates"}
            numbers = {name: value for name, value in said.items() if not isinstance(finite(value), str)}
            if "value" in numbers and len(numbers) == 1:
                self.numbers.take(topic.name, float(numbers["value"]))
                return "value"
            for name, value in numbers.items():
                if name != "t" and plain_name(name):
                    self.fields.take(name, float(value))
            return "json" if numbers else "no values"
        number = literal(text)
        tail = topic.name.casefold()
        if "gate" in tail and gate_state(text, _OPEN, _SHUT) is not None:
            return "gate"
        if number == number:
            self.numbers.take(topic.name, number)
            return "number"
        return "gate" if gate_state(text, _OPEN, _SHUT) is not None and number != number else "no values"

    def own(self) -> set[str]:
        """Roots under which ductwarden itself publishes: it would only hear itself."""
        roots = {name.removesuffix("/lamp") for name in self.topics if name.endswith("/lamp")}
        return {root for root in roots if f"{root}/online" in self.topics}

    def useful(self) -> list[Topic]:
        """The topics that carry values and are not our own."""
        own = tuple(f"{root}/" for root in self.own())
        return [topic for topic in self.topics.values()
                if topic.form in ("number", "value", "json", "gate") and not topic.name.startswith(own)]

    def guesses(self) -> tuple[list[Guess], list[Guess]]:
        """Guesses for the topics with plain numbers, and for the names within JSON objects."""
        own = tuple(f"{root}/" for root in self.own())
        plain = [heard for name, heard in self.numbers.heard.items() if not name.startswith(own)]
        both = guess_all([*plain, *self.fields.heard.values()])
        return both[: len(plain)], both[len(plain):]

    def proposal(self, host: str, port: int, user: str | None, tls: bool) -> list[str]:
        """The lines of configuration that read these topics."""
        plain, fields = self.guesses()
        by_topic = {one.raw: one for one in plain}
        lines = ["[[source]]", 'kind = "mqtt"', 'name = "shop broker"', f'host = "{host}"']
        if port != 1883:
            lines.append(f"port = {port}")
        if user:
            lines += [f'user = "{user}"', 'password_file = "broker.password"']
        if tls:
            lines.append('tls = { ca_file = "ca.pem" }')
        lines.append("[source.topics]")
        for topic in self.useful():
            carries, remark = "json", ""
            if topic.form == "gate":
                carries = f"gate:{topic.name.rsplit('/', 1)[-1]}"
                remark = "  # the name after gate: must be a port's"
            elif topic.form in ("number", "value"):
                found = by_topic.get(topic.name)
                if found is None or found.channel is None:
                    lines.append(f"# {quoted(topic.name)} = \"...\"  # which channel is it?")
                    continue
                carries, remark = found.channel, f"  # by {found.why}"
            lines.append(f"{quoted(topic.name)} = {quoted(carries)}{remark}")
        # A plain number has its channel's name already.
        named = [Guess(one.channel, one.channel, one.unit, one.why, one.asks) for one in plain if one.channel]
        return lines + sensor_lines([*named, *fields])

    def samples(self, topics: dict[str, str]) -> list[Sample]:
        """The messages through the daemon's own parser, with the proposed topics."""
        rules = tuple(TopicSettings(t, None if c == "json" else c) for t, c in topics.items() if not c.startswith("gate:"))
        if not rules:
            return []
        parser = PayloadParser(MqttSettings("broker", "broker", topics=rules), SourceHealth("broker", "mqtt"))
        found = [parser.parse(name, payload, False, 0.0) for name, payload in self.messages]
        return [sample for sample in found if sample is not None]

    def remarks(self) -> list[str]:
        """What is odd about what was heard."""
        found = [f"{root}/ is ductwarden's own: left out" for root in sorted(self.own())]
        for topic in self.useful():
            if topic.retained == topic.count and topic.form != "gate":
                found.append(f"{escaped(topic.name)}: only a retained message came. Its age is unknown, so the daemon does not "
                             "take it unless it carries its own time as \"t\"")
            if topic.nested:
                found.append(f"{escaped(topic.name)}: {', '.join(sorted(map(escaped, topic.nested)))} are objects within the "
                             "object; let the device send flat names")
        for topic in self.topics.values():
            if topic.form == "now this, now that":
                found.append(f"{escaped(topic.name)}: carries numbers and other things in turn; give each a topic of its own")
        if self.more:
            found.append(f"{self.more} messages of further topics were not looked at; narrow it with --topic")
        return found

    def table(self, most: int) -> Iterable[str]:
        """One line for each topic."""
        yield f"  {'topic':<40} {'messages':>8}  {'form':<12} last"
        for topic in list(self.topics.values())[:most]:
            yield f"  {escaped(topic.name):<40} {topic.count:>8}  {topic.form:<12} {topic.last}"
        if len(self.topics) > most:
            yield f"  ... and {len(self.topics) - most} more"

