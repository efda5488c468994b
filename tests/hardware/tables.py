"""The tables of the hardware notes that are computed: ``python -m tests.hardware.tables`` writes them into the notes, between
their marks; a test holds what stands there against the engine."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

from analysis import units
from analysis.readings import CHANNELS
from analysis.sensor_needs import burden, drawing_sd, effects, needs, signals
from analysis.traverse import Method, wall_distances
from analysis.utube import column_height
from daemon.config.load import load

ROOT = Path(__file__).resolve().parents[2]
NOTES = ROOT / "hardware_notes"
DESIGN = load(ROOT / "daemon" / "demo" / "chair-barn.toml").design
PLANER, ALL = ("planer",), DESIGN.port_names
PLACE = re.compile(r"(<!-- computed: (\w+) -->\n)(.*?)(<!-- end -->)", re.S)


def row(*cells: str) -> str:
    """One row of a table."""
    return "| " + " | ".join(cells) + " |"


def head(*cells: str) -> list[str]:
    """The head of a table."""
    return [row(*cells), row(*("---" for _ in cells))]


def inwg(pascal: float, decimals: int) -> str:
    """The number in inches of water."""
    return f"{units.from_si(pascal, 'inwg', 'pressure'):.{decimals}f}"


def ranges() -> Iterator[str]:
    """The values that each channel takes in the barn, and the usual range that covers them."""
    yield from head("channel", "takes values", "the same in US units", "usual range that covers them")
    for need in needs(DESIGN):
        assert need.span is not None
        if CHANNELS[need.channel].kind == "pressure":
            yield row(f"`{need.channel}`", f"{need.low:.0f} to {need.high:.0f} Pa",
                      f"{inwg(need.low, 1)} to {inwg(need.high, 1)} in. w.g.",
                      f"0 to {need.span:.0f} Pa ({inwg(need.span, 0)} in. w.g.)")
        else:
            yield row(f"`{need.channel}`", f"{need.low:.1f} to {need.high:.1f} A", "", f"0 to {need.span:.0f} A")


def signal_table() -> Iterator[str]:
    """What real events change, with the planer open."""
    yield from head("event", "inlet", "filter", "current", "flow")
    for one in signals(DESIGN, PLANER):
        pressures = [f"{_signed(p, 0)} Pa ({_signed(units.from_si(p, 'inwg', 'pressure'), 2)} in. w.g.)"
                     for p in (one.inlet_pa, one.filter_pa)]
        yield row(one.words, *pressures, "" if one.motor_a is None else f"{_signed(one.motor_a, 2)} A",
                  f"{_signed(100 * one.flow, 1)} %")


def _signed(value: float, decimals: int) -> str:
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0.0 else text


def effect_table() -> Iterator[str]:
    """What errors do to the answers, with the planer alone and with all ports open."""
    yield from head("error", "flow by inlet", "flow by filter", "flow by current", "drag")
    for one, other in zip(effects(DESIGN, PLANER), effects(DESIGN, ALL), strict=True):
        assert one.words == other.words
        cells = [
            "" if a is None or b is None else f"{abs(100 * a):.1f} / {abs(100 * b):.1f} %"
            for a, b in (
                (one.flow_by_inlet, other.flow_by_inlet), (one.flow_by_filter, other.flow_by_filter),
                (one.flow_by_current, other.flow_by_current), (one.drag, other.drag),
            )
        ]
        yield row(one.words, *cells)


def drawing() -> Iterator[str]:
    """The drawing's own uncertainty, for comparison."""
    yield (f"For comparison: before any baseline the drawing itself knows the flow to ± {100 * drawing_sd(DESIGN, PLANER):.0f} % "
           f"with the planer alone")
    yield f"and ± {100 * drawing_sd(DESIGN, ALL):.0f} % with all ports open (one standard deviation)."


def burdens() -> Iterator[str]:
    """Burden resistors for transformers with a current output."""
    yield from head("full scale", "ratio", "converter", "burden at most", "take (E12)", "peak", "clips at",
                    "amperes per volt RMS")
    for amps, ratio, volts in ((15.0, 1000.0, 3.3), (15.0, 1000.0, 5.0), (20.0, 2000.0, 3.3), (30.0, 1000.0, 5.0),
                               (30.0, 2000.0, 3.3), (50.0, 2000.0, 3.3)):
        found = burden(amps, ratio, volts)
        yield row(f"{amps:.0f} A", f"{ratio:.0f}:1", f"{volts:g} V", f"{found.largest_ohm:.1f} Ω", f"{found.chosen_ohm:g} Ω",
                  f"{found.peak_v:.2f} V", f"{found.clips_a:.1f} A", f"{ratio / found.chosen_ohm:.1f}")


