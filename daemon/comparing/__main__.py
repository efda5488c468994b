"""``python -m daemon.comparing SHOP.toml --entry N``: one comparison in a process of its own, for the running daemon.

Prints the status document "added_run" as one JSON object. The comparison needs packages and memory that the daemon must
not hold; so it starts this and reads what it prints. The report goes beside the store.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from daemon.comparing import comparing
from daemon.comparing.comparing import Report, Told
from daemon.comparing.guided import SIDES, compare_checks, load_check
from daemon.comparing.periods import entry_of, read_span
from daemon.comparing.reports import REPORT, dashboard_document, folder_of, write_page
from daemon.config.config import Config
from daemon.config.load import load
from daemon.config.sources import SimulatorTable
from daemon.errors import NO_FILE, DuctwardenError
from daemon.store.reader import Reader


def main(arguments: list[str] | None = None) -> int:
    """Compare in one of the ways. Exit code 0 with the document on stdout, else a sentence on stderr."""
    options = argparse.ArgumentParser(prog="daemon.comparing")
    options.add_argument("shop", type=Path)
    way = options.add_mutually_exclusive_group(required=True)
    way.add_argument("--entry", type=int)
    way.add_argument("--spans", nargs=2, metavar=("BEFORE", "AFTER"))
    way.add_argument("--baselines", nargs=2, metavar=("BEFORE", "AFTER"))
    way.add_argument("--checks", action="store_true")
    options.add_argument("--name", default="")
    given = options.parse_args(arguments)
    try:
        config = load(given.shop)
        store = config.at(config.file.store.file)
        reader = Reader(store)
        try:
            told = _document(config, reader, store, given)
        finally:
            reader.close()
    except DuctwardenError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except OSError as error:
        print(f"the report cannot be written: {error}", file=sys.stderr)
        return NO_FILE
    print(json.dumps(told, allow_nan=False))
    return 0


def _document(config: Config, reader: Reader, store: Path, given: argparse.Namespace) -> dict[str, Any]:
    report = _report(config, reader, given, Told(name=given.name or "new run"))
    write_page(report, folder_of(store) / REPORT, config.file.shop.units)
    told = dashboard_document(report, given.name)
    simulator = next((table for table in config.file.source if isinstance(table, SimulatorTable)), None)
    if given.checks and simulator is not None:
        from daemon.demo.maker import truth

        told["truth"] = truth(config, reader, simulator, [load_check(config, side).data.t for side in SIDES])
    return told


def _report(config: Config, reader: Reader, given: argparse.Namespace, told: Told) -> Report:
    if given.checks:
        return compare_checks(config, reader, told)
    if given.baselines is not None:
        return comparing.between_baselines(config, reader, given.baselines[0], given.baselines[1], told)
    if given.spans is not None:
        before, after = (read_span(text, words) for text, words in zip(given.spans, ("before", "after"), strict=True))
        return comparing.between_spans(config, reader, before, after, told)
    return comparing.around_entry(config, reader, entry_of(reader, given.entry), told)


if __name__ == "__main__":
    sys.exit(main())
