"""The configuration as the daemon uses it: frozen, SI, complete. :func:`daemon.config.load.load` builds it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from analysis.air import Air
from analysis.duct.design import DuctDesign
from analysis.run_state import RunThresholds
from analysis.units import System
from daemon.calibrate import SensorSpec
from daemon.config.model import ShopFile


@dataclass(frozen=True, slots=True)
class Config:
    """Everything the daemon was told.

    ``file`` is the checked file as written (sources, outlets, alarms, dashboard and store are built from it where they
    are wired); the rest is what needed computing. Paths in the file are relative to the file's own folder, ``folder``.
    """

    path: Path
    text: str
    file: ShopFile
    design: DuctDesign
    air: Air
    sensors: tuple[SensorSpec, ...]
    running: RunThresholds
    warnings: tuple[str, ...] = ()

    @property
    def units(self) -> System:
        """What the screen shows first."""
        return self.file.shop.units

    @property
    def folder(self) -> Path:
        """Where relative paths in the file start from."""
        return self.path.parent

    def at(self, name: str) -> Path:
        """A path named in the file."""
        return (self.folder / name).expanduser()
