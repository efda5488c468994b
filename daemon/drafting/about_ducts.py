"""Questions about the ducts: runs from the fan outwards, and the ports at their ends."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis import units
from analysis.duct import stock
from analysis.duct.design import FAN, WOOD_DUST
from daemon.config.ducting import DuctTable, PortTable, RunTable
from daemon.drafting.asking import ANY, Choice, Context, Question, Step, always, choices, listed, one_of

JOINS: tuple[Choice, ...] = (
    ("straight", "straight on"), ("wye 45", "from the side, at 45 degrees"), ("wye 30", "from the side, at 30 degrees"),
    ("sweep tee", "from the side, a tee that sweeps in"), ("tee", "from the side, a square tee"),
)
PIPE_HELP = (
    "Standard and size: thin-wall drain pipe is D2729, sewer pipe D3034 SDR 35, pressure pipe D1785 Sch 40 or EN 1401 SN 4; "
    "spiral and snap-lock are galvanised. Anything else by its measures: inside 5.9 in roughness 0.03 mm."
)
FITTINGS = (
    "elbow 90 r/D 1.5", "2x elbow 90 r/D 1.5", "elbow 90", "elbow 45", "mitre 90", "flex bend 90", "reducer 4 in to 6 in",
)
ENTRIES = ("plain", "flanged", "bell", "taper 45", "machine 1.5", "machine 2.0", "orifice 3 in", "350 cfm at 2.0 inwg")


def _pipes(flexible: bool) -> tuple[str, ...]:
    return tuple(
        f"{family.name} {size}" for family in stock.FAMILIES if family.flexible is flexible for size in family.sizes
    )


PIPES, HOSES = _pipes(False), _pipes(True)


def _list(text: str) -> str:
    return ", ".join(listed(text))


def _runs(context: Context) -> Sequence[Choice]:
    """The runs that something can flow into."""
    return [(row["name"], row["name"]) for row in context.draft.list_of("runs") if row.get("name")]


def _into_run(context: Context) -> Sequence[Choice]:
    rows = context.draft.list_of("runs")
    own = None if context.index is None else rows[context.index].get("name")
    return [(FAN, "the fan"), *(choice for choice in _runs(context) if choice[0] != own)]


def _suggest_into_run(context: Context) -> str:
    rows = context.draft.list_of("runs")
    return rows[-1].get("name", FAN) if rows else FAN


def _suggest_into_port(context: Context) -> str:
    rows = context.draft.list_of("runs")
    return rows[-1].get("name", "") if rows else ""


def _suggest_join(context: Context) -> str:
    """Straight on, where nothing else does yet."""
    into = context.given.get("into", "")
    if into == FAN:
        return "straight"
    pieces = [*context.draft.list_of("runs"), *context.draft.list_of("ports")]
    return "wye 45" if any(row.get("into") == into and row.get("join") == "straight" for row in pieces) else "straight"


def _suggest_pipe(context: Context) -> str:
    """The pipe of what it flows into, else a usual one."""
    into = context.given.get("into", "")
    for row in context.draft.list_of("runs"):
        if row.get("name") == into and row.get("pipe"):
            return row["pipe"]
    return "spiral 160 mm" if context.system == "si" else "D2729 6 in"


def _suggest_port_pipe(context: Context) -> str:
    rows = context.draft.list_of("ports")
    if rows:
        return rows[-1].get("pipe", "")
    return "spiral 100 mm" if context.system == "si" else "D2729 4 in"


def carrying_flow(pipe: str, system: units.System) -> str:
    """The least round flow that carries shavings through a pipe; "" for a pipe that is not known."""
    try:
        inside = stock.pipe(pipe).inside_diameter_m
    except stock.StockError:
        return ""
    flow = WOOD_DUST.branch_velocity_ms * math.pi / 4 * inside**2
    symbol = "m3/h" if system == "si" else "cfm"
    return f"{math.ceil(units.from_si(flow, symbol, 'flow') / 10) * 10} {symbol}"


def _suggest_needs(context: Context) -> str:
    return carrying_flow(context.given.get("pipe", ""), context.system)


_FITTINGS = Question(
    "fittings", "Elbows and other fittings along it", ("fittings",), optional=True, nothing="none",
    example=("2x elbow 90 r/D 1.5, elbow 45", "2x elbow 90 r/D 1.5, elbow 45"), offers=one_of(*FITTINGS), tidy=_list,
    value=listed,
    help="With commas between them. r/D is the radius of the bend over the diameter: 1.5 for a long one, 1 where nothing is "
    "written. The junction at its end is not counted here.",
)

_AT = Question(
    "at", "How far along that run, counted with the air", ("at",), optional=True, nothing="where it begins",
    example=("12 ft", "3.6 m"), when=("join", tuple(value for value, _ in JOINS if value != "straight")),
    help="Ports along one main: the way from where the main begins. Several pieces without it meet at one point, as at a box.",
)

RUNS = Step(
    "runs", "The runs", "Every piece of main or branch that carries the air of more than one port, from the fan outwards. A new "
    "run begins where pipes meet and where the size changes.", "run",
    (
        Question("name", "A name for it", ("name",), example=("main", "main"),
                 suggest=lambda context: "" if context.draft.list_of("runs") else "main"),
        Question("into", "Which run does its air flow into?", ("into",), kind="choice", choices=_into_run,
                 suggest=_suggest_into_run),
        Question("join", "How does it join there?", ("join",), kind="choice", choices=choices(*JOINS), suggest=_suggest_join,
                 unless=("into", FAN)),
        _AT,
        Question("pipe", "Pipe", ("pipe",), example=("D2729 6 in", "spiral 160 mm"), offers=one_of(*PIPES),
                 suggest=_suggest_pipe, help=PIPE_HELP),
        Question("length", "Length, along its middle", ("length",), example=("14 ft", "4.2 m")),
        _FITTINGS,
    ),
    lambda _: RunTable, many=True, least=1, item="run",
)

PORTS = Step(
    "ports", "The ports", "Every opening for a machine or a hose, with the pipe from the last junction to it.", "port",
    (
        Question("name", "Which machine is it for?", ("name",), example=("planer", "planer")),
        Question("into", "Which run does its air flow into?", ("into",), kind="choice", choices=_runs,
                 suggest=_suggest_into_port),
        Question("join", "How does it join there?", ("join",), kind="choice", choices=choices(*JOINS), suggest=_suggest_join),
        _AT,
        Question("pipe", "Pipe", ("pipe",), example=("D2729 4 in", "spiral 100 mm"), offers=one_of(*PIPES),
                 suggest=_suggest_port_pipe, help=PIPE_HELP),
        Question("length", "Length of the pipe, from the junction to the hose or the machine", ("length",),
                 example=("6 ft", "1.8 m")),
        _FITTINGS,
        Question("hose", "Hose at its end", ("hose",), optional=True, nothing="no hose", example=("flex 4 in", "flex 100 mm"),
                 offers=one_of(*HOSES),
                 help="Pulled straight: flex stretched; as it hangs: flex; much too long: flex slack. Then its size."),
        Question("hose_length", "Length of the hose", ("hose_length",), example=("5 ft", "1.5 m"), when=("hose", (ANY,))),
        Question("gate", "Its gate", ("gate",), kind="choice", suggest=always("blast"), choices=choices(
            ("blast", "a sliding blast gate"), ("tight", "a blast gate with a seal"), ("butterfly", "a disc that turns"),
            ("none", "no gate: always open"),
        )),
        Question("entry", "Its opening", ("entry",), example=("machine 1.5", "machine 1.5"), offers=one_of(*ENTRIES),
                 suggest=always("machine 1.5"),
                 help="A bare pipe or hose end: plain; with a collar: flanged; a cone: taper 45; a rounded mouth: bell. A "
                 "machine's own hood: machine and its loss in velocity pressures (1.5 is usual), or what its maker says: 350 cfm "
                 "at 2.0 inwg."),
        Question("needs", "How much air does the machine need?", ("needs",), optional=True, nothing="not known",
                 example=("400 cfm", "680 m3/h"), suggest=_suggest_needs,
                 help="From its maker. The suggestion is what just carries shavings through this pipe."),
    ),
    lambda _: PortTable, many=True, least=1, item="port",
)

DISCHARGE = Step(
    "discharge", "The duct after the fan", "What the air passes after the fan, in the order of the air: an outlet adaptor, pipe "
    "to a cyclone, to the bags or outside. A fan that blows straight into its bags has none.", "discharge",
    (
        Question("pipe", "Pipe", ("pipe",), example=("spiral 6 in", "spiral 160 mm"), offers=one_of(*PIPES),
                 suggest=lambda context: "spiral 160 mm" if context.system == "si" else "spiral 6 in", help=PIPE_HELP),
        Question("length", "Length, along its middle", ("length",), example=("3 ft", "0.9 m")),
        _FITTINGS,
    ),
    lambda _: DuctTable, many=True, item="piece",
)
