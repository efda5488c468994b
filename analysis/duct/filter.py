"""The filter stage: bags whose pressure drop is linear in flow, and whose drag grows with the dust on them."""

from __future__ import annotations

from dataclasses import dataclass


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


NO_FILTER = FilterStage(1.0, 1.0, None, None, 0.0, fitted=False)
"""Where there are no bags: a drag of 1 Pa s/m3, a thousandth of what bags have, so that every formula holds."""
