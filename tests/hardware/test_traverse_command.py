"""``ductwarden traverse``: the empty form, the filled-in one, its mistakes, and the comparison with a store."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from analysis import units
from analysis.air import moist_air
from analysis.duct.solve import solve
from analysis.estimates import Estimate
from analysis.readings import RunState
from analysis.traverse import wall_distances
from daemon.cli.traverse import empty_form, read_form, traverse
from daemon.config.load import load
from daemon.errors import ConfigError
from tests.daemon.store.making import frame, new_writer

DEMO = Path(__file__).parents[2] / "daemon" / "demo" / "chair-barn.toml"
TEN = datetime(2026, 3, 2, 10, 0, 0).timestamp()
MAIN_M = units.parse("6.075 in", "length")
AIR_C, BAROMETER, STATIC = 15.0, 99_000.0, -2_300.0


def run(*arguments: str) -> str:
    app = typer.Typer()
    app.command()(traverse)
    result = CliRunner().invoke(app, list(arguments))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def filled(folder: Path, readings: list[list[float]], changes: dict[str, str] | None = None, more: str = "") -> Path:
    """The empty form as a person fills it in."""
    text = empty_form("6.075 in", "log-linear", 3, 2).replace('unit = "inwg"', 'unit = "Pa"')
    values = {"began": "2026-03-02T10:00:00", "ended": "2026-03-02T10:06:00", "run": "main", "air": "15 C",
              "barometer": "99000 Pa", "static": "-2300 Pa"} | (changes or {})
    for name, value in values.items():
        text, count = re.subn(rf'^{name} = ".*?"', f'{name} = "{value}"', text, count=1, flags=re.M)
        assert count == 1, name
    rows = "\n".join(f"    {row}," for row in readings)
    text = re.sub(r"readings = \[.*\]\n\Z", f"readings = [\n{rows}\n]\n{more}", text, flags=re.S)
    path = folder / "traverse.toml"
    path.write_text(text)
    return path


def profile(flow_room: float) -> list[list[float]]:
    """Velocity pressures of a seventh-power profile that carries this flow, as air of the room."""
    duct = moist_air(AIR_C, BAROMETER + STATIC, 0.5).density_kgm3
    room = moist_air(AIR_C, BAROMETER, 0.5).density_kgm3
    mean = flow_room * room / duct / (3.14159265 / 4 * MAIN_M**2)
    # 2 int r (1-r)^(1/7) dr = 98/120
    centre = mean * 120.0 / 98.0
    row = [0.5 * duct * (centre * (1.0 - abs(1.0 - 2.0 * y)) ** (1 / 7)) ** 2 for y in wall_distances("log-linear", 3)]
    return [[round(p, 2) for p in row]] * 2


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Path]:
    """The barn with a store in which the estimate says ``flow`` from ten o'clock on."""
    def make(flow: float, sd: float = 0.008, drag: float | None = None) -> Path:
        path = tmp_path / "shop.toml"
        path.write_text(DEMO.read_text())
        writer = new_writer(tmp_path / "demo.db")
        for second in range(360):
            t = TEN + second
            estimate = Estimate(t, flow_m3s=flow, flow_sd=sd, filter_drag=drag, gates=("planer",))
            writer.frame(frame(t, RunState.RUNNING), estimate)
        writer.close()
        return path

    return make


def test_an_empty_form_says_where_the_tip_goes(tmp_path: Path) -> None:
    text = run("--diameter", "6 in", "--lines", "2")
    for number, y in enumerate(wall_distances("log-linear", 3), 1):
        assert f"#   {number}: {y * 152.4:5.1f} mm   {y * 6:6.3f} in" in text
    path = tmp_path / "form.toml"
    path.write_text(text)
    with pytest.raises(ConfigError) as wrong:
        read_form(path)
    said = str(wrong.value)
    for name in ("began", "ended", "air", "barometer", "static"):  # what only the person at the duct knows
        assert f"{path}: {name}: " in said
    for name in ("diameter", "readings", "method", "unit"):
        assert f": {name}: " not in said


def test_a_flow_that_is_known_is_found(tmp_path: Path) -> None:
    form = read_form(filled(tmp_path, profile(0.300)))
    found = form.traverse()
    assert form.room_flow_m3s(found) == pytest.approx(0.300, rel=0.006)
    assert found.flow_m3s > form.room_flow_m3s(found)  # thinner in the duct
    out = run(str(form.path), "--units", "si")
    shown = re.search(r"flow (\d+) m³/h ± (\d+) m³/h as air of the room", out)
    assert shown is not None
    assert float(shown[1]) == pytest.approx(0.300 * 3600, rel=0.007)
    assert 0.015 < float(shown[2]) / float(shown[1]) < 0.03
    assert "doubt" not in out


