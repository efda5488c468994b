"""``ductwarden init``: from no configuration to a valid one and a running daemon, by questions at the terminal or on a page."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.common import ask_line
from daemon.errors import NOT_DONE

if TYPE_CHECKING:
    from daemon.cli.interview import Interview
    from daemon.cli.interview_words import Paper
    from daemon.drafting.draft import Draft


def init(
    shop: Annotated[Path, typer.Argument(help="The configuration to write.")] = Path("shop.toml"),
    page: Annotated[bool, typer.Option("--page", help="Ask on a page in a browser instead.")] = False,
    port: Annotated[int, typer.Option(help="Port of that page, on this computer only.", min=0, max=65535)] = 8765,
    start: Annotated[bool | None, typer.Option("--start/--no-start", help="Start the daemon at the end; else asked.")] = None,
) -> None:
    """Ask about the shop in plain words, write its configuration and start watching. Ctrl-C stops; the same command goes on."""
    _place(shop)
    written = serve_setup(shop, port) if page else _at_terminal(shop)
    if not written:
        return
    if start is None:
        start = sys.stdin.isatty() and (page or typer.confirm("Start watching now?", default=True))
    if start:
        program = str(Path(sys.executable).with_name("ductwarden"))
        os.execv(program, [program, "run", str(shop)])  # what the questions needed would stay for months


def _place(shop: Path) -> None:
    folder = shop.absolute().parent
    if not folder.is_dir():
        raise typer.BadParameter(f"there is no folder {folder}")
    if shop.is_dir():
        raise typer.BadParameter(f"{shop} is a folder; name a file, such as {shop / 'shop.toml'}")


def _at_terminal(shop: Path) -> bool:
    from rich.console import Console

    from daemon.cli.interview import Interview
    from daemon.cli.interview_words import KEYS, Paper
    from daemon.drafting.files import draft_path, keep_draft
    from daemon.finding.places import Search, serial_ports

    paper = Paper(Console(markup=False, highlight=False, emoji=False))
    try:
        draft = _begin(shop, paper)
        paper.say(KEYS)
        interview = Interview(shop, draft, paper, ask_line, lambda kept: keep_draft(shop, kept), Search(), serial_ports)
        interview.run()
        _finish(shop, interview, paper)
        return True
    except (typer.Abort, KeyboardInterrupt):
        paper.say("")
        if draft_path(shop).exists():
            paper.say(f"Stopped. What was answered is kept in {draft_path(shop)}; the same command goes on with it.")
        raise typer.Exit(130) from None


def _begin(shop: Path, paper: Paper) -> Draft:
    """The draft to go on with, or an empty one; asks before an existing configuration will be replaced."""
    from datetime import datetime

    from daemon.drafting.draft import Draft
    from daemon.drafting.files import draft_path, read_draft, set_aside
    from daemon.errors import ConfigError

    if shop.exists():
        paper.say(f"{shop} is there already. At the end the new one takes its place; the old one is kept under its date.")
        if not typer.confirm("Go on?", default=False):
            raise typer.Exit(0)
    try:
        draft = read_draft(shop)
    except ConfigError as error:
        paper.problem(str(error))
        draft = None
        aside = typer.confirm("Move that draft away and begin anew?", default=False)
    else:
        if draft is None:
            return Draft()
        if typer.confirm(f"A draft was left in {draft_path(shop)}. Go on with it?", default=True):
            return draft
        aside = True
    if not aside:
        raise typer.Exit(NOT_DONE)
    paper.say(f"The old draft is kept as {set_aside(shop, datetime.now())}")
    return Draft()


def _finish(shop: Path, interview: Interview, paper: Paper) -> None:
    """Show what was understood; write it at the owner's word, or go back to a step."""
    from datetime import datetime

    from daemon.drafting.files import forget_draft, publish
    from daemon.drafting.outcome import outcome
    from daemon.drafting.steps import STEPS

    while True:
        found = outcome(interview.draft, shop)
        paper.title("What was understood", "As \"ductwarden check\" says it.")
        paper.outcome(found)
        for number, step in enumerate(STEPS, start=1):
            wrong = any(trouble.step == step.name and trouble.severity == "error" for trouble in found.troubles)
            paper.say(f"  {number:2}  {step.title}{'   ! something is wrong here' if wrong else ''}")
        text = ask_line(
            f"w: write {shop}   number: go back to that step   t: show the text" if found.good
            else "number: go to that step and put it right   t: show the text"
        ).strip().lower()
        if text == "t":
            paper.lines(found.text.splitlines())
        elif text.isdecimal() and 1 <= int(text) <= len(STEPS):
            interview.run(STEPS[int(text) - 1])
        elif text == "w" and found.good:
            kept = publish(shop, found.text, datetime.now())
            forget_draft(shop)
            paper.say(f"Written: {shop}" + (f"; the older one is kept as {kept}" if kept else ""))
            paper.say(f"Read it, change what you like, then: ductwarden check {shop}, ductwarden run {shop}")
            return
        else:
            wanted = "type w to write it, or one of the others" if found.good else "type the number of a step that is marked"
            paper.problem(f"{text!r} is none of these" if text else wanted)


def serve_setup(shop: Path, port: int) -> bool:
    """Serve the page until its owner has done with it; whether the configuration was written. Ctrl-C ends it too: what was
    answered is kept."""
    from daemon.cli.setup_desk import SetupDesk
    from daemon.drafting.files import draft_path
    from daemon.errors import ConfigError
    from dashboard.setup_app import SetupServer

    shop = shop.absolute()
    desk = SetupDesk(shop)
    try:
        server = SetupServer(desk, port)
    except ConfigError as error:
        raise ConfigError([f"port {port} cannot be had on this computer; give another one with --port"]) from error
    server.start()
    try:
        typer.echo("Open this address in a browser on this computer (it is the key to the page):")
        typer.echo(f"  {server.url}")
        typer.echo("From another computer, through ssh, with the same address then:")
        typer.echo(f"  ssh -N -L {server.port}:127.0.0.1:{server.port} USER@THIS-COMPUTER")
        typer.echo("Ctrl-C ends the page; what was answered is kept.")
        while not desk.ended.wait(0.5):
            pass
    except KeyboardInterrupt:
        typer.echo("")
    finally:
        server.stop()
    if desk.written:
        typer.echo(f"Written: {shop}. Next: ductwarden check {shop}, then ductwarden run {shop}")
    elif draft_path(shop).exists():
        typer.echo(f"Not written yet. What was answered is kept in {draft_path(shop)}; the same command goes on with it.")
    return desk.written
