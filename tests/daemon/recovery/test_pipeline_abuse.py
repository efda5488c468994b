"""Readings that no honest device sends, through the pipeline; ``python -m tests.endurance.pipeline --seeds 2000`` for more."""

from __future__ import annotations

import pytest

from tests.endurance.pipeline import one


@pytest.mark.parametrize("lot", [0, *(pytest.param(lot, marks=pytest.mark.long) for lot in range(1, 8))])
def test_nothing_raises_and_every_number_is_one(lot: int) -> None:
    assert sum(one(seed) for seed in range(1 + 4 * lot, 5 + 4 * lot)) > 1_500
