"""From the shop's drawing to a plant: only plain geometry and nameplate numbers are taken over, no physics."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.plant.motor import motor_from_plate, typical_plate
from analysis.plant.shop import FAN, Bags, FanPoints, Nameplate, Pipe, PlantPort, PlantShop

if TYPE_CHECKING:
    from analysis.duct.design import DuctDesign, Port, Run

JOINT_LEAK_M2 = 1.2e-5
"""Effective leak of a hand-made joint where the drawing gives none (common practice, no source)."""

_WORK: tuple[tuple[str, float, float], ...] = (
    ("planer", 0.45, 0.0025),
    ("jointer", 0.35, 0.002),
    ("band", 0.12, 0.008),
    ("saw", 0.15, 0.006),
    ("sand", 0.04, 0.08),
    ("lathe", 0.20, 0.003),
    ("router", 0.10, 0.006),
    ("drill", 0.05, 0.002),
    ("horse", 0.15, 0.001),
    ("sweep", 0.20, 0.003),
)
"""Word in a port's name -> kilograms of chips a minute of cutting, share of fines (common practice, no source)."""


def from_design(design: DuctDesign, name: str = "shop") -> PlantShop:
    """The shop as drawn, as a plant. What was built of it: :func:`analysis.plant.asbuilt.as_built`.

    Where the drawing lacks something the plant needs, usual values stand in: shaft power rising evenly from 38 % of the
    end value, a motor that this power loads to 95 %, joint leaks of ``JOINT_LEAK_M2``.
    """
    fan = design.fan
    end_w = next((p.shaft_w for p in reversed(fan.points) if p.shaft_w is not None), None)
    if end_w is None:
        end_w = design.motor.power_w if design.motor else _end_power(fan.points[-1].flow_m3s, fan.points[0].static_pa)
    end = fan.points[-1].flow_m3s
    power = tuple(p.shaft_w if p.shaft_w is not None else end_w * (0.38 + 0.62 * p.flow_m3s / end) for p in fan.points)
    at_rpm = fan.at_speed_rpm or 3450.0
    points = FanPoints(
        tuple(p.flow_m3s for p in fan.points),
        tuple(p.static_pa for p in fan.points),
        power,
        at_rpm,
        fan.speed_rpm or at_rpm,
        fan.at_density_kgm3,
    )
    speed = points.rpm / points.at_rpm
    separator = design.separator
    if design.discharge or design.filter.before_fan or (separator is not None and separator.after_fan):
        raise ValueError("a plant has its bags after the fan and nothing between them, and its separator before the fan")
    return PlantShop(
        name=name,
        runs=tuple(_run(run) for run in design.runs),
        ports=tuple(_port(port) for port in design.ports),
        fan=points,
        motor=_plate(design, max(power) * speed**3),
        bags=Bags(design.filter.area_m2, design.filter.clean_drag_pasm3),
        site_pressure_pa=design.air.pressure_pa,
        mean_air_c=design.air.temperature_c,
        separator_pa_s2m6=(
            separator.loss_pa / separator.at_flow_m3s**2 * 1.2 / separator.at_density_kgm3 if separator else 0.0
        ),
    )


def _end_power(flow_m3s: float, shut_off_pa: float) -> float:
    return 0.9 * flow_m3s * shut_off_pa


def _plate(design: DuctDesign, most_w: float) -> Nameplate:
    if design.motor is None:
        return typical_plate(most_w / 0.95, 230.0, 1)
    motor = design.motor
    usual = typical_plate(motor.power_w, motor.voltage_v, motor.phases)
    if motor.full_load_a is None:
        return usual
    plate = Nameplate(motor.power_w, motor.voltage_v, motor.full_load_a, motor.phases)
    try:
        motor_from_plate(plate)
    except ValueError:
        return usual
    return plate


def _run(run: Run) -> Pipe:
    return Pipe(
        run.name,
        FAN if run.into == "fan" else run.into,
        run.diameter_m,
        run.length_m,
        run.roughness_m,
        run.join.angle_deg,
        run.fittings_k + run.join.k,
        run.leak_m2 or JOINT_LEAK_M2,
    )


def _port(port: Port) -> PlantPort:
    pipe = Pipe(
        port.name,
        FAN if port.into == "fan" else port.into,
        port.diameter_m,
        port.length_m,
        port.roughness_m,
        port.join.angle_deg,
        port.fittings_k + port.join.k,
        JOINT_LEAK_M2,
    )
    opening_m = port.hose.diameter_m if port.hose else port.diameter_m
    opening_m2 = 3.141592653589793 / 4.0 * opening_m**2
    entry_k = port.entry_k
    if port.entry_flow is not None:
        head = port.entry_flow.density_kgm3 / 2.0 * (port.entry_flow.flow_m3s / opening_m2) ** 2
        entry_k = max(port.entry_flow.suction_pa / head - 1.0, 0.0)
    leak_m2 = port.leak_m2
    if port.leak_flow is not None:
        leak_m2 = port.leak_flow.flow_m3s / (2.0 * port.leak_flow.suction_pa / port.leak_flow.density_kgm3) ** 0.5
    word = next((row for row in _WORK if row[0] in port.name.lower()), ("", 0.2, 0.003))
    return PlantPort(
        port.name,
        pipe,
        entry_k * (port.diameter_m / opening_m) ** 4,
        port.gate_k or 0.0,
        leak_m2,
        port.hose.diameter_m if port.hose else 0.0,
        port.hose.length_m if port.hose else 0.0,
        port.hose.roughness_m if port.hose else 0.0,
        gated=port.gate_k is not None,
        needs_m3s=port.needs_m3s or 0.165,
        chips_kg_min=word[1],
        fines=word[2],
    )
