"""``ductwarden calibrate``: what sensors a shop needs, how to check them, and the line that calibrates one.

The commands grow with what is given:

- ``calibrate SHOP.toml``: checks that need no instrument, from what the store holds;
- ``calibrate SHOP.toml --needs``: ranges to buy, what there is to see, what errors do;
- ``calibrate SHOP.toml inlet_pa``: the heights of water to pour;
- ``calibrate SHOP.toml inlet_pa "0 in = -3.1" "10 in = 2478"``: the line through what was read, as configuration, kept with
  its date. Where the points look like a slip (a sign, an exchanged pair, a scale that changes by more than 10 %), it asks, or
  refuses where nobody can answer, before anything is kept.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def calibrate(
    shop: Annotated[Path, typer.Argument(help="The shop's configuration.", exists=True, dir_okay=False)],
    channel: Annotated[str | None, typer.Argument(help="The channel to calibrate, such as inlet_pa.")] = None,
    points: Annotated[
        list[str] | None,
        typer.Argument(help="Points as 'TRUE = READ': '10 in = 2478' (height of water, bare number as the device sends it), "
                            "'2500 Pa = 9.9 inwg' (what the dashboard shows), '9.4 A = 9.1'."),
    ] = None,
    water: Annotated[str, typer.Option(help="Temperature of the water in the U-tube.")] = "68 F",
    latitude: Annotated[float | None, typer.Option(help="Latitude in degrees, for gravity to better than 0.1 %.")] = None,
    needs: Annotated[bool, typer.Option("--needs", help="Ranges to buy, signals to see, and what errors do.")] = False,
    open_ports: Annotated[str, typer.Option("--open", help="Gates taken as open for --needs.")] = "",
    all_shut: Annotated[
        str | None, typer.Option(help="A minute from this local time on every gate was shut and the fan ran.")
    ] = None,
    days: Annotated[float, typer.Option(help="How far back the checks look.", min=0.01, max=400.0)] = 7.0,
    record: Annotated[bool, typer.Option(help="Keep the calibration with its date.")] = True,
    anyway: Annotated[bool, typer.Option("--anyway", help="Take points that look like a slip as they are.")] = False,
    units: Annotated[str | None, typer.Option(help="us or si; else as the configuration says.")] = None,
) -> None:
    """Check the sensors, say what they must cover, and calibrate one against a column of water or a clamp meter."""
    import sys
    import time

    from analysis.units import UnitError, parse
    from daemon.cli import calibrate_points, calibrate_store
    from daemon.cli.common import chosen_system, terminal
    from daemon.config.load import load
    from daemon.errors import ConfigError

    config = load(shop)
    system = chosen_system(units, config)
    try:
        water_c = parse(water, "temperature")
    except UnitError as error:
        raise typer.BadParameter(f"--water: {error}") from error
    if needs:
        calibrate_store.print_needs(terminal(), config, open_ports, system)
        return
    if channel is None:
        calibrate_store.print_checks(terminal(), config, all_shut, days, system)
        return
    standard = calibrate_points.Standard.of(config, water_c, latitude)
    spec = calibrate_points.spec_of(config, channel)
    if not points:
        for line in calibrate_points.heights(config, spec, standard, system):
            typer.echo(line)
        return
    found = calibrate_points.fitted(config, spec, points, standard)
    for line in calibrate_points.words(found, spec, standard, system):
        typer.echo(line)
    slips = list(calibrate_points.slips(found, spec))
    for slip in slips:
        typer.echo(f"a slip? {slip}")
    asked = bool(slips) and not anyway and sys.stdin.isatty()
    if slips and not anyway and not (asked and typer.confirm("Is it right all the same?", default=False)):
        raise ConfigError(["nothing was kept: put the points right, or give --anyway if they are"])
    for line in calibrate_points.config_lines(found, spec):
        typer.echo(line)
    if record:
        for line in calibrate_points.keep(config, found, spec, standard, time.time()):
            typer.echo(line)
