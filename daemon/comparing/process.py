"""One comparison under way in a process of its own, looked at now and then."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

LONGEST_S = 900.0
"""A comparison that takes longer (by the computer's own clock) is ended [s]."""


class Job:
    """A process of :mod:`daemon.comparing.__main__`. Raises OSError where it cannot be started."""

    def __init__(self, shop: Path, arguments: Sequence[str], words: str) -> None:
        self.words = words
        self._until = time.monotonic() + LONGEST_S
        self._out, self._err = tempfile.TemporaryFile(), tempfile.TemporaryFile()  # noqa: SIM115
        # Its matrices are small: one thread is quicker than two, and leaves the other core to the daemon.
        surroundings = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "daemon.comparing", str(shop.resolve()), *arguments], stdin=subprocess.DEVNULL,
                stdout=self._out, stderr=self._err, env=surroundings)
        except OSError:
            self._out.close()
            self._err.close()
            raise

    def look(self) -> tuple[dict[str, Any] | None, str]:
        """What it said and what is wrong: nothing of both while it works. Closes it when it has ended."""
        code = self._process.poll()
        if code is None:
            if time.monotonic() <= self._until:
                return None, ""
            self.close()
            return None, "the comparison took too long and was ended"
        self._out.seek(0)
        self._err.seek(0)
        told, wrong = self._out.read().decode(errors="replace"), self._err.read().decode(errors="replace")
        self.close()
        try:
            answer = json.loads(told) if code == 0 else None
        except ValueError:
            answer = None
        if isinstance(answer, dict):
            return answer, ""
        lines = [line for line in wrong.splitlines() if line.strip()]
        return None, lines[-1] if lines else f"the comparison ended with code {code}"

    def close(self) -> None:
        """End it."""
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait(timeout=5.0)
        self._out.close()
        self._err.close()
