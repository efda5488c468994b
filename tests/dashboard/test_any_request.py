"""Whatever is sent to the interface: no error inside, answers as described, errors in the one shape.

Requests are made by schemathesis from the interface's own description and sent over a real socket.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from analysis.conditions import Condition
from analysis.events import EventKind
from dashboard.app import create_app
from dashboard.serve import DashboardThread
from dashboard.settings import DashboardSettings
from tests.dashboard.shop import Pump, Shop
from tests.support.thoroughness import examples

pytestmark = [pytest.mark.slow, pytest.mark.long]

@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A living shop whose daemon answers."""
    shop = Shop(tmp_path_factory.mktemp("any") / "shop.db")
    shop.note(EventKind.CLEANED)
    shop.switch(True)
    shop.step(200)
    shop.claim(Condition.BAG_FULL)
    shop.step(200)
    pump = Pump(shop)
    thread = DashboardThread(DashboardSettings(shop.path, port=0))
    thread.start()
    yield thread.url.rstrip("/")
    thread.stop()
    pump.close()


def test_any_request_is_answered_as_described(address: str) -> None:
    import schemathesis  # takes seconds to load

    described = schemathesis.openapi.from_dict(create_app(DashboardSettings(Path("none.db"))).openapi())
    for operation in described.exclude(path="/api/v1/live").get_all_operations():

        @settings(max_examples=examples(12), derandomize=True, suppress_health_check=list(HealthCheck))
        @given(case=operation.ok().as_strategy())
        def ask(case: schemathesis.Case) -> None:
            answer = case.call(base_url=address, timeout=60)
            assert answer.status_code < 500 or answer.status_code == 503, answer.text
            if answer.status_code >= 400:
                error = answer.json()["error"]
                assert error["status"] == answer.status_code
                assert error["detail"]
            else:
                case.validate_response(answer, checks=[schemathesis.checks.response_schema_conformance])

        ask()
