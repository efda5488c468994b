"""Frozen dataclasses that are made in a third of the time, for what is made with every frame.

A frozen dataclass fills its slots by ``object.__setattr__``, a hundred nanoseconds for each: with readings, frames,
estimates, statistics and evidence that was a sixth of all time a replay took. Here the slots are filled in a twin class
that has the same slots and may be written to; the finished object is then given its own class, and is as frozen as ever.
"""

from __future__ import annotations

import dataclasses
from typing import Any, TypeVar

T = TypeVar("T")


def quick(cls: type[T]) -> type[T]:
    """``cls``, a frozen dataclass with slots and without ``__post_init__``, with a faster way to be made.

    Everything else stays: parameters and defaults, equality, hash, ``dataclasses.replace``, copies and pickles.
    Raises TypeError for a class of another kind.

    >>> @quick
    ... @dataclasses.dataclass(frozen=True, slots=True)
    ... class Point:
    ...     x: float
    ...     y: float = 0.0
    >>> Point(1.0), dataclasses.replace(Point(1.0), y=2.0)
    (Point(x=1.0, y=0.0), Point(x=1.0, y=2.0))
    >>> Point(1.0).x = 3.0
    Traceback (most recent call last):
    dataclasses.FrozenInstanceError: cannot assign to field 'x'
    """
    fields = dataclasses.fields(cls)  # type: ignore[arg-type]  # raises TypeError where it is no dataclass
    frozen = getattr(cls, "__dataclass_params__").frozen  # noqa: B009 (no type checker knows it)
    if cls.__bases__ != (object,) or hasattr(cls, "__post_init__") or not frozen or "__slots__" not in cls.__dict__:
        raise TypeError(f"{cls.__name__} is no plain frozen dataclass with slots")
    twin = type(f"_{cls.__name__}Twin", (), {"__slots__": tuple(field.name for field in fields)})
    names: dict[str, Any] = {"_twin": twin, "_class": cls, "_missing": dataclasses.MISSING}
    parameters, steps = [], ["    made = _twin()"]
    for field in fields:
        name = field.name
        if field.default is not dataclasses.MISSING:
            names[f"_default_{name}"] = field.default
            parameters.append(f"{name}=_default_{name}")
        elif field.default_factory is not dataclasses.MISSING:
            names[f"_factory_{name}"] = field.default_factory
            parameters.append(f"{name}=_missing")
            steps.append(f"    if {name} is _missing: {name} = _factory_{name}()")
        else:
            parameters.append(name)
        steps.append(f"    made.{name} = {name}")
    text = "\n".join([f"def __new__(cls, {', '.join(parameters)}):", *steps, "    made.__class__ = _class", "    return made"])
    exec(text, names)
    setattr(cls, "__new__", staticmethod(names["__new__"]))  # noqa: B010
    setattr(cls, "__reduce__", lambda made: (cls, tuple(getattr(made, field.name) for field in fields)))  # noqa: B010
    del cls.__init__  # what __new__ has made needs nothing more
    return cls
