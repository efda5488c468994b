"""How much a property test tries: little in ``make test``, all in ``make test-all`` (``pytest --long``)."""

from __future__ import annotations

import os

THOROUGH = "DUCTWARDEN_TESTS_THOROUGH"


def draws(thorough: int) -> int:
    """How many shops to draw at random: ``thorough`` of them under ``--long``, else a quarter."""
    return thorough if os.environ.get(THOROUGH) else thorough // 4


def examples(thorough: int) -> int:
    """How many examples to try: ``thorough`` of them under ``--long``, else an eighth, at least five."""
    return thorough if os.environ.get(THOROUGH) else max(5, thorough // 8)
