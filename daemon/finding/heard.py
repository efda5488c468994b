"""What a device on a serial port or a broker was heard to say, and the configuration that would read it. Pure: no port, no clock.

Everything is read with the daemon's own grammar, and a proposal is proved by the daemon's own parser and calibration.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from daemon.calibrate import Calibrator
from daemon.config.model import SensorTable
from daemon.config.sensors import build_sensors
from daemon.config.sources import MqttTable
from daemon.finding.guessing import MOST_VALUES, Guess, Series, guess_all
from daemon.sources import grammar
from daemon.sources.contract import Sample, SourceHealth
from daemon.sources.fields import decode_json, escaped, gate_state, plain_name
from daemon.sources.grammar import Pattern, Quantity
from daemon.sources.lines import strip_checksum
from daemon.sources.payloads import LONGEST_PAYLOAD, PayloadParser
from daemon.sources.wire import Expected, LineParser, WireSettings, as_text

MOST_NAMES = 60
MOST_COLUMNS = 20
MOST_TOPICS = 200
FORMS = ('pairs "P1=-905 P2=310"', 'bare columns "-905;310"', 'an object {"p1": -905, "p2": 310}')
_NUMBERS = re.compile(r"(?<![\w.:,\[(-])[-+]?\d+(?:[.,]\d+)?(?![\w:\])])")
_QUOTED_NAME = re.compile(r"'[^']{1,40}'(\D{0,40}?)[-+]?\d+(?:[.,]\d+)?( ?\S*)(\s+[A-Za-z]+)?")


class Names:
    """Every name that was heard, in the order of its first value; no more than MOST_NAMES."""

    def __init__(self) -> None:
        self.series: dict[tuple[str, str], Series] = {}
        self.switched = False

    def take(self, topic: str, name: str, value: object) -> None:
        """One more value of a name."""
        if isinstance(value, str):
            value = grammar.quantity(value)
        unit = value.unit if isinstance(value, Quantity) else ""
        number = value.number if isinstance(value, Quantity) else value
        if isinstance(number, bool) or not isinstance(number, float | int):
            return
        one = self.series.get((topic, name))
        if one is None:
            if len(self.series) >= MOST_NAMES:
                return
            one = self.series[topic, name] = Series(name, topic, unit, on_from=0 if self.switched else None)
        one.take(float(number))

    def fan_on(self) -> None:
        """What comes from now on comes from a running fan."""
        self.switched = True
        for one in self.series.values():
            del one.values[: -MOST_VALUES // 2]
            one.on_from = len(one.values)

    def table(self) -> Iterator[str]:
        """One line for each name."""
        yield f"  {'name':<28} {'values':>7} {'least':>11} {'middle':>11} {'greatest':>11}  unit"
        for one in self.series.values():
            cells = [f"{'–':>11}"] * 3
            if one.values:
                ordered = sorted(one.values)
                cells = [f"{value:>11.5g}" for value in (ordered[0], ordered[len(ordered) // 2], ordered[-1])]
            unknown = f"  {one.unknown} of them no numbers" if one.unknown else ""
            yield f"  {escaped(one.name, 28):<28} {one.count:>7} {' '.join(cells)}  {escaped(one.unit, 12)}{unknown}"


@dataclass(frozen=True, slots=True)
class Proposal:
    """``source`` and ``sensors`` as tables of the configuration, what each name was taken for, and what the daemon would read."""

    source: Mapping[str, Any]
    sensors: Mapping[str, Mapping[str, Any]]
    guesses: tuple[Guess, ...]
    readings: Mapping[str, float | None]

    def lines(self) -> list[str]:
        """The lines for the file, with the reasons as comments; empty where nothing can be read."""
        if not self.sensors and not any(str(one).startswith("gate:") for one in self.source.get("topics", {}).values()):
            return []
        by_channel = {guess.channel: guess for guess in self.guesses if guess.channel}
        lines = ["[[source]]", *_keys({k: v for k, v in self.source.items() if k != "topics"})]
        if "topics" in self.source:
            lines += ["[source.topics]", *_keys(self.source["topics"])]
        for channel, table in self.sensors.items():
            guess = by_channel[channel]
            lines += ["", f"[sensor.{channel}]  # by {escaped(guess.why, 100)}", *_keys(table)]
            if guess.asks:
                lines.append(f"# {escaped(guess.asks, 120)}")
        return lines


def _keys(table: Mapping[str, Any]) -> list[str]:
    from daemon.drafting.toml_text import key_text, value_text

    return [f"{key_text(key)} = {value_text(value)}" for key, value in table.items()]


def _sensors(guesses: Sequence[Guess], named: Mapping[Guess, str]) -> dict[str, dict[str, Any]]:
    """The sensor tables; ``named`` says under which name a guess's values arrive."""
    found: dict[str, dict[str, Any]] = {}
    for guess in guesses:
        if guess.channel is None or guess not in named:
            continue
        table: dict[str, Any] = {}
        if named[guess] != guess.channel:
            table["raw"] = named[guess]
        if guess.unit:
            table["unit"] = guess.unit
        if guess.scale != 1.0:
            table["scale"] = guess.scale
        found[guess.channel] = table | dict(guess.more)
    return found


