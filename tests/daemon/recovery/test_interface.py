"""Any request to the pages of the running daemon; ``python -m tests.endurance.interface --examples 300`` for more."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endurance.interface import WHO, endure

EXAMPLES = 3


@pytest.mark.long
@pytest.mark.slow
@pytest.mark.parametrize("who", WHO)
def test_no_request_is_a_server_error_and_the_daemon_comes_out_whole(who: str, tmp_path: Path) -> None:
    found, problems = endure(tmp_path, who, EXAMPLES)
    assert problems == []
    assert sum(found.values()) >= 15 * EXAMPLES
    assert (found[401] > 0) == (who == "stranger")
