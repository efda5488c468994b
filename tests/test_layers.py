"""The import order analysis <- daemon <- dashboard, read from the source with ast."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
OURS = {"analysis", "daemon", "dashboard", "tests"}
ALLOWED = {
    "analysis": {"analysis"},
    "daemon": {"analysis", "daemon"},
    "dashboard": {
        "analysis", "dashboard", "daemon.config", "daemon.drafting", "daemon.store.reader", "daemon.store.requests",
        "daemon.errors",
    },
}
MEETING_PLACES = {
    "daemon/cli/watch.py": {"dashboard.serve", "dashboard.settings"},
    "daemon/cli/init.py": {"dashboard.setup_app"},
}
"""The commands that start both are the only places that know the dashboard besides the dashboard."""
IMPURE = {
    "os", "socket", "threading", "subprocess", "sqlite3", "logging", "time", "random", "asyncio", "pathlib", "io",
    "tempfile", "serial", "paho", "fastapi", "pydantic", "pandas", "scipy", "sqlite_utils",
}


def modules(layer: str) -> list[Path]:
    return sorted(path for path in (ROOT / layer).rglob("*.py"))


@cache
def imports(path: Path) -> tuple[tuple[str, bool], ...]:
    """Every imported module's dotted name, and whether it is imported when the module loads."""
    return tuple(found_imports(path))


def found_imports(path: Path) -> Iterator[tuple[str, bool]]:
    tree = ast.parse(path.read_text())
    nodes = list(ast.walk(tree))
    inside = {
        id(node)
        for function in nodes
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
    }
    for node in nodes:
        if isinstance(node, ast.Import):
            for name in node.names:
                yield name.name, id(node) not in inside
        elif isinstance(node, ast.ImportFrom) and node.module:
            is_package = (ROOT / node.module.replace(".", "/")).is_dir()
            for name in node.names if is_package else ():
                yield f"{node.module}.{name.name}", id(node) not in inside
            if not is_package:
                yield node.module, id(node) not in inside


@pytest.mark.parametrize("layer", sorted(ALLOWED))
def test_a_layer_imports_only_what_it_may(layer: str) -> None:
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules(layer)
        for name, _ in imports(path)
        if name.split(".")[0] in OURS
        and name not in MEETING_PLACES.get(str(path.relative_to(ROOT)), ())
        and not any(name == allowed or name.startswith(allowed + ".") for allowed in ALLOWED[layer])
    ]
    assert modules(layer), f"no modules found in {layer}"
    assert wrong == []


def test_analysis_is_pure() -> None:
    """No IO, no clock, no unseeded random; the heavy scientific packages only where a report asks for them."""
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules("analysis")
        for name, on_load in imports(path)
        if name.split(".")[0] in IMPURE and (on_load or name.split(".")[0] not in {"pandas", "scipy"})
    ]
    assert wrong == []


def test_the_daemon_and_dashboard_never_load_the_heavy_packages_on_start() -> None:
    """They would double its memory; each is imported inside the function (or the module of a kind) that needs it."""
    heavy = (
        "pandas", "sqlite_utils", "scipy", "fluids", "apprise", "pymodbus", "statsmodels", "typer", "rich",
        "psycopg", "pyarrow", "prometheus_client",
    )
    program = (
        "import sys, daemon.__main__, daemon.cli.watch, daemon.service, daemon.wiring, daemon.sources.serial_port, "
        "daemon.sources.mqtt, dashboard.serve\n"
        "from pathlib import Path\n"
        "from daemon.config.load import load\n"
        "from daemon.wiring import build_pipeline\n"
        "build_pipeline(load(Path('daemon/demo/chair-barn.toml')))\n"
        "from dashboard.app import create_app\n"
        "from dashboard.settings import DashboardSettings\n"
        "create_app(DashboardSettings(Path('none.db')))\n"
        f"print([name for name in (*{heavy!r}, 'pydantic.v1') if sys.modules.get(name)])"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, timeout=600, check=True
    )
    assert ran.stdout.strip() == "[]"
