"""The detectors, in one plain ordered list."""

from __future__ import annotations

from collections.abc import Collection

from analysis.detectors.bag_full import BagFull
from analysis.detectors.contract import Detector, Recogniser
from analysis.detectors.filter_loading import FilterLoading
from analysis.detectors.left_running import LeftRunning
from analysis.detectors.limits import Limits
from analysis.detectors.motor_overload import MotorOverload
from analysis.detectors.sensor_fault import SensorFault
from analysis.detectors.short_cycling import ShortCycling
from analysis.duct.design import DuctDesign


def build_detectors(design: DuctDesign, channels: Collection[str], limits: Limits) -> list[Detector]:
    """Every detector, fresh, for one shop with these fitted channels."""
    motor = design.motor
    return [
        SensorFault(channels, None if motor is None else motor.full_a),
        MotorOverload(motor, limits.overload_margin),
        BagFull(),
        FilterLoading(design.filter),
        LeftRunning(limits),
        ShortCycling(limits.starts_per_hour),
    ]


def build_recognisers(design: DuctDesign) -> list[Recogniser]:
    """Every recogniser, fresh, for one shop."""
    return []
