"""``ductwarden traverse``: a Pitot traverse, from the places to mark on the tube to the flow and what the store says of it.

Its form is a small TOML file that is printed empty, filled in beside the duct, and kept as a record.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal, get_args

import typer
from pydantic import BeforeValidator, Field, ValidationError, field_validator

from analysis import traverse as measuring
from analysis import units
from analysis.air import Air, moist_air
from analysis.duct.design import FAN
from analysis.duct.uncertainty import Spread, expectation
from analysis.traverse import Method, Traverse, agreement, wall_distances
from analysis.units import System, show
from daemon.cli.common import Json, Units, chosen_system, gates_in_words, give, known_ports, opened
from daemon.config.config import Config
from daemon.config.load import load
from daemon.config.quantities import Fraction, Length, Pressure, StrictModel, Temperature
from daemon.errors import ConfigError, StoreError

ENOUGH_FRAMES = 20
"""No comparison with fewer seconds of estimates."""



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
    units: Units = None,
    as_json: Json = False,
) -> None:
    """Print a form with the places to read a Pitot tube at; or make a flow of the filled-in form, and compare it."""
    if readings is None:
        if diameter is None:
            raise typer.BadParameter("give --diameter for an empty form, or the filled-in form itself")
        typer.echo(empty_form(diameter, method, places, lines), nl=False)
        return
    config = None if shop is None else load(shop)
    system = chosen_system(units, config)
    form = read_form(readings)
    found = form.traverse()
    give(as_json, asdict(found), result(form, found, system))
    if config is not None and not as_json:
        give(False, None, comparison(form, found, config, system))


@dataclass(frozen=True, slots=True)
class Meanwhile:
    """What the store holds of the minutes of a traverse: mean ``flow`` (or the reason why there is none), the gates most
    often estimated or told, and the mean drag of the bags."""

    flow: Spread | str
    gates: tuple[str, ...] | None = None
    drag_pasm3: float | None = None


def result(form: Form, found: Traverse, system: System) -> Iterator[str]:
    """Velocities by place, flow, what the uncertainty is made of, and what is to be doubted."""
    file = form.file
    when = datetime.fromtimestamp(file.began).strftime("%Y-%m-%d %H:%M")
    yield f"Traverse of {file.run or 'a duct'}, {when}, {file.method}, inside diameter {show(file.diameter, 'diameter', system)}"
    places = wall_distances(file.method, len(file.readings[0]) // 2)
    yield "  place      " + " ".join(f"{y:>8.3f}" for y in places)
    for number, row in enumerate(found.velocities, 1):
        cells = " ".join(f"{show(v, 'velocity', system).split(' ')[0]:>8}" for v in row)
        yield f"  diameter {number} {cells}   mean {show(found.line_means[number - 1], 'velocity', system)}"
    room = form.room_flow_m3s(found)
    share = found.flow_sd / found.flow_m3s
    yield f"  mean velocity {show(found.velocity_ms, 'velocity', system)}"
    yield f"  flow {show(found.flow_m3s, 'flow', system)} as it is in the duct ({form.duct_air.density_kgm3:.3f} kg/m3)"
    yield f"  flow {show(room, 'flow', system)} ± {show(share * room, 'flow', system)} as air of the room"
    parts = sorted(found.parts.items(), key=lambda part: -part[1])
    yield "  the ± comes from: " + ", ".join(f"{name} {value:.1%}" for name, value in parts if value >= 0.001)
    for remark in found.remarks:
        yield f"  doubt: {remark}"


def comparison(form: Form, found: Traverse, config: Config, system: System) -> Iterator[str]:
    """The estimate of the same minutes, for the run that was traversed, and whether the two agree."""
    design = config.design
    last = next(run.name for run in design.runs if run.into == FAN)
    where = form.file.run or last
    if where not in design.run_names and where not in design.port_names:
        yield f"no run or port is named {where!r}: nothing to compare with ({', '.join(design.run_names + design.port_names)})"
        return
    room = form.room_flow_m3s(found)
    sd = found.flow_sd * room / found.flow_m3s
    then = _meanwhile(form, config)
    gates = then.gates
    if form.file.open is not None:
        gates = known_ports(list(form.file.open), design.port_names, "open")
    if where == last:
        if isinstance(then.flow, str):
            yield f"the estimate of those minutes: not yet known ({then.flow})"
        else:
            yield _line("the estimate of those minutes", then.flow, room, sd, system)
    if gates is None:
        yield 'the drawing: not compared (the open gates are not known: write them into the form as open = ["planer"])'
        return
    key = f"{'run' if where in design.run_names else 'port'}:{where}:flow_m3s"
    drawn = expectation(design, gates, air=form.room_air, filter_drag_pasm3=then.drag_pasm3).values[key]
    bags = "clean bags" if then.drag_pasm3 is None else "the bags as they were"
    yield _line(f"the drawing of {where} with {gates_in_words(gates, design)} and {bags}", drawn, room, sd, system)
    if where != last:
        yield f"the estimate is of the whole flow; traverse {last!r} to check it"


def _line(what: str, claimed: Spread, room: float, sd: float, system: System) -> str:
    verdict = agreement(room, sd, claimed.value, claimed.sd)
    return (f"{what}: {show(claimed.value, 'flow', system)} ± {show(claimed.sd, 'flow', system)}, "
            f"{verdict.ratio - 1.0:+.1%} of the traverse, {abs(verdict.gap_sds):.1f} standard deviations: {verdict.words}")


def _meanwhile(form: Form, config: Config) -> Meanwhile:
    columns: dict[str, list[float]] = {"flow_m3s": [], "flow_sd": [], "filter_drag": []}
    sets: dict[tuple[str, ...], int] = {}
    try:
        with opened(config) as reader:
            for frame in reader.frames(form.file.began, form.file.ended):
                if frame["state"] != "running":
                    continue
                for name, column in columns.items():
                    if frame[name] is not None:
                        column.append(frame[name])
                if frame["gates"] is not None:
                    gates = tuple(name for name in config.design.port_names if name in frame["gates"])
                    sets[gates] = sets.get(gates, 0) + 1
    except StoreError as error:
        return Meanwhile(str(error))
    likely = max(sets, key=lambda gates: sets[gates]) if sets else None
    drag = _mean(columns["filter_drag"])
    flow = _mean(columns["flow_m3s"])
    if flow is None or len(columns["flow_m3s"]) < ENOUGH_FRAMES:
        seconds = len(columns["flow_m3s"])
        return Meanwhile(f"the store holds {seconds} running seconds with a flow between began and ended", likely, drag)
    # The estimate's error is the same from second to second, so that a mean over minutes keeps all of it.
    return Meanwhile(Spread(flow, {"estimate": _mean(columns["flow_sd"]) or 0.0}), likely, drag)


def _mean(column: list[float]) -> float | None:
    return sum(column) / len(column) if column else None


METHODS: tuple[str, ...] = get_args(Method)


def _moment(value: object) -> object:
    if isinstance(value, datetime):
        return value.astimezone().timestamp()
    if isinstance(value, str) and value:
        try:
            return datetime.fromisoformat(value).astimezone().timestamp()
        except ValueError:
            pass
    raise ValueError(f"{value!r} is no time; write it as 2026-03-01T10:15:00 (local time)")


class FormFile(StrictModel):
    """The form as written."""

    began: Annotated[float, BeforeValidator(_moment)]
    ended: Annotated[float, BeforeValidator(_moment)]
    run: str = ""
    open: tuple[str, ...] | None = None
    diameter: Length
    method: Literal["log-linear", "log-tchebycheff", "equal-area"] = "log-linear"
    unit: str = "inwg"
    pitot_factor: Annotated[float, Field(gt=0.5, lt=1.5)] = 1.0
    stem: Length | None = None
    gauge: Pressure = 2.5
    air: Temperature
    barometer: Pressure
    humidity: Fraction = 0.5
    static: Pressure
    readings: Annotated[tuple[tuple[float, ...], ...], Field(min_length=1, max_length=4)]

    @field_validator("unit")
    @classmethod
    def _unit(cls, unit: str) -> str:
        return units.unit(unit, "pressure").symbol


@dataclass(frozen=True, slots=True)
class Form:
    """A filled-in form, its air worked out."""

    path: Path
    file: FormFile
    duct_air: Air
    room_air: Air

    def traverse(self) -> Traverse:
        """The flow that the readings make."""
        file = self.file
        pressures = [[units.to_si(p, file.unit, "pressure") for p in row] for row in file.readings]
        return measuring.traverse(
            pressures, file.diameter, self.duct_air.density_kgm3, pitot_factor=file.pitot_factor,
            gauge_sd_pa=abs(file.gauge), stem_m=file.stem,
        )

    def room_flow_m3s(self, found: Traverse) -> float:
        """The flow as air of the room, which the duct model reckons with."""
        return found.at_density(self.duct_air.density_kgm3, self.room_air.density_kgm3)


def read_form(path: Path) -> Form:
    """The form at ``path``. Raises :class:`ConfigError` with a sentence for each thing that is wrong with it."""
    try:
        text = path.read_text(encoding="utf-8")
        file = FormFile.model_validate(tomllib.loads(text))
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror or error}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: is not UTF-8 text"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path}: {error}"]) from error
    except ValidationError as error:
        problems = []
        for item in error.errors():
            where = ".".join(str(part) for part in item["loc"])
            problems.append(f"{path}: {where}: {item['msg'].removeprefix('Value error, ')}")
        raise ConfigError(problems) from error
    problems = []
    rows = {len(row) for row in file.readings}
    if len(rows) != 1 or rows == {0} or min(rows) % 2:
        problems.append(f"{path}: readings: the diameters have {sorted(rows)} numbers; each needs the same even number")
    else:
        try:
            wall_distances(file.method, rows.pop() // 2)
        except ValueError as error:
            problems.append(f"{path}: readings: {error}")
    if not file.began <= file.ended <= file.began + 7200.0:
        problems.append(f"{path}: ended must lie after began, by two hours at most")
    try:
        room = moist_air(file.air, file.barometer, file.humidity)
        duct = moist_air(file.air, file.barometer + file.static, file.humidity)
    except ValueError as error:
        problems.append(f"{path}: {error}")
    if problems:
        raise ConfigError(problems)
    return Form(path, file, duct, room)


def empty_form(diameter: str, method: str, per_radius: int, lines: int) -> str:
    """A form to fill in, with the distances to mark on the tube. Raises :class:`ConfigError`."""
    problems = []
    if method not in METHODS:
        problems.append(f"--method: {method!r} is not known; allowed: {', '.join(METHODS)}")
    try:
        inside = units.parse(diameter, "length")
        if inside <= 0.0:
            problems.append("--diameter: must be more than zero")
    except units.UnitError as error:
        problems.append(f"--diameter: {error}")
    if problems:
        raise ConfigError(problems)
    try:
        places = wall_distances(method, per_radius)  # type: ignore[arg-type]
    except ValueError as error:
        raise ConfigError([f"--places: {error}"]) from error
    marks = "\n".join(
        f"#   {number}: {1000 * y * inside:5.1f} mm   {y * inside / units.INCH_M:6.3f} in   ({y:.3f} of the diameter)"
        for number, y in enumerate(places, 1)
    )
    row = ", ".join("0.00" for _ in places)
    rows = "\n".join(f"    [{row}],   # diameter {line}" for line in range(1, lines + 1))
    return f"""# A Pitot traverse ({method}, {len(places)} places on each of {lines} diameters).
# Distance of the tip from the near wall, from place 1 at the near wall to place {len(places)} at the far one:
{marks}
# Half a tip's width is lost at the wall: a place nearer than that is read with the tip touching.
began = ""                       # local time, as 2026-03-01T10:15:00
ended = ""
run = ""                         # the run of the drawing that was traversed, such as "main"
# open = ["planer"]              # gates that were open; else the estimate is asked
diameter = "{diameter}"
method = "{method}"
unit = "inwg"                    # unit of the readings: inwg, Pa, mmwg ...
gauge = "0.01 inwg"              # how well the gauge is known
# stem = "0.125 in"              # thickness of the tube, if it is not thin
pitot_factor = 1.0               # 1.0 for a standard Pitot-static tube
air = ""                         # temperature of the air, as "60 F"
barometer = ""                   # as read, not reduced to sea level, as "29.3 inHg"
humidity = "50 %"
static = ""                      # static pressure in the duct here, with its sign, as "-8.5 inwg"
readings = [
{rows}
]
"""
