"""Stock: what pipe and hose of a nominal size really measures inside, and how rough it is.

"Four inch" alone says little: the inside diameters of four-inch pipe to three standards differ by 2 %, which is 9 % in
velocity pressure. So a size is always named with its standard. Inside diameters of pipe are outside diameter less twice
the *least* wall; the average wall is a little thicker, so that the true bore is a few tenths of a percent smaller.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from analysis import units
from analysis.units import INCH_M

_SIGNS = str.maketrans({"°": " deg ", "×": "x", "″": '"', "”": '"', "“": '"', "′": "'", "’": "'", "\u00a0": " "})


def plain(text: str) -> str:
    """The text with single blanks, plain signs, and degrees left out behind an angle ("90° elbow" -> "90 elbow")."""
    written = " ".join(text.translate(_SIGNS).split())
    return re.sub(r"(?<=\d)\s*(?:deg\.?|degrees?)(?=\s|$)", "", written, flags=re.IGNORECASE)


def meant(text: str, forms: Iterable[str]) -> str:
    """``; did you mean 'elbow 90'?`` for the form nearest to a text, nothing where none is near."""
    close = difflib.get_close_matches(plain(text).lower(), list(forms), n=1, cutoff=0.5)
    return f"; did you mean {close[0]!r}?" if close else ""


@dataclass(frozen=True, slots=True)
class Pipe:
    """A duct to build with: ``inside_diameter_m`` [m], absolute ``roughness_m`` [m], where both come from, and
    ``friction_sd``, one relative standard deviation of its friction loss."""

    text: str
    inside_diameter_m: float
    roughness_m: float
    source: str
    friction_sd: float
    flexible: bool = False
    hydraulic_m: float | None = None
    """Hydraulic diameter where it is not round; ``inside_diameter_m`` is then that of the round duct of the same area."""


@dataclass(frozen=True, slots=True)
class Family:
    """Pipe made to one standard: ``sizes`` maps the nominal size as written (``"4 in"``) to the inside diameter [m]."""

    name: str
    sizes: dict[str, float]
    roughness_m: float
    friction_sd: float
    source: str
    flexible: bool = False
    also: tuple[str, ...] = ()


def _walled(*rows: tuple[float, float, float]) -> dict[str, float]:
    """Inside diameters from (nominal, outside, wall), all in inches."""
    return {f"{nominal:g} in": (outside - 2.0 * wall) * INCH_M for nominal, outside, wall in rows}


def _as_named(inches: tuple[float, ...], millimetres: tuple[float, ...] = ()) -> dict[str, float]:
    """Sizes whose name is their inside diameter."""
    return {f"{size:g} in": size * INCH_M for size in inches} | {f"{size:g} mm": size / 1000.0 for size in millimetres}


_SMOOTH = "roughness 0.03 mm: smooth plastic with its joints, ASHRAE duct roughness category (from memory)"
_METAL_INCHES = (3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 14.0, 16.0)
_METAL_MM = (
    63.0, 80.0, 100.0, 125.0, 140.0, 150.0, 160.0, 180.0, 200.0, 224.0, 250.0, 280.0, 300.0, 315.0, 355.0, 400.0,
)
_HOSE_INCHES = (2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0, 12.0)
_HOSE_MM = (50.0, 63.0, 75.0, 80.0, 100.0, 120.0, 125.0, 140.0, 150.0, 160.0, 180.0, 200.0, 250.0, 300.0)

FAMILIES: tuple[Family, ...] = (
    Family(
        "D3034 SDR 35",
        _walled(
            (4, 4.215, 0.120),  # outside and wall seen on a public page
            (6, 6.275, 0.180),  # outside seen on a public page, wall from memory
            (8, 8.400, 0.240),  # the same
            (10, 10.500, 0.300),  # from memory
            (12, 12.500, 0.360),  # from memory
        ),
        3e-5, 0.05, f"sewer pipe to ASTM D3034, outside diameter less two least walls; {_SMOOTH}",
        also=("D3034", "SDR 35", "D3034 SDR35", "SDR35"),
    ),
    Family(
        "D2729",
        _walled(
            (3, 3.250, 0.070),  # from memory
            (4, 4.215, 0.075),  # outside and an average inside of 4.065 in seen on a public page
            (6, 6.275, 0.100),  # outside and an average inside of 6.075 in seen on a public page
        ),
        3e-5, 0.05, f"thin-wall drain pipe to ASTM D2729, outside diameter less two walls; {_SMOOTH}",
    ),
    Family(
        "D1785 Sch 40",
        _walled(
            # outside and wall as in the pipe table of the fluids library (schedule 40D1785)
            (2, 2.375, 0.154), (2.5, 2.875, 0.203), (3, 3.500, 0.216), (4, 4.500, 0.237), (5, 5.563, 0.258),
            (6, 6.625, 0.280), (8, 8.625, 0.322), (10, 10.750, 0.365), (12, 12.750, 0.406),
        ),
        3e-5, 0.05, f"PVC pressure pipe to ASTM D1785 schedule 40, outside diameter less two least walls; {_SMOOTH}",
        also=("D1785", "Sch 40", "D1785 Sch40", "Sch40"),
    ),
    Family(
        "EN 1401 SN 4",
        {  # outside diameter less two walls, from memory
            "110 mm": 0.1036, "125 mm": 0.1186, "160 mm": 0.1520, "200 mm": 0.1902, "250 mm": 0.2376, "315 mm": 0.2996,
        },
        3e-5, 0.05, f"PVC drain pipe to EN 1401-1 SN 4, named by its outside diameter (from memory); {_SMOOTH}",
        also=("EN 1401", "EN1401"),
    ),
    Family(
        "spiral", _as_named(_METAL_INCHES, _METAL_MM), 9e-5, 0.07,
        "spiral-seam galvanised duct: nominal is inside diameter (sheet-metal practice, EN 1506; from memory);"
        " roughness 0.09 mm, ASHRAE category medium smooth (from memory)",
        also=("spiral galvanised", "spiral galvanized"),
    ),
    Family(
        "snap-lock", _as_named(_METAL_INCHES, _METAL_MM), 1.5e-4, 0.10,
        "galvanised duct with a long snap-lock seam and crimped joints: nominal is inside diameter (from memory);"
        " roughness 0.15 mm, ASHRAE category average (from memory; 0.152 mm for galvanised iron in the fluids library)",
        also=("snaplock", "snap lock"),
    ),
    Family(
        "EN 1451",
        {  # outside diameter less two walls, from memory
            "50 mm": 0.0464, "75 mm": 0.0712, "90 mm": 0.0856, "110 mm": 0.1046, "125 mm": 0.1188, "160 mm": 0.1522,
        },
        3e-5, 0.05, f"polypropylene waste pipe (HT) to EN 1451-1, named by its outside diameter (from memory); {_SMOOTH}",
        also=("HT", "EN1451"),
    ),
    Family(
        "flex stretched", _as_named(_HOSE_INCHES, _HOSE_MM), 9e-4, 0.25,
        "wire hose pulled out to its full length, wires covered: nominal is inside diameter; roughness 0.9 mm (0.003 ft,"
        " the figure behind the ACGIH friction rule for flexible duct with covered wires; from memory)",
        flexible=True, also=("stretched flex", "flex pulled straight", "flex straight"),
    ),
    Family(
        "flex", _as_named(_HOSE_INCHES, _HOSE_MM), 3e-3, 0.40,
        "wire hose as it hangs between machine and pipe: nominal is inside diameter; roughness 3.0 mm, ASHRAE category"
        " rough, flexible duct (from memory): about half as much again as stretched",
        flexible=True, also=("hose", "flex hose", "flexible hose", "flex loose", "loose flex", "flexible", "flex as hung"),
    ),
    Family(
        "flex slack", _as_named(_HOSE_INCHES, _HOSE_MM), 1.1e-2, 0.50,
        "wire hose a sixth or more longer than its way: nominal is inside diameter; roughness 11 mm, which loses about"
        " three times as much as stretched (measured on ventilation hose: up to four times when pushed together as is"
        " usual in the field; Abushakra, Walker and Sherman, ASHRAE 2004, abstract seen)",
        flexible=True, also=("slack flex", "slack hose"),
    ),
)
"""Every kind of pipe and hose known by name."""

_SIZE = r"(?P<size>\d+(?:[.,]\d+)?)\s*(?P<unit>in\.?|inch(?:es)?|\"|mm)"
_SIZED = re.compile(rf"^(?P<family>.+?)[\s,]+{_SIZE}$", re.IGNORECASE)
_SIZE_FIRST = re.compile(rf"^{_SIZE}\s+(?P<family>.+)$", re.IGNORECASE)
_BARE = re.compile(r"^(?P<family>.+?)\s+(?:dn\s*)?(?P<size>\d+(?:[.,]\d+)?)$", re.IGNORECASE)
_LOOSE = {
    "pvc": ("D2729", "D3034 SDR 35", "D1785 Sch 40", "EN 1401 SN 4"), "kg": ("EN 1401 SN 4",),
    "drain pipe": ("D2729", "D3034 SDR 35"), "sewer pipe": ("D3034 SDR 35", "D2729"),
    "galvanised": ("spiral", "snap-lock"), "galvanized": ("spiral", "snap-lock"), "metal": ("spiral", "snap-lock"),
    "steel": ("spiral", "snap-lock"), "sheet metal": ("spiral", "snap-lock"), "": ("D2729", "spiral", "D3034 SDR 35"),
}
"""What people call a pipe by -> the standards that it may be made to."""
_RECTANGULAR = re.compile(
    r"^(?:rectangular|rect|square|box)\s+(?P<a>[^x]+?)\s*x\s*(?P<b>[^x]+?)(?:\s+roughness\s+(?P<rough>.+))?$", re.IGNORECASE
)
SHEET_M = 1.5e-4
"""Roughness of folded sheet metal, ASHRAE category average (from memory)."""
_EXPLICIT = re.compile(r"^inside\s+(?P<inside>.+?)\s+roughness\s+(?P<rough>.+)$", re.IGNORECASE)


class StockError(ValueError):
    """A text names no pipe that is known; the message says what was found and what is allowed."""


def pipe(text: str) -> Pipe:
    """The pipe or hose written as standard and nominal size, or as its measures.

    Standards are those of :data:`FAMILIES`. Anything else is written ``"inside 5.9 in roughness 0.03 mm"``. Raises
    :class:`StockError` naming the standards, or the sizes of the standard named.

    >>> round(pipe("D2729 6 in").inside_diameter_m / 0.0254, 3)
    6.075
    >>> pipe("inside 150 mm roughness 0.1 mm").inside_diameter_m
    0.15
    """
    written = plain(text)
    explicit = _EXPLICIT.match(written)
    if explicit:
        return _explicit(written, explicit.group("inside"), explicit.group("rough"))
    rectangular = _RECTANGULAR.match(written)
    if rectangular:
        return _rectangular(text, rectangular)
    sized = _SIZED.match(written) or _SIZE_FIRST.match(written) or _BARE.match(written)
    if sized is None:
        alone = re.fullmatch(_SIZE, written, re.IGNORECASE)
        examples = _of_size(_LOOSE[""], _size(alone)) if alone else []
        which = f" (of which stock? {' or '.join(map(repr, examples))})" if examples else ""
        raise StockError(
            f"{text!r} is not a pipe{which}: write a standard and a size, such as 'D2729 6 in', or"
            f" 'inside 5.9 in roughness 0.03 mm' or 'rectangular 6 x 8 in'; standards: {_standards()}"
        )
    size, name = _size(sized), sized.group("family").lower()
    family = _family(name)
    loose = next((one for key, one in _LOOSE.items() if key and (name == key or name in (f"{key} pipe", f"{key} duct"))), ())
    fitting = _of_size(loose, size)
    if family is None and len(fitting) == 1:
        return pipe(fitting[0])
    if family is None:
        known = [spelling.lower() for one in FAMILIES for spelling in (one.name, *one.also)]
        close = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
        near = [f"{_family(close[0]).name} {size}"] if close else []  # type: ignore[union-attr]
        which = f"; did you mean {' or '.join(map(repr, fitting or near))}?" if fitting or near else ""
        raise StockError(
            f"{text!r}: no pipe is known as {sized.group('family')!r}{which}; known: {_standards()},"
            " or 'inside 5.9 in roughness 0.03 mm' or 'rectangular 6 x 8 in'"
        )
    if size not in family.sizes:
        raise StockError(f"{text!r}: {family.name} has no size {size}; sizes: {', '.join(family.sizes)}")
    inside = family.sizes[size]
    return Pipe(
        f"{family.name} {size}", inside, family.roughness_m, family.source, family.friction_sd, family.flexible
    )


def _rectangular(text: str, match: re.Match[str]) -> Pipe:
    """A rectangular duct: its area counts for velocities, its hydraulic diameter 2 a b / (a + b) for friction."""
    a, b, rough = match.group("a"), match.group("b"), match.group("rough")
    try:
        if not re.search(r"[a-z\"']", a, re.IGNORECASE):
            a += re.sub(r"^[\d.,/ ]+", " ", b)
        sides = units.parse(a, "length"), units.parse(b, "length")
        roughness = SHEET_M if rough is None else units.parse(rough, "length")
    except units.UnitError as error:
        raise StockError(f"{text!r}: {error}") from error
    if not all(0.02 <= side <= 2.0 for side in sides):
        raise StockError(f"{text!r}: the sides must lie between 20 mm and 2 m")
    area, girth = sides[0] * sides[1], 2.0 * sum(sides)
    return Pipe(
        " ".join(text.split()), math.sqrt(4.0 * area / math.pi), roughness,
        "Darcy-Weisbach on the hydraulic diameter; roughness 0.15 mm, folded sheet metal, ASHRAE category average"
        " (from memory)", 0.10, hydraulic_m=4.0 * area / girth,
    )


def _size(match: re.Match[str]) -> str:
    """The nominal size; without a unit, up to 16 is inches and the rest millimetres."""
    number = float(match.group("size").replace(",", "."))
    unit = match.groupdict().get("unit")
    metric = unit.lower() == "mm" if unit else number > 16.0
    return f"{number:g} {'mm' if metric else 'in'}"


def _of_size(families: tuple[str, ...], size: str) -> list[str]:
    known = {family.name: family for family in FAMILIES}
    return [f"{name} {size}" for name in families if size in known[name].sizes]


def neighbours(inside_diameter_m: float, roughness_m: float) -> tuple[Pipe | None, Pipe | None]:
    """The next smaller and the next larger size of the stock that a duct was cut from.

    Sizes are compared by what they measure inside, in the same unit (inches or millimetres). (None, None) for a duct
    that is not in the stock.

    >>> smaller, larger = neighbours(pipe("spiral 6 in").inside_diameter_m, 9e-5)
    >>> smaller.text, larger.text
    ('spiral 5 in', 'spiral 7 in')
    """
    for family in FAMILIES:
        if family.roughness_m != roughness_m:
            continue
        for size, inside in family.sizes.items():
            if abs(inside - inside_diameter_m) > 1e-6:
                continue
            rows = sorted((own, name) for name, own in family.sizes.items() if name.split()[1] == size.split()[1])
            place = rows.index((inside, size))
            smaller = pipe(f"{family.name} {rows[place - 1][1]}") if place > 0 else None
            larger = pipe(f"{family.name} {rows[place + 1][1]}") if place + 1 < len(rows) else None
            return smaller, larger
    return None, None


def _explicit(text: str, inside: str, rough: str) -> Pipe:
    try:
        diameter, roughness = units.parse(inside, "length"), units.parse(rough, "length")
    except units.UnitError as error:
        raise StockError(f"{text!r}: {error}") from error
    if not 0.01 <= diameter <= 2.0:
        raise StockError(f"{text!r}: the inside diameter must lie between 10 mm and 2 m")
    if not 0.0 <= roughness <= 0.05 * diameter:
        raise StockError(f"{text!r}: the roughness must lie between 0 and 5 % of the inside diameter")
    return Pipe(text, diameter, roughness, "as the owner wrote it", 0.10)


def _family(name: str) -> Family | None:
    wanted = name.lower()
    for family in FAMILIES:
        if wanted in (family.name.lower(), *(other.lower() for other in family.also)):
            return family
    return None


def _standards() -> str:
    return ", ".join(family.name for family in FAMILIES)
