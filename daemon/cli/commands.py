"""Every command of ``ductwarden`` in one application, in four groups. Each stands in its own module of :mod:`daemon.cli`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

import typer

from daemon.cli.alarms import alarms
from daemon.cli.baseline import baseline
from daemon.cli.calibrate import calibrate
from daemon.cli.check import check
from daemon.cli.common import PlainCommand, PlainGroup
from daemon.cli.compare import compare, tour
from daemon.cli.expect import expect
from daemon.cli.export import backup, export
from daemon.cli.init import init
from daemon.cli.journal import journal
from daemon.cli.listen import listen
from daemon.cli.plan import plan
from daemon.cli.record import record
from daemon.cli.replay import replay
from daemon.cli.run import demo, run
from daemon.cli.service import service
from daemon.cli.traverse import traverse

GROUPS: dict[str, tuple[Callable[..., Any], ...]] = {
    "Every day": (run, journal, alarms, record, demo),
    "Setting up": (init, check, listen, calibrate, traverse, baseline, service),
    "Planning and comparing": (expect, plan, compare, tour),
    "Files": (replay, export, backup),
}

app = typer.Typer(
    name="ductwarden",
    cls=PlainGroup,
    help="Watches a shop's dust collector and says in plain words what to go and look at.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        from daemon.selfcheck import program_version

        typer.echo(f"ductwarden {program_version()}")
        raise typer.Exit


@app.callback()
def _all(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")] = False,
) -> None:
    """Watches a shop's dust collector and says in plain words what to go and look at."""


for group, commands in GROUPS.items():
    for command in commands:
        if command is run:  # its words are read by the command itself, also those of its help
            reading = {"ignore_unknown_options": True, "help_option_names": []}
            app.command(context_settings=reading, rich_help_panel=group)(command)
        else:
            app.command(cls=PlainCommand, rich_help_panel=group)(command)
