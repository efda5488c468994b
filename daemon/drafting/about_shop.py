"""Questions about the shop, its fan, motor, filter and separator."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from typing import Any

from analysis import units
from daemon.config.common import clock_span
from daemon.config.ducting import FanTable, FilterTable, MotorTable, SeparatorTable
from daemon.config.model import ShopTable
from daemon.drafting.asking import (
    YES_NO,
    Choice,
    Context,
    Question,
    Step,
    always,
    by_units,
    choices,
    number,
    plain,
    quantity,
    whole_number,
)
from daemon.drafting.draft import Answers

GUESSED_FAN_SD = "35 %"
GUESSED_MOTOR_SD = "30 %"
"""Standard deviations of a fan and a motor that nobody has looked at (ours, wide on purpose)."""
SIZES: tuple[tuple[str, str, str, str], ...] = (
    ("10 in; 3450 rpm", "250 mm; 2850 rpm", "1 hp", "0.75 kW"), ("12 in; 3450 rpm", "300 mm; 2850 rpm", "2 hp", "1.5 kW"),
    ("13 in; 3450 rpm", "330 mm; 2850 rpm", "3 hp", "2.2 kW"), ("15 in; 3450 rpm", "380 mm; 2850 rpm", "5 hp", "4 kW"),
)
"""Wheel and speed of bag units, and the motor that turns them, in US and in SI units (common practice, no source)."""
GUESSED_FACE_MS = 0.0508
GUESSED_DROP_PA = 249.0
"""Where nobody knows the clean drop: bags in use that lose an inch of water at 10 cfm a square foot of cloth (common practice,
no source)."""
GUESSED_DRAG_SD = "60 %"
"""One relative standard deviation of that guess (ours, wide on purpose)."""


def _hours(text: str) -> str:
    return " to ".join(clock_span(text)) if text.strip() else ""


def _span(text: str) -> list[str] | str:
    try:
        return list(clock_span(text))
    except ValueError:
        return text


SHOP = Step(
    "shop", "The shop", "What the place is called, and the air it breathes.", "shop",
    (
        Question("name", "What do you call the shop?", ("name",), suggest=always("My shop")),
        Question(
            "units", "Which units do you like?", ("units",), kind="choice", suggest=always("us"),
            choices=choices(("us", "feet, inches of water, cfm"), ("si", "metres, pascals, m³/h")),
            help="What the screen shows first. You may answer in either, each time.",
        ),
        Question(
            "altitude", "How high above the sea does it stand?", ("altitude",), optional=True, nothing="at sea level",
            example=("640 ft", "200 m"),
            help="Thin air weighs less: at 1500 m (5000 ft) every pressure and the motor's load are a sixth lower.",
        ),
        Question(
            "air_temperature", "How warm is the air that the fan draws, most of the time?", ("air_temperature",),
            optional=True, nothing="20 °C, 68 °F", example=("60 F", "16 C"), suggest=by_units("68 F", "20 C"),
        ),
        Question(
            "hours", "Between which times may the fan run?", ("hours",), optional=True, nothing="at any time",
            example=("06:30 to 19:00", "06:30 to 19:00"), tidy=_hours, value=_span,
            help="Outside these hours a running fan raises an alarm.",
        ),
    ),
    lambda _: ShopTable,
)


def _cells(line: str) -> list[str]:
    """The parts of a point; where semicolons stand between them, a comma is a decimal one."""
    return [plain(cell) for cell in line.split(";" if ";" in line else ",")]


def _points(text: str) -> str:
    """The points in order of flow, one a line."""
    rows = []
    for line in text.split("\n"):
        if not line.strip():
            continue
        cells = _cells(line)
        if len(cells) not in (2, 3):
            raise ValueError(
                f"{plain(line)!r} has {len(cells)} part{'s' if len(cells) > 1 else ''}; a point has two or three, "
                "with semicolons between them: flow; static pressure; shaft power"
            )
        rows.append(cells)
    with contextlib.suppress(units.UnitError):  # the table says what is wrong
        rows.sort(key=lambda cells: units.parse(cells[0], "flow"))
    return "\n".join("; ".join(cells) for cells in rows)


def _point_tables(text: str) -> list[dict[str, str]]:
    return [dict(zip(("flow", "static", "power"), _cells(line), strict=False)) for line in text.split("\n")]


def _guessed_fan(answers: Answers, tree: dict[str, Any]) -> None:
    if answers.get("how") == "unknown":
        wheel, _, speed = answers.get("size", "").partition("; ")
        tree |= {"wheel_diameter": wheel, "speed": speed, "uncertainty": GUESSED_FAN_SD}


def _sizes(context: Context) -> Sequence[Choice]:
    """Sizes of units by their motors, in the owner's units."""
    at = 1 if context.system == "si" else 0
    return [(row[at], f"{row[at + 2]}: a wheel of about {row[at].partition(';')[0]}") for row in SIZES]


