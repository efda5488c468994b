"""``ductwarden check``: what was understood of a configuration, in words."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.common import Json, give, say_json
from daemon.config.load import load
from daemon.config.model import ShopFile
from daemon.config.summary import notes, summary


def check(
    shop: Annotated[Path | None, typer.Argument(help="The shop's configuration.")] = None,
    schema: Annotated[bool, typer.Option("--schema", help="Print the configuration's JSON Schema and stop.")] = False,
    as_json: Json = False,
) -> None:
    """Say what was understood of a configuration, or what is wrong with it and where."""
    if schema:
        say_json(ShopFile.model_json_schema())
        return
    if shop is None:
        raise typer.BadParameter("name the configuration to check, such as shop.toml")
    config = load(shop)
    lines = list(summary(config))
    document = {
        "file": str(config.path), "summary": lines, "notes": list(config.warnings),
        "configuration": config.file.model_dump(mode="json"),
    }
    give(as_json, document, [*lines, *(f"note: {note}" for note in notes(config))])
