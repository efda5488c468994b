"""Pairs of shops for benchmarks: a plant to measure in, and the drawing that ductwarden knows of it.

The plant has its own physics and is built a little differently from its drawing; the drawing goes to the engine.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.air import moist_air
from analysis.duct.design import FAN, DuctDesign, Hose, Join, Material, Port, Run
from analysis.duct.fan import FanCurve, FanPoint
from analysis.duct.filter import FilterStage
from analysis.duct.motor import Motor
from analysis.plant.losses import bend_k
from analysis.plant.shop import Pipe, PlantPort, PlantShop
from tests.support.barn import HOSE_ROUGHNESS_M, PVC_ROUGHNESS_M, barn


def drawing(shop: PlantShop) -> DuctDesign:
    """The drawing of a plant's shop, in the engine's terms: the same sizes, lengths and coefficients."""

    def join(pipe: Pipe) -> Join:
        if pipe.angle_deg < 1.0:
            return Join.straight()
        return Join.tee() if pipe.angle_deg > 89.0 else Join.wye(pipe.angle_deg)

    runs = tuple(
        Run(p.name, FAN if p.into == "fan" else p.into, p.diameter_m, p.roughness_m, p.length_m, p.fittings_k, join(p),
            p.leak_m2) for p in shop.runs)
    ports = []
    for port in shop.ports:
        p = port.pipe
        hose = Hose(port.hose_diameter_m, port.hose_roughness_m, port.hose_length_m) if port.hose_length_m else None
        ports.append(Port(
            p.name, p.into, p.diameter_m, p.roughness_m, p.length_m, p.fittings_k, join(p), hose,
            port.entry_k * ((port.hose_diameter_m / p.diameter_m) ** 4 if hose else 1.0), gate_k=port.gate_k,
            leak_m2=port.gate_leak_m2, needs_m3s=port.needs_m3s))
    fan = shop.fan
    points = tuple(FanPoint(q, s, w) for q, s, w in zip(fan.flow_m3s, fan.static_pa, fan.power_w, strict=True))
    plate = shop.motor
    return DuctDesign(
        runs, tuple(ports), FanCurve(points, fan.at_rpm, fan.rpm, fan.at_density),
        FilterStage(shop.bags.area_m2, shop.bags.clean_drag), Material("shavings", 17.8, 20.3),
        moist_air(shop.mean_air_c, shop.site_pressure_pa), motor=Motor(
            plate.power_w, plate.phases, plate.voltage_v, plate.full_load_a))


def drawn_barn() -> tuple[PlantShop, DuctDesign]:
    """The chair maker's barn as drawn, and its drawing."""
    shop = barn()
    return shop, drawing(shop)


def random_shop(seed: int) -> tuple[PlantShop, DuctDesign]:
    """An invented shop of three to seven ports on a 5 to 7 inch main with one or two branches, and its drawing."""
    rng = np.random.default_rng([seed, 4001])
    inch, foot = 0.0254, 0.3048
    main = float(rng.choice([5.0, 6.0, 7.0])) * inch
    count = int(rng.integers(3, 8))
    branches = int(rng.integers(1, 3))
    runs = [Pipe("main", "fan", main, float(rng.uniform(8, 25)) * foot, PVC_ROUGHNESS_M, 0.0,
                 float(rng.integers(1, 3)) * bend_k(90.0, 1.5), leak_m2=1.5e-5)]
    for i in range(branches):
        size = float(rng.choice([4.0, 5.0, 6.0])) * inch
        runs.append(Pipe(
            f"branch {i + 1}", "main", min(size, main), float(rng.uniform(6, 18)) * foot, PVC_ROUGHNESS_M,
            0.0 if i == 0 else 45.0, float(rng.integers(0, 3)) * bend_k(45.0, 1.5), leak_m2=1.5e-5))
    ports = []
    for i in range(count):
        into = runs[1 + i % branches].name
        taken = sum(p.pipe.into == into for p in ports)
        pipe = Pipe(
            f"port {i + 1}", into, 4.0 * inch, float(rng.uniform(2, 12)) * foot, PVC_ROUGHNESS_M,
            45.0 if taken else 0.0, float(rng.integers(0, 3)) * bend_k(90.0, 1.5), leak_m2=1.0e-5)
        hose = float(rng.uniform(2, 8)) if rng.random() < 0.8 else 0.0
        ports.append(PlantPort(
            pipe.name, pipe, float(rng.uniform(0.5, 3.0)), gate_leak_m2=1.0e-4,
            hose_diameter_m=0.1016 if hose else 0.0, hose_length_m=hose * foot,
            hose_roughness_m=HOSE_ROUGHNESS_M, chips_kg_min=float(rng.uniform(0.1, 0.4)),
            fines=float(rng.uniform(0.001, 0.006))))
    base = barn()
    size = float(rng.uniform(0.9, 1.4))
    fan = replace(
        base.fan, flow_m3s=tuple(q * size for q in base.fan.flow_m3s),
        power_w=tuple(w * size for w in base.fan.power_w))
    motor = replace(base.motor, power_w=base.motor.power_w * size, full_load_a=base.motor.full_load_a * size)
    bags = replace(base.bags, area_m2=base.bags.area_m2 * size, clean_drag=base.bags.clean_drag / size)
    shop = replace(base, name=f"shop {seed}", runs=tuple(runs), ports=tuple(ports), fan=fan, motor=motor, bags=bags)
    return shop, drawing(shop)
