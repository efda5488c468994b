"""Found: what was heard at one place, with the source and the sensors that would read it. Pure."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis import units
from analysis.readings import CHANNELS
from daemon.cli.hearing import Guess, Heard, guess_all
from daemon.cli.hearing_lines import Lines, readings
from daemon.cli.hearing_topics import Topics
from daemon.drafting.asking import Context
from daemon.drafting.checks import check_step
from daemon.drafting.draft import Answers, Draft
from daemon.drafting.steps import step_named
from daemon.sources.contract import Sample
from daemon.sources.fields import escaped


@dataclass(frozen=True, slots=True)
class Row:
    """One name that was heard: how often, its spread, the channel that it probably is ("" without an idea), why, what must be
    asked, and what the daemon would read of it now ("" where it would not)."""

    name: str
    count: int
    spread: str
    channel: str
    words: str
    why: str
    asks: str
    reading: str


@dataclass(frozen=True, slots=True)
class Found:
    """``where`` was listened, what was heard in one sentence, the ``rows``, ``remarks``, and the answers that would read it:
    a ``source`` (None where nothing can be read) and its ``sensors``."""

    where: str
    said: str
    rows: tuple[Row, ...]
    remarks: tuple[str, ...]
    source: Answers | None
    sensors: tuple[Answers, ...]


def from_lines(port: str, lines: Sequence[bytes], baud: int) -> Found:
    """What a device on a serial port said."""
    heard = Lines(lines)
    if not lines:
        return _nothing(port, "nothing arrived: is the device powered, and is this its port?")
    if not heard.form:
        return _nothing(port, "bytes arrive, but no line with values: look at its speed and at what it sends", heard.remarks())
    tree = tomllib.loads("\n".join(heard.proposal(port, baud)))
    names = list(heard.names.heard.values())
    said = f"{heard.form}, {len(lines)} lines at {baud} baud" + (", each with a checksum" if heard.checked else "")
    return _found(port, said, names, guess_all(names), heard.remarks(), tree, heard.renamed())


def from_topics(where: str, host: str, port: int, user: str | None, tls: bool, heard: Topics) -> Found:
    """What a broker passed on."""
    if not heard.useful():
        words = "no topic with values came" if heard.topics else "nothing arrived: does anything publish there?"
        return _nothing(where, words, heard.remarks())
    try:
        tree = tomllib.loads("\n".join(heard.proposal(host, port, user, tls)))
    except tomllib.TOMLDecodeError:
        return _nothing(where, "what was heard there has names that cannot be written down", heard.remarks())
    plain, fields = heard.guesses()
    names = [heard.numbers.heard[one.raw] for one in plain] + list(heard.fields.heard.values())
    topics = tree["source"][0].get("topics", {})
    said = f"{len(heard.useful())} topics with values, {sum(topic.count for topic in heard.topics.values())} messages"
    return _found(where, said, names, [*plain, *fields], heard.remarks(), tree, heard.samples(topics))


def _nothing(where: str, said: str, remarks: Sequence[str] = ()) -> Found:
    return Found(where, said, (), tuple(remarks), None, ())


def _found(
    where: str, said: str, names: Sequence[Heard], guesses: Sequence[Guess], remarks: Sequence[str], tree: Mapping[str, Any],
    samples: Sequence[Sample],
) -> Found:
    sensors = tree.get("sensor", {})
    read = readings(samples, sensors) if sensors else {}
    rows = tuple(_row(name, guess, read) for name, guess in zip(names, guesses, strict=True))
    source = _source(tree["source"][0])
    return Found(where, said, rows, tuple(remarks), source, tuple(_sensor(name, row) for name, row in sensors.items()))


def _row(heard: Heard, guess: Guess, read: Mapping[str, float | None]) -> Row:
    spread = "no numbers" if heard.count == heard.unknown else f"{heard.low:.5g} to {heard.high:.5g}"
    channel = guess.channel or ""
    value = read.get(channel)
    shown = ""
    if channel and value is not None:
        kind = CHANNELS[channel].kind
        both = dict.fromkeys((units.show(value, kind, "us"), units.show(value, kind, "si")))
        shown = " = ".join(both)
    words = CHANNELS[channel].words if channel else ""
    return Row(escaped(heard.name, 120), heard.count, spread, channel, words, guess.why, guess.asks, shown)


def _source(table: Mapping[str, Any]) -> Answers:
    """A [[source]] table as answers to the questions about it."""
    answers = {key: str(table[key]) for key in ("kind", "name", "device", "baud", "host", "port", "user", "password_file")
               if key in table}
    if table["kind"] == "serial":
        answers["checksum"] = "yes" if table.get("checksum") == "required" else "no"
        if "columns" in table:
            answers["columns"] = ", ".join(table["columns"])
    if "tls" in table:
        answers["ca_file"] = str(table["tls"].get("ca_file", ""))
    if "topics" in table:
        answers["topics"] = "\n".join(f"{carries} = {topic}" for topic, carries in table["topics"].items())
    return answers


def _sensor(channel: str, table: Mapping[str, Any]) -> Answers:
    return {"channel": channel, **{key: str(table[key]) for key in ("raw", "unit") if key in table}}


def take_over(draft: Draft, found: Found) -> tuple[Draft, list[str]]:
    """The draft with what was found: its source, and each sensor whose channel is not fitted yet. Beside it a sentence on
    everything that was left out. Each goes through the same checks as if the owner had typed it."""
    if found.source is None:
        return draft, ["there is nothing to take over"]
    left: list[str] = []
    sources, sensors = step_named("sources"), step_named("sensors")
    assert sources is not None
    assert sensors is not None
    name = _free_name(draft, found.source.get("name", "source"))
    checked = check_step(sources, {**found.source, "name": name}, draft)
    if not checked.good:
        return draft, [f"the source: {words}" for words in checked.problems.values()]
    draft = draft.with_item("sources", None, checked.answers)
    for sensor in found.sensors:
        given = {**sensor, "source": name}
        fitted = [row.get("channel") for row in draft.list_of("sensors")]
        if sensor["channel"] in fitted:
            left.append(f"{sensor['channel']} is fitted already")
            continue
        one = check_step(sensors, given, draft)
        if one.good:
            draft = draft.with_item("sensors", None, one.answers)
        else:
            left += [f"{sensor['channel']}: {words}" for words in one.problems.values()]
    return draft, left


REHEARSAL: tuple[str, ...] = ("inlet_pa", "filter_pa", "motor_a")


def rehearse(draft: Draft) -> Draft:
    """The draft with the simulator in place of sensors: the three main channels (the current only where a motor is known)."""
    sources, sensors = step_named("sources"), step_named("sensors")
    assert sources is not None
    assert sensors is not None
    question = sources.question("name")
    assert question is not None
    assert question.suggest is not None
    given = {"kind": "simulator", "pace": "60"}
    name = question.suggest(Context(draft, given))
    checked = check_step(sources, {**given, "name": name}, draft)
    if not checked.good:
        return draft
    draft = draft.with_item("sources", None, checked.answers)
    fitted = {row.get("channel") for row in draft.list_of("sensors")}
    for channel in REHEARSAL:
        if channel not in fitted and (channel != "motor_a" or draft.of("motor").get("known") != "no"):
            draft = draft.with_item("sensors", None, check_step(sensors, {"channel": channel}, draft).answers)
    return draft


def _free_name(draft: Draft, name: str) -> str:
    taken = {row.get("name") for row in draft.list_of("sources")}
    return next(one for one in (name, *(f"{name} {number}" for number in range(2, 1000))) if one not in taken)
