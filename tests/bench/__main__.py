"""``make bench``: every benchmark, one after the other, each in a process of its own. Prints figures, asserts nothing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

OTHERS = {"__init__", "__main__", "shops", "bugs"}


def main() -> None:
    """Run all, or those named on the command line."""
    here = Path(__file__).parent
    names = sys.argv[1:] or sorted(path.stem for path in here.glob("*.py") if path.stem not in OTHERS)
    for name in names:
        print(f"== {name}", flush=True)
        subprocess.run([sys.executable, "-m", f"tests.bench.{name}"], check=True)


if __name__ == "__main__":
    main()