def _read(samples: Sequence[Sample], calibrator: Calibrator) -> dict[str, float | None]:
    return {reading.channel: reading.value for sample in samples for reading in calibrator.readings(sample)}


def _calibrator(sensors: Mapping[str, Mapping[str, Any]]) -> tuple[Calibrator, WireSettings]:
    specs, problems = build_sensors({name: SensorTable.model_validate(table) for name, table in sensors.items()}, frozenset())
    assert not problems, problems
    expected = {spec.raw_name: Expected(spec.kind, spec.unit) for spec in specs}
    return Calibrator(specs), WireSettings(known=frozenset(expected), units=expected)


# -- a serial port ----------------------------------------------------------------------------------------------------


def form_of(line: bytes) -> tuple[str, bool]:
    """``json``, ``pairs``, ``columns N`` or the reason why it is none; and whether it carried a good checksum.

    >>> form_of(b"$inlet_pa=-2100.5*3C"), form_of(b"-2100.5;310.2"), form_of(b"hello")
    (('pairs', True), ('columns 2', False), ('no values', False))
    """
    checked = not isinstance(strip_checksum(line, True), str)
    body = strip_checksum(line, False)
    if isinstance(body, str):
        return "bad checksum", False
    text = as_text(body)
    if text is None:
        return "not text", checked
    if text.startswith("{"):
        return ("json" if isinstance(decode_json(text), dict) else "no values"), checked
    for cells in grammar.cut(text):
        values = [grammar.quantity(cell) for cell in cells]
        good = [value for value in values if value == value]
        if len(good) == len(cells) <= MOST_COLUMNS:
            return f"columns {len(cells)}", checked
    found = grammar.pairs(text)
    if isinstance(found, dict) and any(_is_reading(value) for value in found.values()):
        return "pairs", checked
    return "no values", checked


def _is_reading(value: object) -> bool:
    return isinstance(value, float | Quantity) and value == value


READABLE = ("json", "pairs", "columns")


def readable(line: bytes) -> bool:
    """Whether the line carries values."""
    return form_of(line)[0].startswith(READABLE)


def suggested_pattern(texts: Sequence[str]) -> str:
    """A pattern that would read such lines, made from the first of them that holds a number; "" where none would.

    >>> suggested_pattern(["[D]: 'Bag pressure': state 310.20 Pa with 2 decimals"] * 3)
    "'{name}': state {value} {unit} with"
    >>> suggested_pattern(["12:01 suction is at -8.3, bags at 1.2 now"] * 3)
    'suction is at {P1}, bags at {P2} now'
    """
    for text in texts:
        quoted = _QUOTED_NAME.search(text)
        if quoted is not None:
            unit = " {unit}" if quoted[2].strip() else ""
            made = f"'{{name}}'{quoted[1]}{{value}}{unit}{quoted[3] or ''}"
        else:
            numbers = list(_NUMBERS.finditer(text))[:6]
            if not numbers:
                continue
            start = len(re.match(r"[^A-Za-z]*", text)[0]) if numbers[0].start() > 0 else 0  # type: ignore[index]
            made, at = "", min(start, numbers[0].start())
            for count, one in enumerate(numbers, start=1):
                made += text[at: one.start()] + f"{{P{count}}}"
                at = one.end()
            made += text[at:]
        try:
            pattern = Pattern(made)
        except ValueError:
            continue
        if sum(1 for one in texts if isinstance(pattern.read(one), dict)) >= 0.8 * len(texts):
            return made
    return ""


