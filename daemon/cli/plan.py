"""``ductwarden plan``: what an added or changed run will do to every port and tap, before pipe is cut."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def plan(
    shop: Annotated[Path, typer.Argument(help="The shop's configuration.", exists=True, dir_okay=False)],
    change: Annotated[Path, typer.Argument(help="What is added, altered or removed.", exists=True, dir_okay=False)],
    units: Annotated[str | None, typer.Option(help="us or si; else as the configuration says.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON with SI values instead of tables.")] = False,
) -> None:
    """Say what a change to the ducts will do to every port and tap, how sure that is, and what would fix it."""
    import json

    from analysis.duct.planning import compare
    from analysis.duct.remedies import remedies
    from daemon.cli.common import chosen_system, terminal
    from daemon.cli.plan_words import as_json as plain
    from daemon.cli.plan_words import print_plan
    from daemon.config.changes import load_change
    from daemon.config.load import load

    config = load(shop)
    system = chosen_system(units, config)
    planned = load_change(change, config)
    found = compare(config.design, planned.design, planned.in_use)
    helps = remedies(config.design, planned.design, planned.in_use)
    if as_json:
        typer.echo(json.dumps(plain(config, planned, found, helps, system), indent=2, ensure_ascii=False))
    else:
        print_plan(terminal(), config, planned, found, helps, system)
