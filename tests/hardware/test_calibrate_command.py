"""``ductwarden calibrate``: heights, fits whose lines go back into the configuration, the dated record, the checks' table."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from analysis import units
from analysis.plant.asbuilt import as_built
from analysis.plant.convert import from_design
from analysis.plant.day import steady
from analysis.plant.simulate import simulate
from analysis.readings import Frame, RunState
from analysis.run_state import RunDetector
from analysis.utube import column_pressure
from daemon.answering import _event
from daemon.calibrate import Calibrator
from daemon.cli.calibrate import calibrate
from daemon.config.load import load
from daemon.errors import ConfigError
from daemon.sources.contract import Sample
from daemon.store.reader import Reader
from tests.daemon.store.making import new_writer

DEMO = Path(__file__).parents[2] / "daemon" / "demo" / "chair-barn.toml"
NINE = 1_772_442_000.0


def run(*arguments: str) -> str:
    app = typer.Typer()
    app.command()(calibrate)
    result = CliRunner().invoke(app, list(arguments))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture
def shop(tmp_path: Path) -> Callable[..., Path]:
    def make(sensor: str = "", channel: str = "inlet_pa") -> Path:
        path = tmp_path / "shop.toml"
        path.write_text(DEMO.read_text().replace(f"[sensor.{channel}]\n", f"[sensor.{channel}]\n{sensor}\n"))
        return path

    return make


def pasted(path: Path, output: str, channel: str) -> Path:
    """The configuration with the printed lines in the place of the old ones."""
    lines = re.search(rf"^\[sensor\.{channel}\]\n((?:\w+ = .*\n)+)", output, re.M)
    assert lines is not None, output
    text = path.read_text()
    rest = "\n".join(line for line in text.split(f"[sensor.{channel}]\n")[1].split("\n[")[0].splitlines()
                     if line.split(" = ")[0] not in ("raw", "unit", "scale", "offset"))
    after = text.split(f"[sensor.{channel}]\n")[1].partition("\n[")[2]
    path.write_text(text.split(f"[sensor.{channel}]\n")[0] + lines[0] + rest + "\n[" + after)
    return path


def read(path: Path, channel: str, raw: float) -> float:
    """What the daemon makes of a raw number."""
    specs = load(path).sensors
    spec = next(spec for spec in specs if spec.channel == channel)
    (reading,) = Calibrator(specs).readings(Sample("demo shop", NINE, {spec.raw_name: raw}))
    assert reading.value is not None
    return reading.value


@pytest.mark.parametrize(("sensor", "raw_per_pa", "raw_zero"), [
    ("", 0.985, 4.0),
    ('raw = "p1"\nunit = "inwg"', 1 / 249.08891 / 1.02, 0.03),
    ('raw = "v"\nunit = "kPa"\nscale = -1.25\noffset = "40 Pa"', -1.0 / 1250.0 * 1.04, 0.5),
])
def test_the_printed_lines_calibrate_the_sensor(
    shop: Callable[..., Path], sensor: str, raw_per_pa: float, raw_zero: float
) -> None:
    """A sensor that errs by a known line: after the printed lines the daemon reads the truth."""
    path = shop(sensor)
    air = load(path).air.density_kgm3
    truths = {height: -column_pressure(height * units.INCH_M, 18.0, air_kgm3=air) for height in (0, 4, 8, 12)}
    points = [f"{height} in = {raw_per_pa * true + raw_zero:.7g}" for height, true in truths.items()]
    out = run(str(path), "inlet_pa", *points, "--water", "18 C")
    assert "doubt: two points" not in out
    for true in truths.values():
        assert read(pasted(path, out, "inlet_pa"), "inlet_pa", raw_per_pa * true + raw_zero) == pytest.approx(true, abs=0.3)


def test_what_the_dashboard_shows_can_be_given_as_well(shop: Callable[..., Path]) -> None:
    path = shop('unit = "inwg"\nscale = 1.1\noffset = "20 Pa"', "filter_pa")
    out = run(str(path), "filter_pa", "0 Pa = 25 Pa", "1000 Pa = 1025 Pa", "500 Pa = 525 Pa")
    assert re.search(r"^scale = 1\.1$", out, re.M)
    assert re.search(r'^offset = "-5(\.0+)? Pa"$', out, re.M)


def test_a_current_against_a_clamp_meter(shop: Callable[..., Path]) -> None:
    path = shop("", "motor_a")
    out = run(str(path), "motor_a", "0 A = 0.05", "9.4 A = 9.05", "11.1 A = 10.65")
    assert read(pasted(path, out, "motor_a"), "motor_a", 9.05) == pytest.approx(9.4, rel=0.01)
    assert "hold a trusted meter beside it" in run(str(path), "motor_a")


def test_one_point_is_a_zero(shop: Callable[..., Path]) -> None:
    out = run(str(shop("scale = 1.02")), "inlet_pa", "0 in = 12")
    assert re.search(r"^scale = 1\.02$", out, re.M)
    assert re.search(r'^offset = "-12\.24 Pa"$', out, re.M)
    assert "sets the zero only" in out


def test_doubts_are_said(shop: Callable[..., Path]) -> None:
    path = str(shop())
    assert "the scale changes by +7" in run(path, "inlet_pa", "0 in = 0", "10 in = -2310")
    assert "two points always fit" in run(path, "inlet_pa", "0 in = 0", "10 in = -2480")


@pytest.mark.parametrize(("points", "words"), [
    # true values: 1 in of water at 20 C makes 248.3 Pa (998.2 kg/m3 in air, standard gravity)
    (("0 in = 0", "5 in = -1240", "10 in = 2480", "12 in = -2977"), "'10 in = 2480': is its sign right? With -2480"),
    (("0 in = 0", "2 in = 480", "10 in = -2480"), "'2 in = 480': is its sign right? With -480"),
    (("0 in = 0", "5 in = -2480", "10 in = -1240", "12 in = -2977"), "'5 in = -2480' and '10 in = -1240': exchanged?"),
    (("0 in = 0", "5 in = -124", "10 in = -2480"), "'5 in = -124': is its point right?"),
    (("0 in = 0", "5 in = 1240", "10 in = 2480"), "the sign turns round"),
    (("0 in = 0", "10 in = -2150"), "the scale changes by +16%"),
    (("0 in = 0", "5 in = -1100", "10 in = -2480", "12 in = -2977"), "'5 in = -1100' lies"),
])
def test_a_slip_is_refused_before_anything_is_kept(shop: Callable[..., Path], points: tuple[str, ...], words: str) -> None:
    path = shop()
    new_writer(path.with_name("demo.db")).close()
    app = typer.Typer()
    app.command()(calibrate)
    result = CliRunner().invoke(app, [str(path), "inlet_pa", *points])
    assert isinstance(result.exception, ConfigError)
    assert "nothing was kept" in str(result.exception)
    assert words in result.output
    assert "[sensor.inlet_pa]" not in result.output
    assert not path.with_name("shop.calibrations.jsonl").exists()
    reader = Reader(path.with_name("demo.db"))
    assert list(reader.requests()) == []
    reader.close()
    assert "kept in" in run(str(path), "inlet_pa", *points, "--anyway")


def test_the_record_is_dated_and_only_grows(shop: Callable[..., Path]) -> None:
    path = shop()
    kept = path.with_name("shop.calibrations.jsonl")
    out = run(str(path), "inlet_pa", "0 in = 3", "10 in = -2470", "--water", "50 F", "--latitude", "52")
    assert "the daemon has not run yet" in out
    run(str(path), "filter_pa", "0 in = 3")
    run(str(path), "filter_pa", "0 in = 4", "--no-record")
    first, second = (json.loads(line) for line in kept.read_text().splitlines())
    assert (first["channel"], second["channel"]) == ("inlet_pa", "filter_pa")
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d", first["t"])
    assert first["water_c"] == pytest.approx(10.0)
    assert first["gravity_ms2"] == pytest.approx(9.8120, abs=2e-4)
    assert first["points"][1]["raw"] == -2470.0
    assert first["points"][1]["true"] == pytest.approx(-2488.0, abs=2.0)


def test_the_journal_is_asked_for_a_note(shop: Callable[..., Path]) -> None:
    path = shop()
    new_writer(path.with_name("demo.db")).close()
    out = run(str(path), "inlet_pa", "0 in = 3", "10 in = -2470")
    assert "in the journal as soon as the daemon runs" in out
    reader = Reader(path.with_name("demo.db"))
    (request,) = reader.requests()
    reader.close()
    event = _event(request.payload, NINE, request.by)  # as the daemon takes it
    assert (event.kind, event.by) == ("note", "owner")
    assert event.text.startswith("calibrated inlet_pa: scale 1.0")


@pytest.mark.parametrize(("arguments", "words"), [
    (("attic_pa",), "is not fitted"),
    (("inlet_pa", "10 in"), "write a point as"),
    (("inlet_pa", "10 = 5"), "has no unit"),
    (("inlet_pa", "10 in = five"), "'five' is not a number"),
    (("inlet_pa", "10 in = 5", "12 in = 5"), "different raw numbers"),
    (("inlet_pa", "--water", "150 F"), "outside 0 to 40 C"),
    (("inlet_pa", "--latitude", "120"), "latitude 120"),
])
def test_mistakes(shop: Callable[..., Path], arguments: tuple[str, ...], words: str) -> None:
    with pytest.raises(ConfigError) as wrong:
        run(str(shop()), *arguments)
    assert words in str(wrong.value)


def test_heights_reach_the_largest_suction(shop: Callable[..., Path]) -> None:
    out = run(str(shop()), "inlet_pa", "--water", "68 F")
    rows = re.findall(r"^  (\d+\.\d) in +(\d+\.\d) Pa", out, re.M)
    assert len(rows) == 5
    for inches, pascal in rows:
        assert float(pascal) == pytest.approx(float(inches) * 248.35, abs=0.5)  # 20 C water in air
    assert 2700.0 < float(rows[-1][1]) < 3000.0
    assert re.search(r"^  \d+ mm +\d+\.\d Pa", run(str(shop()), "filter_pa", "--units", "si"), re.M)


def test_needs_as_tables(shop: Callable[..., Path]) -> None:
    out = run(str(shop()), "--needs", "--open", "lathe", "--units", "si")
    for words in ("0 to 5000 Pa", "0 to 2500 Pa", "0 to 15.0 A", "the hose off at the lathe",
                  "inlet zero off by 10 Pa (0.04 inwg)", "before a baseline the drawing itself knows this flow"):
        assert words in out


@pytest.fixture
def watched(shop: Callable[..., Path]) -> Callable[[float], Path]:
    """The barn with a stored hour of the simulated shop: rest, all gates shut, rest, the planer."""
    def make(scale: float) -> Path:
        path = shop()
        plant = as_built(from_design(load(path).design), 3)
        detector = RunDetector(load(path).running)
        writer = new_writer(path.with_name("demo.db"))
        for begin, ports in ((NINE, []), (NINE + 1800.0, ["planer"])):
            for block in simulate(plant, steady(ports, begin, 120.0, [], idle_s=900.0), 3, idle_step_s=1.0,
                                  channels=("inlet_pa", "filter_pa", "motor_a")):
                for t, values, _ in block.frames():
                    values = {**values, "inlet_pa": scale * values["inlet_pa"]}
                    state = detector.update(t, values)
                    writer.frame(Frame(t, values, {}, None, state), None)
        writer.close()
        return path

    return make


def shut_moment(path: Path) -> str:
    """When the fan first ran steadily, as local time: that was with all gates shut."""
    from datetime import datetime

    reader = Reader(path.with_name("demo.db"))
    t = next(row["t"] for row in reader.frames() if row["state"] == RunState.RUNNING.value)
    reader.close()
    return datetime.fromtimestamp(t + 10.0).isoformat(timespec="seconds")


def test_checks_of_a_healthy_store(watched: Callable[[float], Path]) -> None:
    path = watched(1.0)
    out = run(str(path))
    assert "Nothing asks for a look" in out
    assert out.count("not yet known") == 3  # nobody said when all gates were shut
    out = run(str(path), "--all-shut", shut_moment(path), "--units", "si")
    assert "not yet known" not in out
    assert "Nothing asks for a look" in out
    assert out.count("good") >= 11


def test_checks_find_a_span_that_is_a_quarter_off(watched: Callable[[float], Path]) -> None:
    path = watched(0.75)
    out = run(str(path), "--all-shut", shut_moment(path))
    assert "1 ask for a look" in out
    assert "less suction than the fan's curve promises" in " ".join(out.split())


def test_checks_of_an_empty_store_know_nothing(shop: Callable[..., Path]) -> None:
    path = shop()
    new_writer(path.with_name("demo.db")).close()
    out = run(str(path))
    assert "0 stored frames" in out
    assert "good" not in out
