"""The guided check at the terminal: the baseline's guide, which keeps what it measured instead of fitting it."""

from __future__ import annotations

from daemon.cli.baseline_guide import Guide


class CheckGuide(Guide):
    """One sitting at the terminal for the check before or after the work."""

    def _finish(self) -> bool:
        taken, words = self._ask({"action": "finish"})
        self._echo(words)
        return taken
