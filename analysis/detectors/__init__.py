"""What can be wrong, judged block by block. One shared reading of the shop (:mod:`.core`), one detector for each condition.

The order of the list is that of work, not of importance; which finding explains which is :mod:`analysis.causes`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from analysis.baseline.model import Baseline
from analysis.detectors.air import AirBook
from analysis.detectors.bag import BagFull, Emptying
from analysis.detectors.channels import SensorFault
from analysis.detectors.contract import Detector, Recogniser
from analysis.detectors.core import Core
from analysis.detectors.ducts import BlockedRun, LowVelocity, OpenGateOrLeak, SuctionLost, WeakFan
from analysis.detectors.filters import Cleaning, FilterBlinded, FilterBreach, FilterLoading
from analysis.detectors.limits import Limits
from analysis.detectors.motor import LeftRunning, MotorOverload, ShortCycling
from analysis.duct.design import DuctDesign


def build_detectors(
    design: DuctDesign, channels: Iterable[str], limits: Limits, baseline: Baseline | None = None
) -> list[Detector]:
    """Every detector, fresh, for one shop with these fitted channels, and with its baseline where there is one."""
    fitted = tuple(channels)
    motor = design.motor
    core = Core(design, baseline, frozenset(fitted))
    book = AirBook(design, baseline)
    sensors = SensorFault(core, fitted, None if motor is None else motor.full_a, design.fan)
    about_bags: list[Detector] = [] if not design.filter.fitted else [
        FilterBreach(core, sensors), BagFull(core), FilterLoading(core, design.filter, book), FilterBlinded(core, design.filter)]
    return [
        sensors,
        MotorOverload(core, motor, limits.overload_margin),
        WeakFan(core),
        *about_bags,
        BlockedRun(core, limits.suction_lost),
        OpenGateOrLeak(core),
        LowVelocity(core, book),
        SuctionLost(core, limits.suction_lost),
        LeftRunning(core, limits, sensors),
        ShortCycling(limits.starts_per_hour),
    ]


def build_recognisers(detectors: Sequence[Detector]) -> list[Recogniser]:
    """Every recogniser for the same shop: they share its core with the detectors."""
    breach = next((one for one in detectors if isinstance(one, FilterBreach)), None)
    return [Emptying()] if breach is None else [Cleaning(breach), Emptying()]
