"""``ductwarden setup``: the first-run page, from no configuration to a valid one in a browser on this computer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def setup(
    shop: Annotated[Path, typer.Argument(help="The configuration to write.")] = Path("shop.toml"),
    port: Annotated[int, typer.Option(help="Port of the page, on this computer only.", min=0, max=65535)] = 8765,
) -> None:
    """Serve the first-run page: the questions of "init" in a browser. Only the named file is ever written."""
    serve_setup(shop, port)


def serve_setup(shop: Path, port: int) -> bool:
    """Serve the page until its owner has done with it; whether the configuration was written. Ctrl-C ends it too: what was
    answered is kept."""
    from daemon.cli.setup_desk import SetupDesk
    from daemon.drafting.files import draft_path
    from daemon.errors import ConfigError
    from dashboard.setup_app import SetupServer

    shop = shop.absolute()
    if not shop.parent.is_dir():
        raise typer.BadParameter(f"there is no folder {shop.parent}")
    if shop.is_dir():
        raise typer.BadParameter(f"{shop} is a folder; name a file, such as {shop / 'shop.toml'}")
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
