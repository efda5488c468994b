"""The operating point of a duct design: where the fan's rise and the losses of the ducts and the filter meet."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

import numpy.typing as npt

from analysis.duct.design import AS_DRAWN, NO_FAULTS, AsBuilt, DuctDesign, Faults
from analysis.duct.points import Bools, OperatingPoint, OperatingPoints

if TYPE_CHECKING:
    from analysis.air import Air


def solve(
    design: DuctDesign, open_ports: Collection[str], *, air: Air | None = None, filter_drag_pasm3: float | None = None,
    fan_speed_ratio: float = 1.0, line_v: float | None = None, as_built: AsBuilt = AS_DRAWN, faults: Faults = NO_FAULTS,
) -> OperatingPoint:
    """Solve one gate set (the ports named in ``open_ports`` open, the others shut)."""
    raise NotImplementedError


def solve_many(
    design: DuctDesign, gates: Bools, *, air: Air | None = None, filter_drag_pasm3: npt.ArrayLike | None = None,
    fan_speed_ratio: npt.ArrayLike = 1.0, line_v: float | None = None, as_built: AsBuilt = AS_DRAWN,
    faults: Faults = NO_FAULTS,
) -> OperatingPoints:
    """Solve many gate sets at once: ``gates`` is boolean, (n, ports), columns in the order of ``design.port_names``."""
    raise NotImplementedError
