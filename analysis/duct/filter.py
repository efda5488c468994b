"""The filter stage: bags whose pressure drop is linear in flow, and whose drag grows with the dust on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FilterStage:
    """Bags of ``area_m2`` [m2] with a ``clean_drag_pasm3`` [Pa s/m3]: pressure drop over flow when just cleaned.

    The dust cake is laminar, so dp = (Se + K2 W) V with the face velocity V = Q/area: drag per area S = Se + K2 W in
    Pa s/m (EPA *Air Pollution Control Cost Manual*, EPA/452/B-02-001, section 6 chapter 1; equations from memory).
    ``clean_at_drag_ratio`` [-], ``clean_at_flow_lost`` [0..1] and ``clean_at_drop_pa`` [Pa] at ``clean_at_drop_flow_m3s``
    [m3/s] are the owner's criteria for cleaning (drag, flow lost at the worst port, pressure at a reference flow); None
    where he has set none. ``uncertainty`` is one relative standard deviation of the clean drag. ``before_fan`` says that
    the bags stand on the suction side; ``fitted`` is False where there are none and the air is blown outside.

    Raises ValueError for an area or drag that is not above zero.
    """

    area_m2: float
    clean_drag_pasm3: float
    clean_at_drag_ratio: float | None = 1.75
    clean_at_flow_lost: float | None = 0.10
    uncertainty: float = 0.15
    clean_at_drop_pa: float | None = None
    clean_at_drop_flow_m3s: float | None = None
    before_fan: bool = False
    fitted: bool = True

    def __post_init__(self) -> None:
        if not self.area_m2 > 0.0:
            raise ValueError(f"filter area {self.area_m2:g} m2 must be more than zero")
        if not self.clean_drag_pasm3 > 0.0:
            raise ValueError(f"clean drag {self.clean_drag_pasm3:g} Pa s/m3 must be more than zero")

    @property
    def clean_area_drag_pasm(self) -> float:
        """Se, drag of the clean cloth per face velocity [Pa s/m]."""
        return self.clean_drag_pasm3 * self.area_m2

    def drop_pa(self, flow_m3s: npt.ArrayLike, drag_pasm3: npt.ArrayLike | None = None) -> Array:
        """Pressure drop over the bags [Pa] at ``flow_m3s``, with ``drag_pasm3`` (None: clean)."""
        drag = self.clean_drag_pasm3 if drag_pasm3 is None else np.asarray(drag_pasm3, dtype=float)
        return np.asarray(drag * np.asarray(flow_m3s, dtype=float))

    def drag_with_load(self, load_kgm2: float, specific_resistance_1s: float) -> float:
        """Drag [Pa s/m3] with ``load_kgm2`` W [kg/m2] of dust of ``specific_resistance_1s`` K2 [1/s] on the cloth.

        >>> round(FilterStage(4.46, 878.0).drag_with_load(0.1, 63000.0))
        2291
        """
        if load_kgm2 < 0.0 or specific_resistance_1s < 0.0:
            raise ValueError("dust load and specific resistance cannot be negative")
        return (self.clean_area_drag_pasm + specific_resistance_1s * load_kgm2) / self.area_m2


def load_after(concentration_kgm3: float, face_velocity_ms: float, seconds: float) -> float:
    """Dust on the cloth W [kg/m2] after ``seconds`` [s] of air of ``concentration_kgm3`` [kg/m3] at a constant face
    velocity [m/s]: W = C V t (the same manual).

    >>> round(load_after(0.001, 0.02, 3600.0), 3)
    0.072
    """
    return concentration_kgm3 * face_velocity_ms * seconds


NO_FILTER = FilterStage(1.0, 1.0, None, None, 0.0, fitted=False)
"""Where there are no bags: a drag of 1 Pa s/m3, a thousandth of what bags have, so that every formula holds."""
