"""The form of a traverse: a small TOML file that is printed empty, filled in beside the duct, and kept as a record."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, Field, ValidationError, field_validator

from analysis import units
from analysis.air import Air, moist_air
from analysis.traverse import Method, Traverse, traverse, wall_distances
from daemon.config.quantities import Fraction, Length, Pressure, StrictModel, Temperature
from daemon.errors import ConfigError

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
        return traverse(
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
