"""State that survives a restart: named attributes as plain JSON values, taken back only in the shape they were kept."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, ClassVar


def number(value: object) -> float | None:
    """``value`` as a finite float, else None.

    >>> number(3), number("3"), number(float("nan"))
    (3.0, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def kept_number(value: object) -> float:
    """A number out of a row of mixed values that this program kept itself."""
    assert isinstance(value, int | float)
    return float(value)


def sound(value: object) -> bool:
    """Whether a value read back holds nothing but text, truth, None and finite numbers, in lists and tables."""
    if isinstance(value, Mapping):
        return all(isinstance(key, str) and sound(item) for key, item in value.items())
    if isinstance(value, list):
        return all(sound(item) for item in value)
    return value is None or isinstance(value, bool | str) or number(value) is not None


def fits(value: object, like: object) -> bool:
    """Whether ``value`` may stand where ``like`` stands: None may be a number or text; a list of numbers keeps its length
    where ``like`` is not empty, and its rows."""
    if like is None:
        return value is None or isinstance(value, str | list | bool) or number(value) is not None
    if isinstance(like, bool | str):
        return isinstance(value, type(like))
    if isinstance(like, int | float):
        return number(value) is not None
    if isinstance(like, list):
        if not isinstance(value, list):
            return False
        return not like or (len(value) == len(like) and all(fits(v, one) for v, one in zip(value, like, strict=True)))
    return isinstance(value, dict) if isinstance(like, dict) else False


class Keeping:
    """``KEPT`` names the attributes of the state; those that are Keeping themselves are kept within."""

    KEPT: ClassVar[tuple[str, ...]] = ()

    def snapshot(self) -> dict[str, object]:
        """What was learned, as plain JSON values, so that a restart forgets nothing."""
        return {name.lstrip("_"): _plain(getattr(self, name)) for name in self.KEPT}

    def restore(self, data: Mapping[str, object]) -> None:
        """Take back a :meth:`snapshot`. What has another shape is left out and learned anew, all of it."""
        if not isinstance(data, Mapping):
            return
        found: dict[str, Any] = {}
        for name in self.KEPT:
            now, value = getattr(self, name), data.get(name.lstrip("_"))
            if isinstance(now, Keeping):
                if isinstance(value, Mapping):
                    now.restore(value)
            elif name.lstrip("_") not in data or not sound(value) or not fits(value, now):
                return
            else:
                found[name] = value
        for name, value in found.items():
            now = getattr(self, name)
            setattr(self, name, float(value) if isinstance(now, float) and not isinstance(value, bool) else value)


def _plain(value: Any) -> object:
    if isinstance(value, Keeping):
        return value.snapshot()
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value
