"""Friction of straight duct by Darcy and Weisbach, for the tests: dp = f L/D rho V^2/2."""

from __future__ import annotations

import math

from analysis.duct.friction import friction_factor_scalar


def loss_scalar(
    flow_m3s: float, length_m: float, diameter_m: float, roughness_m: float, density_kgm3: float, viscosity_pas: float
) -> float:
    """Pressure lost by friction [Pa]."""
    velocity = 4.0 * abs(flow_m3s) / (math.pi * diameter_m * diameter_m)
    factor = friction_factor_scalar(density_kgm3 * velocity * diameter_m / viscosity_pas, roughness_m / diameter_m)
    return factor * length_m / diameter_m * 0.5 * density_kgm3 * velocity * velocity
