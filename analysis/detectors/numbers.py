"""Reading numbers out of a snapshot, which may come from an older version: anything unexpected is None."""

from __future__ import annotations

import math


def number(value: object) -> float | None:
    """``value`` as a finite float, else None.

    >>> number(3), number("3"), number(float("nan"))
    (3.0, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def number_list(value: object) -> list[float] | None:
    """``value`` as a list of finite floats, else None."""
    if not isinstance(value, list):
        return None
    found = [number(item) for item in value]
    return None if any(item is None for item in found) else [item for item in found if item is not None]


def as_list(value: object) -> list[object]:
    """``value`` if it is a list, else an empty one."""
    return value if isinstance(value, list) else []


def names_of(value: object) -> tuple[str, ...]:
    """The strings of a list out of a snapshot.

    >>> names_of(["planer", 3]), names_of(None)
    (('planer',), ())
    """
    return tuple(item for item in as_list(value) if isinstance(item, str))
