"""The node's arithmetic in both its languages, compiled and loaded once."""

from __future__ import annotations

from collections.abc import Iterator
from types import ModuleType

import pytest

from tests.hardware.building import STUB, Arithmetic, compiled, node_modules


@pytest.fixture(scope="session")
def cpp(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Arithmetic]:
    """The arithmetic in C++."""
    program = compiled(tmp_path_factory.mktemp("node") / "arithmetic", STUB / "arithmetic.cpp")
    made = Arithmetic(program)
    yield made
    made.close()


@pytest.fixture(scope="session")
def signal_math() -> Iterator[ModuleType]:
    """The arithmetic in Python."""
    with node_modules("signal_math") as (module,):
        yield module


@pytest.fixture(scope="session")
def mqtt_packets() -> Iterator[ModuleType]:
    """The packets in Python."""
    with node_modules("mqtt_packets") as (module,):
        yield module
