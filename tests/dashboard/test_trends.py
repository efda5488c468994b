"""Charts as data: nothing of a fan that coasts, the lines at which something is to be done, and a window never empty."""

from __future__ import annotations

import re

from analysis.conditions import Condition
from daemon.store.reader import Run
from dashboard.trend_view import steady
from tests.dashboard.shop import Shop
from tests.dashboard.visitor import Visitor


def test_what_a_fan_leaves_behind_as_it_stops_is_no_value() -> None:
    runs = [Run(1, 100.0, 400.0, 300.0, "")]
    times = [float(t) for t in range(90, 420)]
    kept = [t for t, keep in zip(times, steady(times, 1.0, runs), strict=True) if keep]
    assert not [t for t in kept if 370.0 <= t <= 400.0], "the last half minute is coasting"
    assert not [t for t in kept if 100.0 <= t <= 108.0], "the first seconds gather speed"
    assert {109.0, 368.0} <= set(kept)
    assert all(steady([0.0, 3600.0], 3600.0, runs)), "an hour holds so much else that it does not show"


def test_after_a_stop_the_last_value_of_the_chart_is_one_of_the_running_shop(client: Visitor, shop: Shop) -> None:
    shop.step(200)
    shop.switch(False)
    shop.step(60)
    stopped = shop.t - 60.0
    trend = client.get("/api/v1/trends?series=inlet_pa&span=600&points=600").json()
    column = trend["columns"]["inlet_pa"]["mean"]
    while_running = [value for t, value in zip(trend["t"], column, strict=True) if t <= stopped]
    assert while_running[-1] is None
    assert all(value < -1000.0 for value in while_running if value is not None), "suction of the running fan alone"


def test_a_chart_has_the_line_at_which_something_is_to_be_done(client: Visitor, shop: Shop) -> None:
    shop.claim(Condition.FILTER_LOADING, present=False, forecast_s=9000.0, forecast_low_s=6000.0, forecast_high_s=12000.0)
    shop.step(3)
    client.fresh()
    limits = client.get("/api/v1/trends?series=drag_ratio&series=motor_a&span=600").json()["limits"]
    assert limits["drag_ratio"] == {"si": 1.75, "words": "clean here", "in_s": 9000.0}
    assert limits["motor_a"] == {"si": 11.2, "words": "full load", "in_s": None}
    page = client.get("/trends").text
    began = re.search(r'data-run-start="([\d.]+)"', page)
    assert began is not None
    assert float(began[1]) < shop.t, "the page opens on the last run"
    first = re.findall(r'name="series" value="(\w+)"', page)
    assert first[0] == "drag_ratio"
    assert "bag_level" not in first, "what is not fitted is not offered"
