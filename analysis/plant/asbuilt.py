"""What building made of the drawing: fan, ducts, motor, leaks and sensors, each a little off, fixed by a seed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.plant.shop import FanPoints, Nameplate, Pipe, PlantPort, PlantShop, Sensor


@dataclass(frozen=True, slots=True)
class Spread:
    """How far the truth may lie from the drawing: half widths of even distributions, as shares.

    ``leak`` is a factor up or down. ``inlet_pa``, ``filter_pa`` are sensor offsets [Pa]; ``span`` the share by which a
    sensor may read high or low. The defaults are those that the estimator's figures are stated for: fan within 5 %,
    every run's losses within 15 %, current within 3 %.
    """

    fan_pressure: float = 0.04
    fan_tilt: float = 0.01
    fan_power: float = 0.03
    duct: float = 0.15
    leak: float = 2.0
    clean_drag: float = 0.03
    current: float = 0.03
    idle_share: float = 0.04
    inlet_pa: float = 6.0
    filter_pa: float = 3.0
    span: float = 0.004


NO_SPREAD = Spread(0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
"""The shop exactly as drawn, with perfect spans and zeros."""


def as_built(shop: PlantShop, seed: int, spread: Spread | None = None) -> PlantShop:
    """Draws the shop as it was built. The same seed gives the same shop."""
    by = Spread() if spread is None else spread
    rng = np.random.default_rng([seed, 1009])

    def off(width: float) -> float:
        return 1.0 + float(rng.uniform(-width, width))

    def built(pipe: Pipe) -> Pipe:
        return replace(pipe, loss_factor=pipe.loss_factor * off(by.duct), leak_m2=pipe.leak_m2 * factor())

    def factor() -> float:
        return float(by.leak ** rng.uniform(-1.0, 1.0))

    fan = _fan(shop.fan, off(by.fan_pressure), float(rng.uniform(-by.fan_tilt, by.fan_tilt)), off(by.fan_power))
    runs = tuple(built(run) for run in shop.runs)
    ports = tuple(_port(port, built(port.pipe), factor()) for port in shop.ports)
    motor = _motor(shop.motor, float(rng.uniform(-by.idle_share, by.idle_share)))
    bags = replace(shop.bags, clean_drag=shop.bags.clean_drag * off(by.clean_drag))
    sensors = dict(shop.sensors)
    for name, offset in (("inlet_pa", by.inlet_pa), ("filter_pa", by.filter_pa), ("pitot_pa", by.filter_pa)):
        sensors[name] = _sensor(sensors[name], float(rng.uniform(-offset, offset)), off(by.span))
    sensors["motor_a"] = _sensor(sensors["motor_a"], 0.0, off(by.current))
    return replace(shop, runs=runs, ports=ports, fan=fan, motor=motor, bags=bags, sensors=sensors)


def _fan(points: FanPoints, pressure: float, tilt: float, power: float) -> FanPoints:
    end = points.flow_m3s[-1]
    static = tuple(
        p * (pressure + tilt * (2.0 * q / end - 1.0)) for q, p in zip(points.flow_m3s, points.static_pa, strict=True)
    )
    return replace(points, static_pa=static, power_w=tuple(w * power for w in points.power_w))


def _port(port: PlantPort, pipe: Pipe, leak: float) -> PlantPort:
    return replace(port, pipe=pipe, gate_leak_m2=port.gate_leak_m2 * leak)


def _motor(plate: Nameplate, idle: float) -> Nameplate:
    return replace(plate, idle_share=plate.idle_share + idle)


def _sensor(sensor: Sensor, offset: float, span: float) -> Sensor:
    return replace(sensor, offset=sensor.offset + offset, span=sensor.span * span)
