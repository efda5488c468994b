"""What may be asked of the daemon about the pace of its time."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.answering import FASTEST, Answerer, Declined
from daemon.store.requests import Request


def asked(pace: Any, set_pace: Any) -> str:
    return Answerer(None, None, set_pace=set_pace)._act(Request(1, "pace", {"pace": pace}, "owner", 0.0), 0.0)  # type: ignore[arg-type]


def test_a_simulated_shop_may_be_run_as_fast_as_allowed() -> None:
    given: list[float] = []
    for pace in (1.0, FASTEST):
        asked(pace, given.append)
    for pace in (0.0, 0.5, -1.0, FASTEST + 1.0, float("nan"), "fast", None):
        with pytest.raises(Declined):
            asked(pace, given.append)
    assert given == [1.0, FASTEST]


def test_a_real_shop_has_no_pace() -> None:
    with pytest.raises(Declined, match="only a simulated shop"):
        asked(2.0, None)
