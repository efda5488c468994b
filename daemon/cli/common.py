"""What the commands share: their usual options, one way to give a result in words or as JSON, units, times, and asking the
running daemon."""

from __future__ import annotations

import difflib
import json
import math
import sys
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.errors import ConfigError

if TYPE_CHECKING:
    from rich.console import Console

    from analysis.duct.design import DuctDesign
    from analysis.units import System
    from daemon.config.config import Config
    from daemon.store.reader import Reader

SHOP = typer.Argument(metavar="SHOP", help="The shop's configuration.", exists=True, dir_okay=False)
UNITS = typer.Option(help="us or si; else as the configuration says.")
JSON = typer.Option("--json", help="Print JSON with SI values instead of words.")
Shop = Annotated[Path, SHOP]
Units = Annotated[str | None, UNITS]
Json = Annotated[bool, JSON]


def give(as_json: bool, document: object, lines: Iterable[object]) -> None:
    """A command's result: the document as JSON, or its lines (text, or a table of rich)."""
    if as_json:
        typer.echo(json.dumps(_finite(document), indent=2, ensure_ascii=False, default=str))
        return
    console: Console | None = None
    for line in lines:
        if isinstance(line, str):
            typer.echo(line)
        else:
            console = console or terminal()
            console.print(line)


def _finite(value: Any) -> Any:
    """The document without what JSON has no word for: a number that is none, or has no end, is null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _finite(one) for key, one in value.items()}
    return [_finite(one) for one in value] if isinstance(value, list | tuple) else value


def say_json(document: object) -> None:
    """Print a document as JSON."""
    give(True, document, ())


@contextmanager
def opened(config: Config) -> Iterator[Reader]:
    """The shop's store, open for reading."""
    from daemon.store.reader import Reader

    reader = Reader(config.at(config.file.store.file))
    try:
        yield reader
    finally:
        reader.close()


def period(since: str | None, until: str | None) -> tuple[float, float]:
    """A span of local times as event times [s]; without an end it reaches as far as anything is kept."""
    from daemon.store.reader import EVER

    return -EVER if since is None else local_moment(since), EVER if until is None else local_moment(until)


def one_of(word: str, allowed: Iterable[str], what: str) -> str:
    """The word where it is allowed; else a usage error that says what is."""
    known = list(allowed)
    if word not in known:
        raise typer.BadParameter(f"{word!r} is not {what}; allowed: {', '.join(known)}")
    return word


def ask_line(words: str) -> str:
    """A line from the terminal; empty for Enter."""
    return str(typer.prompt(words, default="", show_default=False))


def chosen_system(units: str | None, config: Config | None) -> System:
    """The units to show: as asked for, else as the configuration says."""
    if units is None:
        return "us" if config is None else config.units
    return "us" if one_of(units, ("us", "si"), "a system of units") == "us" else "si"


def terminal() -> Console:
    """A console as wide as its terminal; a file or pipe gets lines of 110 characters."""
    from rich.console import Console

    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=110)


def local_moment(text: str) -> float:
    """A local date or time as seconds since the epoch. Raises a usage error for anything else."""
    from datetime import datetime

    try:
        return datetime.fromisoformat(text).astimezone().timestamp()
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is no date; write it as 2026-03-01 or 2026-03-01T09:00") from error


class Progress:
    """How far a command is, on stderr: on a terminal one line that is written over; on a pipe a line now and then, and each
    new step (what stands before the colon) once."""

    EVERY_S = 10.0

    def __init__(self, doing: str = "") -> None:
        self._doing = self._step = doing
        self._terminal = sys.stderr.isatty()
        self._every_s = 0.2 if self._terminal else self.EVERY_S
        self._last = time.monotonic()

    def __call__(self, words: str) -> None:
        words = f"{self._doing}: {words}" if self._doing else words
        step, now = words.partition(":")[0], time.monotonic()
        if step == self._step and now - self._last < self._every_s:
            return
        if self._terminal:
            typer.echo(f"\r\033[K{words}", err=True, nl=False)
        else:
            typer.echo(words if step == self._step else step, err=True)
        self._step, self._last = step, now

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *_: object) -> None:
        if self._terminal:
            typer.echo("\r\033[K", err=True, nl=False)


# -- the running daemon -----------------------------------------------------------------------------------------------

WAIT_S = 5.0
FRESH_S = 120.0
"""A daemon that showed itself longer ago than this is taken as not running."""


def ask(path: Path, kind: str, payload: Mapping[str, Any]) -> bool:
    """Ask the daemon of the store at ``path``, wait a little, and say what it answered. False: it declined."""
    from daemon.store import requests

    number = requests.append(path, kind, payload)
    answer = requests.wait_for_answer(path, number, WAIT_S)
    if not answer.done:
        typer.echo("asked; the daemon has not answered yet (is it running?)")
        return True
    typer.echo(answer.result if answer.accepted else f"declined: {answer.result}", err=not answer.accepted)
    return bool(answer.accepted)


def event_now(reader: Reader) -> float:
    """Event time [s] as the running daemon has it (a rehearsal's runs fast); else the computer's clock."""
    wall = time.time()
    status = reader.status_of("daemon")
    if status is None or not isinstance(status.document, dict) or not 0.0 <= wall - status.wall_t <= FRESH_S:
        return wall
    event_t, pace = status.document.get("event_t"), status.document.get("pace", 1.0)
    if not isinstance(event_t, int | float) or not isinstance(pace, int | float):
        return wall
    return float(event_t + (wall - status.wall_t) * pace)


# -- gate sets as a person writes them ---------------------------------------------------------------------------------


def read_gates(text: str, design: DuctDesign, where: str = "--open") -> tuple[str, ...]:
    """Port names from ``"planer, bandsaw"``, ``"all"`` or ``"none"``, in the order of the design.

    Raises :class:`ConfigError` for a port that the shop does not have.
    """
    written = text.strip()
    if written.lower() == "none":
        return ()
    if written.lower() == "all":
        return design.port_names
    whole = [name for name in design.port_names if "," in name and name.lower() in written.lower()]
    for name in whole:
        at = written.lower().index(name.lower())
        written = written[:at] + written[at + len(name):]
    names = [name.strip() for name in written.split(",") if name.strip()]
    return known_ports([*whole, *names], design.port_names, where)


def known_ports(names: list[str], known: tuple[str, ...], where: str) -> tuple[str, ...]:
    """``names`` in the order of ``known``, matched without regard to case; :class:`ConfigError` for any other."""
    folded = {name.lower(): name for name in known}
    problems = []
    chosen = set()
    for name in names:
        if name.lower() in folded:
            chosen.add(folded[name.lower()])
            continue
        close = difflib.get_close_matches(name.lower(), list(folded), n=1, cutoff=0.6)
        meant = f"; did you mean {folded[close[0]]!r}?" if close else ""
        problems.append(f"{where}: there is no port {name!r}{meant} (ports: {', '.join(known)})")
    if problems:
        raise ConfigError(problems)
    return tuple(name for name in known if name in chosen)


def gates_in_words(open_ports: tuple[str, ...], design: DuctDesign) -> str:
    """``planer and bandsaw open``, ``all gates shut`` or ``all ports open``."""
    gated = [port.name for port in design.ports if port.has_gate]
    if not [name for name in open_ports if name in gated]:
        return "all gates shut"
    if set(open_ports) == set(design.port_names) and len(open_ports) > 2:
        return "all ports open"
    if len(open_ports) == 1:
        return f"{open_ports[0]} open"
    return f"{', '.join(open_ports[:-1])} and {open_ports[-1]} open"
