"""Every command of ``ductwarden`` in one application. Each stands in its own module of :mod:`daemon.cli`."""

from __future__ import annotations

import typer

from daemon.cli.alarms import alarms
from daemon.cli.baseline import baseline
from daemon.cli.calibrate import calibrate
from daemon.cli.check import check
from daemon.cli.compare import compare
from daemon.cli.expect import expect
from daemon.cli.export import backup, export, restore
from daemon.cli.init import init
from daemon.cli.journal import journal
from daemon.cli.listen import listen
from daemon.cli.plain_help import PlainCommand
from daemon.cli.plan import plan
from daemon.cli.record import record
from daemon.cli.replay import replay
from daemon.cli.run import demo, run
from daemon.cli.service import service
from daemon.cli.setup import setup
from daemon.cli.traverse import traverse

app = typer.Typer(
    name="ductwarden",
    help="Watches a shop's dust collector and says in plain words what to go and look at.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
# Its words are read by the command itself, also those of its help.
app.command(context_settings={"ignore_unknown_options": True, "help_option_names": []})(run)
for command in (
    demo, init, setup, check, expect, plan, baseline, compare, replay, journal, alarms, record, export, backup, restore, listen,
    calibrate, traverse, service,
):
    app.command(cls=PlainCommand)(command)
