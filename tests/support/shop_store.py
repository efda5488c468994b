"""A shop's configuration with its empty store and a pipeline that fills it, as the daemon has them, without the daemon."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from daemon.config.config import Config
from daemon.config.load import load
from daemon.pipeline import Pipeline
from daemon.store.writer import Writer
from daemon.wiring import build_pipeline
from tests.support.daemon_process import shop_file
from tests.support.fresh_store import fresh_store


@dataclass(frozen=True)
class ShopStore:
    """``path`` the configuration file, ``config`` as read, ``store`` the database, ``writer`` its only writer."""

    path: Path
    config: Config
    store: Path
    writer: Writer
    pipeline: Pipeline


def shop_store(folder: Path, t: float) -> ShopStore:
    """The shop of :func:`shop_file` with a serial source, configured at event time ``t``; the caller closes the writer."""
    path = shop_file(folder, '[[source]]\nkind = "serial"\nname = "node"\ndevice = "/dev/none"', port=0)
    config = load(path)
    store = config.at(config.file.store.file)
    fresh_store(store)
    writer = Writer(store)
    writer.configuration(config.text, t)
    pipeline = build_pipeline(config)
    pipeline.sinks = [writer]
    return ShopStore(path, config, store, writer, pipeline)
