"""The examples in the documentation of the code are true."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
WITH_EXAMPLES = sorted(
    str(path.relative_to(ROOT).with_suffix("")).replace("/", ".").removesuffix(".__init__")
    for layer in ("analysis", "daemon", "dashboard")
    for path in (ROOT / layer).rglob("*.py")
    if ">>> " in path.read_text()
)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_the_examples_of_a_module(name: str) -> None:
    found = doctest.testmod(importlib.import_module(name))
    assert found.attempted > 0
    assert found.failed == 0, "printed above"