def _powers(context: Context) -> Sequence[Choice]:
    """Motors; a fan that is known only by its wheel needs one, and no curve can be made without."""
    at = 3 if context.system == "si" else 2
    offered: list[Choice] = [(row[at], f"about {row[at]}") for row in SIZES]
    return offered if context.draft.of("fan").get("how") in ("wheel", "unknown") else [("", "no idea: leave it out"), *offered]


def _suggest_power(context: Context) -> str:
    size = context.draft.of("fan").get("size", "")
    row = next((row for row in SIZES if size in row), SIZES[1])
    needed = context.draft.of("fan").get("how") in ("wheel", "unknown")
    return row[3 if context.system == "si" else 2] if needed else ""


FAN = Step(
    "fan", "The fan", "Its curve says how much air it moves against how much resistance.", "fan",
    (
        Question(
            "how", "What do you know about the fan?", kind="choice", suggest=always("points"),
            choices=choices(
                ("points", "its curve: flow and pressure at some points, from its plate or its maker's sheet"),
                ("wheel", "no curve: only the wheel's diameter, its speed and the motor"),
                ("unknown", "nothing yet"),
            ),
            help="A curve made from the wheel alone is a guess: pressure and flow to about 20 %, so that only coarse faults "
            "show; one made from nothing is good to 35 %. Points from its maker, or a baseline tour, make every answer sharper.",
        ),
        Question(
            "size", "Roughly how strong is the unit?", kind="choice", choices=_sizes,
            suggest=lambda context: _sizes(context)[1][0],
            when=("how", ("unknown",)), help="What its motor is called; a two-bag unit mostly has 1.5 kW or 2 hp.",
        ),
        Question(
            "points", "Points of the curve: flow, static pressure, shaft power", ("points",), kind="lines", tidy=_points,
            value=_point_tables,
            example=("400 cfm; 11.6 inwg; 1.25 hp", "700 m3/h; 2.9 kPa; 0.9 kW"), when=("how", ("points",)),
            help="One point a line, three at least, from shut off to wide open. Shaft power at every point or at none; "
            "without it the motor current cannot be reckoned.",
        ),
        Question(
            "at_speed", "At which speed do these points hold?", ("at_speed",), optional=True, nothing="not stated",
            example=("3450 rpm", "2850 rpm"), when=("how", ("points",)),
        ),
        Question(
            "speed", "How fast does your fan turn, if not at that speed?", ("speed",), optional=True,
            nothing="at the speed of the points", example=("3450 rpm", "2850 rpm"), when=("at_speed", ("*",)),
        ),
        Question(
            "wheel_diameter", "Diameter of the wheel", ("wheel_diameter",), example=("12 in", "300 mm"),
            when=("how", ("wheel",)),
            help="Measured over the tips of the blades, with the power locked out.",
        ),
        Question(
            "wheel_speed", "Its speed", ("speed",), example=("3450 rpm", "2850 rpm"), suggest=by_units("3450 rpm", "2850 rpm"),
            when=("how", ("wheel",)), help="On a motor that drives it directly: the motor's speed.",
        ),
    ),
    lambda _: FanTable, _guessed_fan,
)


