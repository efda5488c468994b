"""The motor: what current an induction motor draws for a shaft power and a line voltage.

Current is not power: an idle motor still draws its magnetising current. The model has three parts. Losses: a share that
is always there, and one that grows with the square of the load. Active current: power in over voltage. Reactive
current: magnetising at idle, growing with the square of the load to what the plate's full-load current implies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analysis.duct.pchip import between
from analysis.units import HORSEPOWER_W

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Array = npt.NDArray[np.float64]

IDLE_SHARE = 0.40
"""Idle current over full-load current: 0.30 to 0.50 (from memory)."""

_CONSTANT_LOSS = 0.45
"""Share of the full-load losses that is there at idle: iron, windage, friction (common practice, no source)."""

_HP = (1.0, 1.5, 2.0, 3.0, 5.0)
_EFFICIENCY = {1: (0.70, 0.74, 0.77, 0.79, 0.82), 3: (0.825, 0.84, 0.84, 0.875, 0.875)}
"""Typical full-load efficiency by power and phases (common practice, no source)."""

NEC_SINGLE_PHASE = {
    115.0: {1.0: 16.0, 1.5: 20.0, 2.0: 24.0, 3.0: 34.0, 5.0: 56.0},
    230.0: {1.0: 8.0, 1.5: 10.0, 2.0: 12.0, 3.0: 17.0, 5.0: 28.0},
}
"""Full-load current [A] by line voltage and horsepower: NEC table 430.248 (seen in a copy of the 1999 edition)."""

NEC_THREE_PHASE = {
    115.0: {1.0: 8.4, 1.5: 12.0, 2.0: 13.6},
    230.0: {1.0: 4.2, 1.5: 6.0, 2.0: 6.8, 3.0: 9.6, 5.0: 15.2},
    460.0: {1.0: 2.1, 1.5: 3.0, 2.0: 3.4, 3.0: 4.8, 5.0: 7.6},
}
"""Full-load current [A]: NEC table 430.250 (seen in a copy of the 2008 edition; the 460 V column is from memory)."""


def nec_full_load_a(power_w: float, phases: int, voltage_v: float) -> float | None:
    """Full-load current [A] of the NEC tables for a motor of ``power_w`` [W], None outside them.

    Between the table's powers it interpolates linearly; the voltage is carried from the nearest column by power over
    voltage, within 20 % of it (so 240 V reads the 230 V column).

    >>> nec_full_load_a(2 * 745.69987, 1, 230.0).__round__(2)
    12.0
    """
    table = NEC_SINGLE_PHASE if phases == 1 else NEC_THREE_PHASE
    column = min(table, key=lambda volts: abs(math.log(voltage_v / volts)))
    if not 0.8 <= voltage_v / column <= 1.2:
        return None
    rows = table[column]
    horsepower = power_w / HORSEPOWER_W
    powers = sorted(rows)
    if not powers[0] * 0.98 <= horsepower <= powers[-1] * 1.02:
        return None
    return between(horsepower, powers, [rows[p] for p in powers]) * column / voltage_v


@dataclass(frozen=True, slots=True)
class Motor:
    """An induction motor by its plate: ``power_w`` [W], ``phases`` 1 or 3, ``voltage_v`` [V], ``full_load_a`` [A].

    ``full_load_a`` None takes the NEC table's value (see :func:`nec_full_load_a`) and is filled in, also as ``full_a``;
    ``efficiency`` None takes a typical one.
    ``service_factor`` is the plate's; ``idle_share`` idle over full-load current; ``uncertainty`` one relative
    standard deviation of the current at a known shaft power.

    Raises ValueError when the plate contradicts itself (more power out than volts and amperes can bring in) or no
    full-load current is given and the tables have none.
    """

    power_w: float
    phases: int
    voltage_v: float
    full_load_a: float | None = None
    service_factor: float = 1.0
    efficiency: float | None = None
    idle_share: float = IDLE_SHARE
    uncertainty: float = 0.05
    full_a: float = field(init=False)
    full_efficiency: float = field(init=False)
    _reactive: tuple[float, float] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if self.phases not in (1, 3):
            raise ValueError(f"a motor has 1 or 3 phases, found {self.phases}")
        if not (self.power_w > 0.0 and self.voltage_v > 0.0):
            raise ValueError("motor power and voltage must be more than zero")
        full = self.full_load_a
        if full is None:
            full = nec_full_load_a(self.power_w, self.phases, self.voltage_v)
            if full is None:
                raise ValueError(
                    f"no table value for {self.power_w:.0f} W, {self.phases} phase, {self.voltage_v:g} V:"
                    " give full_load_current from the motor's plate"
                )
        apparent = self._phase_factor * self.voltage_v * full
        efficiency = self.efficiency
        if efficiency is None:
            typical = between(self.power_w / HORSEPOWER_W, _HP, _EFFICIENCY[self.phases])
            # A plate with little current for its power means a better motor than the typical one.
            efficiency = max(typical, self.power_w / (0.98 * apparent))
        if not 0.3 < efficiency < 1.0 or self.power_w / efficiency > apparent:
            raise ValueError(
                f"the plate contradicts itself: {self.power_w:.0f} W at the shaft cannot come from {self.voltage_v:g} V"
                f" and {full:g} A ({self.phases} phase)"
            )
        object.__setattr__(self, "full_a", full)
        object.__setattr__(self, "full_load_a", full)
        object.__setattr__(self, "full_efficiency", efficiency)
        active_idle = self._active(0.0, self.voltage_v)
        active_full = self._active(self.power_w, self.voltage_v)
        idle = math.sqrt(max(0.0, (self.idle_share * full) ** 2 - active_idle**2))
        loaded = math.sqrt(max(0.0, full * full - active_full * active_full))
        object.__setattr__(self, "_reactive", (idle, loaded - idle))

    @property
    def _phase_factor(self) -> float:
        return 1.0 if self.phases == 1 else math.sqrt(3.0)

    def _active(self, shaft_w: float, volts: float) -> float:
        load = shaft_w / self.power_w
        losses = self.power_w * (1.0 / self.full_efficiency - 1.0)
        power_in = shaft_w + losses * (_CONSTANT_LOSS + (1.0 - _CONSTANT_LOSS) * load * load)
        return power_in / (self._phase_factor * volts)

    def power_in_w(self, shaft_w: float) -> float:
        """Electrical power [W] drawn for ``shaft_w`` [W] at the shaft."""
        return self._active(shaft_w, self.voltage_v) * self.voltage_v * self._phase_factor

    def current_scalar(self, shaft_w: float, line_v: float | None = None) -> float:
        """RMS line current [A] for one shaft power [W] and line voltage [V] (None: the plate's).

        >>> motor = Motor(1491.4, 1, 230.0, 11.2)
        >>> round(motor.current_scalar(1491.4), 2), round(motor.current_scalar(0.0), 2)
        (11.2, 4.48)
        """
        ratio = 1.0 if line_v is None else line_v / self.voltage_v
        load = shaft_w / self.power_w
        active = self._active(shaft_w, self.voltage_v * ratio)
        reactive = self._reactive[0] * ratio + self._reactive[1] * load * load / ratio
        return math.sqrt(active * active + reactive * reactive)

    def current_a(self, shaft_w: npt.ArrayLike, line_v: npt.ArrayLike | None = None) -> Array:
        """RMS line current [A]: I = sqrt(Ia^2 + Ir^2), ``shaft_w`` [W] and ``line_v`` [V] broadcast.

        Ia = (P + losses)/(k V), k = 1 or sqrt(3); losses = full-load losses (0.45 + 0.55 (P/Prated)^2); Ir = I0
        V/Vrated + (I1 - I0) (P/Prated)^2 Vrated/V. It meets the plate at full load and ``idle_share`` at idle. Meant
        for 0 to 150 % of rated power and 85 to 115 % of rated voltage; the form is common practice, no source. """
        import numpy as np

        power = np.asarray(shaft_w, dtype=float)
        ratio = np.asarray(1.0 if line_v is None else np.asarray(line_v, dtype=float) / self.voltage_v)
        load = power / self.power_w
        losses = self.power_w * (1.0 / self.full_efficiency - 1.0)
        power_in = power + losses * (_CONSTANT_LOSS + (1.0 - _CONSTANT_LOSS) * load * load)
        active = power_in / (self._phase_factor * self.voltage_v * ratio)
        reactive = self._reactive[0] * ratio + self._reactive[1] * load * load / ratio
        return np.asarray(np.hypot(active, reactive))
