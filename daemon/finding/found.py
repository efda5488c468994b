"""Found: what was heard at one place, with the source and the sensors that would read it. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from analysis import units
from analysis.readings import CHANNELS
from daemon.drafting.asking import Context
from daemon.drafting.checks import check_step
from daemon.drafting.draft import Answers, Draft
from daemon.drafting.steps import step_named
from daemon.finding.guessing import Guess, Series
from daemon.finding.heard import Lines, Proposal, Topics
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
    a ``source`` (None where nothing can be read) and its ``sensors``; the same as a ``proposal`` for a file, and the ``table`` of
    what was heard as lines. ``lines`` (at ``baud``) or ``topics`` are what was heard itself, for a second hearing."""

    where: str
    said: str
    rows: tuple[Row, ...] = ()
    remarks: tuple[str, ...] = ()
    source: Answers | None = None
    sensors: tuple[Answers, ...] = ()
    proposal: Proposal | None = None
    table: tuple[str, ...] = ()
    lines: tuple[bytes, ...] = ()
    baud: int | None = None
    topics: Topics | None = None
    open: bool = False
    """Some name was not recognised, and a second hearing with the fan switched on may tell it."""


def from_lines(port: str, lines: Sequence[bytes], baud: int, after: Sequence[bytes] | None = None) -> Found:
    """What a device on a serial port said; ``after`` once the fan was switched on."""
    heard = Lines(lines, after)
    if not heard.lines:
        return Found(port, "nothing arrived: is the device powered, and is this the right port?")
    if not heard.form:
        words = "bytes arrive, but no line with values: check the speed (--baud) and what the device sends"
        return Found(port, words, remarks=tuple(heard.remarks()))
    said = f"{heard.form}, {len(heard.lines)} lines at {baud} baud" + (", each with a checksum" if heard.checked else "")
    series = list(heard.names.series.values())
    found = _found(port, said, series, heard.remarks(), heard.proposal(port, baud), heard.names.table())
    return replace(found, lines=tuple(lines), baud=baud, open=after is None and _unknown(found))


def from_topics(where: str, host: str, port: int, user: str | None, tls: bool, heard: Topics) -> Found:
    """What a broker passed on."""
    if not heard.topics:
        return Found(where, "nothing arrived: does anything publish there?")
    useful, proposal = heard.useful(), heard.proposal(host, port, user, tls)
    said = f"{len(useful)} topics with values, {sum(topic.count for topic in heard.topics.values())} messages"
    if not useful:
        said = "no topic with values came"
    found = _found(where, said, heard.series(), heard.remarks(), proposal, heard.table(40))
    return replace(found, topics=heard, open=not heard.names.switched and _unknown(found))


def _unknown(found: Found) -> bool:
    return any(not row.channel for row in found.rows)


def _found(
    where: str, said: str, heard: Sequence[Series], remarks: Sequence[str], proposal: Proposal, table: Iterable[str]
) -> Found:
    rows = tuple(_row(one, guess, proposal.readings) for one, guess in zip(heard, proposal.guesses, strict=True))
    found = Found(where, said, rows, tuple(remarks), proposal=proposal, table=tuple(table))
    if not proposal.lines():
        unknown = "no channel was recognised there: name its values yourself"
        return replace(found, remarks=(*found.remarks, unknown)) if rows else found
    sensors = tuple(_sensor(channel, one) for channel, one in proposal.sensors.items())
    return replace(found, source=_source(proposal.source), sensors=sensors)


def _row(heard: Series, guess: Guess, read: Mapping[str, float | None]) -> Row:
    spread = f"{min(heard.values):.5g} to {max(heard.values):.5g} {heard.unit}".strip() if heard.values else "no numbers"
    channel = guess.channel or ""
    words = CHANNELS[channel].words if channel else ""
    return Row(escaped(heard.name, 120), heard.count, spread, channel, words, guess.why, guess.asks, shown(channel, read))


def shown(channel: str, read: Mapping[str, float | None]) -> str:
    """What the daemon would read of a channel now, in both systems of units; "" where it would not."""
    value = read.get(channel)
    if not channel or value is None:
        return ""
    kind = CHANNELS[channel].kind
    return " = ".join(dict.fromkeys((units.show(value, kind, "us"), units.show(value, kind, "si"))))


def _source(table: Mapping[str, Any]) -> Answers:
    """A [[source]] table as answers to the questions about it."""
    answers = {key: str(table[key]) for key in ("kind", "name", "device", "baud", "host", "port", "user", "password_file")
               if key in table}
    if table["kind"] == "serial":
        answers["checksum"] = "yes" if table.get("checksum") == "required" else "no"
        if "columns" in table:
            answers["columns"] = ", ".join(table["columns"])
        if "pattern" in table:
            answers["pattern"] = table["pattern"]
    if "tls" in table:
        answers["ca_file"] = str(table["tls"].get("ca_file", ""))
    if "topics" in table:
        answers["topics"] = "\n".join(
            f"{carries if isinstance(carries, str) else '{channel} at {field}'.format(**carries)} = {topic}"
            for topic, carries in table["topics"].items()
        )
    return answers


def _sensor(channel: str, table: Mapping[str, Any]) -> Answers:
    return {"channel": channel, **{key: str(table[key]) for key in ("raw", "unit", "scale", "voltage") if key in table}}


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