def _guessed_motor(answers: Answers, tree: dict[str, Any]) -> None:
    """A motor whose plate nobody has read is a guess, marked by its uncertainty."""
    if answers.get("known") == "no":
        tree |= {"power": answers.get("about", ""), "phases": 1, "voltage": "230 V", "uncertainty": GUESSED_MOTOR_SD}


_PLATE = ("known", ("yes",))
MOTOR = Step(
    "motor", "The motor", "What its plate says.", "motor",
    (
        Question(
            "known", "Can you read the motor's plate?", kind="choice", choices=choices(*YES_NO), suggest=always("yes"),
            help="Without it an overload cannot be recognised, nor the motor current compared with what it should be.",
        ),
        Question(
            "about", "About how strong is it?", kind="choice", choices=_powers, suggest=_suggest_power, when=("known", ("no",)),
            optional=True, nothing="it is left out",
            help="Enough for a rough curve of the fan. A guess raises no overload alarm.",
        ),
        Question("power", "Rated power", ("power",), example=("2 hp", "1.5 kW"), when=_PLATE),
        Question(
            "phases", "Phases", ("phases",), kind="choice", when=_PLATE, suggest=by_units("1", "3"), value=whole_number,
            choices=choices(("1", "one"), ("3", "three")),
        ),
        Question(
            "voltage", "Voltage that it is wired for", ("voltage",), example=("230 V", "400 V"), when=_PLATE,
            suggest=by_units("230 V", "400 V"),
        ),
        Question(
            "full_load_current", "Full-load current at that voltage", ("full_load_current",), optional=True,
            nothing="the electrical code's table is taken", example=("11.2 A", "3.4 A"), when=_PLATE,
        ),
        Question(
            "service_factor", "Service factor", ("service_factor",), optional=True, nothing="1.0, none on the plate",
            example=("1.15", "1.0"), when=_PLATE, value=number,
            help="Marked SF on the plate: how far it may be loaded beyond its rating.",
        ),
    ),
    lambda _: MotorTable, _guessed_motor, wanted=lambda answers: answers.get("known") != "no" or bool(answers.get("about")),
)


def cloth_area(answers: Answers) -> tuple[float, bool] | None:
    """Area of the cloth from the bags' size [m2], and whether they were measured in inches; None where it cannot be read."""
    try:
        across = units.parse(answers.get("bag_diameter", ""), "length")
        high = units.parse(answers.get("bag_height", ""), "length")
        count = int(answers.get("bags", ""))
    except ValueError:
        return None
    american = any(unit in answers["bag_diameter"] for unit in ("in", "ft", "'", '"'))
    return count * math.pi * across * high, american


def _guessed_filter(answers: Answers, tree: dict[str, Any]) -> None:
    """Cloth from the size of the bags; where the clean drop is not known, a guess from the cloth, marked by its uncertainty."""
    if answers.get("area_by") == "bags":
        found = cloth_area(answers)
        if found is not None:
            symbol = "ft2" if found[1] else "m2"
            tree["area"] = f"{units.from_si(found[0], symbol, 'area'):.2f} {symbol}"
    if answers.get("drop_known") == "no":
        try:
            area, american = units.parse(tree.get("area", ""), "area"), "ft" in tree.get("area", "")
        except units.UnitError:
            return
        symbol, unit = ("cfm", "inwg") if american else ("m3/h", "Pa")
        flow = units.from_si(GUESSED_FACE_MS * area, symbol, "flow")
        tree["clean_drop"] = {
            "pressure": f"{units.from_si(GUESSED_DROP_PA, unit, 'pressure'):.{1 if american else 0}f} {unit}",
            "at": f"{flow:.0f} {symbol}",
        }
        tree["uncertainty"] = GUESSED_DRAG_SD


