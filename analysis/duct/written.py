"""Losses as a person writes them: what every text of a fitting, an opening or a gate has in common.

All coefficients are total-pressure losses in velocity pressures. Most hold on the duct that the fitting sits in;
where a fitting has a size of its own (a reducer, an orifice), the loss is stated there and :meth:`FixedLoss.k_on`
carries it over.
"""

from __future__ import annotations

from dataclasses import dataclass

from analysis import units
from analysis.duct.stock import StockError, meant, pipe, plain

ELBOW_SD = 0.20
"""One relative standard deviation of an elbow's loss: the spread of the published methods (Crane, Miller, Ito,
Rennels)."""

NUMBER = r"(\d+(?:\.\d+)?|\.\d+)"
"""A number without a sign, as a group of a regular expression."""


__all__ = ["ELBOW_SD", "NUMBER", "FittingError", "FixedLoss", "between", "meant", "plain", "size"]


class FittingError(ValueError):
    """A text names no fitting, opening or gate that is known; the message says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class FixedLoss:
    """A loss that does not change with flow: ``k`` velocity pressures of a duct of ``at_diameter_m`` [m] inside.

    ``at_diameter_m`` None means the duct that the fitting sits in. ``relative_sd`` is one relative standard deviation.
    """

    text: str
    k: float
    at_diameter_m: float | None = None
    relative_sd: float = ELBOW_SD

    def k_on(self, diameter_m: float) -> float:
        """The loss in velocity pressures of a duct of ``diameter_m`` [m]: k (D/Dat)^4.

        >>> FixedLoss("orifice 3 in", 1.0, 0.0762).k_on(0.1524)
        16.0
        """
        return self.k if self.at_diameter_m is None else self.k * (diameter_m / self.at_diameter_m) ** 4


def between(text: str, written: str, low: float, high: float) -> float:
    """The number written. Raises :class:`FittingError`, quoting the whole ``text``, outside ``low`` to ``high``."""
    number = float(written)
    if not low <= number <= high:
        raise FittingError(f"{text!r}: {written} is outside {low:g} to {high:g}")
    return number


def size(text: str, written: str) -> float:
    """Inside diameter [m] of a bare size ("4 in") or a pipe ("D2729 4 in"). Raises :class:`FittingError`."""
    try:
        diameter = units.parse(written, "length")
    except units.UnitError:
        try:
            return pipe(written).inside_diameter_m
        except StockError as error:
            raise FittingError(f"{text!r}: {written!r} is neither a size such as '4 in' nor a known pipe") from error
    if not 0.01 <= diameter <= 2.0:
        raise FittingError(f"{text!r}: {written} is outside 10 mm to 2 m")
    return diameter
