"""The detectors, in one plain ordered list, and the recognisers."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from analysis.baseline.model import Baseline
from analysis.detectors.bag_full import BagFull
from analysis.detectors.blocked_run import BlockedRun
from analysis.detectors.cleaning import Cleaning
from analysis.detectors.contract import Detector, Recogniser
from analysis.detectors.departures import Departures
from analysis.detectors.emptying import Emptying
from analysis.detectors.expected_air import AirBook
from analysis.detectors.fan_line import FanWatch
from analysis.detectors.filter_blinded import FilterBlinded
from analysis.detectors.filter_breach import FilterBreach
from analysis.detectors.filter_loading import FilterLoading
from analysis.detectors.flow_meter import FlowMeter
from analysis.detectors.growth import Growth
from analysis.detectors.left_running import LeftRunning
from analysis.detectors.limits import Limits
from analysis.detectors.low_velocity import LowVelocity
from analysis.detectors.motor_overload import MotorOverload
from analysis.detectors.open_gate_or_leak import OpenGateOrLeak
from analysis.detectors.sensor_fault import SensorFault
from analysis.detectors.short_cycling import ShortCycling
from analysis.detectors.suction_lost import SuctionLost
from analysis.detectors.weak_fan import WeakFan
from analysis.detectors.worst_port import WorstPort
from analysis.duct.design import DuctDesign


def build_detectors(
    design: DuctDesign, channels: Collection[str], limits: Limits, baseline: Baseline | None = None
) -> list[Detector]:
    """Every detector, fresh, for one shop with these fitted channels, and with its baseline where there is one."""
    motor = design.motor
    meter = FlowMeter(design, baseline)
    watch = FanWatch(design, meter, baseline, air_measured="air_c" in channels)
    departures = Departures(meter, [p.name for p in design.ports if p.has_gate], baseline is not None)
    book = AirBook(design, baseline)
    growth = Growth()
    about_bags: list[Detector] = [] if not design.filter.fitted else [
        FilterBreach(meter, watch),
        BagFull(growth),
        FilterLoading(design.filter, WorstPort(design, book), growth),
        FilterBlinded(design.filter, baseline),
    ]
    return [
        SensorFault(channels, None if motor is None else motor.full_a, design.fan),
        MotorOverload(motor, limits.overload_margin),
        WeakFan(watch),
        *about_bags,
        BlockedRun(meter, watch, departures),
        OpenGateOrLeak(meter, watch, departures),
        LowVelocity(book),
        SuctionLost(watch, departures, limits.suction_lost),
        LeftRunning(limits, growth),
        ShortCycling(limits.starts_per_hour),
    ]


def build_recognisers(
    design: DuctDesign, detectors: Sequence[Detector] = (), baseline: Baseline | None = None
) -> list[Recogniser]:
    """Every recogniser, fresh, for one shop. ``detectors`` are those of the same pipeline: an emptying is recognised by
    what it ends, and a fall of the drag to below that of clean bags is handed to ``filter_breach``.
    """
    bag = next((detector for detector in detectors if isinstance(detector, BagFull)), None)
    breach = next((detector for detector in detectors if isinstance(detector, FilterBreach)), None)
    blinded = next((detector for detector in detectors if isinstance(detector, FilterBlinded)), None)
    return [Cleaning(FlowMeter(design, baseline), breach, blinded), Emptying(bag)]
