"""``python -m daemon.comparing SHOP.toml --entry N``: one comparison in a process of its own, for the running daemon.

Prints the status document "added_run" as one JSON object. The comparison needs packages and memory that the daemon must
not hold; so it starts this and reads what it prints.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from daemon.comparing.comparing import Told, around_entry
from daemon.comparing.document import dashboard_document
from daemon.comparing.periods import entry_of
from daemon.config.load import load
from daemon.errors import DuctwardenError
from daemon.store.reader import Reader


def main(arguments: list[str] | None = None) -> int:
    """Compare around one journal entry. Exit code 0 with the document on stdout, else a sentence on stderr."""
    options = argparse.ArgumentParser(prog="daemon.comparing")
    options.add_argument("shop", type=Path)
    options.add_argument("--entry", type=int, required=True)
    options.add_argument("--name", default="")
    given = options.parse_args(arguments)
    try:
        config = load(given.shop)
        reader = Reader(config.at(config.file.store.file))
        try:
            report = around_entry(config, reader, entry_of(reader, given.entry), Told(name="new run"))
        finally:
            reader.close()
    except DuctwardenError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    print(json.dumps(dashboard_document(report.comparison, given.name), allow_nan=False))
    return 0


if __name__ == "__main__":
    sys.exit(main())
