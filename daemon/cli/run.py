"""``ductwarden run`` and ``ductwarden demo``: the live daemon with its dashboard.

This is the one place that knows both the daemon and the dashboard.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

if TYPE_CHECKING:
    from daemon.config.config import Config
    from daemon.supervision import Side

STARTS_WITHIN_S = 120.0
"""A busy small computer takes its time; readings are stored meanwhile."""

DEMO = Path(__file__).resolve().parent.parent / "demo" / "chair-barn.toml"


def run(
    shop: Annotated[Path, typer.Argument(help="The shop's configuration.")],
    dashboard: Annotated[bool, typer.Option(help="Serve the dashboard.")] = True,
    pace: Annotated[float, typer.Option(min=0.1, max=1000.0, help="For rehearsals: seconds of event time a second.")] = 1.0,
    log_level: Annotated[str, typer.Option(help="debug, info, warning or error.")] = "info",
    log_format: Annotated[str, typer.Option(help="text, keyvalue or json.")] = "text",
    log_file: Annotated[Path | None, typer.Option(help="Log here instead of to stderr; rotated by size.")] = None,
    wait_for_clock: Annotated[float, typer.Option(min=0.0, help="Seconds to wait for a clock that is not set yet.")] = 120.0,
) -> None:
    """Watch the shop: sources, store, alarms, notices, dashboard. Ctrl-C or SIGTERM ends it properly."""
    import sys

    from daemon import logs
    from daemon.cli.setup import serve_setup
    from daemon.config.load import load

    if not shop.exists() and dashboard and sys.stdin.isatty():
        typer.echo(f"There is no configuration at {shop} yet: it is made by answering questions on a page.")
        if not serve_setup(shop, 8765):
            raise typer.Exit(2)
    logs.set_up(log_level, cast(logs.Format, log_format), log_file)
    _serve(load(shop), dashboard, pace, wait_for_clock)


def demo(
    port: Annotated[int, typer.Option(help="Port of the dashboard.")] = 8765,
    pace: Annotated[float | None, typer.Option(help="Seconds of shop time a second.")] = None,
    folder: Annotated[Path, typer.Option(help="Where the demo keeps its demo.db, begun anew each time.")] = Path("var"),
    log_level: Annotated[str, typer.Option(help="debug, info, warning or error.")] = "warning",
) -> None:
    """Start the demo shop: an invented chair maker's barn, simulated at an accelerated pace, with its dashboard."""
    from daemon import logs
    from daemon.config.load import parse

    logs.set_up(log_level)
    store = folder.resolve() / "demo.db"
    text = DEMO.read_text()
    text = text.replace('file = "demo.db"', f'file = "{store}"').replace("port = 8765", f"port = {port}")
    if pace is not None:
        text = text.replace("pace = 120 ", f"pace = {pace} ")
    config = parse(text, DEMO)
    _begin_anew(store)
    typer.echo("The demo shop is invented: a chair maker's barn, simulated. Nothing here reads a real sensor.")
    _serve(config, True)


def _begin_anew(store: Path) -> None:
    """A fresh store that holds the baseline of the invented shop's first day."""
    from daemon.demo.first_tour import stored_baseline
    from daemon.store.lock import StoreLock
    from daemon.store.migrate import ensure_schema
    from daemon.store.writer import Writer

    store.parent.mkdir(parents=True, exist_ok=True)
    with StoreLock(store):
        for ending in ("", "-wal", "-shm"):
            store.with_name(store.name + ending).unlink(missing_ok=True)
        ensure_schema(store)
        baseline = stored_baseline()
        writer = Writer(store)
        writer.baseline(baseline.name, baseline.t, baseline.to_dict())
        writer.close()


def _serve(config: Config, dashboard: bool, pace: float = 1.0, wait_s: float = 120.0) -> None:
    import signal

    from daemon import logs
    from daemon.errors import DuctwardenError
    from daemon.service import Service
    from daemon.supervision import one_arena

    one_arena()
    side = (lambda: _dashboard(config)) if dashboard and config.file.dashboard.enabled else None
    service = Service(config, side, pace=pace, wait_s=wait_s)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: service.stop())
    try:
        service.run()
    except DuctwardenError:
        raise  # told by the command line, with its exit code
    except Exception as error:
        logs.log_end(error)
        raise typer.Exit(1) from None


def _dashboard(config: Config) -> Side:
    from dashboard.serve import DashboardThread
    from dashboard.settings import DashboardSettings, read_password_file

    table = config.file.dashboard
    password = None if table.password_file is None else read_password_file(config.at(table.password_file))
    thread = DashboardThread(DashboardSettings(
        store=config.at(config.file.store.file), host=table.host, port=table.port, allow_hosts=table.allow_hosts,
        password_hash=password, view_without_password=table.view_without_password,
    ))

    class Announced:
        def start(self) -> None:
            thread.start(STARTS_WITHIN_S)
            typer.echo(f"dashboard: {thread.url}")

        def stop(self) -> None:
            thread.stop()

    return Announced()
