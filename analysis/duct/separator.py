"""A separator stage before or after the fan (cyclone or drop box): a loss that grows with the square of the flow."""

from __future__ import annotations

from dataclasses import dataclass


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