def _count(text: str, _: Context) -> None:
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 500:
        raise ValueError(f"{text!r} is not a number of bags; write a whole number from 1 to 500")


_BAGS, _DROP = ("area_by", ("bags",)), ("drop_known", ("yes",))
def _side(
    words: str, usual: str, after: str, before: str, when: tuple[str, tuple[str, ...]] | None = None
) -> Question:
    return Question(
        "side", words, ("side",), kind="choice", suggest=always(usual), when=when, optional=True,
        nothing=f"{usual} it, as in most shops",
        choices=choices(("after", f"after it: {after}"), ("before", f"before it: {before}")),
    )


FILTER = Step(
    "filter", "The filter bags", "How much cloth there is, and what it costs when it is clean.", "filter",
    (
        Question(
            "area_by", "How do you know the area of the cloth?", kind="choice", suggest=always("bags"),
            choices=choices(("bags", "I measure the bags"), ("area", "I know the area")),
        ),
        Question("bags", "How many bags or cartridges?", suggest=always("1"), when=_BAGS, check=_count, example=("2", "2")),
        Question(
            "bag_diameter", "Diameter of one, blown up", example=("20 in", "500 mm"), when=_BAGS,
            check=quantity("length"),
        ),
        Question(
            "bag_height", "Height of its cloth", example=("32 in", "800 mm"), when=_BAGS,
            check=quantity("length"),
            help="For a pleated cartridge take the area from its maker: a pleat hides most of it.",
        ),
        Question(
            "area", "Area of the cloth", ("area",), example=("48 ft2", "4.5 m2"), when=("area_by", ("area",)),
        ),
        _side("Which side of the fan are they on?", "after", "the fan blows into them", "the fan sucks through them"),
        Question(
            "drop_known", "Do you know what the bags lose when they are clean?", kind="choice", choices=choices(*YES_NO),
            suggest=always("no"),
            help="From their maker, or measured just after a cleaning. If not: a guess from the cloth stands in, wide by "
            "60 %. Until a baseline tour with clean bags, or the first hours after a cleaning, it then cannot tell how far the "
            "bags are loaded, nor how much air that costs; that they load, and how fast, it sees from the first day.",
        ),
        Question(
            "drop_pressure", "Pressure that clean bags lose", ("clean_drop", "pressure"), example=("1.0 inwg", "250 Pa"),
            when=_DROP,
        ),
        Question(
            "drop_at", "At which flow", ("clean_drop", "at"), example=("600 cfm", "1000 m3/h"), when=_DROP,
        ),
    ),
    lambda _: FilterTable, _guessed_filter,
)


_CYCLONE = ("fitted", ("known",))
SEPARATOR = Step(
    "separator", "A separator", "A cyclone or a drop box, before the fan or after it.", "separator",
    (
        Question(
            "fitted", "Is there one?", kind="choice", suggest=always("none"),
            choices=choices(
                ("none", "no"), ("known", "yes, and I know what it loses"), ("unknown", "yes, but I do not know what it loses"),
            ),
            help="Where its loss is not known it is left out of the drawing, with a note in the file: everything then reads "
            "as if the ducts were longer, until a baseline tour has measured them as they are.",
        ),
        _side("Which side of the fan is it on?", "before", "the fan blows into it", "between the ducts and the fan", _CYCLONE),
        Question(
            "separator_pressure", "Pressure that it loses", ("drop", "pressure"), example=("2 inwg", "500 Pa"), when=_CYCLONE,
        ),
        Question(
            "separator_at", "At which flow", ("drop", "at"), example=("700 cfm", "1200 m3/h"), when=_CYCLONE,
        ),
    ),
    lambda _: SeparatorTable, wanted=lambda answers: answers.get("fitted") == "known",
)
