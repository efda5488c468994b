"""``ductwarden traverse``: a Pitot traverse, from the places to mark on the tube to the flow and what the store says of it."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.common import JSON, UNITS, chosen_system, say_json


def traverse(
    readings: Annotated[
        Path | None, typer.Argument(help="The filled-in form. Without it: an empty form.", exists=True, dir_okay=False)
    ] = None,
    diameter: Annotated[str | None, typer.Option(help="Inside diameter for an empty form, as '6.07 in'.")] = None,
    method: Annotated[str, typer.Option(help="log-linear, log-tchebycheff or equal-area.")] = "log-linear",
    places: Annotated[int, typer.Option(help="Places on each radius (a diameter has twice as many).", min=1, max=10)] = 3,
    lines: Annotated[int, typer.Option(help="Diameters to traverse.", min=1, max=4)] = 2,
    shop: Annotated[
        Path | None, typer.Option(help="The shop, to compare with its estimate.", exists=True, dir_okay=False)
    ] = None,
    units: Annotated[str | None, UNITS] = None,
    as_json: Annotated[bool, JSON] = False,
) -> None:
    """Print a form with the places to read a Pitot tube at; or make a flow of the filled-in form, and compare it."""
    from daemon.cli import traverse_form as words
    from daemon.cli.traverse_form import empty_form, read_form
    from daemon.config.load import load

    if readings is None:
        if diameter is None:
            raise typer.BadParameter("give --diameter for an empty form, or the filled-in form itself")
        typer.echo(empty_form(diameter, method, places, lines), nl=False)
        return
    config = None if shop is None else load(shop)
    system = chosen_system(units, config)
    form = read_form(readings)
    found = form.traverse()
    if as_json:
        say_json(asdict(found))
        return
    for line in words.result(form, found, system):
        typer.echo(line)
    if config is not None:
        for line in words.comparison(form, found, config, system):
            typer.echo(line)
