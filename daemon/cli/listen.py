"""``ductwarden listen``: what a device or a broker says, a guess at its meaning, and the configuration lines for it.

It only listens: it sends nothing to the device and publishes nothing. Opening a serial port restarts some boards; their first
lines then are a greeting.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from daemon.sources.contract import Sample


def listen(
    where: Annotated[
        str | None, typer.Argument(help="A serial port (/dev/...), or a broker: host, host:port or mqtts://host.")
    ] = None,
    seconds: Annotated[float, typer.Option(help="How long to listen.", min=0.5, max=3600.0)] = 10.0,
    baud: Annotated[int | None, typer.Option(help="Speed of the serial port; without it the usual ones are tried.")] = None,
    topic: Annotated[list[str] | None, typer.Option(help="Topics to listen to; else all ('#').")] = None,
    user: Annotated[str | None, typer.Option(help="User name at the broker.")] = None,
    password_file: Annotated[Path | None, typer.Option(help="File whose first line is the password.", dir_okay=False)] = None,
    password_env: Annotated[str | None, typer.Option(help="Environment variable that holds the password.")] = None,
    ca_file: Annotated[Path | None, typer.Option(help="Certificate of the broker's authority (for TLS).", dir_okay=False)] = None,
    show: Annotated[int, typer.Option(help="So many lines or messages are shown as they come.", min=0, max=10_000)] = 8,
) -> None:
    """Show what arrives, guess what it is, and print configuration lines for it. Sends nothing."""
    from daemon.cli import listen_broker, listen_port

    if where is None:
        for line in listen_port.ports():
            typer.echo(line)
        return
    if listen_port.is_port(where):
        heard, used = listen_port.hear(where, baud, seconds, typer.echo, show)
        _report_lines(where, heard, used)
        return
    place = listen_broker.place(where)
    secret = listen_broker.password(password_file, password_env)
    topics = listen_broker.hear(
        place, tuple(topic or ("#",)), user, secret, None if ca_file is None else str(ca_file), seconds, typer.echo, show
    )
    if not topics.topics:
        typer.echo("nothing arrived")
        return
    for line in topics.table(40):
        typer.echo(line)
    _say_remarks(topics.remarks())
    proposal = topics.proposal(place.host, place.port, user, place.tls or ca_file is not None)
    _say_proposal(proposal, lambda found: topics.samples(found["source"][0]["topics"]))


def _report_lines(port: str, lines: list[bytes], baud: int) -> None:
    from daemon.cli import listen_port
    from daemon.cli.hearing_lines import Lines

    heard = Lines(lines)
    if not lines:
        typer.echo("nothing arrived: is the device powered, and the right port chosen?")
        return
    if not heard.form:
        typer.echo("bytes arrive, but no line with values: check the speed (--baud) and what the device sends")
        _say_remarks(heard.remarks())
        return
    typer.echo(f"form: {heard.form}, {len(lines)} lines at {baud} baud" + (", each with a checksum" if heard.checked else ""))
    for line in heard.names.table():
        typer.echo(line)
    _say_remarks(heard.remarks())
    _say_proposal(heard.proposal(listen_port.lasting(port), baud), lambda _: heard.renamed())


def _say_remarks(remarks: list[str]) -> None:
    for remark in remarks:
        typer.echo(f"- {remark}")


def _say_proposal(proposal: list[str], samples: _Samples) -> None:
    """Print the lines, and prove them: what the daemon would read with them."""
    import tomllib

    from analysis import units
    from analysis.readings import CHANNELS
    from daemon.cli.hearing_lines import readings

    typer.echo("")
    typer.echo("Lines for the configuration (a guess: read them before you take them over):")
    typer.echo("")
    for line in proposal:
        typer.echo(line)
    found = tomllib.loads("\n".join(proposal))
    sensors = found.get("sensor", {})
    typer.echo("")
    if not sensors:
        typer.echo("No channel was recognised: name them yourself; the channels are " + ", ".join(CHANNELS))
        return
    typer.echo("With these lines the daemon would read:")
    for channel, value in readings(samples(found), sensors).items():
        kind = CHANNELS[channel].kind
        both = f"{units.show(value, kind, 'si')} = {units.show(value, kind, 'us')}"
        typer.echo(f"  {channel:<14} {both}   {CHANNELS[channel].words}")


if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    _Samples = Callable[[dict[str, Any]], list[Sample]]
