"""``ductwarden listen``: what a device or a broker says, what it probably means, and the configuration lines for it.

It only listens: it sends nothing to the device and publishes nothing. Opening a serial port restarts some boards; their first
lines then are a greeting.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from analysis.readings import CHANNELS
from daemon.cli.common import Json, give
from daemon.errors import NOT_DONE, ConfigError
from daemon.finding import places
from daemon.finding.fitting import fit
from daemon.finding.found import Found, from_lines, from_topics, shown
from daemon.finding.heard import Proposal, Topics
from daemon.sources.fields import escaped


def listen(
    where: Annotated[
        str | None, typer.Argument(help="A serial port (/dev/...), or a broker: host, host:port or mqtts://host.")
    ] = None,
    seconds: Annotated[float, typer.Option(help="How long to listen.", min=0.5, max=3600.0)] = 10.0,
    fan: Annotated[bool | None, typer.Option(
        "--fan/--no-fan", help="Listen with the fan off, then on, and see what moves. Asked at a terminal."
    )] = None,
    write: Annotated[Path | None, typer.Option(help="Put the lines into this shop's file, if its check takes them.",
                                               dir_okay=False)] = None,
    baud: Annotated[int | None, typer.Option(help="Speed of the serial port; without it the usual ones are tried.")] = None,
    topic: Annotated[list[str] | None, typer.Option(help="Topics to listen to; else all ('#').")] = None,
    user: Annotated[str | None, typer.Option(help="User name at the broker.")] = None,
    password_file: Annotated[Path | None, typer.Option(help="File whose first line is the password.", dir_okay=False)] = None,
    password_env: Annotated[str | None, typer.Option(help="Environment variable that holds the password.")] = None,
    ca_file: Annotated[Path | None, typer.Option(help="Certificate of the broker's authority (for TLS).", dir_okay=False)] = None,
    as_json: Json = False,
    show: Annotated[int, typer.Option(help="So many lines or messages are shown as they come.", min=0, max=10_000)] = 8,
) -> None:
    """Show what arrives, say what it is, and print configuration lines for it. Ends with 3 where nothing can be read."""
    if where is None:
        found = places.serial_ports()
        give(as_json, {"ports": found},
             ["Serial ports: " + (", ".join(found) if found else "none; plug the device in, or name a broker")])
        return
    say = (lambda words: typer.echo(words, err=True)) if as_json else typer.echo
    switched = fan if fan is not None else sys.stdin.isatty()
    if places.is_port(where):
        _fan("off", switched)
        lines, used = places.hear_port(where, baud, seconds, say, show)
        after = None
        if switched and lines:
            _fan("on", True)
            after = places.hear_port(where, used, seconds, say, 0)[0]
        _give(from_lines(places.lasting(where), lines, used, after), write, as_json)
        return
    broker = places.broker_at(where)
    if password_env is not None and password_env not in os.environ:
        raise ConfigError([f"--password-env: the variable {password_env} is not set"])
    topics = Topics()
    for state in ("off", "on") if switched else ("",):
        _fan(state, switched)
        if state == "on":
            topics.names.fan_on()
        places.hear_broker(
            broker, tuple(topic or ("#",)), user, password_file, password_env, None if ca_file is None else str(ca_file), seconds,
            say, show, topics,
        )
    tls = broker.tls or ca_file is not None
    _give(from_topics(where, broker.host, broker.port, user, tls, topics), write, as_json)


def _fan(state: str, asked: bool) -> None:
    """Have the owner switch the fan: what it moves, and which way, tells the channels apart."""
    if asked and state == "off":
        typer.prompt("Is the fan off and at rest? Enter", default="", show_default=False)
    elif asked:
        typer.prompt("Switch the fan on now, with a gate open. Enter once it runs", default="", show_default=False)


def _give(found: Found, write: Path | None, as_json: bool) -> None:
    """What was heard, the lines that read it and what the daemon would read with them; written where asked."""
    proposal = found.proposal
    document: dict[str, object] = {"where": found.where, "said": found.said, "remarks": found.remarks}
    if proposal is not None:
        document |= {
            "source": proposal.source, "sensor": proposal.sensors, "readings": proposal.readings,
            "names": [asdict(guess) for guess in proposal.guesses],
        }
    lines = [] if proposal is None else proposal.lines()
    words = [found.said, *found.table, *(f"- {remark}" for remark in found.remarks)]
    give(as_json, document, words if proposal is None else [*words, *_proposed(proposal)])
    if proposal is None or not lines:
        raise typer.Exit(NOT_DONE)
    if write is not None:
        kept = fit(write, lines, proposal.source, frozenset(proposal.sensors))
        typer.echo(f"Written into {write}" + (f"; the older one is kept as {kept}" if kept else ""), err=as_json)
    elif not as_json:
        typer.echo("Add --write SHOP.toml to put them into the shop's file.")


def _proposed(proposal: Proposal) -> Iterator[str]:
    open_ones = [guess for guess in proposal.guesses if guess.channel is None]
    lines = proposal.lines()
    if open_ones:
        yield "\nNot proposed:" if lines else "\nNothing can be proposed by itself:"
        yield from (
            f"  {escaped(guess.name, 40):<28} {guess.asks or 'its name says nothing that is known'}" for guess in open_ones
        )
    if not lines:
        yield 'Name a channel yourself: [sensor.CHANNEL] raw = "its name" unit = "its unit"; the channels are '
        yield ", ".join(CHANNELS)
        return
    yield "\nLines for the configuration (a guess: read them before you take them over):\n"
    yield from lines
    yield ""
    if proposal.sensors:
        yield "With these lines the daemon would read:"
    for channel in proposal.sensors:
        yield f"  {channel:<14} {shown(channel, proposal.readings) or 'nothing yet'}   {CHANNELS[channel].words}"