class Lines:
    """Everything that one device said. ``after`` are the lines that came after the fan was switched on."""

    def __init__(self, lines: Sequence[bytes], after: Sequence[bytes] | None = None) -> None:
        self.lines = [*lines, *(after or ())]
        forms = [form_of(line) for line in self.lines]
        self.forms = Counter(form for form, _ in forms)
        good = [form for form in self.forms if form.startswith(READABLE)]
        self.form = max(good, key=lambda form: self.forms[form]) if good else ""
        checked = [sound for form, sound in forms if form.startswith(READABLE)]
        self.checked = bool(checked) and all(checked)
        self.pattern = ""
        texts = [text for line in self.lines if (text := as_text(line)) and form_of(line)[0] == "no values"]
        if len(texts) > 2 * len(checked) and (pattern := suggested_pattern(texts)):
            self.form, self.pattern, self.checked = "pattern", pattern, False
        self.unreadable = texts
        count = int(self.form.split()[1]) if self.form.startswith("columns") else 0
        self.columns = tuple(f"column_{number}" for number in range(1, count + 1))
        self.health = SourceHealth("device", "serial")
        self.names = Names()
        self.gates: set[str] = set()
        reader = LineParser("device", WireSettings(columns=self.columns, pattern=self.pattern), self.health)
        for at, line in enumerate(self.lines):
            if at == len(lines) and after is not None:
                self.names.fan_on()
            body = strip_checksum(line, False)
            text = None if isinstance(body, str) else as_text(body)
            fields = "" if text is None else reader.read(text)
            if isinstance(fields, dict):
                self._take(fields)

    def _take(self, fields: dict[str, object]) -> None:
        gates = fields.pop("gates", None)
        if isinstance(gates, dict):
            self.gates |= set(gates)
        for name, value in grammar.members(fields):
            if name.startswith("gate:"):
                self.gates.add(name[5:])
            elif name != "t" and plain_name(name):
                self.names.take("", name, value)

    def proposal(self, device: str, baud: int) -> Proposal:
        """The configuration that reads this device."""
        guesses = guess_all(list(self.names.series.values()))
        source: dict[str, Any] = {"kind": "serial", "name": "shop node", "device": device}
        if baud != 115_200:
            source["baud"] = baud
        named = {guess: guess.channel if self.columns and guess.channel else guess.name for guess in guesses}
        if self.columns:
            by_column = {guess.name: guess.channel for guess in guesses}
            source |= {"format": "columns", "columns": [by_column.get(column) or "-" for column in self.columns]}
        elif self.pattern:
            source["pattern"] = self.pattern
        elif len([form for form in self.forms if form.startswith(READABLE)]) == 1:
            source["format"] = self.form
        if self.checked:
            source["checksum"] = "required"
        sensors = _sensors(guesses, named)
        calibrator, wire = _calibrator(sensors)
        parser = LineParser("device", WireSettings(
            columns=tuple(source.get("columns", ())), pattern=self.pattern, known=wire.known, units=wire.units
        ), SourceHealth("device", "serial"))
        samples = [sample for line in self.lines if (sample := parser.parse(line, 0.0)) is not None]
        return Proposal(source, sensors, tuple(guesses), _read(samples, calibrator))

    def remarks(self) -> list[str]:
        """What is odd about what was heard."""
        found = [
            f"{count} line{'s' if count > 1 else ''}: {escaped(form)}"
            for form, count in self.forms.items() if not form.startswith(READABLE) and not self.pattern
        ]
        if self.unreadable and not self.form:
            found.append(f"such as: {escaped(self.unreadable[-1], 100)}")
            found.append(f"a line that can be read is one of: {', '.join(FORMS)}; anything else by a pattern in [[source]], "
                         "such as pattern = \"suction {P1} bags {P2}\"")
        if self.gates:
            gates = ", ".join(map(escaped, sorted(self.gates)))
            found.append(f"gates are reported: {gates} (they need no line here)")
        if self.lines and not self.checked and self.form and not self.pattern:
            found.append("no checksum: a device that can should end its lines with *HH, so that a garbled number is dropped")
        return found


# -- a broker ---------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Topic:
    """One topic: its ``form`` (``number``, ``value`` in an object, ``json`` or ``text`` of several names, ``gate``; or why none)
    and the paths of what it holds."""

    name: str
    form: str = ""
    count: int = 0
    retained: int = 0
    last: str = ""
    paths: dict[str, None] = field(default_factory=dict)


