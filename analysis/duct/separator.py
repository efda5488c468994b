"""A separator stage before or after the fan (cyclone or drop box): a loss that grows with the square of the flow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Separator:
    """A stage that loses ``loss_pa`` [Pa] at ``at_flow_m3s`` [m3/s] in air of ``at_density_kgm3`` [kg/m3].

    dp = loss (Q/Qat)^2 rho/rhoat: the flow in it is fully turbulent (common practice for cyclones; the pressure
    coefficient of a given body is constant). ``uncertainty`` is one relative standard deviation of the loss;
    ``after_fan`` says that it stands behind the fan. Raises ValueError for values that are not above zero.
    """

    loss_pa: float
    at_flow_m3s: float
    at_density_kgm3: float = 1.201385
    uncertainty: float = 0.15
    after_fan: bool = False

    def __post_init__(self) -> None:
        for name in ("loss_pa", "at_flow_m3s", "at_density_kgm3"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"separator {name} {getattr(self, name):g} must be more than zero")

    @property
    def coefficient(self) -> float:
        """c of dp = c rho Q|Q| [1/m4]."""
        return self.loss_pa / (self.at_flow_m3s**2 * self.at_density_kgm3)

    def drop_scalar(self, flow_m3s: float, density_kgm3: float) -> float:
        """Pressure lost [Pa] at one flow; odd in the flow.

        >>> round(Separator(500.0, 0.3).drop_scalar(0.6, 1.201385))
        2000
        """
        return self.coefficient * density_kgm3 * flow_m3s * abs(flow_m3s)

    def drop_pa(self, flow_m3s: npt.ArrayLike, density_kgm3: npt.ArrayLike) -> Array:
        """Pressure lost [Pa] at ``flow_m3s`` [m3/s]; arguments broadcast, odd in the flow."""
        flow = np.asarray(flow_m3s, dtype=float)
        return np.asarray(self.coefficient * np.asarray(density_kgm3, dtype=float) * flow * np.abs(flow))
