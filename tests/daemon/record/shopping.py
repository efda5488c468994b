"""A store with a month in it, written second by second with numbers that a test can reckon with."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from analysis.estimates import Estimate
from analysis.events import EventKind, ShopEvent
from analysis.readings import Frame, Quality, RunState
from daemon.config.config import Config
from daemon.config.load import parse
from daemon.store.writer import Writer
from tests.support.fresh_store import fresh_store

BARN = Path("daemon/demo/chair-barn.toml")
READINGS = {"inlet_pa": -2100.0, "filter_pa": 310.0, "motor_a": 9.4}


def barn(folder: Path, more: str = "", **replaced: str) -> Config:
    """The barn with its store in ``folder``."""
    text = BARN.read_text()
    for old, new in replaced.items():
        assert old in text
        text = text.replace(old, new)
    head, _, rest = text.partition('[store]\n')
    _, _, rest = rest.partition("\n")
    path = folder / "shop.toml"
    path.write_text(f'{head}{more}\n[store]\nfile = "shop.db"\n{rest}')
    return parse(path.read_text(), path)


class Ledger:
    """Writes a store by the second."""

    def __init__(self, config: Config, keep_raw_days: float = 90.0) -> None:
        self.path = config.at(config.file.store.file)
        fresh_store(self.path)
        self.writer = Writer(self.path, keep_raw_days=keep_raw_days)

    def idle(self, start: float, end: float, every: float = 60.0, **values: float) -> None:
        """The fan stands: one frame a minute."""
        t = start
        while t < end:
            known = {"inlet_pa": -3.0, "filter_pa": 0.5, "motor_a": 0.0, **values}
            self.writer.frame(Frame(t, known, {}, None, RunState.OFF), Estimate(t))
            t += every

    def run(
        self, start: float, seconds: int, *, gates: tuple[str, ...] | None = ("planer",), flow: float = 0.3,
        drag: float = 1.2, readings: Mapping[str, float] = READINGS, missing: str = "", density: float | None = None,
    ) -> None:
        """The fan runs, steady from the first second on."""
        self.writer.run(start, None)
        known = {name: value for name, value in readings.items() if name != missing}
        quality = {missing: Quality.STUCK} if missing else {}
        for second in range(seconds):
            t = start + second
            made = Estimate(
                t, flow_m3s=flow, flow_sd=0.015, filter_drag=900.0 * drag, drag_ratio=drag, flow_lost=0.02, gates=gates,
                air_density_kgm3=density,
            )
            self.writer.frame(Frame(t, known, quality, None, RunState.RUNNING), made)
        self.writer.run(start, start + seconds)

    def note(self, t: float, kind: EventKind, by: str = "owner", text: str = "") -> None:
        """A journal entry."""
        self.writer.event(ShopEvent(t, kind, by, text))

    def close(self) -> None:
        """Everything is stored."""
        assert self.writer.close()
