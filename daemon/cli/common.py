"""What the commands share: their usual options, one way to give a result in words or as JSON, units, times, and asking the
running daemon."""

from __future__ import annotations

import json
import math
import sys
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from analysis.units import System
    from daemon.config.config import Config
    from daemon.sources.recording_lines import RecordingReport
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
    """How far a recording is read, on stderr: one line that is written over on a terminal, a line now and then on a pipe."""

    EVERY_S = 10.0

    def __init__(self, doing: str) -> None:
        self._doing = doing
        self._terminal = sys.stderr.isatty()
        self._every_s = 0.2 if self._terminal else self.EVERY_S
        self._last = time.monotonic()

    def __call__(self, report: RecordingReport) -> None:
        now = time.monotonic()
        if report.bytes_total and now - self._last >= self._every_s:
            self._last = now
            words = f"{self._doing}: {report.bytes_done / report.bytes_total:.0%}, {report.samples} samples"
            typer.echo(f"\r\033[K{words}" if self._terminal else words, err=True, nl=not self._terminal)

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