def test_agreement_with_the_store_and_the_drawing(tmp_path: Path, shop: Callable[..., Path]) -> None:
    config = load(DEMO)
    drawn = solve(config.design, ("planer",), air=moist_air(AIR_C, BAROMETER, 0.5)).flow_m3s
    out = run(str(filled(tmp_path, profile(drawn))), "--shop", str(shop(drawn * 1.01)))
    assert re.search(r"estimate of those minutes: \d+ cfm ± \d+ cfm, \+[01]\.\d% of the traverse, .*: they agree", out)
    assert re.search(r"drawing of main with planer open and clean bags: .*: they agree", out)


def test_a_contradiction_is_said(tmp_path: Path, shop: Callable[..., Path]) -> None:
    out = run(str(filled(tmp_path, profile(0.25))), "--shop", str(shop(0.32, drag=900.0)))
    assert "they contradict each other" in out
    assert "the bags as they were" in out


def test_other_runs_and_unknown_minutes(tmp_path: Path, shop: Callable[..., Path]) -> None:
    path = shop(0.3)
    out = run(str(filled(tmp_path, profile(0.3), {"run": "east main"})), "--shop", str(path))
    assert "the drawing of east main with planer open" in out
    assert "traverse 'main' to check it" in out
    late = {"began": "2026-03-02T15:00:00", "ended": "2026-03-02T15:05:00"}
    out = run(str(filled(tmp_path, profile(0.3), late)), "--shop", str(path))
    assert "not yet known (the store holds 0 running seconds" in out
    assert "the open gates are not known" in out
    text = filled(tmp_path, profile(0.3), late).read_text().replace("# open = ", "open = ")
    (tmp_path / "traverse.toml").write_text(text)
    assert "the drawing of main with planer open" in run(str(tmp_path / "traverse.toml"), "--shop", str(path))
    assert "no run or port is named 'attic'" in run(
        str(filled(tmp_path, profile(0.3), {"run": "attic"})), "--shop", str(path)
    )


def test_a_shop_without_a_store(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(DEMO.read_text())
    assert "not yet known (there is no database" in run(str(filled(tmp_path, profile(0.3))), "--shop", str(path))


@pytest.mark.parametrize(("changes", "readings", "words"), [
    ({"air": "15"}, None, "air: '15' has no unit"),
    ({"barometer": "29.3"}, None, "barometer: '29.3' has no unit"),
    ({"barometer": "12 psi"}, None, ""),
    ({"barometer": "2 psi"}, None, "outside 40000 to 120000 Pa"),
    ({"ended": "2026-03-02T09:00:00"}, None, "ended must lie after began"),
    ({"began": "ten o'clock"}, None, "is no time"),
    ({"unit": "furlong"}, None, "is not a unit of pressure"),
    ({"method": "by guess"}, None, "method"),
    ({}, [[1.0, 2.0], [1.0]], "the same even number"),
    ({}, [[1.0] * 10, [1.0] * 10], "allowed are 3 and 4"),
])
def test_mistakes_in_the_form(tmp_path: Path, changes: dict[str, str], readings: list[list[float]] | None, words: str) -> None:
    path = filled(tmp_path, readings or profile(0.3), changes)
    if not words:
        assert read_form(path).duct_air.pressure_pa == pytest.approx(12 * 6894.757 - 2300.0, rel=1e-5)
        return
    with pytest.raises(ConfigError) as wrong:
        read_form(path)
    assert words in str(wrong.value)
    assert str(path) in str(wrong.value)


def test_mistakes_on_the_command_line(tmp_path: Path) -> None:
    for arguments, words in ((("--diameter", "6"), "no unit"), (("--diameter", "6 in", "--method", "dice"), "not known"),
                             (("--diameter", "6 in", "--places", "7"), "allowed are 3 and 4")):
        with pytest.raises(ConfigError, match=words):
            run(*arguments)
    broken = tmp_path / "broken.toml"
    broken.write_text("began = [")
    with pytest.raises(ConfigError, match=re.escape(str(broken))):
        read_form(broken)
    assert run("--diameter", "6 in", "--method", "equal-area", "--places", "5").count("mm") == 10 + 1
