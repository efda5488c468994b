"""Compiles the node's C++ on this computer, and loads its Python; a test is skipped where a tool is not installed."""

from __future__ import annotations

import importlib
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
NODE = ROOT / "hardware_notes" / "node"
SKETCH = NODE / "shop_node"
PYTHON_NODE = NODE / "shop_node_py"
STUB = Path(__file__).parent / "arduino_stub"
GXX = shutil.which("g++")
NO_GXX = "g++ is not installed: the node's C++ is not compiled here"
_OURS = ("main", "settings", "signal_math", "mqtt_packets", "mqtt_link", "machine", "network")


def compiled(target: Path, *sources: Path, defines: tuple[str, ...] = (), watchdog: str = "one") -> Path:
    """The program that the sources make, warnings being errors. Skips the test where there is no g++.

    ``watchdog`` names the folder of the stub's watchdog, "" for a board that has none we know.
    """
    told = compiler(target, *sources, defines=defines, watchdog=watchdog)
    assert told.returncode == 0, told.stderr
    return target


def compiler(
    target: Path, *sources: Path, defines: tuple[str, ...] = (), watchdog: str = "one"
) -> subprocess.CompletedProcess[str]:
    """What the compiler says. Skips the test where there is no g++."""
    if GXX is None:
        pytest.skip(NO_GXX)
    command = [GXX, "-std=c++17", "-Wall", "-Wextra", "-Wshadow", "-Werror", "-O1", f"-I{STUB}", f"-I{SKETCH}"]
    if watchdog:
        command.append(f"-I{STUB / 'watchdogs' / watchdog}")
    command += [f"-D{define}" for define in defines] + ["-x", "c++", *map(str, sources), "-o", str(target)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


class Arithmetic:
    """The node's C++ arithmetic, asked line by line."""

    def __init__(self, program: Path) -> None:
        self._process = subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def ask(self, *words: object) -> list[str]:
        """One request; the words of its answer."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(" ".join('""' if word == "" else str(word) for word in words) + "\n")
        self._process.stdin.flush()
        return self._process.stdout.readline().split()

    def close(self) -> None:
        """End it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        assert self._process.wait(90.0) == 0


@contextmanager
def node_modules(*names: str, stubs: dict[str, ModuleType] | None = None) -> Iterator[list[ModuleType]]:
    """The node's Python modules, freshly imported, with ``stubs`` in the place of the board's own."""
    before = {name: sys.modules.pop(name) for name in _OURS if name in sys.modules}
    sys.path.insert(0, str(PYTHON_NODE))
    sys.modules.update(stubs or {})
    try:
        yield [importlib.import_module(name) for name in names]
    finally:
        sys.path.remove(str(PYTHON_NODE))
        for name in _OURS:
            sys.modules.pop(name, None)
        sys.modules.update(before)
