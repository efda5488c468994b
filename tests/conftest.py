"""Fast tests first, long ones only under ``--long``, and nothing left behind by a run that ends in whatever way."""

from __future__ import annotations

import gc
import os
import signal
import sys
import time

import pytest
from hypothesis import HealthCheck, settings

from tests.support.leftovers import Run
from tests.support.thoroughness import THOROUGH

RUN = pytest.StashKey[Run]()

# The shops of tests keep their hours in this zone, wherever the computer is; tests of other zones set their own.
os.environ["TZ"] = "UTC"
time.tzset()

# Every daemon that a test starts would compile the whole program anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run the tests marked long too, and property tests in full")
    parser.addoption("--for-minutes", type=float, help="begin no test after so many minutes; the others are skipped")


def pytest_configure(config: pytest.Config) -> None:
    if config.getoption("--long"):
        os.environ[THOROUGH] = "1"
    # How long an example takes, made or tried, says more about the machine than about the code.
    slow = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
    settings.register_profile("thorough", print_blob=True, **slow)
    settings.register_profile("every time the same", max_examples=15, derandomize=True, **slow)
    settings.load_profile("thorough" if os.environ.get(THOROUGH) else "every time the same")
    if not hasattr(config, "workerinput"):  # workers of pytest-xdist are under the guard of the process that started them
        config.stash[RUN] = Run()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not config.getoption("--long"):
        config.hook.pytest_deselected(items=[item for item in items if item.get_closest_marker("long")])
        items[:] = [item for item in items if not item.get_closest_marker("long")]
    items.sort(key=lambda item: (item.get_closest_marker("long") is not None, item.get_closest_marker("slow") is not None))
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    if workers > 1:
        items[:] = dealt(items, workers)


def dealt(items: list[pytest.Item], workers: int) -> list[pytest.Item]:
    """In as many shares as xdist cuts the list into, each with some of the slow modules: they wait while others compute, each
    share at another time, the modules of one long test first. All that use the browser are in the share that begins with them."""
    slow: dict[str, list[pytest.Item]] = {}
    fast = []
    for item in items:
        if item.get_closest_marker("slow") or item.get_closest_marker("long"):
            module = item.nodeid.partition("::")[0]
            slow.setdefault("browser" if module.startswith("tests/browser/") else module, []).append(item)
        else:
            fast.append(item)
    shares: list[list[pytest.Item]] = [[] for _ in range(workers)]
    for module in sorted(slow, key=lambda name: (name != "browser", len(slow[name]))):
        min(shares, key=len).extend(slow[module])
    dealt, size = [], len(items) // workers
    for number, share in enumerate(shares):
        count = max(0, size - len(share)) if number < workers - 1 else len(fast)
        mine, fast = fast[:count], fast[count:]
        before = count * number // (2 * workers)
        dealt += [*mine[:before], *share, *mine[before:]]
    return dealt


def pytest_collection_finish(session: pytest.Session) -> None:
    """What was collected stays to the end: looking through it for garbage again and again costs processor time."""
    gc.collect()
    gc.freeze()


if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # A shell starts what runs in its background deaf to control-C, and every process of a test would inherit that.
    signal.signal(signal.SIGINT, signal.default_int_handler)

BEGAN = time.monotonic()


def pytest_runtest_setup(item: pytest.Item) -> None:
    minutes = item.config.getoption("--for-minutes")
    if minutes is not None and time.monotonic() - BEGAN > 60.0 * minutes:
        pytest.skip("the minutes of this run are over")


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """A process that a test started and that still lives is an error of the run."""
    run = session.config.stash.get(RUN, None)
    found = [] if run is None else run.left_by_tests()
    if found:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
        reporter = session.config.pluginmanager.get_plugin("terminalreporter")
        for left in found:
            where = left.started_by.partition(" (")[0]
            words = f"process {left.pid} was left alive by {left.started_by}: {left.command}"
            report = pytest.TestReport(where, ("", None, where), {}, "failed", words, "teardown")
            reporter.stats.setdefault("error", []).append(report)


def pytest_unconfigure(config: pytest.Config) -> None:
    run = config.stash.get(RUN, None)
    if run is not None:
        run.end()
