"""``ductwarden listen``: what a device or a broker says, what it probably means, and the configuration lines for it.

It only listens: it sends nothing to the device and publishes nothing. Opening a serial port restarts some boards; their first
lines then are a greeting.
"""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.common import say_json
from daemon.errors import NOT_DONE

if TYPE_CHECKING:
    from daemon.finding.said import Lines, Proposal, Topics


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
    as_json: Annotated[bool, typer.Option("--json", help="Print what was found as JSON instead of words.")] = False,
    show: Annotated[int, typer.Option(help="So many lines or messages are shown as they come.", min=0, max=10_000)] = 8,
) -> None:
    """Show what arrives, say what it is, and print configuration lines for it. Ends with 3 where nothing can be read."""
    from daemon.finding import places
    from daemon.finding.said import Lines, Topics

    if where is None:
        found = places.serial_ports()
        typer.echo("Serial ports: " + (", ".join(found) if found else "none; plug the device in, or name a broker"))
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
        heard = Lines(lines, after)
        if as_json:
            _as_json(heard.proposal(places.lasting(where), used))
        else:
            _report_lines(where, heard, used, write)
        return
    broker = places.broker_at(where)
    secret = places.password(password_file, password_env)
    topics = Topics()
    for state in ("off", "on") if switched else ("",):
        _fan(state, switched)
        if state == "on":
            topics.names.fan_on()
        places.hear_broker(
            broker, tuple(topic or ("#",)), user, secret, None if ca_file is None else str(ca_file), seconds, say, show,
            topics,
        )
    if as_json:
        _as_json(topics.proposal(broker.host, broker.port, user, broker.tls or ca_file is not None))
        return
    _report_topics(topics, broker.host, broker.port, user, broker.tls or ca_file is not None, write)


def _as_json(proposal: Proposal) -> None:
    say_json({
        "source": proposal.source, "sensor": proposal.sensors, "readings": proposal.readings,
        "names": [asdict(guess) for guess in proposal.guesses],
    })
    if not proposal.lines():
        raise typer.Exit(NOT_DONE)


def _fan(state: str, asked: bool) -> None:
    """Have the owner switch the fan: what it moves, and which way, tells the channels apart."""
    if asked and state == "off":
        typer.prompt("Is the fan off and at rest? Enter", default="", show_default=False)
    elif asked:
        typer.prompt("Switch the fan on now, with a gate open. Enter once it runs", default="", show_default=False)


def _report_lines(port: str, heard: Lines, baud: int, write: Path | None) -> None:
    from daemon.finding.places import lasting

    if not heard.lines:
        typer.echo("nothing arrived: is the device powered, and the right port chosen?")
        raise typer.Exit(NOT_DONE)
    if not heard.form:
        typer.echo("bytes arrive, but no line with values: check the speed (--baud) and what the device sends")
        _say_remarks(heard.remarks())
        raise typer.Exit(NOT_DONE)
    checked = ", each with a checksum" if heard.checked else ""
    typer.echo(f"form: {heard.form}, {len(heard.lines)} lines at {baud} baud{checked}")
    for line in heard.names.table():
        typer.echo(line)
    _say_remarks(heard.remarks())
    _say_proposal(heard.proposal(lasting(port), baud), write)


def _report_topics(heard: Topics, host: str, port: int, user: str | None, tls: bool, write: Path | None) -> None:
    if not heard.topics:
        typer.echo("nothing arrived: does anything publish there?")
        raise typer.Exit(NOT_DONE)
    for line in heard.table(40):
        typer.echo(line)
    _say_remarks(heard.remarks())
    _say_proposal(heard.proposal(host, port, user, tls), write)


def _say_remarks(remarks: list[str]) -> None:
    for remark in remarks:
        typer.echo(f"- {remark}")


def _say_proposal(proposal: Proposal, write: Path | None) -> None:
    """Print the lines and what the daemon would read with them; write them where asked."""
    from analysis.readings import CHANNELS
    from daemon.finding.fitting import fit
    from daemon.finding.found import shown
    from daemon.sources.fields import escaped

    open_ones = [guess for guess in proposal.guesses if guess.channel is None]
    lines = proposal.lines()
    if open_ones:
        typer.echo("\nNot proposed:" if lines else "\nNothing can be proposed by itself:")
        for guess in open_ones:
            typer.echo(f"  {escaped(guess.name, 40):<28} {guess.asks or 'its name says nothing that is known'}")
    if not lines:
        typer.echo("Name a channel yourself: [sensor.CHANNEL] raw = \"its name\" unit = \"its unit\"; the channels are "
                   + ", ".join(CHANNELS))
        raise typer.Exit(NOT_DONE)
    typer.echo("\nLines for the configuration (a guess: read them before you take them over):\n")
    for line in lines:
        typer.echo(line)
    typer.echo("")
    if proposal.sensors:
        typer.echo("With these lines the daemon would read:")
    for channel in proposal.sensors:
        typer.echo(f"  {channel:<14} {shown(channel, proposal.readings) or 'nothing yet'}   {CHANNELS[channel].words}")
    if write is not None:
        kept = fit(write, lines, proposal.source, frozenset(proposal.sensors))
        typer.echo(f"Written into {write}" + (f"; the older one is kept as {kept}" if kept else ""))
    else:
        typer.echo("Add --write SHOP.toml to put them into the shop's file.")