LOOPS = (("0 to -5000 Pa (inlet)", 0.0, -5000.0), ("0 to 2500 Pa (filter)", 0.0, 2500.0), ("-5000 to 5000 Pa", -5000.0, 5000.0),
         ("0 to 20 in. w.g. of suction (inlet)", 0.0, -20 * units.INWG_PA), ("0 to 50 °C", 0.0, 50.0))


def loops() -> Iterator[str]:
    """Scale and offset of 4-20 mA transmitters."""
    yield from head("transmitter", "scale, for a register in mA", "offset", "scale, for a register in µA")
    for words, low, high in LOOPS:
        scale = (high - low) / 16.0
        yield row(words, f"{scale:.7g}", f"{low - 4.0 * scale:.7g}", f"{scale / 1000.0:.7g}")


def heights() -> Iterator[str]:
    """Differences of levels of water for round pressures."""
    temperatures = (10.0, 20.0, 30.0)
    yield from head("pressure", *(f"{t:.0f} °C ({t * 1.8 + 32:.0f} °F)" if n else f"water at {t:.0f} °C ({t * 1.8 + 32:.0f} °F)"
                                  for n, t in enumerate(temperatures)))
    for pascal in (250.0, 500.0, 1000.0, 1500.0, 2000.0, 2500.0, 3000.0, 4000.0):
        cells = [column_height(pascal, t) for t in temperatures]
        yield row(f"{pascal:.0f} Pa ({inwg(pascal, 2)} in. w.g.)",
                  *(f"{1000 * h:.1f} mm ({h / units.INCH_M:.2f} in)" for h in cells))


def places() -> Iterator[str]:
    """Places of a traverse."""
    yield from head("rule", "places a radius", "y/D")
    rules: tuple[tuple[Method, int], ...] = (
        ("log-linear", 3), ("log-linear", 4), ("log-tchebycheff", 3), ("log-tchebycheff", 4), ("equal-area", 3),
    )
    for rule, count in rules:
        yield row(rule, str(count), " ".join(f"{y:.3f}" for y in wall_distances(rule, count)))


CHIPS = (("14 bits, a tenth to nine tenths of the counts", "low + (n - 1638) / 13107 × (high - low)", "-5000 to 5000 Pa",
          10_000.0 / 13_107.0, -5000.0 - 1638.0 * 10_000.0 / 13_107.0),
         ("24 bits with a sign, full scale at 8388608", "n / 8388608 × high", "± 2500 Pa", 2500.0 / 8_388_608.0, 0.0),
         ("16 bits with a sign, so many counts a pascal", "n / counts", "60 counts a pascal, ± 500 Pa", 1.0 / 60.0, 0.0))


def chips() -> Iterator[str]:
    """Counts of digital pressure chips as scale and offset."""
    yield from head("family", "pascals of a count n", "example", "`scale`", "`offset`")
    for family, formula, example, scale, offset in CHIPS:
        yield row(family, formula, example, f"{scale:.6g}", f"{offset:.6g} Pa")


def small_pipes() -> Iterator[str]:
    """Taps in small pipes; air of 20 °C at sea level, 1.204 kg/m3."""
    yield from head("inside", "five diameters", "hole", "velocity pressure at 20 m/s", "at 30 m/s")
    for millimetres, hole in ((63, 1.5), (80, 1.5), (100, 2.0), (125, 2.0)):
        yield row(f"{millimetres} mm", f"{5 * millimetres} mm", f"{hole:g} mm",
                  *(f"{0.5 * 1.204 * speed**2:.0f} Pa" for speed in (20.0, 30.0)))


TABLES: dict[str, Callable[[], Iterator[str]]] = {
    "ranges": ranges, "signals": signal_table, "effects": effect_table, "drawing": drawing, "burdens": burdens, "loops": loops,
    "heights": heights, "places": places, "chips": chips, "pipes": small_pipes,
}


def written() -> dict[str, tuple[Path, str]]:
    """Every computed table as it stands in the notes."""
    found: dict[str, tuple[Path, str]] = {}
    for path in sorted(NOTES.rglob("*.md")):
        for place in PLACE.finditer(path.read_text(encoding="utf-8")):
            assert place[2] not in found, f"{place[2]} stands twice"
            found[place[2]] = (path, place[3])
    return found


def main() -> None:
    """Write every table into its note."""
    for path in sorted(NOTES.rglob("*.md")):
        text = path.read_text(encoding="utf-8")
        fresh = PLACE.sub(lambda place: place[1] + "\n".join(TABLES[place[2]]()) + "\n" + place[4], text)
        if fresh != text:
            path.write_text(fresh, encoding="utf-8")
            print(path.relative_to(ROOT))


if __name__ == "__main__":
    main()
