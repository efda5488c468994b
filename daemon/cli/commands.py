"""Every command of ``ductwarden``, in four groups: the table says in which module of :mod:`daemon.cli` each is a function.

A module is loaded when its command is asked for, so it may import what it needs at its top and ``journal`` never waits for
what ``expect`` needs.
"""

from __future__ import annotations

import re
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

GROUPS: dict[str, dict[str, str]] = {
    "Every day": {"run": "run", "journal": "journal", "alarms": "alarms", "record": "files", "demo": "run"},
    "Setting up": {
        "init": "init", "check": "check", "listen": "listen", "calibrate": "calibrate", "traverse": "traverse",
        "baseline": "baseline", "service": "files",
    },
    "Planning and comparing": {"expect": "expect", "plan": "plan", "compare": "compare", "tour": "compare"},
    "Files": {"replay": "files", "export": "files", "backup": "files"},
}
COMMANDS = {name: (module, group) for group, names in GROUPS.items() for name, module in names.items()}

_KINDS = {"str": "text", "list[str]": "text", "int": "number", "float": "number", "dir": "folder", "directory": "folder"}
_REFUSALS = (
    (r"Input should be a valid integer\b.*", "a whole number is needed"),
    (r"Input should be a valid number\b.*", "a number is needed"),
    (r"Input should be less than or equal to (\S+)", r"the most that is allowed is \1"),
    (r"Input should be greater than or equal to (\S+)", r"the least that is allowed is \1"),
)


def plain_kind(words: str | None) -> str | None:
    """What is shown beside an option's name: ``<int range>`` becomes ``<number>``, a switch takes nothing.

    >>> plain_kind("<str,str>..."), plain_kind("<float range>"), plain_kind("<bool>"), plain_kind("NUMBER")
    ('<text,text>...', '<number>', None, 'NUMBER')
    """
    if words is None or words == "<bool>":
        return None

    def plain(found: re.Match[str]) -> str:
        return "<" + ",".join(_KINDS.get(kind, kind) for kind in found[1].removesuffix(" range").split(",")) + ">"

    return re.sub(r"<([a-z\[\], ]+)>", plain, words, count=1)


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


class Commands(TyperGroup):
    """The table as a group of commands, each loaded when it is wanted."""

    def get_params(self, ctx: Any) -> Any:
        """All parameters, that of the help among them."""
        return _plain(super().get_params(ctx))

    def list_commands(self, ctx: Any) -> list[str]:
        """In the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The command of that name, None for a name that is none."""
        if cmd_name not in COMMANDS:
            return None
        module, group = COMMANDS[cmd_name]
        function = getattr(import_module(f"daemon.cli.{module}"), cmd_name)
        alone = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
        if cmd_name == "run":  # its words are read by the command itself, also those of its help
            reading = {"ignore_unknown_options": True, "help_option_names": []}
            alone.command(cmd_name, context_settings=reading, rich_help_panel=group)(function)
        else:
            alone.command(cmd_name, cls=PlainCommand, rich_help_panel=group)(function)
        return typer.main.get_command(alone)


app = typer.Typer(
    name="ductwarden", cls=Commands, no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        from daemon.selfcheck import program_version

        typer.echo(f"ductwarden {program_version()}")
        raise typer.Exit


@app.callback()
def everything(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")] = False,
) -> None:
    """Watches a shop's dust collector and says in plain words what to go and look at."""
