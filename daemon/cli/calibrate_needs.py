"""What sensors a shop needs, as tables: ranges, signals and errors."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rich.console import Console
from rich.table import Table

from analysis.readings import CHANNELS
from analysis.sensor_needs import Effect, drawing_sd, effects, needs, signals
from analysis.units import System, from_si, shown_unit
from daemon.cli.gate_words import gates_in_words, read_gates
from daemon.config.config import Config

COLUMNS: tuple[tuple[str, Callable[[Effect], float | None]], ...] = (
    ("flow by inlet", lambda e: e.flow_by_inlet), ("flow by filter", lambda e: e.flow_by_filter),
    ("flow by current", lambda e: e.flow_by_current), ("drag", lambda e: e.drag),
)


def print_needs(console: Console, config: Config, open_words: str, system: System) -> None:
    """Ranges to buy; then what there is to see and what errors do, with a gate set (none named: the first port)."""
    design = config.design
    gates = read_gates(open_words, design) if open_words else (design.port_names[0],)
    table = Table(title=f"{config.file.shop.name}: ranges that the sensors must cover", title_justify="left")
    for head in ("channel", "what", "takes values", "usual range that covers them"):
        table.add_column(head)
    for need in needs(design):
        kind = CHANNELS[need.channel].kind
        low, high = (_number(value, kind, system) for value in (need.low, need.high))
        span = "none: ask for more" if need.span is None else f"0 to {_number(need.span, kind, system)}"
        table.add_row(need.channel, CHANNELS[need.channel].words, f"{low} to {high}", span)
    console.print(table)
    console.print(Table.grid())
    words = gates_in_words(gates, design)
    seen = Table(title=f"What there is to see, {words}, clean bags", title_justify="left")
    for head in ("event", "inlet", "filter", "current", "flow"):
        seen.add_column(head, justify="left" if head == "event" else "right")
    for row in signal_rows(config, gates, system):
        seen.add_row(*row)
    console.print(seen)
    wrong = Table(title=f"What errors do to the answers, {words}", title_justify="left")
    wrong.add_column("error")
    for head, _ in COLUMNS:
        wrong.add_column(head, justify="right")
    for row in effect_rows(config, gates):
        wrong.add_row(*row)
    console.print(wrong)
    console.print(f"For comparison: before a baseline the drawing itself knows this flow to ± {drawing_sd(design, gates):.0%}.")


def signal_rows(config: Config, gates: tuple[str, ...], system: System) -> Iterator[tuple[str, ...]]:
    """Rows of the table of signals."""
    for signal in signals(config.design, gates):
        amps = "" if signal.motor_a is None else _change(signal.motor_a, "current", system)
        yield (signal.words, _change(signal.inlet_pa, "pressure", system), _change(signal.filter_pa, "pressure", system),
               amps, f"{100 * signal.flow:+.0f} %")


def effect_rows(config: Config, gates: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """Rows of the table of errors, as sizes in per cent."""
    for effect in effects(config.design, gates):
        yield (effect.words, *(_share(pick(effect)) for _, pick in COLUMNS))


def _share(value: float | None) -> str:
    return "" if value is None else f"{abs(100 * value):.1f} %"


def _number(value: float, kind: str, system: System) -> str:
    symbol, _ = shown_unit(kind, system)
    number = from_si(value, symbol, kind)
    return f"{number:.{1 if kind == 'current' or symbol == 'inwg' else 0}f} {symbol}"


def _change(value: float, kind: str, system: System) -> str:
    symbol, decimals = shown_unit(kind, system)
    number = value * (from_si(1.0, symbol, kind) - from_si(0.0, symbol, kind))
    return f"{number:+.{decimals + (kind == 'current')}f} {symbol}"
