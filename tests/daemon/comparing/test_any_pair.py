"""Whatever two recordings, periods or shops are given: an answer, or a sentence with exit code 2, and never a traceback."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from analysis.duct.solve import solve_many
from analysis.estimates import Estimate
from analysis.readings import Frame, RunState
from daemon.__main__ import app
from daemon.comparing.guided import steps_of
from daemon.config.load import load
from daemon.errors import DuctwardenError
from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer
from tests.support.daemon_process import shop_file

BARN = Path("daemon/demo/chair-barn.toml")
DESIGN = load(BARN).design
MONDAY = 1_767_254_400.0
Row = dict[str, Any]
Spoil = Callable[[list[Row]], list[Row]]


def recording(hold_s: int = 90, scale: float = 1.0) -> list[Row]:
    """A rest, then each port open alone, by the engine's own numbers with a little noise; ``scale`` on both pressures."""
    rng, rows, t = np.random.default_rng(5), [], MONDAY
    for _ in range(30):
        rows.append({"t": t, "inlet_pa": 0.0, "filter_pa": 0.0, "motor_a": 0.0})
        t += 10.0
    for port in DESIGN.port_names:
        found = solve_many(DESIGN, np.array([[name == port for name in DESIGN.port_names]]))
        assert found.motor_a is not None
        for _ in range(hold_s):
            noise = rng.normal(1.0, 0.01, 3)
            rows.append({
                "t": t, "inlet_pa": float(found.inlet_pa[0] * noise[0]) * scale,
                "filter_pa": float(found.filter_pa[0] * noise[1]) * scale, "motor_a": float(found.motor_a[0] * noise[2]),
                "gates": {name: name == port for name in DESIGN.port_names}})
            t += 1.0
    return rows


def without(*names: str) -> Spoil:
    return lambda rows: [{k: v for k, v in row.items() if k not in names} for row in rows]


def each(change: Mapping[str, Any]) -> Spoil:
    return lambda rows: [{**row, **{k: v for k, v in change.items() if k in row}} for row in rows]


def other_gates(rows: list[Row]) -> list[Row]:
    return [{**row, "gates": {f"forge {k}": v for k, v in row["gates"].items()}} if "gates" in row else row for row in rows]


SPOILED: dict[str, Spoil] = {
    "nothing in it": lambda rows: [], "a single line": lambda rows: rows[:1], "never running": lambda rows: rows[:30],
    "too short": lambda rows: rows[:50], "gates unknown": without("gates"), "another shop's gates": other_gates,
    "no pressures": without("inlet_pa", "filter_pa"), "only the filter": without("inlet_pa", "motor_a"),
    "only the inlet": without("filter_pa", "motor_a"), "no current": without("motor_a"),
    "all zero": each({"inlet_pa": 0.0, "filter_pa": 0.0}), "no numbers": each({"inlet_pa": None, "filter_pa": math.nan}),
    "signs turned": lambda rows: [{**r, "inlet_pa": -r["inlet_pa"], "filter_pa": -r["filter_pa"]} for r in rows],
    "thirty per cent off": lambda rows: recording(scale=1.3), "a hundredfold": lambda rows: recording(scale=100.0),
    "time stands still": lambda rows: [{**row, "t": MONDAY} for row in rows],
}


STILL_TOLD = ("only the filter", "only the inlet", "no current")


def said(*arguments: object) -> tuple[int, str]:
    """Exit code and all words of a command; anything but an error on purpose fails the test."""
    result = CliRunner().invoke(app, [str(one) for one in arguments])
    if isinstance(result.exception, DuctwardenError):
        return result.exception.exit_code, str(result.exception)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


def written(path: Path, rows: list[Row]) -> Path:
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    return path


@pytest.mark.parametrize("what", [
    pytest.param(what, marks=pytest.mark.long if what in ("only the inlet", "no current") else ()) for what in SPOILED])
def test_two_recordings(tmp_path: Path, what: str) -> None:
    sound = written(tmp_path / "sound.jsonl", recording())
    spoiled = written(tmp_path / "spoiled.jsonl", SPOILED[what](recording()))
    before, after = (sound, spoiled) if len(what) % 2 else (spoiled, sound)
    code, words = said("compare", BARN, "--before-recording", before, "--after-recording", after)
    assert code in (0, 2), words
    assert code == 0 or "annot tell" in words or "spoiled.jsonl" in words, words
    assert "nan %" not in words
    assert code == (0 if what in STILL_TOLD else 2), words


@pytest.mark.parametrize("content", [b"\x00\xff\xfe not a recording", b"{", b"t,inlet_pa\n1,2\n1,2\n", b"\x1f\x8b broken"])
def test_files_that_are_no_recording(tmp_path: Path, content: bytes) -> None:
    broken = tmp_path / "broken.jsonl"
    broken.write_bytes(content)
    code, words = said("compare", BARN, "--before-recording", broken, "--after-recording", broken)
    assert code == 2, words
    assert words.strip()


def test_the_same_recording_twice_is_no_change(tmp_path: Path) -> None:
    path = written(tmp_path / "one.jsonl", recording())
    code, words = said("compare", BARN, "--before-recording", path, "--after-recording", path)
    assert code == 0
    assert "Yes" not in words


WAYS: dict[str, tuple[str, ...]] = {
    "overlap": ("--before", "2026-01-01..2026-01-02", "--after", "2026-01-02T06:00..2026-01-03"),
    "backwards": ("--before", "2026-01-03..2026-01-01", "--after", "2026-01-04..2026-01-05"),
    "no dates": ("--before", "lately", "--after", "now"), "one side": ("--before", "2026-01-01..2026-01-02",),
    "empty times": ("--before", "1999-01-01..1999-01-02", "--after", "2030-01-01..2030-01-02"),
    "no entry": (), "no such entry": ("--entry", "99"), "no baselines": ("--baselines", "one", "other"),
    "no such run": ("--before", "2026-01-01", "--after", "2026-01-02", "--joined", "attic"),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("filled", [False, True])
def test_periods_of_a_store_without_a_baseline(tmp_path: Path, way: str, filled: bool) -> None:
    path = shop_file(tmp_path, '[[source]]\nkind = "serial"\nname = "node"\ndevice = "/dev/none"', port=0)
    store = load(path).at("shop.db")
    ensure_schema(store, here=True)
    if filled:
        writer = Writer(store)
        for k in range(60):
            values = {"inlet_pa": -1500.0, "filter_pa": 300.0, "motor_a": 9.0}
            writer.frame(Frame(MONDAY + k, values, state=RunState.RUNNING), Estimate(MONDAY + k))
        writer.flush(force=True)
        writer.close()
    code, words = said("compare", path, *WAYS[way])
    assert code == 2, words
    assert words.strip()


def test_a_check_walks_only_the_ports_that_the_change_can_touch_and_one_other() -> None:
    assert steps_of(DESIGN, "bench run") == ((), ("planer",), ("lathe",), ("shaving horse",))
    assert steps_of(DESIGN, "main") == steps_of(DESIGN, "") == ((), *((name,) for name in DESIGN.port_names))