class Topics:
    """Everything that a broker passed on."""

    def __init__(self) -> None:
        self.topics: dict[str, Topic] = {}
        self.messages: list[tuple[str, bytes]] = []
        self.names = Names()
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
        value = grammar.quantity(text)
        if "gate" in topic.name.casefold() and gate_state(text) is not None:
            return "gate"
        if _is_reading(value):
            self.names.take(topic.name, topic.name, value)
            return "number"
        if gate_state(text) is not None:
            return "gate"
        fields: object = decode_json(text) if text.startswith("{") else grammar.pairs(text)
        if not isinstance(fields, dict):
            return "not json" if text.startswith("{") else "no values"
        if "value" in fields and _is_reading(single := grammar.at(fields, "value")) and not any(
            isinstance(other, float) for name, other in fields.items() if name not in ("value", "t")
        ):
            self.names.take(topic.name, topic.name, single)
            return "value"
        found = [(path, inner) for path, inner in grammar.members(grammar.one_named(fields))
                 if path != "t" and not path.startswith("gates.") and plain_name(path)
                 and _is_reading(grammar.quantity(inner) if isinstance(inner, str) else inner)]
        for path, inner in found:
            topic.paths.setdefault(path)
            self.names.take(topic.name, path, inner)
        if not found and "gates" not in fields:
            return "no values"
        return "json" if text.startswith("{") else "text"

    def own(self) -> set[str]:
        """Roots under which ductwarden itself publishes: it would only hear itself."""
        roots = {name.removesuffix("/lamp") for name in self.topics if name.endswith("/lamp")}
        return {root for root in roots if f"{root}/online" in self.topics}

    def useful(self) -> list[Topic]:
        """The topics that carry values and are not our own."""
        own = tuple(f"{root}/" for root in self.own())
        return [topic for topic in self.topics.values()
                if topic.form in ("number", "value", "json", "text", "gate") and not topic.name.startswith(own)]

    def series(self) -> list[Series]:
        """What was heard on the useful topics."""
        useful = {topic.name for topic in self.useful()}
        return [one for (topic, _), one in self.names.series.items() if topic in useful]

    def proposal(self, host: str, port: int, user: str | None, tls: bool) -> Proposal:
        """The configuration that reads these topics; only those that carry a channel or a gate."""
        guesses = guess_all(self.series())
        source: dict[str, Any] = {"kind": "mqtt", "name": "shop broker", "host": host}
        if port != 1883:
            source["port"] = port
        if user:
            source |= {"user": user, "password_file": "broker.password"}
        if tls:
            source["tls"] = {"ca_file": "ca.pem"}
        topics: dict[str, Any] = {}
        named: dict[Guess, str] = {}
        paths = Counter(guess.name for guess in guesses if guess.channel)
        for topic in self.useful():
            mine = [guess for guess in guesses if guess.topic == topic.name and guess.channel]
            if topic.form == "gate":
                topics[topic.name] = f"gate:{topic.name.rsplit('/', 1)[-1]}"
            elif topic.form in ("number", "value"):
                for guess in mine:
                    topics[topic.name] = named[guess] = guess.channel or ""
            elif len(mine) == 1 and topic.form == "json" and (paths[mine[0].name] > 1 or len(topic.paths) > 1):
                guess = mine[0]
                topics[topic.name] = {"channel": guess.channel, "field": guess.name}
                named[guess] = guess.channel or ""
            elif mine:
                topics[topic.name] = "json"
                named |= {guess: guess.name for guess in mine}
        source["topics"] = topics
        sensors = _sensors(guesses, named)
        return Proposal(source, sensors, tuple(guesses), self._readings(topics, sensors))

    def _readings(self, topics: Mapping[str, Any], sensors: Mapping[str, Mapping[str, Any]]) -> dict[str, float | None]:
        if not topics or not sensors:
            return {}
        calibrator, wire = _calibrator(sensors)
        table = MqttTable.model_validate({"kind": "mqtt", "host": "broker", "topics": topics})
        parser = PayloadParser(table, wire, SourceHealth("broker", "mqtt"))
        found = [parser.parse(name, payload, False, 0.0) for name, payload in self.messages]
        return _read([sample for sample in found if sample is not None], calibrator)

    def remarks(self) -> list[str]:
        """What is odd about what was heard."""
        found = [f"{root}/ is ductwarden's own: left out" for root in sorted(self.own())]
        found += [
            f"{escaped(topic.name)}: only a retained message came. Its age is unknown, so the daemon does not take it unless it "
            "carries its own time as \"t\"" for topic in self.useful() if topic.retained == topic.count and topic.form != "gate"
        ]
        found += [
            f"{escaped(topic.name)}: carries numbers and other things in turn; give each a topic of its own"
            for topic in self.topics.values() if topic.form == "now this, now that"
        ]
        if self.more:
            found.append(f"{self.more} messages of further topics were not looked at; narrow it with --topic")
        return found

    def table(self, most: int) -> Iterator[str]:
        """One line for each topic."""
        yield f"  {'topic':<40} {'messages':>8}  {'form':<12} last"
        for topic in list(self.topics.values())[:most]:
            yield f"  {escaped(topic.name):<40} {topic.count:>8}  {topic.form:<12} {topic.last}"
        if len(self.topics) > most:
            yield f"  ... and {len(self.topics) - most} more"
