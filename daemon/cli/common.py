"""What the commands share: plain help and refusals, units, times, JSON, and asking the running daemon."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer
from typer.core import TyperCommand, TyperGroup

from daemon.store import requests

if TYPE_CHECKING:
    from rich.console import Console

    from analysis.units import System
    from daemon.config.config import Config
    from daemon.store.reader import Reader

SHOP = typer.Argument(metavar="SHOP", help="The shop's configuration.", exists=True, dir_okay=False)
UNITS = typer.Option(help="us or si; else as the configuration says.")
JSON = typer.Option("--json", help="Print JSON with SI values instead of words.")


def say_json(document: object) -> None:
    """Print a document as JSON."""
    typer.echo(json.dumps(document, indent=2, ensure_ascii=False, default=str))


def ask_line(words: str) -> str:
    """A line from the terminal; empty for Enter."""
    return str(typer.prompt(words, default="", show_default=False))


def chosen_system(units: str | None, config: Config | None) -> System:
    """The units to show: as asked for, else as the configuration says."""
    if units is None:
        return "us" if config is None else config.units
    if units == "us":
        return "us"
    if units == "si":
        return "si"
    raise typer.BadParameter(f"{units!r} is no system of units; allowed: us, si")


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


# -- the running daemon -----------------------------------------------------------------------------------------------

WAIT_S = 5.0
FRESH_S = 120.0
"""A daemon that showed itself longer ago than this is taken as not running."""


def ask(path: Path, kind: str, payload: Mapping[str, Any]) -> bool:
    """Ask the daemon of the store at ``path``, wait a little, and say what it answered. False: it declined."""
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


# -- help and refusals ------------------------------------------------------------------------------------------------

_KINDS = {"str": "text", "list[str]": "text", "int": "number", "float": "number", "dir": "folder", "directory": "folder"}
_REFUSALS = (
    (r"Input should be a valid integer\b.*", "a whole number is needed"),
    (r"Input should be a valid number\b.*", "a number is needed"),
    (r"Input should be less than or equal to (\S+)", r"the most that is allowed is \1"),
    (r"Input should be greater than or equal to (\S+)", r"the least that is allowed is \1"),
)


def plain_kind(words: str | None) -> str | None:
    """What stands beside an option's name: ``<int range>`` becomes ``<number>``, a switch takes nothing.

    >>> plain_kind("<str,str>..."), plain_kind("<float range>"), plain_kind("<bool>"), plain_kind("NUMBER")
    ('<text,text>...', '<number>', None, 'NUMBER')
    """
    if words is None or words == "<bool>":
        return None

    def said(found: re.Match[str]) -> str:
        return "<" + ",".join(_KINDS.get(kind, kind) for kind in found[1].removesuffix(" range").split(",")) + ">"

    return re.sub(r"<([a-z\[\], ]+)>", said, words, count=1)


def plain_refusal(words: str) -> str:
    """The sentence for a value that cannot be taken.

    >>> plain_refusal("Input should be less than or equal to 65535")
    'the most that is allowed is 65535'
    """
    for pattern, instead in _REFUSALS:
        words = re.sub(pattern, instead, words)
    return words


class _PlainKind:
    def __init__(self, kind: Any) -> None:
        self._kind = kind

    def __call__(self, *args: Any, **kwargs: Any) -> str | None:
        return plain_kind(self._kind(*args, **kwargs))


def _plain(params: Any) -> Any:
    """The parameters, each showing its kind in plain words."""
    for param in params:
        kind = getattr(param, "display_type_rich", None)
        if kind is not None and not isinstance(kind, _PlainKind):
            setattr(param, "display_type_rich", _PlainKind(kind))  # noqa: B010  a method of one instance
    return params


class PlainGroup(TyperGroup):
    """The application in plain words."""

    def get_params(self, ctx: Any) -> Any:
        """All parameters, that of the help among them."""
        return _plain(super().get_params(ctx))


class PlainCommand(TyperCommand):
    """A command in plain words."""

    def get_params(self, ctx: Any) -> Any:
        """All parameters, that of the help among them."""
        return _plain(super().get_params(ctx))

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """As ever, with plain words for what is refused."""
        try:
            return super().parse_args(ctx, args)
        except typer.BadParameter as error:
            error.message = plain_refusal(error.message)
            raise
