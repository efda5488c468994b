"""Which channels are fitted, and how far one reading of each can be trusted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

MEASURED = ("inlet_pa", "filter_pa", "motor_a", "pitot_pa")
"""The channels that the duct model speaks of, in the order of every vector of the estimator."""


@dataclass(frozen=True, slots=True)
class Sensors:
    """The fitted channels. ``sd`` one standard deviation of one reading [SI of the channel], calibration included;
    ``period_s`` the usual time between frames [s].

    Raises ValueError for a period or a standard deviation that is not above zero.
    """

    sd: Mapping[str, float] = field(default_factory=lambda: {"inlet_pa": 10.0, "filter_pa": 5.0, "motor_a": 0.1})
    period_s: float = 1.0

    def __post_init__(self) -> None:
        if not self.period_s > 0.0:
            raise ValueError(f"period_s is {self.period_s!r}; it must be positive")
        for channel, sd in self.sd.items():
            if not sd > 0.0:
                raise ValueError(f"sd of {channel} is {sd!r}; it must be positive")
