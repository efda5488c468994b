"""``ductwarden expect``: what the shop should read and carry, from its drawing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def expect(
    shop: Annotated[Path, typer.Argument(help="The shop's configuration.", exists=True, dir_okay=False)],
    open_ports: Annotated[
        str | None,
        typer.Option("--open", help="Ports with open gates: 'planer,bandsaw', 'all' or 'none'. Without it: an overview."),
    ] = None,
    drag_ratio: Annotated[
        float, typer.Option("--drag-ratio", help="Drag of the bags over their clean drag.", min=0.1, max=50.0)
    ] = 1.0,
    units: Annotated[str | None, typer.Option(help="us or si; else as the configuration says.")] = None,
    plot: Annotated[bool, typer.Option("--plot", help="Draw the ducts against the fan's curve.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON with SI values instead of tables.")] = False,
) -> None:
    """Say what the shop should read at its taps, what every run and port carries, and how sure that is."""
    import json

    from daemon.cli import expect_tables
    from daemon.cli.common import chosen_system, terminal
    from daemon.cli.gate_words import read_gates
    from daemon.config.load import load

    config = load(shop)
    system = chosen_system(units, config)
    if open_ports is None:
        if plot:
            raise typer.BadParameter("--plot needs a gate set: add for example --open all")
        sets = expect_tables.usual_gate_sets(config.design)
    else:
        sets = [read_gates(open_ports, config.design)]
    if as_json:
        answers = [expect_tables.as_json(config, gates, drag_ratio, system) for gates in sets]
        typer.echo(json.dumps(answers if open_ports is None else answers[0], indent=2, ensure_ascii=False))
        return
    console = terminal()
    if open_ports is None:
        expect_tables.print_overview(console, config, sets, drag_ratio, system)
    else:
        expect_tables.print_one(console, config, sets[0], drag_ratio, system)
        if plot:
            for line in expect_tables.curve_plot(config.design, sets[0], drag_ratio, system):
                typer.echo(line)
