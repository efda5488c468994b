"""``ductwarden init``: from no configuration to a valid one and a running daemon, by questions at the terminal or on a page."""

from __future__ import annotations

import os
import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.common import ask_line
from daemon.cli.interview import Interview
from daemon.cli.interview_words import KEYS, Paper
from daemon.drafting.desk import SetupDesk
from daemon.drafting.draft import Draft, draft_path, read_draft, set_aside
from daemon.drafting.steps import STEPS
from daemon.errors import NOT_DONE, ConfigError
from daemon.finding import places


def init(
    shop: Annotated[Path, typer.Argument(help="The configuration to write.")] = Path("shop.toml"),
    page: Annotated[bool, typer.Option("--page", help="Ask on a page in a browser instead.")] = False,
    phone: Annotated[bool, typer.Option("--phone", help="The page for a phone in the same network, opened by a code.")] = False,
    port: Annotated[int, typer.Option(help="Port of that page.", min=0, max=65535)] = 8765,
    start: Annotated[bool | None, typer.Option("--start/--no-start", help="Start the daemon at the end; else asked.")] = None,
) -> None:
    """Ask about the shop in plain words, write its configuration and start watching. Ctrl-C stops; the same command goes on."""
    _place(shop)
    written = serve_setup(shop, port, phone) if page or phone else _at_terminal(shop)
    if not written:
        return
    if start is None:
        start = sys.stdin.isatty() and (page or phone or typer.confirm("Start watching now?", default=True))
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
    paper = Paper()
    try:
        draft = _begin(shop, paper)
        paper.say(KEYS)
        interview = Interview(SetupDesk(shop, ports=places.serial_ports, draft=draft), paper, ask_line)
        interview.run()
        _finish(interview, paper)
        return True
    except (typer.Abort, KeyboardInterrupt):
        paper.say("")
        if draft_path(shop).exists():
            paper.say(f"Stopped. What was answered is kept in {draft_path(shop)}; the same command goes on with it.")
        raise typer.Exit(130) from None


def _begin(shop: Path, paper: Paper) -> Draft:
    """The draft to go on with, or an empty one; asks before an existing configuration will be replaced."""
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


def _finish(interview: Interview, paper: Paper) -> None:
    """Show what was understood; write it when its owner says so, or go back to a step."""
    desk = interview.desk
    while True:
        review = desk.review()
        good = review.found.good
        paper.title("What was understood", "As \"ductwarden check\" says it.")
        paper.outcome(review.found)
        for number, step in enumerate(desk.overview().steps, start=1):
            wrong = step.name in [at for _, at in review.errors]
            paper.say(f"  {number:2}  {step.title}{'   ! something is wrong here' if wrong else ''}")
        text = ask_line(
            f"w: write {desk.shop}   number: go back to that step   t: show the text" if good
            else "number: go to that step and put it right   t: show the text"
        ).strip().lower()
        if text == "t":
            paper.lines(review.found.text.splitlines())
        elif text.isdecimal() and 1 <= int(text) <= len(STEPS):
            interview.run(STEPS[int(text) - 1])
        elif text == "w" and good:
            kept = desk.write(review.mark, True).kept
            paper.say(f"Written: {desk.shop}" + (f"; the older one is kept as {kept}" if kept else ""))
            paper.say(f"Read it, change what you like, then: ductwarden check {desk.shop}, ductwarden run {desk.shop}")
            return
        else:
            wanted = "type w to write it, or one of the others" if good else "type the number of a step that is marked"
            paper.problem(f"{text!r} is none of these" if text else wanted)


def serve_setup(shop: Path, port: int, phone: bool = False) -> bool:
    """Serve the page until its owner has done with it; whether the configuration was written. Ctrl-C ends it too: what was
    answered is kept."""
    from dashboard.setup_app import SetupServer

    shop = shop.absolute()
    desk = SetupDesk(shop)
    try:
        server = SetupServer(desk, port, phone)
    except ConfigError as error:
        if phone and "dashboard.port" not in str(error):
            raise
        raise ConfigError([f"port {port} cannot be had on this computer; give another one with --port"]) from error
    server.start()
    try:
        if server.code:
            typer.echo("On a phone in the same network, open this address and type the code. It works once, for 15 minutes.")
            typer.echo(f"  {server.url}\n  code: {server.code.shown}")
            typer.echo("The page is not encrypted: use this in your own network only.")
        else:
            typer.echo("Open this address in a browser on this computer (it is the key to the page):")
            typer.echo(f"  {server.url}")
            typer.echo("From a phone in the same network: stop this and start it with --phone. From elsewhere, through ssh:")
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
