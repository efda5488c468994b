"""The detectors, in one plain ordered list."""

from __future__ import annotations

from analysis.detectors.bag_full import BagFull
from analysis.detectors.contract import Detector, Recogniser
from analysis.detectors.filter_loading import FilterLoading
from analysis.duct.design import DuctDesign


def build_detectors(design: DuctDesign) -> list[Detector]:
    """Every detector, fresh, for one shop."""
    return [FilterLoading(design.filter), BagFull()]


def build_recognisers(design: DuctDesign) -> list[Recogniser]:
    """Every recogniser, fresh, for one shop."""
    return []
