"""``ductwarden service``: what the system needs to keep the daemon running, as text to save; nothing is installed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def service(
    shop: Annotated[Path, typer.Argument(help="The shop's configuration, where it will lie for good.")],
    container: Annotated[bool, typer.Option(help="Print a Containerfile instead of a systemd unit.")] = False,
    user: Annotated[str, typer.Option(help="The user that the daemon runs as.")] = "ductwarden",
) -> None:
    """Print a systemd unit that keeps the daemon running (or a Containerfile), made for this configuration."""
    import sys

    from daemon import deploy
    from daemon.config.load import load

    config = load(shop)
    if container:
        typer.echo(deploy.containerfile(config), nl=False)
        return
    program = Path(sys.executable).absolute().parent / "ductwarden"
    typer.echo(deploy.unit(config, program, user), nl=False)
