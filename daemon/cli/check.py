"""``ductwarden check``: what was understood of a configuration, in words."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.common import JSON, say_json


def check(
    shop: Annotated[Path | None, typer.Argument(help="The shop's configuration.")] = None,
    schema: Annotated[bool, typer.Option("--schema", help="Print the configuration's JSON Schema and stop.")] = False,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Say what was understood of a configuration, or what is wrong with it and where."""
    from daemon.config.load import load
    from daemon.config.model import ShopFile
    from daemon.config.summary import notes, summary

    if schema:
        say_json(ShopFile.model_json_schema())
        return
    if shop is None:
        raise typer.BadParameter("name the configuration to check, such as shop.toml")
    config = load(shop)
    if as_json:
        said = {"file": str(config.path), "summary": list(summary(config)), "notes": list(config.warnings)}
        say_json({**said, "configuration": config.file.model_dump(mode="json")})
        return
    for line in summary(config):
        typer.echo(line)
    for note in notes(config):
        typer.echo(f"note: {note}")
