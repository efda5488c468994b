"""The chair maker's barn as a plant, in the numbers of its drawing (the same as the demonstration's configuration)."""

from __future__ import annotations

from analysis.plant.losses import bend_k
from analysis.plant.shop import FAN, Bags, FanPoints, Nameplate, Pipe, PlantPort, PlantShop
from analysis.units import parse

FOUR_IN_M = parse("4.065 in", "length")
"""Inside diameter of the thin-wall drain pipe called 4 in (ASTM D2729: outside 4.215, wall 0.075 in)."""
SIX_IN_M = parse("6.075 in", "length")
PVC_ROUGHNESS_M = 3.0e-5
"""Smooth plastic pipe with its joints (0.03 mm; the category of a heating and ventilating handbook, from memory)."""
HOSE_ROUGHNESS_M = 0.9e-3
"""Hose with covered wires, stretched fairly straight (0.9 mm; slack hose 3 mm; from memory)."""


def _pipe(
    name: str, into: str, diameter_m: float, feet: float, angle_deg: float = 0.0, bends: tuple[float, ...] = ()
) -> Pipe:
    fittings_k = sum(bend_k(angle, 1.5) for angle in bends)
    return Pipe(name, into, diameter_m, feet * 0.3048, PVC_ROUGHNESS_M, angle_deg, fittings_k, leak_m2=1.5e-5)


def _port(pipe: Pipe, entry_k: float, needs: str, hose_ft: float, chips_kg_min: float, fines: float) -> PlantPort:
    return PlantPort(
        pipe.name,
        pipe,
        entry_k,
        gate_leak_m2=1.0e-4,
        hose_diameter_m=0.1016 if hose_ft else 0.0,
        hose_length_m=hose_ft * 0.3048,
        hose_roughness_m=HOSE_ROUGHNESS_M,
        needs_m3s=parse(needs, "flow"),
        chips_kg_min=chips_kg_min,
        fines=fines,
    )


def barn() -> PlantShop:
    """The barn as drawn. What was built of it: :func:`analysis.plant.asbuilt.as_built`.

    Chips per minute of cutting and shares of fines are the scenario's own (common practice, no source).
    """
    static = ("11.8", "11.9", "11.6", "10.7", "9.1", "6.7", "3.4")
    power = ("0.85", "1.02", "1.25", "1.52", "1.80", "2.06", "2.30")
    return PlantShop(
        name="Chair maker's barn",
        runs=(
            _pipe("main", FAN, SIX_IN_M, 14, bends=(90.0, 90.0)),
            _pipe("east main", "main", SIX_IN_M, 11),
            _pipe("bench run", "main", FOUR_IN_M, 9, 45.0, (45.0,)),
        ),
        ports=(
            _port(_pipe("planer", "east main", FOUR_IN_M, 6, bends=(90.0,)), 1.5, "400 cfm", 5, 0.45, 0.0025),
            _port(_pipe("bandsaw", "east main", FOUR_IN_M, 4, 45.0, (45.0,)), 2.0, "350 cfm", 6, 0.12, 0.0080),
            _port(_pipe("lathe", "bench run", FOUR_IN_M, 7), 0.49, "350 cfm", 4, 0.20, 0.0030),
            _port(_pipe("shaving horse", "bench run", FOUR_IN_M, 5, 45.0, (45.0,)), 0.93, "350 cfm", 0, 0.15, 0.0010),
        ),
        fan=FanPoints(
            tuple(parse(f"{flow} cfm", "flow") for flow in range(0, 1201, 200)),
            tuple(parse(f"{p} inwg", "pressure") for p in static),
            tuple(parse(f"{p} hp", "power") for p in power),
            at_density=parse("0.075 lb/ft3", "density"),
        ),
        motor=Nameplate(parse("2 hp", "power"), 230.0, 11.2),
        bags=Bags(parse("48 ft2", "area"), parse("1.0 inwg", "pressure") / parse("600 cfm", "flow")),
        site_pressure_pa=99_000.0,
        mean_air_c=parse("60 F", "temperature"),
    )
