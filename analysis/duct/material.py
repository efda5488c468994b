"""Published velocities that carry a material along a duct, to compare a design with."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.duct.design import Material
from analysis.units import FPM_MS

__all__ = ["CARRYING", "DEFAULT", "CarryingRange", "Material", "default_material"]


@dataclass(frozen=True, slots=True)
class CarryingRange:
    """A published range of duct design velocities [m/s] for a class of material, and where it stands."""

    material: str
    low_ms: float
    high_ms: float
    source: str


_ACGIH = "ACGIH Industrial Ventilation, minimum duct design velocities"
_HSG258 = "HSE HSG258, 2nd edition, duct velocities (from memory)"

CARRYING: tuple[CarryingRange, ...] = (
    CarryingRange(
        "very fine light dust: wood flour, lint", 2500 * FPM_MS, 3000 * FPM_MS, f"{_ACGIH} (seen in a copy)"
    ),
    CarryingRange(
        "dry dusts and powders, light shavings", 3000 * FPM_MS, 4000 * FPM_MS, f"{_ACGIH} (seen in a copy)"
    ),
    CarryingRange("average industrial dust", 3500 * FPM_MS, 4000 * FPM_MS, f"{_ACGIH} (seen in a copy)"),
    CarryingRange(
        "heavy or wet sawdust, wood blocks", 4000 * FPM_MS, 4500 * FPM_MS, f"{_ACGIH} (copies disagree above)"
    ),
    CarryingRange("sawdust, low density, dry", 15.0, 15.0, _HSG258),
    CarryingRange("wood shavings and process dust", 20.0, 20.0, _HSG258),
    CarryingRange("large or damp wood waste", 25.0, 25.0, _HSG258),
)

DEFAULT = Material("wood dust and shavings", 3500 * FPM_MS, 4000 * FPM_MS)
"""Mains 3500 fpm, branches 4000 fpm: the usual figures for woodworking hoods (ACGIH VS-95 series, from memory)."""


def default_material() -> Material:
    """Wood dust and shavings: 3500 fpm in mains, 4000 fpm in branches (:data:`DEFAULT`)."""
    return DEFAULT
