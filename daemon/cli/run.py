"""``ductwarden run`` as a word among the others, and ``ductwarden demo``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from daemon import logs
from daemon.cli import watch
from daemon.config.load import load
from daemon.demo.first_tour import stored_baseline
from daemon.store.lock import StoreLock
from daemon.store.migrate import ensure_schema
from daemon.store.writer import Writer

DEMO = Path(__file__).resolve().parent.parent / "demo" / "chair-barn.toml"


def run(words: Annotated[list[str] | None, typer.Argument(metavar="SHOP [OPTIONS]")] = None) -> None:
    watch.main(words or [])


run.__doc__ = watch.WORDS


def demo(
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port of the dashboard.")] = 8765,
    pace: Annotated[float | None, typer.Option(min=0.1, max=1000.0, help="Seconds of shop time a second.")] = None,
    folder: Annotated[Path, typer.Option(help="Where the demo keeps its demo.db, begun anew each time.")] = Path("var"),
    log_level: Annotated[str, typer.Option(help="debug, info, warning or error.")] = "warning",
) -> None:
    """Start the demo shop: an invented chair maker's barn, simulated at an accelerated pace, with its dashboard."""
    logs.set_up(log_level)
    store = folder.resolve() / "demo.db"
    text = DEMO.read_text()
    text = text.replace('file = "demo.db"', f'file = "{store}"').replace("port = 8765", f"port = {port}")
    if pace is not None:
        text = text.replace("pace = 120 ", f"pace = {pace} ")
    # On disk, because a comparison of two periods runs in a process of its own and reads the file anew.
    store.parent.mkdir(parents=True, exist_ok=True)
    shop = store.with_name("demo.toml")
    shop.write_text(text)
    config = load(shop)
    _begin_anew(store)
    typer.echo("The demo shop is invented: a chair maker's barn, simulated. Nothing here reads a real sensor.")
    watch.serve(config, True)


def _begin_anew(store: Path) -> None:
    """A fresh store that holds the baseline of the invented shop's first day."""
    store.parent.mkdir(parents=True, exist_ok=True)
    with StoreLock(store):
        for ending in ("", "-wal", "-shm"):
            store.with_name(store.name + ending).unlink(missing_ok=True)
        ensure_schema(store)
        baseline = stored_baseline()
        writer = Writer(store)
        writer.baseline(baseline.name, baseline.t, baseline.to_dict())
        writer.close()
